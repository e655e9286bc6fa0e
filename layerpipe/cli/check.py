"""`layerpipe check`: the faults of each take, while the player is still in the chair."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers

if TYPE_CHECKING:
    from layerpipe.outputs.check.finding import Finding
    from layerpipe.outputs.check.report import Report

MOST_CLICKS_SHOWN = 6


@answers
def check(
    files: Annotated[list[Path], typer.Argument(
        metavar="FILE", help="Recipes (.toml), or audio files without one.", show_default=False)],
    pictures: Annotated[Path | None, typer.Option("--pictures", metavar="FOLDER",
                                                  help="Folder for one picture per take.", show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Check each take for faults.

    Clipping, clicks, hum, rumble, noise, drop-outs, tuning, copies and more. The verdict of each take is "OK", "review"
    or "re-record", worst first. Exits with 1 if any is "re-record". Limits are in the recipe's [check].
    """
    from layerpipe.jobs.check import check_files, check_recipe
    from layerpipe.outputs.check.document import document_of
    from layerpipe.recipe.reader import read_recipe

    recipes = [path for path in files if path.suffix.lower() == ".toml"]
    if recipes and len(recipes) < len(files):
        raise typer.BadParameter("give recipes, or audio files, not both", param_hint="FILE")
    terminal = Terminal(as_json=as_json, quiet=quiet)
    # Every recipe is read before the first is checked: a fault in the last one is reported at once.
    songs = [read_recipe(path).recipe for path in recipes]
    with terminal.progress("checking", float(len(songs) or 1)) as on_progress:
        reports = [check_recipe(song, on_progress) for song in songs] or [check_files(files, on_progress)]
    documents = []
    for number, report in enumerate(reports):
        song = songs[number] if songs else None
        drawn: list[Path] = []
        if pictures is not None:
            from layerpipe.outputs.check.plot import draw_takes

            drawn = draw_takes(report, song, pictures / f"{number + 1:02d}-{recipes[number].stem}" if len(songs) > 1
                               else pictures)
        if song is not None and len(songs) > 1:
            terminal.say(f"{recipes[number]}: {song.song.title}")
        terminal.say(_table(report))
        terminal.say(_summary(report))
        if drawn:
            terminal.say(f"{len(drawn)} picture{'s' if len(drawn) > 1 else ''} in {drawn[0].parent}")
        documents.append({**document_of(report), "pictures": drawn})
    terminal.document(documents[0] if len(documents) == 1 else
                      {"recipes": [{"recipe": path, **made} for path, made in zip(recipes, documents, strict=True)]})
    return FAULTY if any(report.has_rerecord for report in reports) else FINE


def _table(report: Report) -> Any:
    """Findings, worst take first."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False)
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
    return ", ".join(f"{verdicts.count(verdict)} {verdict}" for verdict in ("re-record", "review", "OK")
                     if verdict in verdicts)
