"""Drop-outs: samples that do not move, and pieces that come twice. No microphone delivers either.

A run is a stretch of equal samples; a repeat is a stretch that equals, to the bit, an earlier one. Positions and
lengths are samples, levels are linear (full scale 1). A drop-out interrupts sound, so there is sound on both sides of
it and a jump at its edges; silence that an editor put between two phrases has neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.core.sound import FloatArray, Sound

FULL_SCALE = 0.9998
"""Linear. Full scale less what rounding to 12 bits may take away."""


@dataclass(frozen=True)
class SearchLimits:
    """What the search keeps."""

    shortest_run: int = 3
    """Samples. Shorter runs are chance, also at 16 bits; runs at full scale are kept from 2 on."""
    most_runs: int = 20_000
    """Keeps memory bounded where a whole file is broken."""
    longest_distance_s: float = 0.35
    """A repeated buffer comes from not longer ago: no audio buffer holds more."""
    fingerprint: int = 8
    """Samples per fingerprint. So many are equal by chance in silence only."""
    moving_share: float = 0.5
    """Share of the samples of a repeat that must differ from the sample before: silence equals any silence."""
    side_s: float = 0.005
    """Stretch on each side in which the level is measured."""


@dataclass(frozen=True)
class DropoutLimits:
    """When a run or a repeat is a drop-out."""

    shortest_run: int = 12
    """Samples, at any rate: rounding makes shorter runs in quiet low notes."""
    sound: float = 3e-5
    """Linear rms (-90 dBFS, above the dither of 16 bits). Less on one side is silence: nothing was interrupted."""
    edit_s: float = 0.05
    """Nobody edits shorter silences in on purpose (common practice, no source)."""
    edit_under_db: float = 30.0
    """A longer one is a drop-out only if the sound on both sides is this near to the loud passages; a gate or an
    editor cuts in the decay or in room noise."""
    jump: float = 0.1
    """Share of the rms beside it that the last samples before silence must have. After a fade of 1 ms it is 0.06."""
    steps: float = 2.5
    """Smallest steps nearby that a jump at an edge must have. A slow slope moves one step at a time, and so does a fade
    out of digital silence."""
    longest_top_s: float = 0.02
    """A clipped top is shorter than half a period of the lowest note; it is reported as clipping."""
    loud_top: float = 0.02
    """Linear (-34 dBFS). Quieter runs are no clipped tops."""
    top_share: float = 0.9
    """Share of the take's peak from which a run is a clipped top."""
    shared_top_share, tops = 0.5, 3
    """And lower ones, if so many runs have the same height."""
    chance_s: float = 0.05
    chance_steps: float = 4.0
    """A repeat shorter than `chance_s` needs this mean move, in smallest moves: at the end of a fade the same short
    patterns of a few steps come again by chance."""


@dataclass(frozen=True)
class Run:
    """Equal samples: the first one, how many there are, and their value."""

    start: int
    length: int
    value: float


@dataclass(frozen=True, eq=False)
class Runs:
    """Runs of a take, as arrays of shape (runs,): a quiet 16-bit take has thousands."""

    start: npt.NDArray[np.int64]
    length: npt.NDArray[np.int64]
    value: FloatArray

    def where(self, chosen: npt.NDArray[np.bool_]) -> list[Run]:
        """Some of them."""
        return [Run(*row) for row in zip(*(column[chosen].tolist() for column in (self.start, self.length, self.value)),
                                         strict=True)]


@dataclass(frozen=True)
class Repeat:
    """From `start` on, `length` samples equal those `distance` samples before."""

    start: int
    length: int
    distance: int


@dataclass(frozen=True)
class DropoutEvidence:
    """What surrounds a run or a repeat."""

    length: int
    length_s: float
    value: float | None
    """None: a repeat."""
    quieter_side: float
    """Rms about the mean of the 5 ms before or after, whichever is less."""
    before: float
    under_loud_db: float
    """How far the quieter side is below the loud passages of the take."""
    edges: tuple[float, float]
    """Rms of the last samples before silence and of the first after it, as a share of the rms on that side."""
    jump_steps: float
    """Largest jump at an edge, in smallest steps nearby."""
    looks_clipped: bool
    mean_move_steps: float
    """Of a repeat: mean move from sample to sample, in smallest moves."""


def judge(evidence: DropoutEvidence, limits: DropoutLimits, shortest_s: float) -> Judgement:
    """Decide whether a run or a repeat is a drop-out; `shortest_s` is the shortest run that counts."""
    if evidence.value is None:
        if evidence.length_s < limits.chance_s and evidence.mean_move_steps < limits.chance_steps:
            return Judgement(False, "so few steps come twice by chance")
        if evidence.length_s > limits.edit_s and evidence.under_loud_db > limits.edit_under_db:
            return Judgement(False, "pasted room noise")
        return Judgement(True, "equal to the bit")
    if evidence.length < limits.shortest_run or evidence.length_s < shortest_s:
        return Judgement(False, "too short")
    if evidence.looks_clipped:
        return Judgement(False, "a clipped top")
    if evidence.quieter_side < limits.sound:
        return Judgement(False, "silence on one side: nothing was interrupted")
    if evidence.jump_steps < limits.steps:
        return Judgement(False, "a slow slope, rounded")
    if evidence.value != 0.0:
        return Judgement(True, "one value is held")
    if max(evidence.edges) < limits.jump:
        return Judgement(False, "faded out and in")
    if evidence.length_s > limits.edit_s and (evidence.under_loud_db > limits.edit_under_db
                                              or min(evidence.edges) < limits.jump):
        return Judgement(False, "silence between two phrases")
    return Judgement(True, "digital silence inside sound")


@dataclass(frozen=True)
class Dropout:
    """A drop-out: the run or the repeat, what surrounds it, and why it is one."""

    place: Run | Repeat
    evidence: DropoutEvidence
    reason: str


def find_dropouts(sound: Sound, runs: Runs, repeats: Sequence[Repeat], *, peak: float, loud: float,
                  shortest_s: float) -> list[Dropout]:
    """Find the drop-outs among equal samples; only their surroundings are read again.

    Parameters
    ----------
    sound : Sound
    runs : Runs
    repeats : sequence of Repeat
        From `equal_samples.EqualSampleSearch`.
    peak, loud : float
        Linear peak of the take, and rms of its loud passages.
    shortest_s : float
        Shortest run that counts.
    """
    limits, found = DropoutLimits(), []
    # Shorter runs need not be measured.
    long_enough = runs.where((runs.length >= max(limits.shortest_run, shortest_s * sound.rate_hz - 1))
                             & (runs.start > 0) & (runs.start + runs.length < sound.frames))
    places: list[Run | Repeat] = [*long_enough, *repeats]
    for place in places:
        evidence = (_evidence_of_run(place, sound, loud, _looks_clipped(place, runs, peak, sound.rate_hz, limits))
                    if isinstance(place, Run) else _evidence_of_repeat(place, sound, loud))
        verdict = judge(evidence, limits, shortest_s)
        if verdict.is_defect:
            found.append(Dropout(place, evidence, verdict.reason))
    return found


def _evidence_of_run(run: Run, sound: Sound, loud: float, looks_clipped: bool) -> DropoutEvidence:
    """Measure what is beside a run; `loud` is the rms of the loud passages."""
    before, after = _sides(sound, run.start, run.start + run.length)
    edge = max(2, sound.rate_hz // 8000)
    levels = [float(side.std()) if len(side) else 0.0 for side in (before, after)]
    ends = [float(np.sqrt(np.mean(end**2))) if len(end) else 0.0 for end in (before[-edge:], after[:edge])]
    moves = np.abs(np.concatenate([np.diff(before), np.diff(after)]))
    jumps = [abs(float(end) - run.value) for end in (*before[-1:], *after[:1])]
    return DropoutEvidence(
        length=run.length, length_s=run.length / sound.rate_hz, value=run.value, quieter_side=min(levels),
        before=levels[0], under_loud_db=_under_db(min(levels), loud),
        edges=(ends[0] / (levels[0] + 1e-12), ends[1] / (levels[1] + 1e-12)),
        jump_steps=max(jumps, default=0.0) / _smallest(moves), looks_clipped=looks_clipped, mean_move_steps=0.0)


def _evidence_of_repeat(repeat: Repeat, sound: Sound, loud: float) -> DropoutEvidence:
    """Measure a repeated stretch, of the first second of it if it is longer."""
    piece = sound.read(repeat.start, min(repeat.start + repeat.length, repeat.start + sound.rate_hz))
    moves = np.abs(np.diff(piece))
    level = float(piece.std())
    return DropoutEvidence(
        length=repeat.length, length_s=repeat.length / sound.rate_hz, value=None, quieter_side=level, before=level,
        under_loud_db=_under_db(level, loud), edges=(0.0, 0.0), jump_steps=0.0, looks_clipped=False,
        mean_move_steps=float(moves.mean()) / _smallest(moves) if len(moves) else 0.0)


def _looks_clipped(run: Run, runs: Runs, peak: float, rate_hz: int, limits: DropoutLimits) -> bool:
    """Whether a run is a clipped top: the highest of the take, or one of several of the same height."""
    height = abs(run.value)
    if height <= limits.loud_top or run.length >= limits.longest_top_s * rate_hz:
        return False
    alike = np.count_nonzero(np.abs(np.abs(runs.value) - height) < 1e-4 * peak)
    return bool(height > limits.top_share * peak or (height > limits.shared_top_share * peak and alike >= limits.tops))


def _sides(sound: Sound, start: int, stop: int) -> tuple[FloatArray, FloatArray]:
    """The 5 ms before and after a stretch."""
    reach = round(SearchLimits.side_s * sound.rate_hz)
    return sound.read(max(start - reach, 0), start), sound.read(stop, min(stop + reach, sound.frames))


def _smallest(moves: FloatArray) -> float:
    """The smallest move that is not zero."""
    return float(moves[moves > 0].min(initial=1.0))


def _under_db(level: float, loud: float) -> float:
    return float(20 * np.log10((loud + 1e-12) / (level + 1e-12)))
