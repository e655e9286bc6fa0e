"""`layerpipe page`: one HTML file in which the artist sets the levels by ear."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from layerpipe.cli.songs import ClusterOption, JobsOption, SongResult, SongsArgument, answer_songs, is_several
from layerpipe.cli.terminal import JsonOption, QuietOption, Terminal, answers


@answers
def page(
    recipes: SongsArgument,
    section: Annotated[list[str] | None, typer.Option("--section", "--sections", metavar="NAME", help=(
        'Only this section ("whole song" is one); may be given again.'))] = None,
    seconds: Annotated[float, typer.Option(min=1.0, metavar="SECONDS", help=(
        "Sections longer than this are cut at the last downbeat."))] = 20.0,
    most_mb: Annotated[float, typer.Option("--most-mb", min=1.0, max=1000.0, metavar="MB", help=(
        "Keep the file below this size: shorten sections, then code sound smaller."))] = 18.0,
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE-or-FOLDER", help=(
        "The file, or with several recipes the folder; pages/RECIPE.html if omitted."), show_default=False)] = None,
    jobs: JobsOption = 1,
    cluster: ClusterOption = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Make the artist's listening page with level sliders.

    One file that needs no network. Every setting plays equally loud.
    """
    several = is_several(recipes)
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, partial(
        _page, sections=section or [], seconds=seconds, most_mb=most_mb, out=None if several else out,
        folder=(out if several else None) or Path("pages")), jobs=jobs, cluster=cluster,
        outputs=[out or Path("pages")])


def _page(terminal: Terminal, recipe: Path, *, sections: list[str], seconds: float, most_mb: float, out: Path | None,
          folder: Path) -> SongResult:
    """One song."""
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.jobs.page import prepare_page
    from layerpipe.outputs.artist_page import build_page, write_page
    from layerpipe.outputs.artist_page.fit import SizeLimits
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    target = out or folder / f"{recipe.stem}.html"
    refuse_sources([target], sources_of(file))
    limits = SizeLimits(most_bytes=round(most_mb * 1e6))
    with terminal.progress("preparing audio", 1.0) as on_progress:
        fitted = prepare_page(file, sections=sections, seconds=seconds, limits=limits, on_progress=on_progress)
    song, content = fitted.song, build_page(fitted.song)
    write_page(target, content)
    names = ", ".join(part.name for part in song.sections)
    terminal.say(f"wrote {target}: {len(content) / 1e6:.1f} MB, {fitted.bits}-bit sound; {names}")
    for name, asked_s, kept_s in fitted.shortened:
        terminal.say(f"{name}: shortened from {asked_s:.1f} to {kept_s:.1f} s, to stay below {most_mb:g} MB")
    if fitted.bits < limits.most_bits:
        terminal.say(f"sound coded with {fitted.bits} instead of {limits.most_bits} bits, to stay below {most_mb:g} MB")
    if len(content) > limits.most_bytes:
        terminal.warn(f"{target}: {len(content) / 1e6:.1f} MB is more than {most_mb:g} MB; choose fewer sections with "
                      "--section")
    terminal.say(f'Send it to the artist. The answer is read by: layerpipe levels {recipe} --accept "TEXT"')
    caution = "Caution: start with the volume low; ask the artist to do the same."
    terminal.warn(caution)
    return SongResult({
        "recipe": recipe, "file": target, "bytes": len(content), "bits": fitted.bits, "page_id": song.page_id,
        "shortened": [{"section": name, "asked_s": asked_s, "kept_s": kept_s}
                      for name, asked_s, kept_s in fitted.shortened],
        "sections": [{"section": part.name, "seconds": part.frames / song.rate_hz,
                      "loudness_lufs": part.reference_lufs} for part in song.sections],
        "caution": caution,
    }, "written", note=f"{target}, {len(content) / 1e6:.1f} MB")
