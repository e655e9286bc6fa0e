"""Which take of a song plays other notes than the rest: in another key, a wrong chord, a string a semitone off.

The majority of takes is right. With two takes only, both are named. Semitones are positive where the take is higher.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.takes_compared.notes.pairs import STRING_SEMITONES, PairNotes, compare_notes, find_lag
from layerpipe.analysis.takes_compared.notes.profiles import LOOK_S, STEP_S
from layerpipe.analysis.takes_compared.song_takes import ComparedPair, ComparedTake, agreed_places, most_apart_s
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.tempo_map import TempoMap

What = Literal["all", "chords", "string"]
WINDOW_S = 4.0
"""What is taken for a bar where there is no tempo."""


@dataclass(frozen=True)
class NoteLimits:
    """From where on notes count as wrong; measured on takes with planted wrong notes."""

    fewest_bars: int = 4
    least_agreement: float = 0.6
    """Median over the bars, or two takes do not play the same music and no verdict is given."""
    unplaced_agreement: float = 0.7
    """The same where onsets leave the offset in doubt, and the notes alone say how takes lie beside each other. Takes
    of different songs reach 0.5 (one pair in ten), at most 0.70 (386 pairs); one string off leaves 0.71 to 0.9."""
    unplaced_key_agreement: float = 0.8
    """And in another key."""
    chord_drop: float = 0.22
    """Below the median of the pair; clean doubles stay within 0.15."""
    chord_errors: float = 4.0
    """And this many scatters below it."""
    chord_bars: int = 2
    """In a row; single bars are fills and slips."""
    string_doubles: float = 1.0
    string_layers: float = 0.8
    string_open: float = 0.3
    """Evidence of a moved string in hundredths of the energy, median over the bars. Pairs in between have no vote."""
    string_bar: float = 0.5
    """In this share of the bars it must be found."""
    taken_for_wrong: float = 0.6
    """Share of its partners that a take must disagree with, to be the one that is wrong."""


@dataclass(frozen=True)
class WrongNotes:
    """Other notes in a take than in the rest; plain values, for JSON.

    Attributes
    ----------
    take, layer : str
    what : {"all", "chords", "string"}
        Everything in another key, other chords in some bars, or one string.
    semitones : int or None
        By how much; None where chords differ in no simple way.
    bars : tuple of int
        Which; numbers of four-second windows, 1 first, where the song has no tempo.
    against : tuple of str
        The takes it disagrees with.
    decided : bool
        Whether it is known that this take is wrong, and not those in `against`.
    confidence : float
        0 to 1.
    """

    take: str
    layer: str
    what: What
    semitones: int | None
    bars: tuple[int, ...]
    against: tuple[str, ...]
    decided: bool
    confidence: float

    def as_json(self) -> dict[str, Any]:
        """All fields, as JSON holds them."""
        return asdict(self)


def judge_notes(takes: Sequence[ComparedTake], pairs: Sequence[ComparedPair], tempo_map: TempoMap | None = None,
                limits: NoteLimits | None = None, ask: Ask = listen_anew) -> list[WrongNotes]:
    """Say which takes play other notes than the rest.

    Parameters
    ----------
    takes : sequence of ComparedTake
        With profiles; takes without are left out.
    pairs : sequence of ComparedPair
        By `song_takes.compare_pairs`.
    tempo_map : TempoMap, optional
        Names bars.
    limits : NoteLimits, optional
    ask : Ask, optional
        Who compares two takes.

    Returns
    -------
    list of WrongNotes
        None for takes that agree; those where nothing can be told are left out as well.
    """
    asked = limits or NoteLimits()
    judged, found = [], {}
    for pair in pairs:
        if takes[pair.one].profiles is None or takes[pair.other].profiles is None:
            continue
        is_placed = pair.found.course != "unknown"
        laid, notes = _laid_beside(pair, takes, tempo_map, ask)
        agreement = float(np.median(notes.agreement)) if len(notes.bars) >= asked.fewest_bars else 0.0
        least = (asked.least_agreement if is_placed else
                 asked.unplaced_key_agreement if laid.found.semitones else asked.unplaced_agreement)
        if agreement >= least:
            judged.append(laid if is_placed else replace(laid, found=replace(laid.found, confidence=agreement)))
            found[pair.one, pair.other] = notes
    # Body, room and pick do not move with the key: between takes of different keys they look like other chords, and
    # like a string that is off.
    of_one_key = [pair for pair in judged if not pair.found.semitones]
    chords, chord_bars = _other_chords(takes, of_one_key, found, asked)
    return [*_other_keys(takes, judged, found), *chords, *_moved_strings(takes, of_one_key, found, chord_bars, asked)]


def _laid_beside(pair: ComparedPair, takes: Sequence[ComparedTake], tempo_map: TempoMap | None,
                 ask: Ask) -> tuple[ComparedPair, PairNotes]:
    """Notes of two takes, by the lag of their onsets or, where that is unknown, of their notes. Bars are those of the
    second take, from bar 1 on."""
    one, other, found = takes[pair.one], takes[pair.other], pair.found
    assert one.profiles is not None
    assert other.profiles is not None
    at_s = other.starts_s + STEP_S * np.arange(len(other.profiles))
    if found.course == "unknown":
        apart_s, most_s = other.starts_s - one.starts_s, most_apart_s(tempo_map)
        lag = ask(find_lag, one.profiles, other.profiles, (round((apart_s - most_s) / STEP_S),
                                                           round((apart_s + most_s) / STEP_S)))
        pair = replace(pair, found=replace(found, semitones=lag.semitones))
        mine = np.arange(len(at_s)) + lag.steps
    else:
        lag_s = np.interp(at_s, found.time_s - found.lag_ms / 1000, found.lag_ms / 1000)
        mine = np.round((at_s + lag_s - one.starts_s) / STEP_S).astype(np.int64)
    theirs = np.flatnonzero((mine >= 0) & (mine < len(one.profiles)))
    middle_s = at_s[theirs] + LOOK_S / 2
    if tempo_map is not None and tempo_map.has_grid:
        bars = np.array([tempo_map.bar_at(float(at)) for at in middle_s], np.int64)
        theirs, bars = theirs[bars >= 1], bars[bars >= 1]  # talk and a count-in are no music
    else:
        bars = (middle_s // WINDOW_S).astype(np.int64) + 1
    return pair, ask(compare_notes, one.profiles, other.profiles, (mine[theirs], theirs), bars, pair.found.semitones,
                     pair.doubles)


def _partners(n: int, judged: Sequence[ComparedPair]) -> list[tuple[int, ComparedPair]]:
    return [(pair.other if pair.one == n else pair.one, pair) for pair in judged if n in (pair.one, pair.other)]


def _worst_first(count: int, judged: Sequence[ComparedPair], differs: dict[tuple[int, int], bool],
                 asked: NoteLimits) -> dict[int, tuple[list[int], bool]]:
    """Takes that disagree with most others, those they disagree with, and whether it is decided that they are wrong."""
    found: dict[int, tuple[list[int], bool]] = {}
    while True:
        shares = {}
        for n in range(count):
            rest = [(m, differs[pair.one, pair.other]) for m, pair in _partners(n, judged)
                    if n not in found and m not in found]
            if rest and sum(differs_here for _, differs_here in rest) >= asked.taken_for_wrong * len(rest):
                shares[n] = (sum(here for _, here in rest) / len(rest), len(rest), [m for m, here in rest if here])
        if not shares:
            return found
        first = max(shares, key=lambda n: shares[n][:2])
        against = shares[first][2]
        if len(against) == 1 and shares[first][1] == 1 and shares.get(against[0], (0, 0))[1] == 1:
            found[first], found[against[0]] = (against, False), ([first], False)
        else:
            found[first] = (against, True)


def _other_keys(takes: Sequence[ComparedTake], judged: Sequence[ComparedPair],
                found: dict[tuple[int, int], PairNotes]) -> list[WrongNotes]:
    """Takes in another key than most."""
    lags = [(pair.one, pair.other, float(pair.found.semitones), pair.found.confidence * (1 + pair.doubles))
            for pair in judged]
    if not any(lag for _, _, lag, _ in lags):
        return []
    places = agreed_places(len(takes), lags, 1.0)
    keys = {n: round(float(place)) for n, place in enumerate(places) if not np.isnan(place)}
    counts = {key: sum(1 for n in keys if keys[n] == key and not takes[n].muted) for key in set(keys.values())}
    most = max(counts.values())
    right = [key for key, count in counts.items() if count == most]
    wrong = []
    for n, key in keys.items():
        if len(right) == 1 and key == right[0]:
            continue
        against = [m for m in keys if keys[m] != key and (len(right) > 1 or keys[m] == right[0])]
        of_take = [pair for m, pair in _partners(n, judged) if m in against]
        if not of_take:
            continue
        bars = sorted({int(bar) for pair in of_take for bar in found[pair.one, pair.other].bars})
        by = key - (right[0] if len(right) == 1 else keys[against[0]])
        wrong.append(WrongNotes(takes[n].name, takes[n].layer, "all", (by + 5) % 12 - 5, tuple(bars),
                                tuple(takes[m].name for m in against), len(right) == 1,
                                round(max(pair.found.confidence for pair in of_take), 3)))
    return wrong


def _drops(notes: PairNotes, asked: NoteLimits) -> npt.NDArray[np.bool_]:
    """Bars in which two takes agree far less than elsewhere."""
    middle = float(np.median(notes.agreement))
    scatter = 1.4826 * float(np.median(np.abs(notes.agreement - middle)))
    low: npt.NDArray[np.bool_] = middle - notes.agreement > max(asked.chord_drop, asked.chord_errors * scatter)
    return low


def _other_chords(takes: Sequence[ComparedTake], judged: Sequence[ComparedPair],
                  found: dict[tuple[int, int], PairNotes],
                  asked: NoteLimits) -> tuple[list[WrongNotes], dict[int, set[int]]]:
    """Takes with other chords than most in some bars, and these bars."""
    low = {key: set(map(int, notes.bars[_drops(notes, asked)]))
           for pair in judged for key in [(pair.one, pair.other)] for notes in [found[key]]}
    per_take: dict[int, dict[int, tuple[list[int], bool]]] = {}
    for bar in sorted(set().union(*low.values())) if low else []:
        here = [pair for pair in judged if bar in found[pair.one, pair.other].bars]
        differs = {(pair.one, pair.other): bar in low[pair.one, pair.other] for pair in here}
        for n, result in _worst_first(len(takes), here, differs, asked).items():
            per_take.setdefault(n, {})[bar] = result
    wrong, left_out = [], {}
    for n, by_bar in per_take.items():
        runs = [range(bar + first, bar + first + asked.chord_bars) for bar in by_bar
                for first in range(1 - asked.chord_bars, 1)]
        bars = sorted({bar for run in runs for bar in run if all(part in by_bar for part in run)})
        left_out[n] = set(by_bar)
        against = sorted({m for bar in bars for m in by_bar[bar][0]})
        of_take = [(m, pair) for m, pair in _partners(n, judged) if m in against]
        by = _moved_by(n, of_take, found, bars) if bars else 0
        if by == 0:  # no chord, or the same ones, heard badly
            continue
        decided = sum(by_bar[bar][1] for bar in bars) * 2 > len(bars)
        wrong.append(WrongNotes(takes[n].name, takes[n].layer, "chords", by, tuple(bars),
                                tuple(takes[m].name for m in against), decided,
                                round(max(pair.found.confidence for _, pair in of_take), 3)))
    return wrong, left_out


def _moved_by(n: int, of_take: Sequence[tuple[int, ComparedPair]], found: dict[tuple[int, int], PairNotes],
              bars: Sequence[int]) -> int | None:
    """By how many semitones all chords of some bars are higher, if one number explains them."""
    rows: list[FloatArray] = []
    for _, pair in of_take:
        notes = found[pair.one, pair.other]
        higher = notes.higher[np.isin(notes.bars, bars)]
        # The other way round, -5 to 6 become -6 to 5, and -6 is 6.
        rows.extend(higher if pair.one == n else np.roll(higher[:, ::-1], -1, axis=1))
    mean = np.mean(rows, axis=0)
    best = int(np.argmax(mean))
    return best - 5 if mean[best] > 0.75 and min(row[best] for row in rows) > 0.5 else None


def _moved_strings(takes: Sequence[ComparedTake], judged: Sequence[ComparedPair],
                   found: dict[tuple[int, int], PairNotes], chord_bars: dict[int, set[int]],
                   asked: NoteLimits) -> list[WrongNotes]:
    """Takes with one string a semitone or two off, in the bars that have no other fault."""
    differs: dict[tuple[int, int], bool] = {}
    best: dict[tuple[int, int], int] = {}
    voting: list[ComparedPair] = []
    for pair in judged:
        notes = found[key := (pair.one, pair.other)]
        kept = ~np.isin(notes.bars, sorted(chord_bars.get(pair.one, set()) | chord_bars.get(pair.other, set())))
        if np.count_nonzero(kept) < asked.fewest_bars:
            continue
        least = asked.string_doubles if pair.doubles else asked.string_layers
        median = np.median(notes.moved[kept], axis=0)
        best[key] = int(np.argmax(median))
        share = np.mean(notes.moved[kept, best[key]] > least / 2)
        differs[key] = bool(median[best[key]] > least and share >= asked.string_bar)
        if differs[key] or median[best[key]] < asked.string_open:
            voting.append(pair)
    wrong = []
    for n, (against, decided) in _worst_first(len(takes), voting, differs, asked).items():
        of_take = [(m, pair) for m, pair in _partners(n, voting) if m in against]
        votes = [STRING_SEMITONES[best[pair.one, pair.other]] * (1 if pair.one == n else -1) for _, pair in of_take]
        notes_of = [found[pair.one, pair.other] for _, pair in of_take]
        bars = sorted({int(bar) for (_, pair), notes in zip(of_take, notes_of, strict=True)
                       for bar in notes.bars[notes.moved[:, best[pair.one, pair.other]] > asked.string_layers / 2]})
        wrong.append(WrongNotes(takes[n].name, takes[n].layer, "string", max(set(votes), key=votes.count), tuple(bars),
                                tuple(takes[m].name for m in against), decided,
                                round(max(pair.found.confidence for _, pair in of_take), 3)))
    return wrong
