"""`layerpipe bounce`: stems, layers, blend, delivery sheet, manifest."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import click

from layerpipe.cli.options import PATH, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import Terminal, shown


@answers
@songs_argument
@click.option("--out", "-o", type=PATH, default=Path("bounces"), show_default=True, metavar="FOLDER",
              help="Folder that gets one folder per recipe.")
@click.option("--continue", "resume", is_flag=True, help=(
    "Skip recipes whose bounce is already what they say, by the checksums of recipe, takes and outputs."))
@click.option("--pdf", is_flag=True, help="Also print the delivery sheet, if a Chromium browser is installed.")
@song_options
def bounce(recipes: tuple[Path, ...], out: Path, resume: bool, pdf: bool, jobs: int, cluster: str | None,
           as_json: bool, quiet: bool) -> int:
    """Bounce stems, layers and the blend, reproducibly.

    A bounce is written completely or not at all. A recipe that is refused stops no other.

    JSON of one recipe: bounces (recipe, folder, manifest as in bounce.json; skipped with --continue). Of several:
    songs (recipe, verdict, exit_code, folder, manifest, skipped; or refused and faults).
    """
    from layerpipe.jobs.bounce import refuse_shared_folders

    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, partial(
        _bounce, out=out, resume=resume, pdf=pdf), jobs=jobs, cluster=cluster, outputs=[out],
        refuse=lambda songs: refuse_shared_folders(songs, out), alone=lambda made: {"bounces": [made], "refused": []})


def _bounce(terminal: Terminal, recipe: Path, *, out: Path, resume: bool, pdf: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.bounce import bounce_into
    from layerpipe.recipe.reader import read_recipe

    with terminal.progress("bouncing", 1.0) as on_progress:
        folder, manifest = bounce_into(read_recipe(recipe), out, resume=resume, pdf=pdf, on_progress=on_progress)
    document = {"recipe": recipe, "folder": folder, "manifest": manifest, "skipped": manifest is None}
    if manifest is None:
        terminal.say(f"{folder}: skipped, it is already what the recipe says")
        return SongResult(document, "skipped", note=str(folder))
    if terminal.talks:
        terminal.say(_table(folder, manifest))
    return SongResult(document, "bounced", note=str(folder))


def _table(folder: Path, manifest: dict[str, Any]) -> Any:
    """A bounce for a person."""
    lowered = f", everything lowered by {-manifest['lowered_db']:.2f} dB" if manifest["lowered_db"] else ""
    table = new_table(f"{folder}{lowered}")
    table.add_column("file")
    for heading in ("LUFS", "LRA", "dBTP", "correlation", "mono loss, LU"):
        table.add_column(heading, justify="right")
    for file in manifest["files"]:
        stereo = file["channels"] == 2
        table.add_row(file["path"], shown(file["integrated_lufs"]), shown(file["range_lu"]),
                      shown(file["true_peak_dbtp"]), shown(file["correlation"], 2) if stereo else "",
                      shown(file["mono_loss_lu"]) if stereo else "")
    return table
