"""What the loudness meters show of a mix of the takes: read from its energies by step, for any span of the song.

Figures are LUFS and LU as in `dsp.loudness`, with its None ("not measurable") and -inf (silence). The blocks of a
section begin at the first step that lies wholly inside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.loudness import bs1770 as loudness

_QUIETEST_POWER = 2.0**-46 / 12
"""Mean square of the rounding to 24 bits. What is left below it of takes that cancel is the rounding of the sums, which
depends on the processor; a correlation of that means nothing."""


@dataclass(frozen=True)
class Readings:
    """What the meters show of a blend over a span.

    `correlation` is that of left and right, unweighted, over the whole hops of 100 ms; None where a side is silent.
    `mono_loss_lu` is the loudness in stereo less the loudness of (left + right) / 2 on both speakers: 0 for equal
    sides, 3.01 for independent or hard-panned ones, inf where the sides cancel. A take alone, with no right side, is
    measured as one channel of weight 1.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    range_lu: float | None
    correlation: float | None
    mono_loss_lu: float | None


class Blend(Struct, frozen=True):
    """A mix's energies: (steps,) in stereo and folded to mono, and (hops, 3) unweighted left, right, and across."""

    rate_hz: int
    first_step: int
    stereo: FloatArray
    mono: FloatArray
    plain: FloatArray

    def readings(self, start_frame: int = 0, stop_frame: int | None = None) -> Readings:
        """Read a span of frames; only measured steps that lie wholly inside it count."""
        stereo, frames = self._span(self.stereo, start_frame, stop_frame)
        mono, _ = self._span(self.mono, start_frame, stop_frame)
        shown = loudness.loudness_of_steps(stereo, frames)
        folded = loudness.integrated(loudness.powers(mono, frames, loudness.MOMENTARY_STEPS, loudness.HOP_STEPS))
        first, stop = _inside(self, start_frame, stop_frame)
        hop = self.first_step // loudness.HOP_STEPS
        plain = self.plain[-(-first // loudness.HOP_STEPS) - hop : max(0, stop // loudness.HOP_STEPS - hop)]
        left, right, across = plain.sum(axis=0)
        quietest = _QUIETEST_POWER * len(plain) * loudness.HOP_STEPS * self.rate_hz / loudness.STEPS_PER_S
        lufs = shown.integrated_lufs
        both_sound = min(left, right) > quietest
        return Readings(
            lufs, shown.momentary_max_lufs, shown.short_term_max_lufs, shown.range_lu,
            correlation=float(np.clip(across / math.sqrt(left * right), -1, 1)) if both_sound else None,
            mono_loss_lu=None if lufs is None or folded is None or lufs == -math.inf else lufs - folded,
        )

    def gating_blocks(self, steps: FloatArray, start_frame: int, stop_frame: int | None,
                      width_steps: int) -> FloatArray:
        """Powers of the blocks of a span, one every 100 ms, from `self.stereo` or `self.mono`."""
        inside, frames = self._span(steps, start_frame, stop_frame)
        return loudness.powers(inside, frames, width_steps, loudness.HOP_STEPS)

    def _span(self, steps: FloatArray, start_frame: int,
              stop_frame: int | None) -> tuple[FloatArray, npt.NDArray[np.int64]]:
        """The steps of a span and how many frames each holds."""
        first, stop = _inside(self, start_frame, stop_frame)
        frames = loudness.frames_of_steps(first, stop, self.rate_hz)
        return steps[first - self.first_step : stop - self.first_step], frames


class Hops(Struct, frozen=True):
    """A mix by hops of 100 ms of a span: energies (2, hops) in stereo and folded to mono, and frames (hops,)."""

    energy: FloatArray
    frames: npt.NDArray[np.int64]

    def blocks(self, width_steps: int) -> int:
        """How many blocks there are, one every 100 ms."""
        return max(0, len(self.frames) - width_steps // loudness.HOP_STEPS + 1)

    def powers(self, fold: int, width_steps: int, first: int = 0, stop: int | None = None) -> FloatArray:
        """Powers of blocks first to stop, in stereo (0) or mono (1)."""
        width = width_steps // loudness.HOP_STEPS
        hops = slice(first, None if stop is None else stop + width - 1)
        return loudness.powers(self.energy[fold, hops], self.frames[hops], width, 1)

    @property
    def integrated_lufs(self) -> float | None:
        """Integrated loudness of the span in stereo."""
        return loudness.integrated(self.powers(0, loudness.MOMENTARY_STEPS))


def _inside(blend: Blend, start_frame: int, stop_frame: int | None) -> tuple[int, int]:
    """Measured steps inside a span of frames."""
    end = blend.first_step + len(blend.stereo)
    if stop_frame is None:
        stop_frame = loudness.step_start(end, blend.rate_hz)
    first, stop = loudness.steps_inside(max(0, start_frame), stop_frame, blend.rate_hz)
    first = min(max(first, blend.first_step), end)
    return first, max(first, min(stop, end))
