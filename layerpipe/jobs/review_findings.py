"""Gathers what `check`, `timing`, `choose` and `levels` find in a song, with the edits they propose, worst first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.choose.choice import Choice
from layerpipe.analysis.timing.edits.song_edits import place_words
from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import SILENCE_DB
from layerpipe.jobs.check import check_recipe, mic_changes
from layerpipe.jobs.choose import choose_passes, parts_of_comp
from layerpipe.jobs.level_choice import LEVEL_PLACES
from layerpipe.jobs.timing import time_song
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.report import Report
from layerpipe.outputs.review.finding import (
    HighPassEdit,
    LevelEdit,
    MicEdit,
    MoveEdit,
    PassesEdit,
    ReviewFinding,
    ShiftEdit,
    worst_first,
)
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.sweep import level_for_difference, sweep
from layerpipe.render.pipeline import measure_song, process_takes


@dataclass(frozen=True)
class ReviewLimits:
    """What is worth hearing, and how much it weighs; all are own choices."""

    fault_points: float = 12.0
    """A fault of `check` weighs as an entrance that is this many ms loose."""
    format_points: float = 3.0
    """One that is not heard at any place, such as a sample rate."""
    rumble_hz: float = 40.0
    """The high-pass proposed against rumble, which is measured below 38 Hz."""
    level_lu: float = 3.0
    """A section in which a layer is this much nearer or further than usual is heard."""
    fewest_sections: int = 3
    """With fewer there is no usual distance."""


REVIEW = ReviewLimits()
INAUDIBLE = frozenset({"sample_rate", "bit_depth", "channels", "placing"})
SHOWN_POINTS = 0.05
"""Less is 0.0 as it is printed."""


def find_all(file: RecipeFile, cache: TakeCache, *,
             on_progress: OnProgress = lambda share: None) -> list[ReviewFinding]:
    """Everything worth hearing, worst first.

    Parameters
    ----------
    file : RecipeFile
    cache : TakeCache
    on_progress : function of a share
        Called with each share done; they add up to 1.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe or its files.
    """
    def part(share: float) -> OnProgress:
        return lambda done: on_progress(share * done)

    tempo_map = TempoMap.of(file.recipe)
    timing = time_song(file, on_progress=part(0.35))
    report = check_recipe(file.recipe, part(0.35))
    choices = choose_passes(file, on_progress=part(0.15))
    return worst_first([*_of_timing(timing), *_of_check(file, report, timing, tempo_map), *_of_choices(choices),
                        *_of_levels(file, cache, part(0.15))])


def _of_timing(song: SongTiming) -> Iterator[ReviewFinding]:
    """Shifts, moves, and what is to be re-recorded."""
    tempo_map = song.tempo_map
    for take in song.takes:
        layer, name = take.open.layer.name, take.open.take.name
        first_s = min(take.aligned.onsets.heard_s.tolist(), default=0.0)
        if take.edits.shift_ms:
            shift_ms, why = take.edits.shift_ms, place_words(take.place)
            yield ReviewFinding(
                "timing", "shift", "edit", abs(shift_ms), layer, name, "", why,
                f"play the whole take {abs(shift_ms):.1f} ms {'later' if shift_ms > 0 else 'earlier'}", first_s,
                edit=ShiftEdit(layer, name, shift_ms, f"{name}: {why}"))
        if take.edits.unmended:
            yield ReviewFinding("timing", "offset", "review", REVIEW.fault_points, layer, name, "", take.edits.unmended,
                                "set shift_ms or starts of the one that is misplaced", first_s)
        for move in take.moves:
            later = f"play it {abs(move.by_ms):.1f} ms {'later' if move.by_ms > 0 else 'earlier'}"
            yield ReviewFinding(
                "timing", "move", "edit", abs(move.by_ms), layer, name, tempo_map.text_of(move.from_s),
                _without_name(move.why, name), f"{later}; {move.audible}" if move.audible else later, move.from_s,
                move.to_s, MoveEdit(layer, name, move.from_s, move.to_s, move.by_ms, move.why, move.crossfade_ms))
        for one in take.rerecord:
            first, last = one.bars
            start_s, stop_s = (tempo_map.downbeat_s(first), tempo_map.downbeat_s(last + 1)) if (
                tempo_map.has_grid) else (first_s, first_s)
            yield ReviewFinding("timing", "rerecord", "re-record", REVIEW.fault_points, layer, name,
                                f"bars {first} to {last}" if last > first else f"bar {first}",
                                _without_name(one.why, name), "re-record these bars" if last > first else
                                "re-record this bar", start_s, stop_s)


def _without_name(why: str, take: str) -> str:
    """A reason without the take it is about: "35 ms ahead of the left take"."""
    return why.split(f"{take}: ", 1)[-1]


def _of_check(file: RecipeFile, report: Report, timing: SongTiming, tempo_map: TempoMap) -> Iterator[ReviewFinding]:
    """Faults of takes and pairs, each once."""
    mics = {id(one.finding): one for one in mic_changes(file.recipe, report)}
    timed = {(take.open.layer.name, take.open.take.name): take for take in timing.takes}
    found = [(one.take, finding) for one in report.takes for finding in one.findings]
    found += [(pair.one, finding) for pair in report.pairs for finding in pair.findings
              if finding not in pair.of_one and finding not in pair.of_other]
    for take, finding in found:
        if finding.verdict == "OK" or (finding.kind == "offset" and _is_timed(timed[take.layer, take.name])):
            continue
        mic, edit = mics.get(id(finding)), _high_pass_for(file, take, finding)
        advice = finding.advice.removesuffix(" (--write does)")
        at_s, where = _place(take, finding, tempo_map)
        aligned = None if mic is None else MicEdit(mic.at, mic.shift_ms, mic.invert_polarity)
        yield ReviewFinding(
            "check", finding.kind, finding.verdict if finding.verdict == "re-record" else
            "edit" if edit or aligned else "review",
            REVIEW.format_points if finding.kind in INAUDIBLE else REVIEW.fault_points, take.layer, take.name, where,
            finding.text, f"add a high-pass at {edit.hz:g} Hz; {advice.partition(';')[0]}" if edit else advice, at_s,
            None, aligned or edit)


def _is_timed(take: TakeTiming) -> bool:
    """Whether `timing` says already that a take is misplaced."""
    return bool(take.edits.shift_ms or take.edits.unmended or take.edits.rerecord or take.edits.moves)


def _place(take: CheckedTake, finding: Finding, tempo_map: TempoMap) -> tuple[float, str]:
    """Where a fault is heard, in seconds of the song, and in words; no words for the whole take."""
    if finding.at_s is not None:
        at_s = take.starts_s + finding.at_s
        return at_s, tempo_map.text_of(at_s)
    if finding.kind in ("noise_floor", "hum") and take.gaps:
        longest = max(take.gaps, key=lambda gap: gap[1] - gap[0])
        at_s = take.starts_s + longest[0] / take.measured.rate_hz
        return at_s, f"pauses, heard at {tempo_map.text_of(at_s)}"
    first_s, last_s = take.span_s or (0.0, take.measured.seconds)
    return take.starts_s + first_s + (last_s - first_s) / 3, ""


def _high_pass_for(file: RecipeFile, take: CheckedTake, finding: Finding) -> HighPassEdit | None:
    """The high-pass that removes rumble, if the chain has none that does."""
    if finding.kind != "rumble":
        return None
    limit = max(take.limits.rumble_dbfs, (take.lufs or 0.0) - take.limits.rumble_under_lu)
    if take.chain.high_pass and finding.details["rest_dbfs"] < limit:
        return None
    n, layer = next((n, layer) for n, layer in enumerate(file.recipe.layer) if layer.name == take.layer)
    k, own = next((k, one) for k, one in enumerate(layer.take) if one.name == take.name)
    return HighPassEdit(("layer", n) if own.chain is None else ("layer", n, "take", k), REVIEW.rumble_hz)


def _of_choices(choices: Sequence[Choice]) -> Iterator[ReviewFinding]:
    """Takes that would better play other passes, and doubles that have nothing but copies."""
    for choice in choices:
        if choice.doubled_copies:
            both = " and ".join(take.take.name for take in choice.takes)
            yield ReviewFinding("choose", "copy", "re-record", REVIEW.fault_points, choice.layer,
                                choice.takes[-1].take.name, "", f"every pass of {both} is a copy of one of the other",
                                "record the part a second time", choice.spans[choice.doubled_copies[0]].start_s)
            continue
        now = [[opened.pass_at(int((span.start_s + span.stop_s) / 2 * opened.source.rate_hz)) for span in choice.spans]
               for opened in choice.takes]
        # Both takes of a double are chosen together, so they are heard and accepted together.
        changed = [number for number in range(len(choice.takes)) if now[number] != list(choice.numbers(number))]
        if not changed:
            continue
        saved = _saved_points(choice, now)
        part = max(saved, key=lambda part: saved[part])
        yield ReviewFinding(
            "choose", "passes", "edit", max(saved[part], 0.0), choice.layer, choice.takes[changed[0]].take.name,
            choice.spans[part].text, "; ".join(_pass_words(choice, number, now[number]) for number in changed),
            f"{saved[part]:.1f} points better in {choice.spans[part].name}" if saved[part] >= SHOWN_POINTS else
            "it fits the passes around it better", choice.spans[part].start_s, choice.spans[part].stop_s,
            PassesEdit(choice.layer, tuple(
                (choice.takes[number].take.name, choice.passes[number][choice.played(number)].name,
                 tuple((one.start_s, one.stop_s, one.played, one.why) for one in parts_of_comp(choice, number)))
                for number in changed)))


def _saved_points(choice: Choice, now: Sequence[Sequence[int]]) -> dict[int, float]:
    """By part in which a take is to play another pass than now, the points that the chosen passes save."""
    found = {}
    for part in range(len(choice.spans)):
        before = [numbers[part] for numbers in now]
        after = [choice.numbers(number)[part] for number in range(len(choice.takes))]
        if before != after:
            alone = [0] * (2 - len(before))
            found[part] = float(choice.costs[part][tuple(before + alone)] - choice.costs[part][tuple(after + alone)])
    return found


def _pass_words(choice: Choice, number: int, now: Sequence[int]) -> str:
    """Which other passes a take is to play: left: pass "2" in verse (bars 1 to 4) instead of "1"."""
    passes, numbers = choice.passes[number], choice.numbers(number)
    parts = [part for part in range(len(now)) if numbers[part] != now[part]]
    words = []
    for chosen in dict.fromkeys(numbers[part] for part in parts):
        here = [part for part in parts if numbers[part] == chosen]
        where = "throughout" if len(here) == len(now) else f"in {', '.join(choice.spans[part].text for part in here)}"
        old = ", ".join(dict.fromkeys(f'"{passes[now[part]].name}"' for part in here))
        words.append(f'pass "{passes[chosen].name}" {where} instead of {old}')
    return f"{choice.takes[number].take.name}: {', '.join(words)}"


def _of_levels(file: RecipeFile, cache: TakeCache, on_progress: OnProgress) -> Iterator[ReviewFinding]:
    """Sections in which a layer is nearer to the rest, or further from it, than in the others."""
    song = process_takes(file, cache, on_progress=on_progress)
    energies = measure_song(song, cache)
    for layer in song.layers[1:]:
        others = [other for other in song.layers if other is not layer]
        rest, mine = song.mix(others), song.mix([layer], level=False)
        distances = {}
        for part in song.sections:
            level_db = file.recipe.level_db(layer, part.section)
            if level_db == SILENCE_DB or all(file.recipe.level_db(other, part.section) == SILENCE_DB
                                             for other in others):
                continue
            found = float(sweep(energies, rest, mine, [level_db], part.start, part.stop, reference=rest).relative_lu[0])
            if math.isfinite(found):
                distances[part.name] = found
        if len(distances) < REVIEW.fewest_sections:
            continue
        usual = round(float(np.median(list(distances.values()))), 1)
        for part in song.sections:
            apart = distances.get(part.name, usual) - usual
            wanted_db = level_for_difference(energies, rest, mine, -usual, part.start, part.stop)
            if abs(apart) <= REVIEW.level_lu or wanted_db is None:
                continue
            level_db = round(wanted_db, LEVEL_PLACES)
            yield ReviewFinding(
                "levels", "level", "edit", abs(apart), layer.name, "", part.name,
                f"{_distance_words(distances[part.name])} there, {_distance_words(usual)} usually",
                f"{level_db:g} dB gives the usual distance, unless the difference is meant", part.start / song.rate_hz,
                part.stop / song.rate_hz, LevelEdit(layer.name, part.name, level_db))


def _distance_words(relative_lu: float) -> str:
    """9.2 LU under the rest."""
    return f"{abs(relative_lu):.1f} LU {'under' if relative_lu < 0 else 'over'} the rest"
