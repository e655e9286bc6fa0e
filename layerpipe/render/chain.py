"""One take's processing: high-passes, shelves, bells, compressor, in this order.

Blocks are mono float64. The chain carries its state from block to block, so the block size changes no bit. Gain and
polarity are not part of the chain: they are factors that are applied where takes are written and summed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field
from msgspec.structs import replace

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp import kernels
from layerpipe.dsp.dynamics.compressor import Curve, compress
from layerpipe.dsp.dynamics.hit_threshold import loudest_hits, peaks_of, threshold_for
from layerpipe.dsp.filters import design_bell, design_high_pass, design_shelf, run_sections
from layerpipe.dsp.loudness.bs1770 import STEPS_PER_S, step_starts
from layerpipe.recipe.model.recipe import Chain, Compressor

AUDIBLE_REDUCTION_DB = 0.5
"""A step counts as compressed from this gain reduction on; common practice, no source."""


class ThresholdSearch(Struct, frozen=True):
    """How far before a hit the compressor starts when a threshold is searched."""

    warm_up_time_constants: float = 8.0
    """Multiples of attack plus release; the level follower has then forgotten its start to exp(-8), 0.003 dB."""
    longest_warm_up_s: float = 4.0
    """Bounds the work where the release is very long."""


THRESHOLD_SEARCH = ThresholdSearch()


class ChainDesign(Struct, frozen=True):
    """A chain's coefficients at one rate: filter rows (sections, 6), and the compressor's curve if there is one."""

    sections: FloatArray
    curve: Curve | None


class Reduction(Struct):
    """Gain reduction per step of 10 ms: largest and mean in dB, share of frames above 0.5 dB."""

    blocks: list[npt.NDArray[np.float32]] = field(default_factory=list)

    def add(self, reduction_db: FloatArray, starts: npt.NDArray[np.int64]) -> None:
        """Add a block whose steps begin at `starts`."""
        rows = np.empty((3, len(starts)), np.float32)
        kernels.summarize_reduction(reduction_db, starts, AUDIBLE_REDUCTION_DB, rows[0], rows[1], rows[2])
        self.blocks.append(rows)

    def table(self) -> npt.NDArray[np.float32]:
        """All steps as an array of shape (3, steps): largest, mean, share."""
        return np.concatenate(self.blocks, axis=1) if self.blocks else np.zeros((3, 0), np.float32)


def design(chain: Chain, rate_hz: int, *, threshold_db: float | None = None) -> ChainDesign:
    """Design the filters and the compressor curve of a chain.

    Parameters
    ----------
    chain : Chain
    rate_hz : int
    threshold_db : float, optional
        The threshold that was found for a compressor with `hits_db`; None leaves such a compressor out.

    Raises
    ------
    ParameterError
        If a corner frequency is not below half the rate.
    """
    rows = [design_high_pass(f.hz, rate_hz, slope_db_per_octave=f.slope_db_per_octave) for f in chain.high_pass]
    rows += [design_shelf(f.side, f.hz, f.gain_db, rate_hz, slope=f.slope) for f in chain.shelf]
    rows += [design_bell(f.hz, f.gain_db, rate_hz, q=f.q) for f in chain.bell]
    asked = chain.compressor
    threshold = threshold_db if asked is None or asked.threshold_db is None else asked.threshold_db
    curve = None if asked is None or threshold is None else _curve(asked, threshold, rate_hz)
    return ChainDesign(np.concatenate(rows) if rows else np.zeros((0, 6)), curve)


def run_chain(sound: Sound, designed: ChainDesign, reduction: Reduction | None = None) -> Iterator[FloatArray]:
    """Process a take second by second; `reduction` collects the compressor's gain reduction.

    Yields
    ------
    np.ndarray [shape=(rate_hz,), float64]
        One second each; the last one is shorter unless the take is whole seconds long.
    """
    filter_state: FloatArray | None = None
    curve_state: FloatArray | None = None
    steps = step_starts(0, STEPS_PER_S - 1, sound.rate_hz)
    for at in range(0, sound.frames, sound.rate_hz):
        block = sound.read(at, min(at + sound.rate_hz, sound.frames))
        block, filter_state = run_sections(designed.sections, block, filter_state)
        if designed.curve is not None:
            block, reduction_db, curve_state = compress(designed.curve, block, curve_state)
            if reduction is not None:
                reduction.add(reduction_db, steps[steps < len(block)])
        yield block


def find_threshold(sound: Sound, chain: Chain) -> float | None:
    """Threshold at which the compressor reduces the hardest hits by its `hits_db`; None if the recipe names one.

    A take without hits (silence, a drone) gets 0 dBFS, which leaves it unchanged.

    Raises
    ------
    ParameterError
        If no threshold gives that much reduction.
    """
    asked = chain.compressor
    if asked is None or asked.hits_db is None:
        return None
    filters_only = design(replace(chain, compressor=None), sound.rate_hz)
    hits = loudest_hits(peaks_of(run_chain(sound, filters_only), sound.rate_hz))
    if not len(hits):
        return 0.0
    warm_up_s = min(THRESHOLD_SEARCH.warm_up_time_constants * (asked.attack_ms + asked.release_ms) / 1000,
                    THRESHOLD_SEARCH.longest_warm_up_s)
    return threshold_for(
        asked.hits_db, hits, run_chain(sound, filters_only),
        curve_at=lambda threshold_db: _curve(asked, threshold_db, sound.rate_hz),
        warm_up_frames=math.ceil(warm_up_s * sound.rate_hz),
    )


def _curve(asked: Compressor, threshold_db: float, rate_hz: int) -> Curve:
    """The compressor with this threshold."""
    return Curve(threshold_db=threshold_db, ratio=asked.ratio, knee_db=asked.knee_db, attack_ms=asked.attack_ms,
                 release_ms=asked.release_ms, makeup_db=asked.makeup_db, rate_hz=rate_hz)
