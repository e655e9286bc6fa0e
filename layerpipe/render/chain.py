"""One take's processing: high-passes, shelves, bells, compressor, in this order.

Blocks are mono float64; the chain carries its state from block to block, so that cuts change no bit. Gain and
polarity are no part of it: they are numbers, applied where takes are written and summed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp import kernels
from layerpipe.dsp.dynamics import Curve, compress
from layerpipe.dsp.filters import design_bell, design_high_pass, design_shelf, run_sections
from layerpipe.dsp.hit_threshold import loudest_hits, peaks_of, threshold_for
from layerpipe.recipe.model import Chain, Compressor

STEPS_PER_S = 100
AUDIBLE_REDUCTION_DB = 0.5
_WARM_UP_TIME_CONSTANTS, _LONGEST_WARM_UP_S = 8.0, 4.0


@dataclass(frozen=True)
class Voicing:
    """A chain as numbers for one rate: filter rows (sections, 6), and the compressor's curve if there is one."""

    sections: FloatArray
    curve: Curve | None


@dataclass
class Reduction:
    """What the compressor did, per step of 10 ms: largest and mean reduction in dB, share of frames above 0.5 dB."""

    blocks: list[npt.NDArray[np.float32]] = field(default_factory=list)

    def add(self, reduction_db: FloatArray, starts: npt.NDArray[np.int64]) -> None:
        """Note a block whose steps begin at `starts`."""
        rows = np.empty((3, len(starts)), np.float32)
        kernels.summarize_reduction(reduction_db, starts, AUDIBLE_REDUCTION_DB, rows[0], rows[1], rows[2])
        self.blocks.append(rows)

    def table(self) -> npt.NDArray[np.float32]:
        """All steps as an array of shape (3, steps): largest, mean, share."""
        return np.concatenate(self.blocks, axis=1) if self.blocks else np.zeros((3, 0), np.float32)


def design(chain: Chain, rate_hz: int, *, threshold_db: float | None = None) -> Voicing:
    """Turn a chain into filters and a curve.

    Parameters
    ----------
    chain : Chain
    rate_hz : int
    threshold_db : float, optional
        The found threshold of a compressor that asks for `hits_db`; None leaves such a compressor out.

    Raises
    ------
    ParameterError
        If a corner is not below half the rate.
    """
    rows = [design_high_pass(f.hz, rate_hz, slope_db_per_octave=f.slope_db_per_octave) for f in chain.high_pass]
    rows += [design_shelf(f.side, f.hz, f.gain_db, rate_hz, slope=f.slope) for f in chain.shelf]
    rows += [design_bell(f.hz, f.gain_db, rate_hz, q=f.q) for f in chain.bell]
    asked = chain.compressor
    threshold = threshold_db if asked is None or asked.threshold_db is None else asked.threshold_db
    curve = None if asked is None or threshold is None else _curve(asked, threshold, rate_hz)
    return Voicing(np.concatenate(rows) if rows else np.zeros((0, 6)), curve)


def voice(sound: Sound, voicing: Voicing, reduction: Reduction | None = None) -> Iterator[FloatArray]:
    """Carry a take through its chain, second by second; `reduction` notes what the compressor did.

    Yields
    ------
    np.ndarray [shape=(rate_hz,), float64]
        One second each, the last one what is left.
    """
    filter_state: FloatArray | None = None
    curve_state: FloatArray | None = None
    steps = step_starts(sound.rate_hz, sound.rate_hz)
    for at in range(0, sound.frames, sound.rate_hz):
        block = sound.read(at, min(at + sound.rate_hz, sound.frames))
        block, filter_state = run_sections(voicing.sections, block, filter_state)
        if voicing.curve is not None:
            block, reduction_db, curve_state = compress(voicing.curve, block, curve_state)
            if reduction is not None:
                reduction.add(reduction_db, steps[steps < len(block)])
        yield block


def find_threshold(sound: Sound, chain: Chain) -> float | None:
    """Threshold at which the compressor takes its `hits_db` off the hardest hits; None if it names a threshold itself.

    A take without a strum (silence, a drone) has no hits: its threshold is 0 dBFS, which leaves it alone.

    Raises
    ------
    ParameterError
        If no threshold takes that much off.
    """
    asked = chain.compressor
    if asked is None or asked.hits_db is None:
        return None
    filters_only = design(chain.model_copy(update={"compressor": None}), sound.rate_hz)
    hits = loudest_hits(peaks_of(voice(sound, filters_only), sound.rate_hz))
    if not len(hits):
        return 0.0
    warm_up_s = min(_WARM_UP_TIME_CONSTANTS * (asked.attack_ms + asked.release_ms) / 1000, _LONGEST_WARM_UP_S)
    return threshold_for(
        asked.hits_db, hits, voice(sound, filters_only),
        curve_at=lambda threshold_db: _curve(asked, threshold_db, sound.rate_hz),
        warm_up_frames=math.ceil(warm_up_s * sound.rate_hz),
    )


def step_starts(frames: int, rate_hz: int) -> npt.NDArray[np.int64]:
    """Frames at which the 10 ms steps of a block begin that itself begins on a whole second."""
    starts = np.floor(np.arange(STEPS_PER_S) * rate_hz / STEPS_PER_S + 0.5).astype(np.int64)
    return starts[starts < frames]


def _curve(asked: Compressor, threshold_db: float, rate_hz: int) -> Curve:
    """The compressor with this threshold."""
    return Curve(threshold_db=threshold_db, ratio=asked.ratio, knee_db=asked.knee_db, attack_ms=asked.attack_ms,
                 release_ms=asked.release_ms, makeup_db=asked.makeup_db, rate_hz=rate_hz)
