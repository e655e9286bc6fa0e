"""Choose among the passes of a recipe's takes, and turn the choice into a change of the recipe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import combinations
from typing import NamedTuple

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.choose.choice import Choice, Joint
from layerpipe.analysis.choose.measures import MeasuredPass, PairMeasures, compare_passes, measure_pass
from layerpipe.analysis.choose.spans import Span, song_spans
from layerpipe.analysis.defects.single_pass import measure_take
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.take_alone import hear_take
from layerpipe.analysis.takes_compared.comp_joints import joint_place, joint_words, measure_joint
from layerpipe.analysis.timing.grid.align import align_onsets
from layerpipe.analysis.timing.grid.expected import onsets_with_expected
from layerpipe.core.errors import OutputError
from layerpipe.core.listening import Ask, Question
from layerpipe.core.process import worker_threads
from layerpipe.core.sound import OnProgress, Sound
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.outputs.choose.words import copied_words
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.comps import NewPart, set_comp
from layerpipe.recipe.model.recipe import DEFAULT_CROSSFADE_MS, Recipe
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap, seconds_text
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes.attack import refuse_changed_takes
from layerpipe.render.takes.moves import MovedTake, frame_moves
from layerpipe.render.takes.open_takes import OpenTake, open_all
from layerpipe.render.takes.placing import Place, PlacedSound


def choose_passes(file: RecipeFile, cache: TakeCache | None = None, *,
                  on_progress: OnProgress = lambda share: None) -> list[Choice]:
    """Listen to every pass and choose, for each take with passes and each double with one.

    Parameters
    ----------
    file : RecipeFile
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Receives the share of the work done since its last call.

    Returns
    -------
    list of Choice
        In the order of the recipe; empty if no take has passes.

    Raises
    ------
    RecipeError
        If a move of the recipe was made for another sound than its pass has now.
    AudioError
        If a file cannot be used.
    """
    cache = cache or TakeCache()
    takes = open_all(file.recipe, digest_of=cache.notes.digest_of)
    tempo_map = TempoMap.of(file.recipe)
    refuse_changed_takes(file, tempo_map, [one.pass_sounds for one in takes])
    groups = doubles_of(takes)
    asked = [(take, number) for group in groups for take in group for number in range(len(take.passes))]
    if not asked:
        return []
    end_s = max(one.stop for take in takes for one in take.passes) / takes[0].source.rate_hz
    spans = song_spans(file.recipe, tempo_map, end_s)

    ask = Heard(cache)
    sounds = [_sounds_of(take, number, tempo_map) for take, number in asked]
    ask.together([question for one in sounds for question in (
        Question(hear_take, one.alone, (file.recipe.song.a4_hz,)), Question(detect_onsets, one.moved))], on_progress)
    with ThreadPoolExecutor(min(len(asked), worker_threads())) as pool:
        measured = iter(list(pool.map(
            lambda one, its: _measure(file.recipe, one[0], one[1], its, tempo_map, spans, ask), asked, sounds)))
        passes = [tuple(tuple(next(measured) for _ in take.passes) for take in group) for group in groups]
        cents = [one.cents for group in passes for take in group for one in take if one.cents is not None]
        usual = float(np.median(cents)) if cents else None
        found = []
        for group, listened in zip(groups, passes, strict=True):
            pairs: tuple[tuple[PairMeasures, ...], ...] = ()
            if len(group) == 2:
                compared = iter(list(pool.map(lambda two: compare_passes(two[0], two[1], spans),
                                              [(one, other) for one in listened[0] for other in listened[1]])))
                pairs = tuple(tuple(next(compared) for _ in listened[1]) for _ in listened[0])
            found.append(_with_joints_heard(file.recipe, Choice(group, spans, listened, pairs, usual), ask, pool))
    ask.tidy()
    return found


def _with_joints_heard(recipe: Recipe, choice: Choice, ask: Ask, pool: ThreadPoolExecutor) -> Choice:
    """The choice after listening to the joints of its comp as `check` does: an audible one has to gain more."""
    heard: dict[Joint, str] = {}

    def audible(joint: Joint) -> str:
        take, passes = choice.takes[joint.take], choice.passes[joint.take]
        before, after = passes[joint.before], passes[joint.after]
        at_s = round(_joint_s(before, after, choice.spans[joint.part + 1].start_s), 3)
        rate_hz = take.source.rate_hz
        # As long as the take, as for `check`, which then knows the answer.
        lasting = [one.sound if one.sound.frames == take.frames else PlacedSound(one.sound, take.frames)
                   for one in (before, after)]
        found = ask(measure_joint, *lasting, frames_of_s(at_s, rate_hz),
                    frames_of_ms(DEFAULT_CROSSFADE_MS, rate_hz), recipe.song.a4_hz)
        words = ", ".join(joint_words(found, recipe.check).values())
        return f"edit point at {take.tempo_map.text_of(at_s)} is audible: {words}" if words else ""

    while new := [joint for joint in choice.joints if joint not in heard]:
        heard |= zip(new, pool.map(audible, new), strict=True)
        choice = replace(choice, audible={joint: words for joint, words in heard.items() if words})
    return choice


def doubles_of(takes: Sequence[OpenTake]) -> list[tuple[OpenTake, ...]]:
    """Takes between whose passes there is a choice, each with its double.

    Of a layer's takes those double each other whose pans mirror each other best; what is left over, and what is in the
    centre, is chosen by itself. Muted takes are left out, and so is a double without any passes.
    """
    found: list[tuple[OpenTake, ...]] = []
    by_layer: dict[str, list[OpenTake]] = {}
    for take in takes:
        if not take.take.mute:
            by_layer.setdefault(take.layer.name, []).append(take)
    for members in by_layer.values():
        mirrored = sorted((pair for pair in combinations(members, 2) if pair[0].take.pan * pair[1].take.pan < 0),
                          key=lambda pair: (abs(pair[0].take.pan + pair[1].take.pan), pair[0].index, pair[1].index))
        taken: set[int] = set()
        groups: list[tuple[OpenTake, ...]] = []
        for one, other in mirrored:
            if one.index not in taken and other.index not in taken:
                taken |= {one.index, other.index}
                groups.append((one, other))
        groups += [(take,) for take in members if take.index not in taken]
        found += [group for group in groups if any(len(take.passes) > 1 for take in group)]
    return sorted(found, key=lambda group: group[0].index)


class _PassSounds(NamedTuple):
    """A pass with its moves, at its place in the song and from its own start, which is a frame of the song."""

    moved: Sound
    alone: Sound
    start: int


def _sounds_of(take: OpenTake, number: int, tempo_map: TempoMap) -> _PassSounds:
    """What is listened to of a pass."""
    opened = take.passes[number]
    frames = max(opened.stop, 1)
    sound = opened.sound(frames)
    moves = frame_moves(opened.one, tempo_map, take.source.rate_hz)
    moved = MovedTake(sound, moves) if moves else sound
    start = min(max(opened.start, 0), frames - 1)
    return _PassSounds(moved, PlacedSound(moved, frames - start, Place(-start, 0.0)) if start else moved, start)


def _measure(recipe: Recipe, take: OpenTake, number: int, sounds: _PassSounds, tempo_map: TempoMap,
             spans: tuple[Span, ...], ask: Ask) -> MeasuredPass:
    """Measure one pass, at its place and with its moves."""
    opened, rate_hz, (moved, alone, start) = take.passes[number], take.source.rate_hz, sounds

    def place_of(seconds: float) -> str:
        return tempo_map.text_of(seconds + start / rate_hz) if tempo_map.has_grid else seconds_text(seconds)

    checked = CheckedTake(
        layer=take.layer.name, name=opened.one.name, file=opened.mics[0].facts.path, facts=opened.mics[0].facts,
        channel=opened.mics[0].mic.channel, sound=alone, measured=ask(measure_take, alone),
        chain=recipe.chain_of(take.layer, take.take), strings=tuple(take.layer.strings), gain_db=take.take.gain_db,
        a4_hz=recipe.song.a4_hz, limits=recipe.check, place_of=place_of, starts_s=start / rate_hz,
        invert_polarity=take.take.invert_polarity, ask=ask)
    detection = ask(detect_onsets, moved)
    onsets = onsets_with_expected(detection, tempo_map)
    aligned = align_onsets(onsets, onsets.at_s, tempo_map)
    return measure_pass(opened.one.name, checked, moved, aligned, spans)


def parts_of_comp(choice: Choice, take: int) -> Iterator[NewPart]:
    """The comp of a take as a recipe has it: each part begins and ends just before an attack."""
    spans, passes = choice.spans, choice.passes[take]
    numbers = choice.numbers(take)
    for piece in choice.pieces(take):
        names = [spans[part].text for part in range(piece.first, piece.last + 1)]
        start_s = 0.0
        if piece.first:
            start_s = _joint_s(passes[numbers[piece.first - 1]], passes[piece.number], spans[piece.first].start_s)
        if piece.last + 1 < len(spans):
            after = passes[numbers[piece.last + 1]]
            stop_s = _joint_s(passes[piece.number], after, spans[piece.last + 1].start_s)
        else:
            # To the end of the take and beyond its last sample.
            stop_s = max(one.sound.frames / one.sound.rate_hz for one in passes) + 0.001
        yield NewPart(round(start_s, 3), round(stop_s, 3), passes[piece.number].name, ", ".join(names))


def _joint_s(outgoing: MeasuredPass, incoming: MeasuredPass, at_s: float) -> float:
    """Where a pass comes in near a downbeat, so that no attack is cut or doubled."""
    onsets = [one.aligned.onsets.heard_s.tolist() for one in (outgoing, incoming)]
    return joint_place(onsets[0], onsets[1], at_s)


def comps_of(choices: Sequence[Choice]) -> list[list[list[NewPart]]]:
    """The comps of all takes, by choice and take."""
    return [[list(parts_of_comp(choice, take)) for take in range(len(choice.takes))] for choice in choices]


def change_of_passes(file: RecipeFile, choices: Sequence[Choice]) -> Change | None:
    """The recipe with the chosen passes and comps; None if there is nothing to choose.

    Raises
    ------
    OutputError
        If a double has nothing but copies to choose from.
    """
    change: Change | None = None
    for choice in choices:
        if choice.doubled_copies:
            raise OutputError(f'{file.path}: layer "{choice.layer}": {copied_words(choice)}; nothing was written')
        for number, take in enumerate(choice.takes):
            if take.take.passes:
                change = set_comp(change or file.path, take.layer.name, take.take.name,
                                  choice.passes[number][choice.played(number)].name,
                                  list(parts_of_comp(choice, number)))
    return change
