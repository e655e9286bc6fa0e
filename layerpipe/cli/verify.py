"""`layerpipe verify`: is every file still what was bounced."""

from __future__ import annotations

import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers

if TYPE_CHECKING:
    from layerpipe.outputs.verify.verdicts import Verified


@answers
def verify(
    bounce: Annotated[Path, typer.Argument(help="Folder of a bounce.", show_default=False)],
    sources: Annotated[bool, typer.Option("--sources", help="Also hold the takes to what was bounced.")] = False,
    again: Annotated[bool, typer.Option("--again", help="Also render the recipe inside anew and compare.")] = False,
    recipe: Annotated[Path | None, typer.Option("--recipe", show_default=False, help=(
        "Where the recipe lies from which this was bounced, if its takes are not found."))] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Look whether a bounce still is what was bounced.

    Every file's digest, header and loudness, and the sum of the layers. Exits with 1 if something is changed.
    """
    from layerpipe.jobs.verify import verify_again, verify_song
    from layerpipe.outputs.verify.opened_bounce import open_bounce
    from layerpipe.outputs.verify.verdicts import AS_BOUNCED
    from layerpipe.render.pipeline import WORKERS

    terminal = Terminal(as_json=as_json, quiet=quiet)
    opened = open_bounce(bounce)
    with terminal.progress("verifying", 1.0) as on_progress:
        found = verify_song(opened, sources=sources, recipe=recipe, workers=WORKERS, on_progress=on_progress)
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as room, terminal.progress("rendering", 1.0) as on_progress:
        found = verify_again(found, opened, Path(room), wanted=again, recipe=recipe, on_progress=on_progress)
    _tell(terminal, bounce, found)
    terminal.document({"bounce": bounce, **asdict(found)})
    return FINE if found.verdict == AS_BOUNCED else FAULTY


def _tell(terminal: Terminal, bounce: Path, found: Verified) -> None:
    """What was found, for a person."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(title=f"{bounce}: {found.verdict}", title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    for heading in ("file", "verdict", "what is different"):
        table.add_column(heading, overflow="fold")
    for file in found.files:
        table.add_row(file.file, file.verdict, _difference(file))
    terminal.say(table)
    words = {True: "the layers add up to the blend, to the bit", None: "the layers cannot be added up",
             False: "the layers do not add up to the blend"}
    terminal.say(words[found.sum.agrees] + ("" if found.sum.first_different_frame is None
                                            else f", from frame {found.sum.first_different_frame} on"))
    if found.sources is not None:
        for source in found.sources:
            terminal.say(f"take {source.layer}, {source.take} ({source.file}): {source.verdict}")
    if found.again is not None:
        odd = [file for file in found.again if file.verdict != "as bounced"]
        terminal.say("rendered anew: every file comes out the same" if not odd else "rendered anew:")
        for file in odd:
            terminal.say(f"  {file.file}: {_difference(file)}")
    for remark in found.remarks:
        terminal.say(remark)


def _difference(file: Any) -> str:
    """Problems, place and size of a difference in one line."""
    words = list(file.problems)
    if file.first_different_frame is not None:
        words.append(f"differs from frame {file.first_different_frame} on, by up to "
                     f"{file.largest_difference_dbfs:.1f} dBFS")
    return "; ".join(words)
