"""Loudness and peaks of a stem, measured again from the file through the filters of pyloudnorm.

The weighting is pyloudnorm's (class "DeMan"), streamed; blocks and gates are those of BS.1770-5, where an incomplete
last block is not used. Peaks are the highest sample and the true peak of the file. pyloudnorm leaves the high-pass
numerator at 1 -2 1 at every rate, which is 0.02 LU at 96 kHz: hence the tolerance.
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
from layerpipe.dsp.loudness.bs1770 import Loudness, loudness_of_steps, step_starts, steps_inside
from layerpipe.dsp.peaks.true_peak import TruePeakMeter
from layerpipe.outputs.bounce.manifest_model import StemEntry

_TOLERANCE_LU = 0.05
_TOLERANCE_PEAK_DB = 0.01
_NEAR_GATE_LUFS = -69.0
"""At the absolute gate of -70 LUFS the last bit decides between a figure and silence."""
_NAMES = {"integrated_lufs": "loudness", "momentary_max_lufs": "max. momentary loudness",
          "short_term_max_lufs": "max. short-term loudness", "range_lu": "loudness range",
          "sample_peak_dbfs": "sample peak", "true_peak_dbtp": "true peak"}


@dataclass(frozen=True)
class Disagreement:
    """A measurement in the manifest that the file does not confirm."""

    section: str | None
    key: str
    in_manifest: float | None
    measured: float | None

    def __str__(self) -> str:
        place = "" if self.section is None else f'in "{self.section}" '
        return (f"{place}{_NAMES[self.key]}: {_shown(self.in_manifest)} in the manifest, "
                f"{_shown(self.measured)} measured")


class Remeasurement:
    """Measures one file from its first frame to its last."""

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

    def add(self, pcm: npt.NDArray[np.int32]) -> None:
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
        # Steps that these frames are in, and where in them each begins; what follows the last step is not used.
        first, last = np.searchsorted(self._edges, (self._at, self._at + len(pcm) - 1), side="right") - 1
        last = min(int(last), len(self._steps) - 1)
        energy = np.einsum("fc,fc->f", sound, sound)[: max(self._edges[last + 1] - self._at, 0)]
        if len(energy):
            starts = np.maximum(self._edges[first : last + 1] - self._at, 0)
            self._steps[first : last + 1] += np.add.reduceat(energy, starts)
        self._at += len(pcm)

    def disagreements(self, entry: StemEntry, spans: Sequence[tuple[str, int, int]]) -> list[Disagreement]:
        """Measurements in a file's manifest entry that differ by more than the tolerances.

        Parameters
        ----------
        entry : StemEntry
        spans : sequence of (section, start, stop)
            In frames.
        """
        found = []
        for name, start, stop in ((None, 0, self._at), *spans):
            part = entry if name is None else entry.in_section(name)
            if part is None:
                continue
            measured = vars(self._loudness(start, stop))
            if name is None:
                highest = db_of_gain(self._highest * self._scale)
                measured = {**measured, "sample_peak_dbfs": highest,
                            "true_peak_dbtp": max(self._peaks.peak_dbtp, highest)}
            for key, value in measured.items():
                if not _agree(key, getattr(part, key), value):
                    found.append(Disagreement(name, key, getattr(part, key), value))
        return found

    def _loudness(self, start: int, stop: int) -> Loudness:
        """Loudness between two frames."""
        first, last = steps_inside(start, stop, self._rate_hz)
        last = min(last, len(self._steps))
        first = min(first, last)
        return loudness_of_steps(self._steps[first:last], np.diff(self._edges[first : last + 1]))


def _agree(key: str, in_manifest: float | None, measured: float | None) -> bool:
    """Whether two measurements are equal within the tolerance."""
    if in_manifest is None or measured is None:
        return in_manifest is measured
    if key.endswith("_lufs") and max(in_manifest, measured) < _NEAR_GATE_LUFS:
        return True
    if math.isinf(in_manifest) or math.isinf(measured):
        return in_manifest == measured
    return abs(in_manifest - measured) <= (_TOLERANCE_PEAK_DB if "peak" in key else _TOLERANCE_LU)


def _shown(value: float | None) -> str:
    """A measurement, or that there is none."""
    return "nothing" if value is None else f"{value:.2f}"
