"""`layerpipe compare`: what changed between two bounces, down to the sample."""

from __future__ import annotations

import math
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers, shown

if TYPE_CHECKING:
    from layerpipe.outputs.verify.compare import Compared, FileChange


@answers
def compare(
    old: Annotated[Path, typer.Argument(help="Folder of a bounce, or a recipe.", show_default=False)],
    new: Annotated[Path, typer.Argument(help="Folder of a bounce, or a recipe.", show_default=False)],
    picture: Annotated[Path | None, typer.Option("--picture", show_default=False, help=(
        "Also draw what is left of each file over time into this SVG file."))] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Say what changed between two bounces: recipe and sound.

    Exits with 0 for the same sound, 1 if it differs.
    """
    from layerpipe.core.errors import OutputError
    from layerpipe.core.files.atomic import write_whole
    from layerpipe.jobs.verify import compare_songs
    from layerpipe.outputs.verify.null_test import SAME_BYTES, SAME_SOUND
    from layerpipe.render.pipeline import WORKERS

    terminal = Terminal(as_json=as_json, quiet=quiet)
    if picture is not None and picture.suffix.lower() != ".svg":
        raise OutputError(f"{picture}: pictures are drawn as SVG; give a name that ends in .svg")
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as room, terminal.progress("comparing", 1.0) as on_progress:
        found, drawing = compare_songs(old, new, Path(room), workers=WORKERS, on_progress=on_progress)
    if picture is not None:
        try:
            picture.parent.mkdir(parents=True, exist_ok=True)
            write_whole(picture, drawing.encode())
        except OSError as refusal:
            raise OutputError(f"{picture}: cannot be written: {refusal.strerror or refusal}") from refusal
    _tell(terminal, found)
    terminal.document({"old": old, "new": new, **asdict(found)})
    return FINE if found.verdict in (SAME_BYTES, SAME_SOUND) else FAULTY


def _tell(terminal: Terminal, found: Compared) -> None:
    """What was found, for a person."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    from layerpipe.outputs.verify.null_test import DIFFERENT

    terminal.say(f"{found.verdict}")
    terminal.say("recipe: nothing changed" if not found.recipe else "recipe:")
    for line in (*found.recipe, *found.versions):
        terminal.say(f"  {line}")
    table = Table(box=SIMPLE_HEAD)
    table.add_column("file", no_wrap=True)
    table.add_column("verdict", min_width=9)
    for heading in ("left, peak dBFS", "rms", "LUFS", "LRA", "dBTP"):
        table.add_column(heading, justify="right")
    for file in found.files:
        table.add_row(file.file, _verdict(file), shown(file.residual_peak_dbfs), shown(file.residual_rms_dbfs),
                      *_figures(file.before, file.after))
        for part in file.sections if file.verdict == DIFFERENT else ():
            same = part.residual_peak_dbfs == -math.inf
            table.add_row(f"  {part.section}", "same here" if same else "", shown(part.residual_peak_dbfs),
                          shown(part.residual_rms_dbfs), *_figures(part.before, part.after))
    terminal.say(table)


def _figures(before: dict[str, float | None] | None, after: dict[str, float | None] | None) -> list[str]:
    """Loudness, range and true peak, before and after where they differ."""
    words = []
    for key in ("integrated_lufs", "range_lu", "true_peak_dbtp"):
        was, now = (shown(None if side is None else side.get(key)) for side in (before, after))
        words.append(now if was == now else f"{was} -> {now}")
    return words


def _verdict(file: FileChange) -> str:
    """A verdict with gain and offset in words."""
    words = [file.verdict]
    if file.gain_db:
        words.append(f"{file.gain_db:+.2f} dB")
    if file.polarity_flipped:
        words.append("polarity flipped")
    if file.offset_frames:
        words.append(f"{abs(file.offset_frames)} frames {'later' if file.offset_frames > 0 else 'earlier'}")
    if file.problem:
        words.append(file.problem)
    return ", ".join(words)
