"""`layerpipe page`: one HTML file in which the artist sets the levels by ear."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from layerpipe.cli.terminal import FINE, JsonOption, QuietOption, Terminal, answers


@answers
def page(
    recipe: Annotated[Path, typer.Argument(help="A recipe.", show_default=False)],
    section: Annotated[list[str] | None, typer.Option("--section", "--sections", help=(
        "Only this section; may be given again."))] = None,
    seconds: Annotated[float, typer.Option(min=1.0, max=120.0, help=(
        "Longer sections end at the last downbeat inside it."))] = 20.0,
    out: Annotated[Path | None, typer.Option("--out", help="The file; sheets/RECIPE.html if left out.",
                                             show_default=False)] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Make the artist's page, which plays while levels are slid.

    One file that holds everything; all settings are equally loud.
    """
    from layerpipe.jobs.page import prepare_page
    from layerpipe.outputs.artist_page import build_page, write_page
    from layerpipe.outputs.artist_page.build import MOST_BYTES
    from layerpipe.recipe.reader import read_recipe

    terminal = Terminal(as_json=as_json, quiet=quiet)
    file = read_recipe(recipe)
    with terminal.progress("gathering the sound", 1.0) as on_progress:
        song, bits = prepare_page(file, sections=section or [], seconds=seconds, on_progress=on_progress)
    page = build_page(song)
    target = out or Path("sheets") / f"{recipe.stem}.html"
    write_page(target, page)
    size_mb = len(page) / 1e6
    names = ", ".join(part.name for part in song.sections)
    terminal.say(f"{target}: {size_mb:.1f} MB, {bits}-bit sound; {names}. Send it to the artist; what comes back goes "
                 f"to layerpipe levels {recipe} --accept")
    if len(page) > MOST_BYTES:
        terminal.warn(f"{target}: {size_mb:.1f} MB is a lot to mail; --seconds and --section shorten it")
    terminal.document({
        "recipe": recipe, "file": target, "bytes": len(page), "bits": bits,
        "sections": [{"section": part.name, "seconds": part.frames / song.rate_hz,
                      "loudness_lufs": part.reference_lufs} for part in song.sections],
    })
    return FINE
