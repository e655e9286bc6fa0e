"""The check of a recipe's takes, or of files without one: listen once to each, then say what is wrong, worst first.

Muted takes are checked too. Takes are heard as they lie in their files: at their own rate, without moves and chain.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from layerpipe.analysis.checked_take import TakeHeard
from layerpipe.analysis.defects.single_pass import listen
from layerpipe.audio_files.info import FileFacts, time_text
from layerpipe.audio_files.reader import SourceFile, inspect
from layerpipe.audio_files.scan import scan
from layerpipe.core.errors import AudioError, Fault
from layerpipe.core.sound import OnProgress, Sound
from layerpipe.outputs.check.finding import ORDER, Finding, Verdict, verdict_of, worst_first
from layerpipe.outputs.check.pair_findings import Pair, between_layers, fit_together, judge_pair
from layerpipe.outputs.check.take_findings import findings_of
from layerpipe.recipe.model import Chain, Check, Recipe
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes import open_all

MOST_COMPARED = 16
"""Files without a recipe are compared each with each, up to this many."""


@dataclass(frozen=True)
class TakeReport:
    """One take, its findings worst first, and what they add up to."""

    take: TakeHeard
    verdict: Verdict
    findings: list[Finding]


@dataclass(frozen=True)
class Report:
    """All takes and pairs, in the order of the recipe."""

    takes: list[TakeReport]
    pairs: list[Pair]

    @property
    def worst_first(self) -> list[TakeReport]:
        """Takes by verdict; the order of the recipe within one."""
        return sorted(self.takes, key=lambda report: ORDER[report.verdict])

    @property
    def again(self) -> bool:
        """Whether any take is to be recorded again."""
        return any(report.verdict == "record again" for report in self.takes)


def check_recipe(recipe: Recipe, on_progress: OnProgress = lambda share: None) -> Report:
    """Check every take of a recipe.

    Parameters
    ----------
    recipe : Recipe
        With paths that can be opened as they are.
    advance : function
        Told the share of the work done since the last call.

    Raises
    ------
    AudioError
        With everything that keeps a file from being read.
    """
    opened = open_all(recipe)
    tempo_map = TempoMap.of(recipe)
    total = sum(one.facts.seconds for one in opened) or 1.0
    takes = []
    for one in opened:
        sound = SourceFile(one.take.file, one.take.channel, facts=one.facts)
        takes.append(_heard(
            sound, one.facts, one.layer.name, one.take.name, one.take.channel, recipe.chain_of(one.layer, one.take),
            tuple(one.layer.strings), one.take.gain_db, recipe.song.a4_hz, recipe.check,
            lambda seconds: (f"{tempo_map.text_of(seconds)} ({_minutes(seconds)})" if tempo_map.has_grid
                             else _minutes(seconds)),
            lambda seconds: on_progress(seconds / total)))
    pairs = [judge_pair(one, other) for one, other in combinations(takes, 2) if one.layer == other.layer]
    # Takes of different layers are compared only where they may be one file twice.
    pairs += [pair for pair in (judge_pair(one, other, doubles=False) for one, other in combinations(takes, 2)
                                if one.layer != other.layer and len(takes) <= MOST_COMPARED) if pair.same_performance]
    return _report(takes, pairs, between_layers(takes))


def check_files(files: Sequence[Path], on_progress: OnProgress = lambda share: None) -> Report:
    """Check files without a recipe: every channel of every file; two of them alone are taken for a pair.

    Raises
    ------
    AudioError
        With everything that keeps a file from being read.
    """
    facts = _inspected(files)
    total = sum(one.seconds * one.channels for one in facts) or 1.0
    takes = []
    for one in facts:
        for channel in range(1, one.channels + 1):
            name = one.path.name if one.channels == 1 else f"{one.path.name} (channel {channel})"
            takes.append(_heard(
                SourceFile(one.path, channel if one.channels > 1 else None, facts=one), one, "", name,
                channel if one.channels > 1 else None, Chain(), (), 0.0, 440.0, Check(), _minutes,
                lambda seconds: on_progress(seconds / total)))
    # The channels of one file may be one stereo sound: nothing says that they are a pair.
    apart = [(one, other) for one, other in combinations(takes, 2) if one.file != other.file]
    if len(takes) == 2:
        pairs = [judge_pair(one, other) for one, other in apart]
    elif len(takes) <= MOST_COMPARED:
        pairs = [pair for pair in (judge_pair(one, other, doubles=False) for one, other in apart)
                 if pair.same_performance]
    else:
        pairs = []
    return _report(takes, pairs, {})


def _inspected(files: Sequence[Path]) -> list[FileFacts]:
    """Facts of all files; all refusals in one letter."""
    found: list[FileFacts] = []
    faults: list[Fault] = []
    for path in files:
        try:
            facts = inspect(path)
            scan(facts)
            found.append(facts)
        except AudioError as refusal:
            faults += refusal.faults
    if faults:
        raise AudioError(faults)
    return found


def _heard(sound: Sound, facts: FileFacts, layer: str, name: str, channel: int | None, chain: Chain,
           strings: tuple[str, ...], gain_db: float, a4_hz: float, limits: Check, place_of: Callable[[float], str],
           on_progress: OnProgress) -> TakeHeard:
    """Listen to one take."""
    return TakeHeard(layer, name, facts.path, facts, channel, sound, listen(sound, on_progress), chain, strings,
                     gain_db,
                     a4_hz, limits, place_of)


def _report(takes: Sequence[TakeHeard], pairs: Sequence[Pair], more: dict[int, list[Finding]]) -> Report:
    """Gather what was found about each take."""
    odd = fit_together(takes)
    reports = []
    for index, take in enumerate(takes):
        found = findings_of(take) + odd.get(index, []) + more.get(index, [])
        for pair in pairs:
            found += pair.of_one if pair.one is take else []
            found += pair.of_other if pair.other is take else []
        found = worst_first(found)
        reports.append(TakeReport(take, verdict_of(found), found))
    return Report(reports, list(pairs))


def _minutes(seconds: float) -> str:
    """A place as minutes and seconds."""
    return time_text(round(seconds * 1000), 1000)
