"""What should be done with a sustained take: one shift of the whole, and moves of whole phrases, cut in rests.

Lags are ms against the lead and later is positive; seconds count in the take as it is heard, before the shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.sustained.compare import LeadComparison, PhraseLag
from layerpipe.analysis.sustained.features import HOP_S, SustainedFeatures


@dataclass(frozen=True)
class PhraseEditLimits:
    """When a phrase is out of place, and what room a move needs."""

    tolerance_ms: float = 30.0
    """From the lead. Members of trios are 30 to 50 ms apart from note to note (Rasch 1979, Acustica 43, 121-131, for
    recorders, reeds and bowed strings); a whole phrase that is farther away than the least of these is out of place."""
    rerecord_ms: float = 50.0
    """A phrase farther away than the most of these, which no rest lets move, is to be re-recorded."""
    disagreement: float = 0.4
    """The two sets of features may not differ by more than this share of the lag: a small one must be certain."""
    error_ms: float = 16.0
    error_unlike_ms: float = 30.0
    error_halves: float = 0.2
    """Most that a lag is wrong by: so much, more by this much times what its likeness lacks of 1, and by this share of
    how far the lag of a half lies from it (99 of 100 lags are less wrong: `bench_kinds`). A
    phrase is moved by no more than brings it nearer even then."""
    least_move_ms: float = 8.0
    """Less is not worth two joints."""
    least_shift_ms: float = 40.0
    """Of the whole take. Two instruments whose notes swell at different speeds seem 20 to 35 ms apart as a whole."""
    large_shift_ms: float = 100.0
    improves_ms: float = 10.0
    """A smaller one must bring every phrase nearer by this much; otherwise phrases are moved one by one."""
    half_error_ms: float = 30.0
    """No half of a phrase may come to lie farther away by more than the error of its lag: then it is no one phrase."""
    one_move_ms: float = 15.0
    """Neighbours whose lags differ by less are moved together."""
    same_place_ms: float = 45.0
    """Phrases this near to the lag of the whole take show that it is misplaced as a whole."""
    least_together: float = 0.5
    """Share of the take's sure phrases that are; otherwise phrases are moved one by one."""
    least_sure: float = 0.5
    """Share of the take whose lag must be sure for any verdict."""
    guard_s: float = 0.02
    """From a cut to what sounds."""
    quiet_s: float = 0.03
    """A cut is where this long a span is softest."""


PHRASE_EDITS = PhraseEditLimits()


@dataclass(frozen=True)
class PhraseMove:
    """A move of one phrase or of neighbours."""

    from_s: float
    to_s: float
    by_ms: float
    phrases: tuple[PhraseLag, ...]


@dataclass(frozen=True)
class PhraseEdits:
    """What should be done with a take, and how sure that is.

    Attributes
    ----------
    offset_ms : float or None
        How much later it is than the lead as a whole; None if too little is sure.
    shift_ms : float
        Of the whole take; 0 for none.
    moves : tuple of PhraseMove
    stuck : tuple of PhraseLag
        Out of place, and there is no rest in which they could be cut.
    confidence : float
        Share of the playing whose lag is sure.
    """

    offset_ms: float | None
    shift_ms: float
    moves: tuple[PhraseMove, ...]
    stuck: tuple[PhraseLag, ...]
    confidence: float

    @property
    def is_known(self) -> bool:
        """Whether enough is sure for a verdict."""
        return self.offset_ms is not None and self.confidence >= PHRASE_EDITS.least_sure


def propose_phrase_edits(features: SustainedFeatures, found: LeadComparison, *, tolerance_ms: float,
                         may_shift: bool = True, frozen: Sequence[tuple[float, float]] = ()) -> PhraseEdits:
    """Propose edits that bring a take to its lead.

    Parameters
    ----------
    features : SustainedFeatures
        Of the take.
    found : LeadComparison
    tolerance_ms : float
        Phrases nearer than this stay where they are; at least that of `PHRASE_EDITS` is used.
    may_shift : bool
        Whether the whole take can be shifted.
    frozen : sequence of (from_s, to_s)
        No move may touch these: moves and joints that the take has already.

    Returns
    -------
    PhraseEdits
    """
    sure = [one for one in found.phrases if one.is_sure]
    confidence = _length(sure) / max(_length(found.phrases), 1)
    if found.whole_ms is None or confidence < PHRASE_EDITS.least_sure:
        return PhraseEdits(found.whole_ms, 0.0, (), (), confidence)
    tolerance_ms = max(tolerance_ms, PHRASE_EDITS.tolerance_ms)
    together = [one for one in sure if abs(one.late_ms - found.whole_ms) <= PHRASE_EDITS.same_place_ms]
    shift_ms = 0.0
    if may_shift and abs(found.whole_ms) > max(tolerance_ms, PHRASE_EDITS.least_shift_ms) and (
            _length(together) >= PHRASE_EDITS.least_together * _length(sure)):
        shift_ms = -round(found.whole_ms, 1)
    # Lags as they are once the whole take is shifted.
    lags = [replace(one, late_ms=one.late_ms + shift_ms, verified_ms=one.verified_ms + shift_ms,
                    halves_ms=(one.halves_ms[0] + shift_ms, one.halves_ms[1] + shift_ms)) for one in found.phrases]
    most_ms = [_most_move_ms(one, tolerance_ms) for one in lags]
    by_ms = _with_room(lags, _together(lags, most_ms), frozen, tolerance_ms)
    if 0 < abs(shift_ms) < PHRASE_EDITS.large_shift_ms and any(
            one.is_sure and abs(one.late_ms + by) + PHRASE_EDITS.improves_ms > abs(one.late_ms - shift_ms)
            for one, by in zip(lags, by_ms, strict=True)):
        return propose_phrase_edits(features, found, tolerance_ms=tolerance_ms, may_shift=False, frozen=frozen)
    stuck = tuple(one for one, most, given in zip(lags, most_ms, by_ms, strict=True) if most and not given)
    return PhraseEdits(found.whole_ms, shift_ms, tuple(_moves(features, lags, by_ms)), stuck, confidence)


def _length(phrases: Sequence[PhraseLag]) -> int:
    """Frames of phrases together."""
    return sum(one.phrase.stop - one.phrase.start for one in phrases)


def _most_move_ms(one: PhraseLag, tolerance_ms: float) -> float:
    """How far a phrase that is out of place may be moved and be nearer even if its lag is as wrong as lags can be."""
    halves = all(abs(half_ms - one.late_ms) < abs(half_ms) + PHRASE_EDITS.half_error_ms for half_ms in one.halves_ms)
    agree = abs(one.verified_ms - one.late_ms) <= PHRASE_EDITS.disagreement * abs(one.late_ms)
    if not (one.is_sure and halves and agree and abs(one.late_ms) > tolerance_ms):
        return 0.0
    error_ms = (PHRASE_EDITS.error_ms + PHRASE_EDITS.error_unlike_ms * (1 - one.likeness)
                + PHRASE_EDITS.error_halves * max(abs(half_ms - one.late_ms) for half_ms in one.halves_ms))
    # A move of twice the true lag leaves it as far away on the other side.
    most_ms = 2 * (abs(one.late_ms) - error_ms)
    return most_ms if most_ms >= PHRASE_EDITS.least_move_ms else 0.0


def _together(lags: Sequence[PhraseLag], most_ms: Sequence[float]) -> list[float]:
    """Moves by the lags, or by as much as is allowed; one value for neighbours that want nearly the same."""
    by_ms = [-float(np.copysign(min(abs(one.late_ms), most), one.late_ms)) if most else 0.0
             for one, most in zip(lags, most_ms, strict=True)]
    first = 0
    for n in range(1, len(by_ms) + 1):
        run = by_ms[first:n]
        if n < len(by_ms) and all(longer := [*run, by_ms[n]]) and (
                max(longer) - min(longer) <= PHRASE_EDITS.one_move_ms):
            continue
        mean = float(np.average(run, weights=[one.phrase.stop - one.phrase.start for one in lags[first:n]]))
        most = min(most_ms[first:n])
        by_ms[first:n] = [round(min(max(mean, -most), most), 1)] * len(run)
        first = n
    return by_ms


def _with_room(lags: Sequence[PhraseLag], by_ms: Sequence[float], frozen: Sequence[tuple[float, float]],
               tolerance_ms: float) -> list[float]:
    """The same without moves that touch what is frozen, and with no more of the others than there is rest for."""
    kept = [0.0 if any(_span_s(one, by)[0] < stop and start < _span_s(one, by)[1] for start, stop in frozen) else by
            for one, by in zip(lags, by_ms, strict=True)]
    while True:
        tight = [n for n in range(len(kept) + 1) if not _has_room(lags, kept, n)]
        if not tight:
            return kept
        low_s, high_s = _cut_range(lags, kept, tight[0])
        beside = sorted((k for k in (tight[0] - 1, tight[0]) if 0 <= k < len(kept) and kept[k]),
                        key=lambda k: abs(kept[k]))
        # Moves in opposite directions meet in the middle, those in one direction at the smaller one.
        shortened = beside[-1] if len(beside) == 2 and kept[beside[0]] * kept[beside[1]] > 0 else beside[0]
        by = kept[shortened] - float(np.copysign(np.ceil(10_000 * (low_s - high_s) + 1) / 10, kept[shortened]))
        if abs(by - by_ms[shortened]) <= tolerance_ms and by * kept[shortened] > 0:
            _set_run(kept, shortened, round(by, 1))
        else:
            _set_run(kept, beside[0], 0.0)  # the smaller one does less good


def _set_run(by_ms: list[float], n: int, by: float) -> None:
    """Give a phrase, and those moved together with it, another move."""
    was, low, high = by_ms[n], n, n
    while low > 0 and by_ms[low - 1] == was:
        low -= 1
    while high + 1 < len(by_ms) and by_ms[high + 1] == was:
        high += 1
    by_ms[low : high + 1] = [by] * (high + 1 - low)


def _span_s(one: PhraseLag, by_ms: float) -> tuple[float, float]:
    """What a move may touch."""
    reach_s = abs(by_ms) / 1000
    return one.phrase.rest_before * HOP_S - reach_s, one.phrase.rest_after * HOP_S + reach_s


def _cut_range(lags: Sequence[PhraseLag], by_ms: Sequence[float], n: int) -> tuple[float, float]:
    """Between which moments the rest before phrase n can be cut; the first is later where there is no room.

    What is repeated or dropped before the cut must be rest, so the cut is at least the step after what sounded.
    """
    before = by_ms[n - 1] if n else 0.0
    after = by_ms[n] if n < len(by_ms) else 0.0
    step_s = abs(after - before) / 1000
    guard_s = PHRASE_EDITS.guard_s
    low_s = lags[n - 1].phrase.stop * HOP_S + step_s + guard_s if n else max(-after / 1000, 0.0)
    if n == len(lags):
        # After the last phrase the take ends; it may be shortened, but not inside of what sounds.
        return low_s, max(lags[-1].phrase.rest_after * HOP_S, low_s)
    return low_s, lags[n].phrase.start * HOP_S - guard_s


def _has_room(lags: Sequence[PhraseLag], by_ms: Sequence[float], n: int) -> bool:
    """Whether the lag can change before phrase n."""
    before, after = by_ms[n - 1] if n else 0.0, by_ms[n] if n < len(by_ms) else 0.0
    if before == after:
        return True
    low_s, high_s = _cut_range(lags, by_ms, n)
    return low_s <= high_s


def _moves(features: SustainedFeatures, lags: Sequence[PhraseLag], by_ms: Sequence[float]) -> list[PhraseMove]:
    """Runs of phrases that are moved alike."""
    found, n = [], 0
    while n < len(by_ms):
        stop = n + 1
        while stop < len(by_ms) and by_ms[stop] == by_ms[n]:
            stop += 1
        if by_ms[n]:
            found.append(PhraseMove(_quietest_s(features, *_cut_range(lags, by_ms, n)),
                                    _quietest_s(features, *_cut_range(lags, by_ms, stop)), by_ms[n],
                                    tuple(lags[n:stop])))
        n = stop
    return found


def _quietest_s(features: SustainedFeatures, low_s: float, high_s: float) -> float:
    """The softest moment of a range; the first of equals, so that a breath stays with the phrase that follows."""
    width = round(PHRASE_EDITS.quiet_s / HOP_S)
    first, last = round(low_s / HOP_S), min(round(high_s / HOP_S), features.frames - 1)
    if last <= first:
        return round(high_s, 4)
    level_db = np.convolve(np.pad(features.level_db, width // 2, mode="edge"), np.ones(width) / width, "valid")
    part = level_db[first : last + 1]
    softest = int(np.flatnonzero(part <= part.min() + 1.0)[0])
    return round(min(max((first + softest) * HOP_S, low_s), high_s), 4)
