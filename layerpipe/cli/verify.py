"""`layerpipe verify`: check that a bounce is unchanged."""

from __future__ import annotations

import tempfile
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from layerpipe.cli.options import PATH, answers, jobs_option, output_options
from layerpipe.cli.songs import BOUNCES, SongResult, answer_songs
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FAULTY, FINE, Terminal

if TYPE_CHECKING:
    from layerpipe.outputs.verify.verdicts import FileVerdict, Verified


@answers
@click.argument("bounces", metavar="BOUNCE...", nargs=-1, required=True, type=PATH, help=(
    "Bounces, folders of bounces, or .txt files that list one path a line."))
@click.option("--sources", is_flag=True, help="Also check the source takes against the checksums.")
@click.option("--render", is_flag=True, help=(
    "Also re-render from the enclosed recipe, without the cache, and compare."))
@click.option("--recipe", type=PATH, metavar="FILE", help="Original recipe, if its takes cannot be found.")
@jobs_option
@output_options
def verify(bounces: tuple[Path, ...], sources: bool, render: bool, recipe: Path | None, jobs: int, as_json: bool,
           quiet: bool) -> int:
    """Check that a bounce is unchanged.

    Checks the checksum, header and loudness of every file, and the sum of the layers. Exits with 1 if anything changed.

    JSON: bounce, verdict (unchanged, changed, missing, extra), files (file, verdict, first_different_frame,
    largest_difference_dbfs, problems), sum (agrees, ...), sources and rerender (null unless asked for), remarks. Of
    several: songs (these of each, and exit_code; or refused).
    """
    if recipe is not None and not BOUNCES.is_one(bounces):
        raise click.BadParameter("is the recipe of one bounce; give that alone", param_hint="--recipe")
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), bounces, partial(
        _verify, sources=sources, render=render, recipe=recipe), jobs=jobs, named=BOUNCES)


def _verify(terminal: Terminal, bounce: Path, *, sources: bool, render: bool, recipe: Path | None) -> SongResult:
    """One bounce."""
    from layerpipe.jobs.verify import verify_render, verify_song
    from layerpipe.outputs.verify.opened_bounce import open_bounce
    from layerpipe.outputs.verify.verdicts import UNCHANGED
    from layerpipe.render.pipeline import WORKERS

    opened = open_bounce(bounce)
    with terminal.progress("verifying", 1.0) as on_progress:
        found = verify_song(opened, sources=sources, recipe=recipe, workers=WORKERS, on_progress=on_progress)
    with tempfile.TemporaryDirectory(prefix="layerpipe-", ignore_cleanup_errors=True) as room, \
            terminal.progress("rendering", 1.0) as on_progress:
        found = verify_render(found, opened, Path(room), wanted=render, recipe=recipe, on_progress=on_progress)
    _print(terminal, bounce, found)
    return SongResult({"bounce": bounce, **asdict(found)}, found.verdict,
                      FINE if found.verdict == UNCHANGED else FAULTY, ", ".join(
                          file.file for file in found.files if file.verdict != UNCHANGED))


def _print(terminal: Terminal, bounce: Path, found: Verified) -> None:
    """Print what was found."""
    from layerpipe.outputs.settings_text import take_words
    from layerpipe.outputs.verify.verdicts import UNCHANGED

    table = new_table(f"{bounce}: {found.verdict}")
    for heading in ("file", "verdict", "difference"):
        table.add_column(heading, overflow="fold")
    for file in found.files:
        table.add_row(file.file, file.verdict, _difference(file))
    terminal.say(table)
    words = {True: "the layers sum bit-exactly to the blend", None: "the layers cannot be summed",
             False: "the layers do not sum to the blend"}
    terminal.say(words[found.sum.agrees] + ("" if found.sum.first_different_frame is None
                                            else f": differs from sample {found.sum.first_different_frame} on"))
    for source in found.sources or ():
        terminal.say(f"take {take_words(source.layer, source.take)} ({source.file}): {source.verdict}")
    if found.rerender is not None:
        different = [file for file in found.rerender if file.verdict != UNCHANGED]
        terminal.say("re-rendered: every file is the same" if not different else "re-rendered:")
        for file in different:
            terminal.say(f"{file.file}: {_difference(file)}")
    for remark in found.remarks:
        terminal.say(remark)


def _difference(file: FileVerdict) -> str:
    """Problems, place and size of a difference on one line."""
    words = list(file.problems)
    if file.first_different_frame is not None:
        words.append(f"differs from sample {file.first_different_frame} on, by up to "
                     f"{file.largest_difference_dbfs:.1f} dBFS")
    return "; ".join(words)
