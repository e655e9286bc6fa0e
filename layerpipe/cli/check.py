"""`layerpipe check`: what is wrong with each take, while the player is still in the chair."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers

if TYPE_CHECKING:
    from layerpipe.outputs.check.report import Report

MOST_CLICKS_SHOWN = 6


@answers
def check(
    files: Annotated[list[Path], typer.Argument(
        metavar="RECIPE | FILE...", help="A recipe, or sound files without one.", show_default=False)],
    pictures: Annotated[Path | None, typer.Option("--pictures", help="Folder that gets one picture per take.",
                                                  show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Say what is wrong with each take.

    Clipping, clicks, hum, rumble, noise, drop-outs, tuning, copies and more. Each take comes out as "fine", "look" or
    "record again", worst first. Exits with 1 when any is "record again". Thresholds are in the recipe's [check].
    """
    from layerpipe.outputs.check.document import document_of
    from layerpipe.outputs.check.report import check_files, check_recipe

    terminal = Terminal(as_json=as_json, quiet=quiet)
    recipe = None
    with terminal.progress("listening", 1.0) as on_progress:
        if len(files) == 1 and files[0].suffix.lower() == ".toml":
            from layerpipe.recipe.reader import read_recipe

            recipe = read_recipe(files[0]).recipe
            report = check_recipe(recipe, on_progress)
        else:
            report = check_files(files, on_progress)
    drawn: list[Path] = []
    if pictures is not None:
        from layerpipe.outputs.check.plot import draw_takes

        drawn = draw_takes(report, recipe, pictures)
    terminal.say(_table(report))
    terminal.say(_summary(report))
    if drawn:
        terminal.say(f"{len(drawn)} picture{'s' if len(drawn) > 1 else ''} in {pictures}")
    terminal.document({**document_of(report), "pictures": drawn})
    return FAULTY if report.again else FINE


def _table(report: Report) -> Any:
    """Findings, worst take first."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    table.add_column("take", overflow="fold")
    table.add_column("verdict")
    table.add_column("what", overflow="fold", ratio=3)
    table.add_column("what to do", overflow="fold", ratio=2)
    for one in report.worst_first:
        tuned = "" if one.take.tuning is None else f"in tune within {abs(one.take.tuning.cents):.1f} cents"
        rows = _rows(one.findings)
        if not rows:
            table.add_row(one.take.title, one.verdict, tuned or "nothing found", "")
        for number, (text, advice) in enumerate(rows):
            table.add_row(one.take.title if number == 0 else "", one.verdict if number == 0 else "", text, advice)
    for pair in report.pairs:
        name = f"{pair.one.layer} {pair.one.name} + {pair.other.name}".strip()
        for finding in pair.findings:
            if finding not in pair.of_one and finding not in pair.of_other:
                table.add_row(name, finding.verdict, finding.text, finding.advice)
    return table


def _rows(findings: Any) -> list[tuple[str, str]]:
    """Text and advice of each finding; of many clicks only the first few."""
    rows, clicks = [], [finding for finding in findings if finding.kind == "click"]
    for finding in findings:
        if finding.kind == "click" and len(clicks) > MOST_CLICKS_SHOWN and finding not in clicks[:MOST_CLICKS_SHOWN]:
            if finding is clicks[-1]:
                rows.append((f"and {len(clicks) - MOST_CLICKS_SHOWN} more clicks; --json tells all", ""))
            continue
        rows.append((finding.text, finding.advice))
    return rows


def _summary(report: Report) -> str:
    """How many takes are what."""
    counts = {verdict: sum(one.verdict == verdict for one in report.takes) for verdict in ("record again", "look",
                                                                                           "fine")}
    return ", ".join(f"{count} {verdict}" for verdict, count in counts.items() if count)
