"""Versions of a section limited so that all reach one loudness: `[preview] peaks = "limit"`.

A version whose peaks leave room is only raised. The others go through `dsp.dynamics.limiter`; as that makes them
quieter, they are raised again until each has the wanted loudness. What the result is still above the ceiling, by the
meter of true peaks, is taken off all of it. No version is limited by more than 6 dB
(`LimiterSettings.most_reduction_db`): where one would need more, the section is quieter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_gain, gain_of_db
from layerpipe.dsp.dynamics.limiter import LIMITER, PeakLimiter
from layerpipe.dsp.loudness.bs1770 import LoudnessMeter
from layerpipe.dsp.peaks.true_peak import TruePeakMeter
from layerpipe.outputs.preview.excerpt import ExcerptSound, Version

_CLOSE_LU = 0.03
"""A version this close to the wanted loudness is left; nobody hears it."""
_ROUND_DB = 0.001
_MOST_ROUNDS = 8
_LEAST_SLOPE = 0.1


@dataclass(frozen=True)
class Limited:
    """How a version is made, and what comes of it."""

    gain_db: float
    """Before the limiter."""
    ceiling_db: float | None
    """Of the limiter; None: none is needed."""
    lufs: float
    true_peak_dbtp: float
    trim_db: float = 0.0
    """After the limiter, 0 or below: what its result was still above the ceiling, hundredths of a decibel."""
    reduction_db: float = 0.0
    """Most that the limiter takes away, 0 or above."""

    def sound(self, sound: ExcerptSound, version: Version) -> Iterator[FloatArray]:
        """The pieces of the version as they are written."""
        gain, trim = gain_of_db(self.gain_db), gain_of_db(self.trim_db)
        if self.ceiling_db is None:
            return (piece * gain for _, (piece,) in sound.versions([version]))
        limiter = PeakLimiter(sound.song.rate_hz, gain, gain_of_db(self.ceiling_db))
        return (piece * trim for piece in _limited(sound, version, limiter))


def limit_alike(sound: ExcerptSound, versions: Sequence[Version], lufs: Sequence[float],
                true_peaks_dbtp: Sequence[float], wanted_lufs: float, ceiling_dbtp: float,
                pool: ThreadPoolExecutor) -> list[Limited]:
    """Bring the versions of a section to one loudness.

    Parameters
    ----------
    sound : ExcerptSound
    versions : sequence of Version
        Those that sound.
    lufs, true_peaks_dbtp : sequences of float
        Of each before any gain.
    wanted_lufs, ceiling_dbtp : float
    pool : ThreadPoolExecutor

    Returns
    -------
    list of Limited
        As loud as wanted, or as the version that would be limited most allows.
    """
    ceiling_db = ceiling_dbtp - _ROUND_DB

    def at_loudness(aim: float, places: Sequence[int]) -> list[Limited]:
        return list(pool.map(lambda n: _limit(sound, versions[n], lufs[n], true_peaks_dbtp[n], aim, ceiling_db),
                             places))

    found = at_loudness(wanted_lufs, range(len(versions)))
    aim = min(one.lufs for one in found)
    louder = [n for n, one in enumerate(found) if one.lufs > aim + _CLOSE_LU]
    for n, one in zip(louder, at_loudness(aim, louder), strict=True):
        found[n] = one
    return found


def _limit(sound: ExcerptSound, version: Version, lufs: float, true_peak_dbtp: float, aim_lufs: float,
           ceiling_db: float) -> Limited:
    """One version at the wanted loudness, or as loud as it can be made."""
    highest_db = ceiling_db + LIMITER.most_reduction_db - true_peak_dbtp - _ROUND_DB
    gain_db = min(aim_lufs - lufs, highest_db)
    if true_peak_dbtp + gain_db <= ceiling_db:
        return Limited(gain_db, None, lufs + gain_db, true_peak_dbtp + gain_db)
    made = best = _measured(sound, version, gain_db, ceiling_db)
    slope = 1.0
    for _ in range(_MOST_ROUNDS):
        gain_db = min(made.gain_db + (aim_lufs - made.lufs) / slope, highest_db)
        if abs(best.lufs - aim_lufs) <= _CLOSE_LU or gain_db == made.gain_db:
            break
        before, made = made, _measured(sound, version, gain_db, ceiling_db)
        # Of a louder sound more is taken away: less than 1 LU is won for each dB.
        slope = min(1.0, max(_LEAST_SLOPE, (made.lufs - before.lufs) / (made.gain_db - before.gain_db)))
        best = min(best, made, key=lambda one: abs(one.lufs - aim_lufs))
    return best


def _measured(sound: ExcerptSound, version: Version, gain_db: float, ceiling_db: float) -> Limited:
    """A version through the limiter, measured."""
    rate_hz = sound.song.rate_hz
    limiter = PeakLimiter(rate_hz, gain_of_db(gain_db), gain_of_db(ceiling_db))
    loudness, peak = LoudnessMeter(rate_hz), TruePeakMeter(2)
    for piece in _limited(sound, version, limiter):
        loudness.add(piece)
        peak.add(piece)
    lufs, trim_db = loudness.loudness.integrated_lufs, min(0.0, ceiling_db - peak.peak_dbtp)
    return Limited(gain_db, ceiling_db, -math.inf if lufs is None else lufs + trim_db, peak.peak_dbtp + trim_db,
                   trim_db, -db_of_gain(limiter.lowest_gain))


def _limited(sound: ExcerptSound, version: Version, limiter: PeakLimiter) -> Iterator[FloatArray]:
    """The pieces of a version after the limiter."""
    for _, (piece,) in sound.versions([version]):
        yield limiter.add(piece)
    yield limiter.finish()
