"""`layerpipe draft`: a starting recipe for a folder of takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers


@answers
def draft(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of takes.", show_default=False)],
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help=(
        "Write the recipe to this new file; if omitted, the recipe is printed with paths relative to the current "
        "folder."), show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Draft a recipe for a folder of takes from their names.

    Files that are not audio are listed and skipped.
    """
    from layerpipe.jobs.draft import draft_recipe, write_draft

    terminal = Terminal(as_json=as_json, quiet=quiet)
    drafted = draft_recipe(folder, out.parent if out else Path())
    for skip in drafted.skipped:
        terminal.warn(f"skipped: {skip.file}: {skip.why}")
    if out is not None:
        write_draft(drafted, out)
        layers = len({take.layer for take in drafted.takes})
        terminal.say(f"wrote {out}: {_count(len(drafted.takes), 'take')} in {_count(layers, 'layer')}"
                     f"{' and a bed' if drafted.bed else ''}; check names, pans and levels before you use it")
    elif not as_json:
        # Printed even with --quiet: it is the result.
        terminal.result(*drafted.text.splitlines())
    terminal.document({
        "file": out,
        "recipe": drafted.text,
        "takes": [{"layer": take.layer, "take": take.name, "file": take.facts.path, "pan": take.pan,
                   "seconds": take.facts.seconds, "rate_hz": take.facts.rate_hz, "channels": take.facts.channels}
                  for take in drafted.takes],
        "bed": drafted.bed.path if drafted.bed else None,
        "skipped": [{"file": skip.file, "why": skip.why} for skip in drafted.skipped],
    })
    return FINE


def _count(number: int, what: str) -> str:
    """Two takes, one layer."""
    return f"{number} {what}{'' if number == 1 else 's'}"
