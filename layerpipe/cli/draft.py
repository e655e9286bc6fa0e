"""`layerpipe draft`: a starting recipe for a folder of takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers


@answers
def draft(
    folder: Annotated[Path, typer.Argument(help="A folder of takes.", show_default=False)],
    out: Annotated[Path | None, typer.Option("--out", help=(
        "Write the recipe to this new file; left out, it is printed for a file in the current folder."),
        show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Draft a recipe for a folder of takes from their names.

    What is no sound file is named and left out.
    """
    from layerpipe.jobs.draft import draft_recipe, write_draft

    terminal = Terminal(as_json=as_json, quiet=quiet)
    drafted = draft_recipe(folder, out.parent if out else Path())
    for skip in drafted.skipped:
        terminal.warn(f"left out: {skip.file}: {skip.why}")
    if out is not None:
        write_draft(drafted, out)
        layers = len({take.layer for take in drafted.takes})
        terminal.say(f"{out}: {_count(len(drafted.takes), 'take')} in {_count(layers, 'layer')}"
                     f"{' and a bed' if drafted.bed else ''}; read it through before you use it")
    elif not as_json:
        # Printed as it is even with --quiet: it is what was asked for.
        print(drafted.text, end="")
    terminal.document({
        "file": out,
        "recipe": drafted.text,
        "takes": [{"layer": take.layer, "take": take.name, "file": take.facts.path, "pan": take.pan,
                   "seconds": take.facts.seconds, "rate_hz": take.facts.rate_hz, "channels": take.facts.channels}
                  for take in drafted.takes],
        "bed": drafted.bed.path if drafted.bed else None,
        "left_out": [{"file": skip.file, "why": skip.why} for skip in drafted.skipped],
    })
    return FINE


def _count(number: int, what: str) -> str:
    """Two takes, one layer."""
    return f"{number} {what}{'' if number == 1 else 's'}"
