"""A hard upper end of the spectrum: the file was converted from a lower rate or lossy-coded.

A microphone and its amplifier hiss up to half the sample rate. A spectrum that falls by 18 dB within 0.6 kHz to less
than any of them delivers, and stays there, was cut. Density is 1/Hz, levels are dB.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.single_pass import Measurements


@dataclass(frozen=True)
class BandLimitLimits:
    """When the end of a spectrum is a cut."""

    lowest_hz: float = 3000.0
    """Below, dull instruments end by themselves."""
    highest_share: float = 0.94
    """Of half the rate; above it converters cut."""
    drop_db: float = 18.0
    within_hz: float = 300.0
    """Steepness: from one step below to one step above the edge."""
    empty_db: float = -126.0
    """Per Hz. Hiss of -82 dBFS over 24 kHz; no room and microphone are quieter at the level of music (common practice,
    no source)."""
    speaker_hz: float = 9000.0
    speaker_drop_db: float = 28.0
    """A guitar loudspeaker ends steeply at about 6 kHz; below 9 kHz only an edge at a usual rate needs less drop."""
    edge_share: tuple[float, float] = (0.88, 1.02)
    """Where converters cut, as shares of half their rate."""


USUAL_RATES_HZ = (8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)


@dataclass(frozen=True)
class BandLimit:
    """Where the spectrum ends, how far it falls there, and the lower rate it may come from."""

    edge_hz: float
    drop_db: float
    likely_rate_hz: int | None


def judge(evidence: BandLimit | None, limits: BandLimitLimits) -> Judgement:
    """Decide whether the steepest end of a spectrum is a cut."""
    if evidence is None or evidence.drop_db <= limits.drop_db:
        return Judgement(False, "the spectrum ends softly, or with the rate")
    if evidence.likely_rate_hz is not None:
        return Judgement(True, f"it ends where {evidence.likely_rate_hz} Hz ends")
    if evidence.edge_hz < limits.speaker_hz and evidence.drop_db < limits.speaker_drop_db:
        return Judgement(False, "a loudspeaker ends like that")
    return Judgement(True, "nothing but a filter ends so steeply")


def find_band_limit(measured: Measurements) -> BandLimit | None:
    """Find a hard upper end of the spectrum; None if there is none or it is unknown."""
    limits = BandLimitLimits()
    hz, half = measured.spectrum_hz, measured.rate_hz / 2
    if not measured.spectrum.any():
        return None
    smooth = np.convolve(np.pad(measured.spectrum, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    level = 10 * np.log10(smooth + 1e-30)
    # From the top down: the highest level above each bin.
    inside = hz < 0.985 * half
    above = np.maximum.accumulate(np.where(inside, level, -300.0)[::-1])[::-1]
    step = max(1, round(limits.within_hz / hz[1]))
    best: tuple[float, float] | None = None
    for k in range(int(limits.lowest_hz / hz[1]), int(limits.highest_share * half / hz[1])):
        if k + step >= len(hz) or hz[k + step] > 0.985 * half:
            break
        if above[k + step] >= limits.empty_db:
            continue
        drop = float(np.median(level[max(k - 5 * step, 0) : max(k - step, 1)])) - float(above[k + step])
        if best is None or drop > best[1]:
            best = float(hz[k]), drop
    if best is None:
        return None
    low, high = limits.edge_share
    likely = [rate for rate in USUAL_RATES_HZ if rate < measured.rate_hz and low < best[0] / (rate / 2) < high]
    found = BandLimit(best[0], best[1], likely[0] if likely else None)
    return found if judge(found, limits).is_defect else None
