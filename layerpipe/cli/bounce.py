"""`layerpipe bounce`: stems, layers, blend, delivery sheet, manifest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers
from layerpipe.core.errors import Fault, RecipeError

if TYPE_CHECKING:
    from layerpipe.recipe.reader import RecipeFile


@answers
def bounce(
    recipes: Annotated[list[Path], typer.Argument(metavar="RECIPE...", help="One recipe or several.",
                                                  show_default=False)],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help=(
        "Folder that gets one folder per recipe."))] = Path("bounces"),
    pdf: Annotated[bool, typer.Option("--pdf", help=(
        "Also print the delivery sheet, if a Chromium browser is installed."))] = False,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Bounce stems, layers and the blend, reproducibly.

    A bounce is written completely or not at all.

    JSON: bounces (recipe, folder, manifest as in bounce.json) and refused (recipe, why).
    """
    from layerpipe.jobs.bounce import bounce_all

    terminal = Terminal(as_json=as_json, quiet=quiet)
    files = _read_all(recipes)
    with terminal.progress("bouncing", 1.0) as on_progress:
        outcomes = bounce_all(files, out, pdf=pdf, on_progress=on_progress)
    done = [outcome for outcome in outcomes if outcome.refusal is None]
    for outcome in done if terminal.talks else ():
        terminal.say(_table(outcome.folder, outcome.manifest))
    for outcome in outcomes:
        if outcome.refusal is not None:
            terminal.warn(str(outcome.refusal))
    terminal.document({
        "bounces": [{"recipe": outcome.recipe, "folder": outcome.folder, "manifest": outcome.manifest}
                    for outcome in done],
        "refused": [{"recipe": outcome.recipe, "why": str(outcome.refusal)}
                    for outcome in outcomes if outcome.refusal is not None],
    })
    return max((outcome.refusal.exit_code for outcome in outcomes if outcome.refusal is not None), default=FINE)


def _read_all(recipes: list[Path]) -> list[RecipeFile]:
    """Read several recipes; report the faults of all of them at once."""
    from layerpipe.recipe.reader import read_recipe

    files: list[RecipeFile] = []
    faults: list[Fault] = []
    for recipe in recipes:
        try:
            files.append(read_recipe(recipe))
        except RecipeError as refusal:
            faults += refusal.faults
    if faults:
        raise RecipeError(faults)
    return files


def _table(folder: Path, manifest: dict[str, Any]) -> Any:
    """A bounce for a person."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from layerpipe.cli.terminal import shown
    from layerpipe.core.text import one_line

    lowered = f", everything lowered by {-manifest['lowered_db']:.2f} dB" if manifest["lowered_db"] else ""
    table = Table(title=one_line(f"{folder}{lowered}"), title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    table.add_column("file")
    for heading in ("LUFS", "LRA", "dBTP", "correlation", "mono loss, LU"):
        table.add_column(heading, justify="right")
    for file in manifest["files"]:
        stereo = file["channels"] == 2
        table.add_row(one_line(file["path"]), shown(file["integrated_lufs"]), shown(file["range_lu"]),
                      shown(file["true_peak_dbtp"]), shown(file["correlation"], 2) if stereo else "",
                      shown(file["mono_loss_lu"]) if stereo else "")
    return table
