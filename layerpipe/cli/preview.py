"""`layerpipe preview`: listening files per section, all versions of a section at equal loudness."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, answers, section_option, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, is_several
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FINE, Terminal, shown

if TYPE_CHECKING:
    from layerpipe.outputs.preview.write import Previews

BIG_BOOST_DB = 12.0
"""From this boost on a listener who has set the volume by other files is warned; ours, no source."""


@answers
@songs_argument
@section_option
@click.option("--version", multiple=True, metavar="NAME", help=(
    'Only this version (a layer\'s name, "blend", "with the track"); may be given again.'))
@click.option("--out", "-o", type=PATH, default=Path("previews"), show_default=True, metavar="FOLDER",
              help="Folder that gets one folder per recipe.")
@click.option("--watch", is_flag=True, help=(
    "Make them again whenever the recipe or one of its files is saved, until Ctrl-C."))
@song_options
def preview(recipes: tuple[Path, ...], section: tuple[str, ...], version: tuple[str, ...], out: Path, watch: bool,
            jobs: int, cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Make listening files of each section, equally loud.

    Each layer alone, the blend, and the blend with the track. Files that an earlier version of the recipe made are
    removed.
    """
    terminal = Terminal(as_json=as_json, quiet=quiet)
    if watch and as_json:
        raise click.BadParameter("prints one document, and --watch never ends; give one of the two",
                                 param_hint="--json")
    if watch and (is_several(recipes) or cluster is not None):
        raise click.BadParameter("watches one recipe on this machine", param_hint="--watch")

    def once() -> int:
        return answer_songs(terminal, recipes, partial(
            _preview, out=out, sections=section, versions=version),
            jobs=jobs, cluster=cluster, outputs=[out])

    if not watch:
        return once()
    from layerpipe.jobs.watch import each_save

    def again() -> None:
        once()
        terminal.say(f"waiting for {recipes[0]} to be saved; Ctrl-C ends")

    try:
        each_save(recipes[0], again, terminal.warn)
    except KeyboardInterrupt:
        terminal.say("")
    return FINE


def _preview(terminal: Terminal, recipe: Path, *, out: Path, sections: tuple[str, ...],
             versions: tuple[str, ...]) -> SongResult:
    """One song."""
    from layerpipe.jobs.preview import preview_song
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    with terminal.progress("rendering", 1.0) as on_progress:
        made = preview_song(file, out, sections=sections, versions=versions, on_progress=on_progress)
    if terminal.talks:
        terminal.say(_table(made))
    for words in _limiter_words(made):
        terminal.say(words)
    for limit in made.limits:
        terminal.say(f"{limit.section}: {limit.lowered_db:.1f} dB quieter than asked ({limit.lufs:.1f} LUFS), because "
                     f'of the peaks of "{limit.version}"' + (
                         f", already limited by {limit.gain_reduction_db:.1f} dB" if limit.gain_reduction_db else ""))
    if made.removed:
        terminal.say(f"removed, of an earlier version of the recipe: {', '.join(path.name for path in made.removed)}")
    caution = _caution(made)
    if caution is not None:
        terminal.warn(caution)
    written = sum(one.file is not None for one in made.files)
    return SongResult({"recipe": recipe, "previews": [asdict(one) for one in made.files],
                       "limits": [asdict(limit) for limit in made.limits], "removed": list(made.removed),
                       "caution": caution}, "written", note=f"{written} files in {out / file.path.stem}")


def _limiter_words(made: Previews) -> list[str]:
    """Which versions of a section are limited, and by how much."""
    sections = dict.fromkeys(one.section for one in made.files)
    limited = {name: [f'"{one.version}" by up to {one.gain_reduction_db:.1f} dB' for one in made.files
                      if one.section == name and round(one.gain_reduction_db, 1) > 0] for name in sections}
    return [f"{name}: peaks limited, {', '.join(found)}" for name, found in limited.items() if found]


def _caution(made: Previews) -> str | None:
    """A warning where files were raised a lot."""
    boost_db = max((one.gain_db for one in made.files if one.gain_db is not None), default=0.0)
    if boost_db <= BIG_BOOST_DB:
        return None
    return (f"caution: raised by up to {boost_db:.0f} dB to be equally loud; start with the volume low, above all in "
            "headphones")


def _table(made: Previews) -> Any:
    """What was written, for a person."""
    folder = next((one.file.parent for one in made.files if one.file is not None), "")
    table = new_table(str(folder))
    table.add_column("file", overflow="fold")
    for heading in ("LUFS", "gain applied, dB", "dBTP", "seconds"):
        table.add_column(heading, justify="right")
    for one in made.files:
        if one.file is None:
            table.add_row(f"{one.section} - {one.version}: silent here, not written")
        else:
            table.add_row(one.file.name, shown(one.lufs), shown(one.gain_db), shown(one.true_peak_dbtp),
                          shown(one.seconds))
    return table
