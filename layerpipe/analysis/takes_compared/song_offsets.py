"""Which take of a song is misplaced: late or early as a whole, drifting, wandering, or a beat or a bar off.

Pairs of takes say how far they are apart (`offset`); the majority of takes that lie together is right. Where two
halves of a song disagree, the grid decides, then where they start; if both leave it open, both are named.
The proposed shift moves a take by the whole distance to its doubles, not by a few ms less: what a player always plays
late cannot be told from a delay of the recording, its mean over takes is zero, and the strums keep their own feel.
Offsets are ms and later is positive.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from layerpipe.analysis.takes_compared.song_takes import ComparedPair, ComparedTake, agreed_places
from layerpipe.analysis.takes_compared.which_is_right import right_group
from layerpipe.analysis.takes_compared.which_moves import moving_takes, with_joint_drifts
from layerpipe.recipe.tempo_map import TempoMap

Kind = Literal["none", "offset", "drift", "wobble", "beat", "bar", "unknown"]
CURVE_POINTS = 60


@dataclass(frozen=True)
class PlaceLimits:
    """From where on a take is misplaced."""

    told_from_ms: float = 15.0
    """Apart from its doubles. An offset below 6 to 10 ms is not noticed, from 20 ms on it is heard (Friberg, Sundberg,
    JASA 98, 1995; studies of grooves: 19 to 35 ms)."""
    errors: float = 3.0
    """And by this many standard errors."""
    beat_rest_ms: float = 60.0
    """How far from whole beats an offset may be to be called a beat or a bar."""
    capped_ms: float = 80.0
    """Pairs that disagree by more with the others are simply wrong."""


@dataclass(frozen=True)
class TakePlace:
    """Where a take lies in its song; plain values, for JSON.

    Attributes
    ----------
    take, layer : str
    kind : {"none", "offset", "drift", "wobble", "beat", "bar", "unknown"}
        "unknown" where nothing may be told: too few onsets were heard, or too few agree.
    decided : bool
        Whether it is known that this take is wrong, and not those in `against`.
    offset_ms : float or None
        How much later than `against` it lies on average; None for "unknown".
    error_ms : float or None
        Standard error of that.
    shift_ms : float or None
        Proposed for the whole take; None where no shift mends it or it is not decided.
    whole : int
        Beats (of kind "beat") or bars ("bar") it is late by; early is negative.
    rest_ms : float
        What is left of the offset then.
    drift_ms_per_min : float
    curve : tuple of (seconds, ms)
        How late it is over the song, for "drift" and "wobble".
    against : tuple of str
        The takes it is judged against.
    confidence : float
        0 to 1: how likely this is right.
    """

    take: str
    layer: str
    kind: Kind
    decided: bool = True
    offset_ms: float | None = None
    error_ms: float | None = None
    shift_ms: float | None = None
    whole: int = 0
    rest_ms: float = 0.0
    drift_ms_per_min: float = 0.0
    curve: tuple[tuple[float, float], ...] = ()
    against: tuple[str, ...] = ()
    confidence: float = 0.0

    @property
    def words(self) -> str:
        """One plain sentence part, such as "one beat late" or "42 ms late"."""
        late = "late" if (self.offset_ms or 0) > 0 else "early"
        if self.kind in ("beat", "bar"):
            count = abs(self.whole)
            rest = f" and {abs(self.rest_ms):.0f} ms {'late' if self.rest_ms > 0 else 'early'}"
            return (f"{'one' if count == 1 else count} {self.kind}{'s' if count > 1 else ''} {late}"
                    + (rest if abs(self.rest_ms) >= 5 else ""))
        if self.kind == "offset":
            return f"{abs(self.offset_ms or 0):.0f} ms {late}"
        if self.kind == "drift":
            return (f"drifts {abs(self.drift_ms_per_min):.0f} ms a minute, "
                    f"{'falling behind' if self.drift_ms_per_min > 0 else 'running ahead'}")
        return {"none": "in place", "wobble": "its tempo wanders", "unknown": "unknown"}[self.kind]

    def as_json(self) -> dict[str, Any]:
        """All fields, as JSON holds them."""
        return asdict(self)


def judge_offsets(takes: Sequence[ComparedTake], pairs: Sequence[ComparedPair], tempo_map: TempoMap | None = None,
                  limits: PlaceLimits | None = None) -> list[TakePlace]:
    """Say which takes of a song are misplaced, and by how much.

    Parameters
    ----------
    takes : sequence of ComparedTake
    pairs : sequence of ComparedPair
        By `song_takes.compare_pairs`.
    tempo_map : TempoMap, optional
        Decides between two takes, and names beats and bars.
    limits : PlaceLimits, optional

    Returns
    -------
    list of TakePlace
        One for each take, in order.
    """
    asked = limits or PlaceLimits()
    known = [pair for pair in pairs if pair.found.course != "unknown" and pair.found.offset_ms is not None]
    known = with_joint_drifts(len(takes), known)
    moving = moving_takes(takes, known, tempo_map)
    result = [TakePlace(take.name, take.layer, "unknown", confidence=_unknown_confidence(n, pairs))
              for n, take in enumerate(takes)]
    still = [pair for pair in known if pair.one not in moving and pair.other not in moving
             and pair.found.course == "steady"]
    left = {n for pair in still for n in (pair.one, pair.other)}
    while left:
        lags = [(pair.one, pair.other, float(pair.found.offset_ms or 0), pair.found.confidence * (1 + pair.doubles))
                for pair in still if pair.one in left and pair.other in left]
        places = agreed_places(len(takes), lags, asked.capped_ms)
        group = [n for n in sorted(left) if not np.isnan(places[n])]
        if len(group) > 1:
            for n, place in _judge_steady(group, places, takes, still, tempo_map, asked).items():
                result[n] = place
        left -= set(group) or left
    for n, decided in moving.items():
        result[n] = _moving_place(n, decided, takes, known, [m for m in range(len(takes)) if m not in moving])
    return result


def _unknown_confidence(take: int, pairs: Sequence[ComparedPair]) -> float:
    """The best that any pair of a take reached."""
    return max((pair.found.confidence for pair in pairs if take in (pair.one, pair.other)), default=0.0)


def _judge_steady(group: Sequence[int], places: np.ndarray, takes: Sequence[ComparedTake],
                  still: Sequence[ComparedPair], tempo_map: TempoMap | None,
                  asked: PlaceLimits) -> dict[int, TakePlace]:
    """Places of takes that do not move against each other: those that lie together are right if they are most."""
    heaps: list[list[int]] = []
    for n in sorted(group, key=lambda n: places[n]):
        if heaps and places[n] - np.median(places[heaps[-1]]) < asked.told_from_ms:
            heaps[-1].append(n)
        else:
            heaps.append([n])
    heard = [[n for n in heap if not takes[n].muted] for heap in heaps]
    most = max(map(len, heard))
    rivals = [n for n, heap in enumerate(heard) if len(heap) == most]
    right: int | None = rivals[0]
    if len(rivals) > 1:
        chosen = right_group([heaps[n] for n in rivals], [float(np.median(places[heaps[n]])) for n in rivals],
                             takes, tempo_map)
        right = None if chosen is None else rivals[chosen]
    judged = {}
    for number, heap in enumerate(heaps):
        for n in heap:
            if right is None:
                others = [m for m in group if m not in heap]
            else:
                others = [m for m in heaps[right] if m != n] or list(heaps[right])
            judged[n] = _steady_place(n, others, right is None, number == right, places, takes, still, tempo_map, asked)
    return judged


def _steady_place(n: int, others: Sequence[int], open_question: bool, is_right: bool, places: np.ndarray,
                  takes: Sequence[ComparedTake], still: Sequence[ComparedPair], tempo_map: TempoMap | None,
                  asked: PlaceLimits) -> TakePlace:
    """A take against those that are right, its doubles before others."""
    doubles = [m for m in others if takes[m].layer == takes[n].layer and m != n] or [m for m in others if m != n]
    direct = []
    for pair in still:
        if n in (pair.one, pair.other):
            other = pair.other if pair.one == n else pair.one
            lag_ms = float(pair.found.offset_ms or 0) * (1 if pair.one == n else -1)
            if other in doubles and abs(lag_ms - places[n] + places[other]) < asked.capped_ms:
                direct.append((lag_ms, pair.found.error_ms, pair.found.confidence))
    if direct:
        weight = np.array([1 / max(error, 0.2) ** 2 for _, error, _ in direct])
        offset_ms = float(np.sum(weight * [lag for lag, _, _ in direct]) / weight.sum())
        error_ms, sure = float(weight.sum() ** -0.5), max(confidence for _, _, confidence in direct)
    else:
        offset_ms, error_ms = float(places[n] - np.median(places[doubles])) if doubles else 0.0, asked.told_from_ms / 5
        sure = max((pair.found.confidence for pair in still if n in (pair.one, pair.other)), default=0.0) * 0.9
    told = not is_right and abs(offset_ms) > max(asked.told_from_ms, asked.errors * error_ms)
    kind, whole, rest_ms = _whole_beats(offset_ms, takes[n], tempo_map, asked) if told else ("none", 0, 0.0)
    decided = not (open_question and told)
    shift_ms = -round(offset_ms, 1) if told and decided else None
    return TakePlace(takes[n].name, takes[n].layer, kind, decided, round(offset_ms, 2), round(error_ms, 2), shift_ms,
                     whole, round(rest_ms, 2), against=tuple(takes[m].name for m in doubles),
                     confidence=round(sure, 3))


def _whole_beats(offset_ms: float, take: ComparedTake, tempo_map: TempoMap | None,
                 asked: PlaceLimits) -> tuple[Kind, int, float]:
    """Whether an offset is whole beats or bars, how many, and the rest."""
    if tempo_map is None or not tempo_map.has_grid:
        return "offset", 0, 0.0
    bar = tempo_map.bar_at(float(np.median(take.events.time_s)))
    spans: tuple[tuple[Kind, float], ...] = (("bar", tempo_map.bar_s(bar)), ("beat", tempo_map.beat_s(bar)))
    for kind, span_s in spans:
        count = round(offset_ms / (1000 * span_s))
        rest_ms = offset_ms - 1000 * count * span_s
        if count and abs(rest_ms) <= asked.beat_rest_ms:
            return kind, count, rest_ms
    return "offset", 0, 0.0


def _moving_place(n: int, decided: bool, takes: Sequence[ComparedTake], known: Sequence[ComparedPair],
                  steady: Sequence[int]) -> TakePlace:
    """A take that drifts or wanders, by its most trusted pair with one that does not."""
    of_take = [pair for pair in known if n in (pair.one, pair.other) and pair.found.course != "steady"]
    best = max(of_take, key=lambda pair: ((pair.other if pair.one == n else pair.one) in steady, pair.doubles,
                                          pair.found.confidence))
    sign, other = (1, best.other) if best.one == n else (-1, best.one)
    found = best.found
    step = max(1, len(found.time_s) // CURVE_POINTS)
    curve = tuple((round(float(at_s), 3), round(sign * float(lag), 1))
                  for at_s, lag in zip(found.time_s[::step], found.lag_ms[::step], strict=True))
    kind: Kind = "drift" if found.course == "drift" else "wobble"
    return TakePlace(takes[n].name, takes[n].layer, kind, decided, round(sign * float(found.offset_ms or 0), 2),
                     round(found.error_ms, 2), None, 0, 0.0, round(sign * found.drift_ms_per_min, 2), curve,
                     (takes[other].name,), round(found.confidence, 3))
