"""A second opinion on a stem's figures: measured again from the file, through the filters of pyloudnorm.

The weighting is pyloudnorm's (class "DeMan"), streamed; blocks and gates are those of BS.1770-5, where an incomplete
last block is not used. Peaks are the highest sample and the true peak of the file. pyloudnorm leaves the high-pass
numerator at 1 -2 1 at every rate, which is 0.02 LU at 96 kHz: hence the tolerance. The manifest's figures come from the
energies of the takes, where a level that changes inside a step counts with its rms: in a section in which a layer is
off, all that is heard is the ramp of 20 ms to the next one, and there that is told from the file itself by up to 2 LU.
Source: ITU-R BS.1770-5 (11/2023) Annex 1 and 2; EBU Tech 3342 for the range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.units import db_of_gain
from layerpipe.dsp.loudness import Loudness, loudness_of_steps, step_starts, steps_inside
from layerpipe.dsp.peaks.true_peak import TruePeakMeter
from layerpipe.outputs.verify.opened_bounce import figure

TOLERANCE_LU, TOLERANCE_OF_RAMP_LU = 0.05, 2.0
TOLERANCE_PEAK_DB = 0.01
_BARELY_HEARD_LUFS = -69.0
_NAMES = {"integrated_lufs": "loudness", "momentary_max_lufs": "highest momentary loudness",
          "short_term_max_lufs": "highest short-term loudness", "range_lu": "loudness range",
          "sample_peak_dbfs": "sample peak", "true_peak_dbtp": "true peak"}


@dataclass(frozen=True)
class Disagreement:
    """A figure of the manifest that is not what was measured."""

    section: str | None
    figure: str
    told: float | None
    measured: float | None

    def __str__(self) -> str:
        place = "" if self.section is None else f'in "{self.section}" '
        return f"{place}{_NAMES[self.figure]}: {_shown(self.told)} told, {_shown(self.measured)} measured"


class SecondOpinion:
    """Hears one file from its first frame to its last."""

    def __init__(self, rate_hz: int, channels: int, frames: int, bit_depth: int) -> None:
        import pyloudnorm

        self._rate_hz, self._scale, self._at = rate_hz, 1.0 / (1 << (bit_depth - 1)), 0
        self._filters: list[tuple[Any, Any, float]] = [
            (stage.b, stage.a, float(stage.passband_gain))
            for stage in pyloudnorm.Meter(rate_hz, filter_class="DeMan")._filters.values()]
        self._states = [np.zeros((max(len(b), len(a)) - 1, channels)) for b, a, _ in self._filters]
        self._edges = step_starts(0, steps_inside(0, frames, rate_hz)[1], rate_hz)
        self._steps = np.zeros(max(len(self._edges) - 1, 0))
        self._peaks, self._highest = TruePeakMeter(channels), 0

    def hear(self, pcm: npt.NDArray[np.int32]) -> None:
        """The next frames, shape (frames, channels)."""
        from scipy.signal import lfilter

        if not len(pcm):
            return
        self._highest = max(self._highest, int(pcm.max()), -int(pcm.min()))
        sound = pcm * self._scale
        self._peaks.add(sound)
        for n, (b, a, gain) in enumerate(self._filters):
            sound, self._states[n] = lfilter(b, a, sound, axis=0, zi=self._states[n])
            sound = sound * gain
        step = np.searchsorted(self._edges, np.arange(self._at, self._at + len(pcm)), side="right") - 1
        energy = np.einsum("fc,fc->f", sound, sound)
        inside = step < len(self._steps)
        self._steps += np.bincount(step[inside], energy[inside], minlength=len(self._steps))
        self._at += len(pcm)

    def disagreements(self, told: dict[str, Any], spans: Sequence[tuple[str, int, int, bool]]) -> list[Disagreement]:
        """Figures of a file's manifest entry that differ by more than the tolerances.

        Parameters
        ----------
        told : dict
            The entry.
        spans : sequence of (section, start, stop, off)
            In frames; off where nothing of this file is meant to be heard.
        """
        found = []
        for name, start, stop, off in ((None, 0, self._at, False), *spans):
            entry = told if name is None else next(
                (part for part in told["sections"] if part["section"] == name), None)
            if entry is None:
                continue
            measured = vars(self._loudness(start, stop))
            if name is None:
                measured = {**measured, "sample_peak_dbfs": db_of_gain(self._highest * self._scale),
                            "true_peak_dbtp": max(self._peaks.peak_dbtp, db_of_gain(self._highest * self._scale))}
            for key, value in measured.items():
                if not _agree(key, figure(entry.get(key)), value, TOLERANCE_OF_RAMP_LU if off else TOLERANCE_LU):
                    found.append(Disagreement(name, key, figure(entry.get(key)), value))
        return found

    def _loudness(self, start: int, stop: int) -> Loudness:
        """Loudness between two frames."""
        first, last = steps_inside(start, stop, self._rate_hz)
        last = min(last, len(self._steps))
        first = min(first, last)
        return loudness_of_steps(self._steps[first:last], np.diff(self._edges[first : last + 1]))


def _agree(key: str, told: float | None, measured: float | None, tolerance_lu: float) -> bool:
    """Whether two figures are the same within what they can be."""
    if told is None or measured is None:
        return told is measured
    if key.endswith("_lufs") and max(told, measured) < _BARELY_HEARD_LUFS:
        # At the absolute gate a hair decides between a figure and silence.
        return True
    if math.isinf(told) or math.isinf(measured):
        return told == measured
    return abs(told - measured) <= (TOLERANCE_PEAK_DB if "peak" in key else tolerance_lu)


def _shown(value: float | None) -> str:
    """A figure, or that there is none."""
    return "nothing" if value is None else f"{value:.2f}"
