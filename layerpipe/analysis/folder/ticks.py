"""Whether a file is a click track, and the tempo, meter and downbeat of its ticks.

A click track is made by a machine: short sounds with silence between them, on time within the step of the envelope.
Times are seconds from the start of the file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import Float32Array, FloatArray


@dataclass(frozen=True)
class _Limits:
    """What counts as a click track; common practice, no source."""

    tick_share: float = 0.15
    """A tick begins where the envelope passes this share of the peak: unaccented ticks are up to 12 dB quieter."""
    silent_share: float = 0.03
    """Between ticks the envelope is under this share of the peak for most of the time."""
    rest_s: float = 0.03
    """Silence before a tick."""
    most_sounding: float = 0.5
    """Share of the time that may be above the silence: a played instrument rings longer."""
    fewest: int = 8
    """Two bars of 4/4."""
    apart_s: tuple[float, float] = (0.1, 3.0)
    """Time between ticks: 600 to 20 a minute."""
    jitter_s: float = 0.003
    """Machines keep time to a sample; the rest is the step of the envelope and the shape of two kinds of ticks. Hands
    spread 10 ms or more."""
    on_time: float = 0.95
    """Share of ticks that are on time; the rest allows for a dropped edit."""
    tick_s: float = 0.02
    """Length over which level and pitch of a tick are measured."""
    accent: float = 1.12
    """Accented ticks differ at least by this ratio in level (1 dB) or in pitch (2 semitones)."""
    accent_fit: float = 0.95
    """Share of accents that one period must explain, and of its places that must be accents."""


LIMITS = _Limits()
_MOST_BEATS = 12


@dataclass(frozen=True)
class Ticks:
    """The ticks of a click track."""

    first_s: float
    apart_s: float
    """Time between ticks."""
    count: int
    per_bar: int | None
    """Ticks from one accent to the next; None where none or all are accented."""
    downbeat_s: float | None
    """The first accent."""


def find_ticks(envelope: Float32Array, step_s: float, read: Callable[[int, int], FloatArray | Float32Array],
               rate_hz: int) -> Ticks | None:
    """Find evenly spaced ticks.

    Parameters
    ----------
    envelope : np.ndarray [shape=(steps,)]
        Peak of every step of `step_s` seconds.
    read : callable
        Gives frames start to stop, of shape (stop - start, channels).

    Returns
    -------
    Ticks or None
        None where the file is no click track.
    """
    peak = float(envelope.max(initial=0.0))
    if not peak or np.mean(envelope > LIMITS.silent_share * peak) > LIMITS.most_sounding:
        return None
    at = _begins(envelope, peak, round(LIMITS.rest_s / step_s))
    if len(at) < LIMITS.fewest:
        return None
    times_s = at.astype(np.float64) * step_s
    spacing = _spacing(times_s)
    if spacing is None:
        return None
    places, first_s, apart_s = spacing
    described = [_level_and_pitch(read, round(time_s * rate_hz), rate_hz) for time_s in times_s]
    per_bar, downbeat = _accents(places, np.array(described))
    return Ticks(first_s, apart_s, len(at), per_bar, None if downbeat is None else first_s + downbeat * apart_s)


def _begins(envelope: Float32Array, peak: float, rest: int) -> npt.NDArray[np.intp]:
    """Steps at which a sound begins after a rest."""
    loud = envelope > LIMITS.tick_share * peak
    quiet = np.concatenate([np.full(rest, fill_value=True), envelope <= LIMITS.silent_share * peak])
    rested = np.convolve(quiet, np.ones(rest), "valid")[: len(loud)] >= rest
    found: list[int] = []
    last_rest = -1
    for n in np.flatnonzero(loud | rested):
        if rested[n]:
            last_rest = int(n)
        # A tick may rise over a step or two after its rest.
        if loud[n] and n - last_rest <= rest // 4 and (not found or n - found[-1] > rest):
            found.append(int(n))
    return np.array(found, np.intp)


def _spacing(times_s: FloatArray) -> tuple[npt.NDArray[np.intp], float, float] | None:
    """Place of every tick on an even grid, the time of place 0 and the time between places; None without a grid."""
    gaps = np.diff(times_s)
    apart_s = float(np.median(gaps))
    if not LIMITS.apart_s[0] <= apart_s <= LIMITS.apart_s[1]:
        return None
    steps = np.rint(gaps / apart_s)
    places = np.concatenate([[0], np.cumsum(np.maximum(steps, 1))])
    if np.mean(np.abs(gaps - steps * apart_s) < 2 * LIMITS.jitter_s) < LIMITS.on_time:
        return None
    slope, start = np.polyfit(places, times_s, 1)
    off = times_s - (start + slope * places)
    start += float(np.median(off))
    if np.mean(np.abs(off - np.median(off)) < LIMITS.jitter_s) < LIMITS.on_time:
        return None
    return places.astype(np.intp), float(start), float(slope)


def _level_and_pitch(read: Callable[[int, int], FloatArray | Float32Array], frame: int,
                     rate_hz: int) -> tuple[float, float]:
    """Peak of a tick and the mean frequency of its energy."""
    sound = read(frame, frame + round(LIMITS.tick_s * rate_hz)).mean(axis=1)
    power = np.abs(np.fft.rfft(sound, round(LIMITS.tick_s * rate_hz))) ** 2
    hz = np.arange(len(power)) / LIMITS.tick_s
    return float(np.abs(sound).max(initial=0.0)), float((hz * power).sum() / max(power.sum(), 1e-20))


def _accents(places: npt.NDArray[np.intp], described: FloatArray) -> tuple[int | None, int | None]:
    """Ticks per bar and the place of the first accent, by pitch or else by level."""
    for column in (1, 0):
        values = described[:, column]
        ordered = np.sort(values)
        ratios = ordered[1:] / np.maximum(ordered[:-1], 1e-9)
        cut = int(np.argmax(ratios))
        if ratios[cut] < LIMITS.accent:
            continue
        # The rarer kind is the accent.
        high = values > ordered[cut]
        accented = high if 2 * high.sum() <= len(high) else ~high
        for per_bar in range(2, _MOST_BEATS + 1):
            first = int(places[accented][0])
            expected = (places - first) % per_bar == 0
            agree = np.sum(expected & accented)
            if min(agree / accented.sum(), agree / expected.sum()) >= LIMITS.accent_fit and accented.sum() > 1:
                return per_bar, first % per_bar
    return None, None
