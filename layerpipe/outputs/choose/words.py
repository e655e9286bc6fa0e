"""Why passes are chosen, or not, in words and figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.choose.choice import Choice
from layerpipe.analysis.choose.costs import PAIR, PASS
from layerpipe.analysis.choose.measures import MeasuredPass


@dataclass(frozen=True)
class WordLimits:
    """What is worth a word; ours."""

    loose: float = 1.6
    """A part is named if its spread is this many times that of the other parts"""
    loose_ms: float = 10.0
    """and at least this: less is a tight double anyhow."""
    most_places: int = 3


WORDS = WordLimits()


@dataclass(frozen=True)
class Figures:
    """What a choice amounts to over the whole song; None where it is not known."""

    apart_ms: float | None
    cents: float | None
    spreads_ms: tuple[float | None, ...]
    faults: int


def figures_of(choice: Choice, numbers: Sequence[Sequence[int]]) -> Figures:
    """Figures of passes by take and part, weighted by the length of the parts."""
    parts = range(len(choice.spans))

    def mean(values: Sequence[float | None]) -> float | None:
        known = [(value, weight) for value, weight in zip(values, choice.weights, strict=True) if value is not None]
        return sum(value * weight for value, weight in known) / sum(weight for _, weight in known) if known else None

    played = [[choice.passes[take][number].parts[part] for part, number in enumerate(numbers[take])]
              for take in range(len(choice.takes))]
    both = [choice.pairs[numbers[0][part]][numbers[1][part]].parts[part] for part in parts] if choice.pairs else []
    return Figures(
        mean([pair.apart_ms for pair in both]) if both else None,
        mean([None if pair.cents is None else abs(pair.cents) for pair in both]) if both else None,
        tuple(mean([part.spread_ms for part in take]) for take in played),
        sum(len([fault for fault in part.faults if fault.at_s is not None]) for take in played for part in take))


def throughout(choice: Choice, numbers: Sequence[int]) -> list[tuple[int, ...]]:
    """Passes by take and part where each plays the whole song."""
    return [(number,) * len(choice.spans) for number in numbers]


def chosen(choice: Choice) -> list[tuple[int, ...]]:
    """The chosen passes by take and part."""
    return [choice.numbers(take) for take in range(len(choice.takes))]


def reasons(choice: Choice, numbers: Sequence[int]) -> list[str]:
    """Why passes that play throughout have their score: what is true of both, then of each."""
    found = []
    figures = figures_of(choice, throughout(choice, numbers))
    if choice.pairs:
        pair = choice.pairs[numbers[0]][numbers[1]]
        if pair.same_performance:
            found.append("the same performance on both sides: a copy is no double")
        elif copied := [n for n, part in enumerate(pair.parts) if part.same_performance]:
            where = ", ".join(choice.spans[n].text for n in copied)
            found.append(f"the same performance on both sides in {where}: a copy is no double")
        if figures.apart_ms is not None:
            found.append(f"onsets {figures.apart_ms:.1f} ms apart")
        if figures.cents is not None:
            found.append(f"tuning {figures.cents:.1f} cents apart")
        levels = [part.level_db for part in pair.parts if part.level_db is not None]
        if levels and max(map(abs, levels)) > PAIR.free_lu:
            found.append(f"up to {max(map(abs, levels)):.1f} LU apart in level")
        if pair.brightness_db is not None and abs(pair.brightness_db) > PAIR.free_brightness_db:
            found.append(f"{abs(pair.brightness_db):.1f} dB apart in brightness")
    for take, number in enumerate(numbers):
        name = choice.takes[take].take.name
        found += [f"{name}: {words}" for words in pass_words(choice, take, number)]
    return found


def pass_words(choice: Choice, take: int, number: int) -> list[str]:
    """What is remarkable of one pass."""
    one, spans = choice.passes[take][number], choice.spans
    spread = figures_of(choice, throughout(choice, [number if k == take else 0 for k in range(len(choice.takes))]))
    found = []
    if spread.spreads_ms[take] is not None:
        found.append(f"spread {spread.spreads_ms[take]:.1f} ms")
    for part, measured in enumerate(one.parts):
        others = [other.spread_ms for k, other in enumerate(one.parts) if k != part and other.spread_ms is not None]
        if (measured.spread_ms is not None and others and measured.spread_ms > WORDS.loose_ms
                and measured.spread_ms > WORDS.loose * float(np.median(others))):
            found.append(f"loose in {spans[part].text}, {measured.spread_ms:.0f} ms")
        usual = np.median([each.parts[part].onsets for passes in choice.passes for each in passes])
        if usual and measured.onsets < PASS.missing_share * usual:
            found.append(f"{measured.onsets} onsets in {spans[part].text}, usual are {usual:.0f}")
    found += fault_words(choice, one)
    found += [f"{place_of(choice, repeat.start_s)} to {place_of(choice, repeat.stop_s)} is a copy of what begins at "
              f"{place_of(choice, repeat.of_s)}" for repeat in one.repeats[: WORDS.most_places]]
    noise, loud = one.checked.noise, one.checked.lufs
    if noise is not None and loud is not None and loud - noise.lufs < PASS.noise_under_lu:
        found.append(f"noise {loud - noise.lufs:.0f} LU below the playing")
    return found


def fault_words(choice: Choice, one: MeasuredPass) -> list[str]:
    """The faults of a pass by kind, each with the places of the first few."""
    found = []
    for kind in dict.fromkeys(fault.kind for fault in one.faults):
        places = list(dict.fromkeys(place_of(choice, fault.at_s) for fault in one.faults
                                    if fault.kind == kind and fault.at_s is not None))
        more = f" and {len(places) - WORDS.most_places} more" if len(places) > WORDS.most_places else ""
        at = f" at {', '.join(places[: WORDS.most_places])}{more}" if places else ""
        found.append(f"{kind}{at}")
    return found


def place_of(choice: Choice, at_s: float) -> str:
    """A moment of the song as a recipe writes it."""
    return choice.takes[0].tempo_map.text_of(at_s)


def choice_words(choice: Choice) -> list[str]:
    """The chosen passes of each take, sentence by sentence."""
    found = []
    for take, opened in enumerate(choice.takes):
        passes, pieces = choice.passes[take], choice.pieces(take)
        if not opened.take.passes:
            continue
        name = f"{choice.layer} / {opened.take.name}"
        if not pieces:
            found.append(f'{name}: pass "{passes[choice.played(take)].name}" throughout')
            continue
        other = "; ".join(f'pass "{passes[piece.number].name}" in '
                          f"{', '.join(span.text for span in choice.spans[piece.first : piece.last + 1])}"
                          for piece in pieces)
        found.append(f'{name}: pass "{passes[choice.played(take)].name}", but {other}')
        found += [f"{name}: {choice.audible[joint]}" for joint in choice.joints
                  if joint.take == take and joint in choice.audible]
    return found


def copied_words(choice: Choice) -> str:
    """Where a double has nothing but copies to choose from."""
    names = " and ".join(opened.take.name for opened in choice.takes)
    parts = choice.doubled_copies
    where = "" if len(parts) == len(choice.spans) else f" in {', '.join(choice.spans[part].text for part in parts)}"
    return f"{names} have no double{where}: every pass is a copy; record the part a second time"


def gain_words(choice: Choice) -> str:
    """What the choice gains over the first pass of every take."""
    first = (0,) * len(choice.takes)
    what = "the first two passes" if len(first) > 1 else "the first pass"
    before, after = figures_of(choice, throughout(choice, first)), figures_of(choice, chosen(choice))
    if chosen(choice) == throughout(choice, first):
        return f"{what} are the best choice" if len(first) > 1 else f"{what} is the best choice"
    found = []
    if before.apart_ms is not None and after.apart_ms is not None:
        found.append(f"onsets {after.apart_ms:.1f} ms apart instead of {before.apart_ms:.1f}")
    elif before.spreads_ms[0] is not None and after.spreads_ms[0] is not None:
        found.append(f"spread {after.spreads_ms[0]:.1f} ms instead of {before.spreads_ms[0]:.1f}")
    if before.cents is not None and after.cents is not None and abs(before.cents - after.cents) >= 1:
        found.append(f"tuning {after.cents:.1f} cents apart instead of {before.cents:.1f}")
    if before.faults != after.faults:
        found.append(f"{after.faults} fault{'' if after.faults == 1 else 's'} instead of {before.faults}")
    if choice.pairs and choice.pairs[0][0].same_performance and not choice.doubled_copies:
        found.append("a real double instead of a copy")
    return f"compared with {what}: {', '.join(found) or 'hardly a difference'}"
