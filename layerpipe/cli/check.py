"""`layerpipe check`: the faults of each take, while the player is still in the chair."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, answers, song_options
from layerpipe.cli.songs import SongResult, answer_songs, is_several
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FAULTY, FINE, Terminal
from layerpipe.jobs.many.song_list import LIST_SUFFIX, RECIPE_SUFFIX

if TYPE_CHECKING:
    from layerpipe.outputs.check.finding import Finding
    from layerpipe.outputs.check.report import Report
    from layerpipe.recipe.model.recipe import Recipe

MOST_CLICKS_SHOWN = 6
_VERDICTS = ("re-record", "review", "OK")


@answers
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=PATH, help=(
    "Recipes, folders of recipes, .txt files that list one path a line; or audio files without a recipe."))
@click.option("--pictures", type=PATH, metavar="FOLDER", help="Folder for one picture per take.")
@click.option("--write", is_flag=True, help=(
    "Write the shifts and polarities that line up the microphones of a take into the recipe, after showing them."))
@song_options
def check(files: tuple[Path, ...], pictures: Path | None, write: bool, jobs: int, cluster: str | None, as_json: bool,
          quiet: bool) -> int:
    """Check each take for faults.

    Clipping, clicks, hum, rumble, noise, drop-outs, tuning, copies and more. The verdict of each take is "OK", "review"
    or "re-record", worst first. Exits with 1 if any is "re-record". Limits are in the recipe's [check].
    """
    songs = [path for path in files if path.suffix.casefold() in (RECIPE_SUFFIX, LIST_SUFFIX) or path.is_dir()]
    if songs and len(songs) < len(files):
        raise click.BadParameter("give recipes, or audio files, not both", param_hint="FILE")
    if write and not songs:
        raise click.BadParameter("needs a recipe", param_hint="--write")
    terminal = Terminal(as_json=as_json, quiet=quiet)
    if songs:
        one_song = partial(_check, pictures=pictures, write=write, several=is_several(songs))
        return answer_songs(terminal, songs, one_song, jobs=jobs, cluster=cluster,
                            outputs=[] if pictures is None else [pictures])
    if cluster is not None:
        raise click.BadParameter("audio files are checked on this machine", param_hint="--cluster")
    from layerpipe.jobs.check import check_files

    with terminal.progress("checking", 1.0) as on_progress:
        report = check_files(files, on_progress)
    result = _answer(terminal, report, None, pictures, files)
    terminal.document(result.document)
    return result.exit_code


def _check(terminal: Terminal, recipe: Path, *, pictures: Path | None, write: bool, several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.check import change_of_mics, check_recipe
    from layerpipe.jobs.output_places import sources_of
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    with terminal.progress("checking", 1.0) as on_progress:
        report = check_recipe(file.recipe, on_progress)
    result = _answer(terminal, report, file.recipe, pictures / recipe.stem if pictures is not None and several else
                     pictures, sources=sources_of(file))
    if write:
        terminal.show_and_write(change_of_mics(file, report), otherwise="no microphones to line up; nothing written")
    return result


def _answer(terminal: Terminal, report: Report, song: Recipe | None, pictures: Path | None,
            sources: Sequence[Path]) -> SongResult:
    """Print a report, draw its pictures, none of them over a source."""
    from layerpipe.jobs.output_places import refuse_sources
    from layerpipe.outputs.check.document import document_of

    drawn: list[Path] = []
    if pictures is not None:
        from layerpipe.outputs.check.plot import draw_takes

        drawn = draw_takes(report, song, pictures, before_writing=partial(refuse_sources, sources=sources))
    if terminal.talks:
        terminal.say(_table(report))
        for name, kind in {one.take.layer or one.take.name: one.take.kind for one in report.takes}.items():
            terminal.say(f"{name}: {kind.words}")
    summary = _summary(report)
    terminal.say(summary)
    if drawn:
        terminal.say(f"{len(drawn)} picture{'s' if len(drawn) > 1 else ''} in {drawn[0].parent}")
    verdicts = {one.verdict for one in report.takes}
    worst = next(verdict for verdict in _VERDICTS if verdict in verdicts)
    return SongResult({**document_of(report), "pictures": drawn}, worst, FAULTY if report.has_rerecord else FINE,
                      summary)


def _table(report: Report) -> Any:
    """Findings, worst take first."""
    table = new_table(pad_edge=False)
    table.add_column("take", overflow="fold")
    table.add_column("verdict")
    table.add_column("fault", overflow="fold", ratio=3)
    table.add_column("what to do", overflow="fold", ratio=2)
    for one in report.worst_first:
        tuned = "" if one.take.tuning is None else f"in tune within {abs(one.take.tuning.cents):.1f} cents"
        for number, (text, advice) in enumerate(_rows(one.findings) or [(tuned or "no faults found", "")]):
            table.add_row(*((one.take.title, one.verdict) if number == 0 else ("", "")), text, advice)
    for pair in report.pairs:
        for finding in pair.findings:
            if finding not in pair.of_one and finding not in pair.of_other:
                table.add_row(f"{pair.one.title} + {pair.other.name}", finding.verdict, finding.text, finding.advice)
    return table


def _rows(findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """Text and advice of each finding; of many clicks only the first few."""
    clicks = [finding for finding in findings if finding.kind == "click"]
    hidden = clicks[MOST_CLICKS_SHOWN:]
    rows = []
    for finding in findings:
        if finding not in hidden:
            rows.append((finding.text, finding.advice))
        elif finding is hidden[-1]:
            rows.append((f"and {len(hidden)} more click{'s' if len(hidden) > 1 else ''}; --json lists all", ""))
    return rows


def _summary(report: Report) -> str:
    """How many takes have which verdict."""
    verdicts = [one.verdict for one in report.takes]
    return ", ".join(f"{verdicts.count(verdict)} {verdict}" for verdict in _VERDICTS if verdict in verdicts)
