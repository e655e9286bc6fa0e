"""The check of a recipe's takes, or of files without one: measure each once, then report what is wrong, worst first.

Muted takes are checked too. Takes are checked as they are in their files: at their own rate, without edits and chain.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from pathlib import Path

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects.single_pass import Measurements, measure_take
from layerpipe.analysis.onsets.detect import detect_onsets
from layerpipe.analysis.sustained.layer_kinds import kind_of_sound, kind_questions, kinds_of_takes
from layerpipe.analysis.take_alone import hear_take
from layerpipe.analysis.takes_compared.comp_joints import measure_joint
from layerpipe.analysis.takes_compared.mics import measure_mics
from layerpipe.audio_files.info import FileFacts, time_text
from layerpipe.audio_files.reader import SourceFile, inspect
from layerpipe.core.errors import AudioError, Fault
from layerpipe.core.listening import Ask, Question
from layerpipe.core.process import worker_threads
from layerpipe.core.sound import OnProgress, Sound
from layerpipe.outputs.check.comp_findings import ALIGNED_MS, joint_findings, mic_finding, placing_findings
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.report import Report, make_report
from layerpipe.outputs.check.song_findings import compare_all, metronome_findings
from layerpipe.outputs.check.two_takes import TwoTakes, compare_takes, tuned_beside_each_other
from layerpipe.recipe.edit.change import Change
from layerpipe.recipe.edit.moves_and_levels import set_shift
from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.model.recipe import Chain, Check, Recipe, Take
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.heard import Heard
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.takes.open_takes import OpenTake, open_all
from layerpipe.render.takes.placing import Place, PlacedSound

MOST_COMPARED = 16
"""Takes of different layers, and files without a recipe, are compared each with each, up to this many."""


def check_recipe(recipe: Recipe, on_progress: OnProgress = lambda share: None,
                 cache: TakeCache | None = None) -> Report:
    """Check every take of a recipe.

    Parameters
    ----------
    recipe : Recipe
        With paths that can be opened as they are.
    on_progress : function
        Receives the share of the work done since its last call.
    cache : TakeCache, optional
        Default: the user's.

    Raises
    ------
    AudioError
        With everything that keeps a file from being read.
    """
    cache = cache or TakeCache()
    ask = Heard(cache)
    opened = open_all(recipe, digest_of=cache.notes.digest_of)
    tempo_map = TempoMap.of(recipe)

    def place_of(starts_s: float, seconds: float) -> str:
        seconds += starts_s
        return f"{tempo_map.text_of(seconds)} ({_minutes(seconds)})" if tempo_map.has_grid else _minutes(seconds)

    recorded = [_as_recorded(one) for one in opened]
    takes = []
    every = _measured([sound for sound, _ in recorded], recipe.song.a4_hz, ask, on_progress,
                      onsets=len(recorded) > 1, more=kind_questions(opened))
    for one, kind, (sound, starts_s), measured in zip(opened, kinds_of_takes(opened, ask), recorded, every,
                                                      strict=True):
        takes.append(CheckedTake(
            layer=one.layer.name, name=one.take.name, file=one.facts.path, facts=one.facts,
            channel=one.main.mic.channel, sound=sound, measured=measured, chain=recipe.chain_of(one.layer, one.take),
            strings=tuple(one.layer.strings), gain_db=one.take.gain_db, a4_hz=recipe.song.a4_hz, limits=recipe.check,
            place_of=partial(place_of, starts_s), starts_s=starts_s, ask=ask,
            invert_polarity=one.take.invert_polarity, kind=kind,
            bar_one_s=tempo_map.downbeat_s(1) - starts_s if tempo_map.has_grid else None))
    takes = tuned_beside_each_other(takes)
    pairs = _compared([(one, other) for one, other in combinations(takes, 2) if one.layer == other.layer])
    if len(takes) <= MOST_COMPARED:
        # Takes of different layers may be one file twice.
        pairs += _copies([(one, other) for one, other in combinations(takes, 2) if one.layer != other.layer])
    more, pairs = compare_all(takes, [one.take.mute for one in opened], pairs, tempo_map)
    locations = [(n, k) for n, layer in enumerate(recipe.layer) for k in range(len(layer.take))]
    for index, (take, checked) in enumerate(zip(opened, takes, strict=True)):
        found = [*placing_findings(take), *_mic_findings(take, locations[index], ask), *_joint_findings(take, checked)]
        more[index] = more.get(index, []) + found
    report = make_report(takes, pairs, more)
    ask.tidy()
    return report


@dataclass(frozen=True)
class MicChange:
    """The shift and polarity that line up a microphone, or a take that is one; `finding` asks for it."""

    finding: Finding
    at: Location
    shift_ms: float
    invert_polarity: bool


def mic_changes(recipe: Recipe, report: Report) -> list[MicChange]:
    """What lines microphones up, by finding; one change for each place of the recipe."""
    wanted: dict[Location, MicChange] = {}
    for one in report.takes:
        for finding in one.findings:
            if finding.kind == "mics" and "shift_ms" in finding.details:
                at: Location = tuple(finding.details["location"])
                wanted[at] = MicChange(finding, at, finding.details["shift_ms"], finding.details["invert_polarity"])
    takes: dict[tuple[str, str], tuple[Location, Take]] = {
        (layer.name, take.name): (("layer", n, "take", k), take)
        for n, layer in enumerate(recipe.layer) for k, take in enumerate(layer.take)}
    for pair in report.pairs:
        for finding in pair.findings:
            at, take = takes[pair.other.layer, pair.other.name]
            if finding.kind == "mics" and take.file is not None and at not in wanted:
                late_ms, inverted = finding.details["delay_ms"], finding.details["inverted"]
                shift_ms = round(take.shift_ms - late_ms, 3) if abs(late_ms) > ALIGNED_MS else take.shift_ms
                wanted[at] = MicChange(finding, at, shift_ms + 0.0, take.invert_polarity != inverted)
    return list(wanted.values())


def change_of_mics(file: RecipeFile, report: Report) -> Change | None:
    """The recipe with the shifts and polarities that line microphones up; None if all are lined up."""
    change: Change | None = None
    for one in mic_changes(file.recipe, report):
        change = set_shift(change or file.path, one.at, shift_ms=one.shift_ms, invert_polarity=one.invert_polarity)
    return change


def _measured(sounds: Sequence[Sound], a4_hz: float, ask: Ask, on_progress: OnProgress, *, onsets: bool,
              more: Sequence[Question] = ()) -> list[Measurements]:
    """Measurements of sounds; the onsets, if they will be needed, and more answers are heard at the same time."""
    ask.together([*(Question(hear_take, sound, (a4_hz,)) for sound in sounds),
                  *(Question(detect_onsets, sound) for sound in sounds if onsets), *more], on_progress)
    return [ask(measure_take, sound) for sound in sounds]


def _compared(pairs: Sequence[tuple[CheckedTake, CheckedTake]], *, doubles: bool = True) -> list[TwoTakes]:
    """Takes compared two by two, side by side."""
    with ThreadPoolExecutor(worker_threads()) as pool:
        return list(pool.map(lambda pair: compare_takes(*pair, doubles=doubles), pairs))


def _copies(pairs: Sequence[tuple[CheckedTake, CheckedTake]]) -> list[TwoTakes]:
    """Those pairs that are one performance."""
    return [pair for pair in _compared(pairs, doubles=False) if pair.same_performance]


def _mic_findings(take: OpenTake, location: tuple[int, int], ask: Ask) -> list[Finding]:
    """Microphones of a take that are not lined up."""
    found = []
    for number, one in enumerate(take.passes):
        at = ["layer", location[0], "take", location[1], *(["passes", number] if take.take.passes else []), "mics"]
        placed = [PlacedSound(mic.sound, max(one.stop, 1), mic.place) for mic in one.mics]
        for k in range(1, len(placed)):
            distance = ask(measure_mics, placed[0], placed[k])
            if distance is not None and (one.mics[0].gain < 0) != (one.mics[k].gain < 0):
                distance = replace(distance, is_inverted=not distance.is_inverted)
            found.append(mic_finding(one, k, distance, [*at, k]))
    return [finding for finding in found if finding is not None]


def _joint_findings(take: OpenTake, checked: CheckedTake) -> list[Finding]:
    """Joints of a comp that are audible."""
    found = []
    for joint in take.comp.joints:
        if joint.stop < take.frames:
            heard = checked.ask(measure_joint, take.moved_passes[joint.before], take.moved_passes[joint.after],
                                joint.stop, joint.crossfade_frames, checked.a4_hz)
            found += joint_findings(take, joint, heard, checked.limits, checked.starts_s, checked.place_of)
    return found


def _as_recorded(take: OpenTake) -> tuple[Sound, float]:
    """The sound of a take that is checked, and at how many seconds of the song it begins.

    One file is checked as it is; several microphones or passes as they are heard together.
    """
    rate_hz, files = take.source.rate_hz, take.files()
    if len(files) == 1:
        only = files[0]
        return SourceFile(only.mic.file, only.mic.channel, facts=only.facts), only.place.frames / rate_hz
    start, stop = take.span
    return PlacedSound(take.source, stop - start, Place(-start, 0.0)), start / rate_hz


def check_files(files: Sequence[Path], on_progress: OnProgress = lambda share: None,
                cache: TakeCache | None = None) -> Report:
    """Check files without a recipe: every channel of every file; two channels of two files are taken as doubles.

    Raises
    ------
    AudioError
        With everything that keeps a file from being read.
    """
    cache = cache or TakeCache()
    ask = Heard(cache)
    inspected = _inspected(files, ask)
    channels = [(facts, number if facts.channels > 1 else None) for facts in inspected
                for number in range(1, facts.channels + 1)]
    sounds = [SourceFile(facts.path, channel, facts=facts) for facts, channel in channels]
    every = _measured(sounds, 440.0, ask, on_progress, onsets=len(sounds) == 2,
                      more=[Question(kind_of_sound, sound) for sound in sounds])
    takes = []
    for (facts, channel), sound, measured in zip(channels, sounds, every, strict=True):
        takes.append(CheckedTake(
            layer="", name=facts.path.name if channel is None else f"{facts.path.name} (channel {channel})",
            file=facts.path, facts=facts, channel=channel, sound=sound, measured=measured, chain=Chain(), ask=ask,
            strings=(), gain_db=0.0, a4_hz=440.0, limits=Check(), place_of=_minutes, kind=ask(kind_of_sound, sound)))
    takes = tuned_beside_each_other(takes) if len(takes) == 2 else takes
    # The channels of one file may be one stereo recording, not a pair of takes.
    apart = [(one, other) for one, other in combinations(takes, 2) if one.file != other.file]
    more = {n: metronome_findings(take) for n, take in enumerate(takes)} if len(takes) <= MOST_COMPARED else {}
    if len(takes) == 2:
        pairs = _compared(apart)
        if apart:
            more, pairs = compare_all(takes, [False, False], pairs, None)
    elif len(takes) <= MOST_COMPARED:
        pairs = _copies(apart)
    else:
        pairs = []
    report = make_report(takes, pairs, more)
    ask.tidy()
    return report


def _inspected(files: Sequence[Path], ask: Heard) -> list[FileFacts]:
    """Facts of all files; all refusals at once."""
    found: list[FileFacts] = []
    faults: list[Fault] = []
    for path in files:
        try:
            facts = inspect(path)
            ask.digest_of(facts)
            found.append(facts)
        except AudioError as refusal:
            faults += refusal.faults
    if faults:
        raise AudioError(faults)
    return found


def _minutes(seconds: float) -> str:
    """A place as minutes and seconds."""
    return time_text(round(seconds * 1000), 1000)
