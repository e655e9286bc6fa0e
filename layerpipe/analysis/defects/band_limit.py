"""What a file claims and what it is: a hard band limit, bits that are never used.

A microphone and its amplifier hiss up to half the rate. A spectrum that falls by 18 dB within 0.6 kHz into less than
any of them delivers, and stays there, was cut: by a converter at a lower rate or by lossy coding. Density is 1/Hz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.defects.single_pass import Heard

LOWEST_EDGE_HZ, HIGHEST_EDGE = 3000.0, 0.94
"""Above 0.94 of half the rate converters cut themselves."""
DROP_DB = 18.0
SPEAKER_HZ, SPEAKER_DROP_DB = 9000.0, 28.0
"""A guitar's loudspeaker ends steeply, too, at about 6 kHz; below 9 kHz only what fits a usual rate needs less."""
EMPTY_DB = -126.0
"""Hiss of -82 dBFS spread over 24 kHz; no room and microphone are quieter at the level of music (common practice)."""
USUAL_RATES_HZ = (8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)


@dataclass(frozen=True)
class BandLimit:
    """Where the spectrum ends, how far it falls there, and the lower rate it may come from."""

    edge_hz: float
    drop_db: float
    likely_rate_hz: int | None


def find_band_limit(heard: Heard) -> BandLimit | None:
    """Find a hard upper end of the spectrum; None if it ends softly, or with the rate, or cannot be told."""
    hz, half = heard.spectrum_hz, heard.rate_hz / 2
    if not heard.spectrum.any():
        return None
    smooth = np.convolve(np.pad(heard.spectrum, 2, mode="edge"), np.ones(5) / 5, mode="valid")
    level = 10 * np.log10(smooth + 1e-30)
    # From the top down: the most that is still heard above each bin.
    inside = hz < 0.985 * half
    above = np.maximum.accumulate(np.where(inside, level, -300.0)[::-1])[::-1]
    step = max(1, round(300 / hz[1]))
    best: BandLimit | None = None
    for k in range(int(LOWEST_EDGE_HZ / hz[1]), int(HIGHEST_EDGE * half / hz[1])):
        if k + step >= len(hz) or hz[k + step] > 0.985 * half:
            break
        below = float(np.median(level[max(k - 5 * step, 0) : max(k - step, 1)]))
        drop = below - float(above[k + step])
        if drop > DROP_DB and above[k + step] < EMPTY_DB and (best is None or drop > best.drop_db):
            best = BandLimit(float(hz[k]), drop, None)
    if best is None:
        return None
    likely = [rate for rate in USUAL_RATES_HZ if rate < heard.rate_hz and 0.88 < best.edge_hz / (rate / 2) < 1.02]
    if not likely and best.edge_hz < SPEAKER_HZ and best.drop_db < SPEAKER_DROP_DB:
        return None
    return BandLimit(best.edge_hz, best.drop_db, likely[0] if likely else None)
