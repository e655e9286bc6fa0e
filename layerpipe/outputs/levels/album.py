"""The songs of a record beside each other: is the layer as far from the rest, as loud, as fast and as well tuned?"""

from __future__ import annotations

import cmath
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True)
class AlbumLimits:
    """How far a song may be from the record's median before it is named; ours, no source."""

    distance_lu: float = 1.5
    """A change of the layer's level that is heard when songs follow each other."""
    lufs: float = 1.0
    """About the smallest change of loudness that is noticed between songs."""
    tuning_cents: float = 5.0
    """About the smallest change of pitch that is noticed between notes."""


LIMITS = AlbumLimits()


@dataclass(frozen=True)
class AlbumSong:
    """One song of a record at its recipe's levels; None is "not measurable" or off."""

    title: str
    layer: str
    reference: str | None
    """The layer it is relative to; None is the rest of the blend."""
    distance_lu: float | None
    """Loudness of the layer less that of the reference over the whole song."""
    sections_lu: dict[str, float | None]
    """The same by section."""
    lufs: float | None
    """Integrated loudness of the blend."""
    range_lu: float | None
    tempo: float | None
    """Beats per minute."""
    tempo_estimated: bool
    """The recipe has no tempo; it was estimated from the takes."""
    meter: str
    tuning_cents: float | None
    """Of all takes against A4 = 440 Hz, -50 to 50."""
    layers_cents: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Album:
    """The record's medians, and for each song what stands out, in words."""

    distance_lu: float | None
    lufs: float | None
    tuning_cents: float | None
    stands_out: tuple[tuple[str, ...], ...]


def compare_album(songs: Sequence[AlbumSong]) -> Album:
    """Compare each song of a record with the medians of all."""
    distance, lufs = _median([song.distance_lu for song in songs]), _median([song.lufs for song in songs])
    tuning = mean_cents([song.tuning_cents for song in songs])
    if tuning is not None:
        # The median of what remains when the mean is the middle of the circle.
        away = _median([around(song.tuning_cents, tuning) for song in songs])
        tuning = _wrapped(tuning + (away or 0.0))
    found = []
    for song in songs:
        words = []
        for value, middle, most, unit, less, more in (
                (song.distance_lu, distance, LIMITS.distance_lu, "LU", "further under", "closer"),
                (song.lufs, lufs, LIMITS.lufs, "LU", "quieter", "louder"),
                (around(song.tuning_cents, tuning), 0.0, LIMITS.tuning_cents, "cents", "flat", "sharp")):
            if value is None or middle is None or abs(value - middle) <= most:
                continue
            words.append(f"{abs(value - middle):.1f} {unit} {more if value > middle else less}")
        found.append(tuple(words))
    return Album(distance, lufs, tuning, tuple(found))


def mean_cents(values: Sequence[float | None]) -> float | None:
    """The mean of tunings, which repeat every 100 cents; None if there are none or they point everywhere."""
    vectors = [cmath.exp(2j * math.pi * value / 100) for value in values if value is not None]
    total = sum(vectors, 0j)
    if abs(total) < 1e-9:
        return None
    return _wrapped(cmath.phase(total) / (2 * math.pi) * 100)


def around(value: float | None, middle: float | None) -> float | None:
    """Cents from a middle, the short way round; None where either is unknown."""
    return None if value is None or middle is None else _wrapped(value - middle)


def _wrapped(cents: float) -> float:
    return (cents + 50) % 100 - 50


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None
