"""`layerpipe preview`: listening files per section, all versions of one at equal loudness."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers

if TYPE_CHECKING:
    from layerpipe.outputs.preview.write import Listening

BIG_BOOST_DB = 12.0


@answers
def preview(
    recipe: Annotated[Path, typer.Argument(help="A recipe.", show_default=False)],
    section: Annotated[list[str] | None, typer.Option("--section", help='Only this section ("whole song" is one); '
                                                                        "may be given again.")] = None,
    version: Annotated[list[str] | None, typer.Option("--version", help="Only this version (a layer's name, blend, in "
                                                                        "the track); may be given again.")] = None,
    out: Annotated[Path, typer.Option("--out", help="Folder that gets one folder per recipe.")] = Path("previews"),
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Make listening files of each section, equally loud.

    Each layer alone, the blend, and the blend in the track.
    """
    from layerpipe.jobs.preview import preview_song
    from layerpipe.recipe.reader import read_recipe

    terminal = Terminal(as_json=as_json, quiet=quiet)
    file = read_recipe(recipe)
    with terminal.progress("rendering", 1.0) as on_progress:
        made = preview_song(file, out, sections=section or [], versions=version or [], on_progress=on_progress)
    if terminal.talks:
        terminal.say(_table(made))
    loudest = max((one.gain_db for one in made if one.gain_db is not None), default=0.0)
    if loudest > BIG_BOOST_DB:
        terminal.say(f"Raised by up to {loudest:.0f} dB to be equally loud: start with the volume low, "
                     "above all in headphones.")
    terminal.document({"recipe": recipe, "previews": [asdict(one) for one in made]})
    return FINE


def _table(made: list[Listening]) -> Any:
    """What was written, for a person."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from layerpipe.cli.terminal import shown

    folder = next((one.file.parent for one in made if one.file is not None), "")
    table = Table(title=str(folder), title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    table.add_column("file", overflow="fold")
    for heading in ("LUFS", "gain dB", "dBTP", "seconds"):
        table.add_column(heading, justify="right")
    for one in made:
        if one.file is None:
            table.add_row(f"{one.section} - {one.version}: silent here, not written")
        else:
            table.add_row(one.file.name, shown(one.lufs), shown(one.gain_db), shown(one.true_peak_dbtp),
                          shown(one.seconds))
    return table
