"""`layerpipe page`: one HTML file in which the artist sets the levels by ear."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import click

from layerpipe.cli.options import PATH, Amount, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, is_several
from layerpipe.cli.terminal import Terminal


@answers
@songs_argument
@click.option("--section", "--sections", multiple=True, metavar="NAME", help=(
    'Only this section ("whole song" is one); may be given again.'))
@click.option("--seconds", type=Amount(1.0), default=20.0, show_default=True, metavar="SECONDS", help=(
    "Sections longer than this are cut at the last downbeat."))
@click.option("--most-mb", type=Amount(1.0, 1000.0), default=18.0, show_default=True, metavar="MB", help=(
    "Keep the file below this size: shorten sections, then code sound smaller."))
@click.option("--out", "-o", type=PATH, metavar="FILE-or-FOLDER", help=(
    "The file, or with several recipes the folder; pages/RECIPE.html if omitted."))
@song_options
def page(recipes: tuple[Path, ...], section: tuple[str, ...], seconds: float, most_mb: float, out: Path | None,
         jobs: int, cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Make the artist's listening page with level sliders.

    One file that needs no network. Every setting plays equally loud.
    """
    several = is_several(recipes)
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, partial(
        _page, sections=section, seconds=seconds, most_mb=most_mb, out=None if several else out,
        folder=(out if several else None) or Path("pages")), jobs=jobs, cluster=cluster,
        outputs=[out or Path("pages")])


def _page(terminal: Terminal, recipe: Path, *, sections: tuple[str, ...], seconds: float, most_mb: float,
          out: Path | None, folder: Path) -> SongResult:
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
