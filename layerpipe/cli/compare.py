"""`layerpipe compare`: what changed between two bounces, down to the sample."""

from __future__ import annotations

import math
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from layerpipe.cli.options import PATH, answers, output_options
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FAULTY, FINE, Terminal, shown

if TYPE_CHECKING:
    from layerpipe.outputs.verify.compare import Compared, FileChange


@answers
@click.argument("old", metavar="OLD", type=PATH, help="Folder of a bounce, or a recipe.")
@click.argument("new", metavar="NEW", type=PATH, help="Folder of a bounce, or a recipe.")
@click.option("--picture", type=PATH, metavar="FILE", help=(
    "Also draw the residual of each file over time into this SVG file."))
@output_options
def compare(old: Path, new: Path, picture: Path | None, as_json: bool, quiet: bool) -> int:
    """List what changed between two bounces: recipe and sound.

    Exits with 0 if the sound is the same, with 1 if it differs.

    JSON: old, new, verdict (same bytes, same sound, same up to gain, different), recipe and versions (one text a
    change), files (file, verdict, residual_peak_dbfs, residual_rms_dbfs, gain_db, polarity_inverted, offset_frames,
    before, after, sections, problem).
    """
    from layerpipe.core.errors import OutputError
    from layerpipe.core.files.atomic import write_whole
    from layerpipe.jobs.verify import compare_songs
    from layerpipe.outputs.verify.null_test import SAME_BYTES, SAME_SOUND
    from layerpipe.render.pipeline import WORKERS

    terminal = Terminal(as_json=as_json, quiet=quiet)
    with tempfile.TemporaryDirectory(prefix="layerpipe-", ignore_cleanup_errors=True) as room, \
            terminal.progress("comparing", 1.0) as on_progress:
        found, drawing = compare_songs(old, new, Path(room), picture=picture, workers=WORKERS, on_progress=on_progress)
    if picture is not None:
        try:
            picture.parent.mkdir(parents=True, exist_ok=True)
            write_whole(picture, drawing.encode())
        except OSError as refusal:
            raise OutputError(f"{picture}: cannot be written: {refusal.strerror or refusal}") from refusal
    _print(terminal, found)
    terminal.document({"old": old, "new": new, **asdict(found)})
    return FINE if found.verdict in (SAME_BYTES, SAME_SOUND) else FAULTY


def _print(terminal: Terminal, found: Compared) -> None:
    """Print what was found."""
    from layerpipe.outputs.verify.null_test import DIFFERENT

    terminal.say(found.verdict)
    terminal.say("recipe: unchanged" if not found.recipe else "recipe:")
    for line in (*found.recipe, *found.versions):
        terminal.say(f"  {line}")
    table = new_table()
    table.add_column("file", no_wrap=True)
    table.add_column("verdict", min_width=10)
    for heading in ("residual\npeak,\ndBFS", "residual\nRMS,\ndBFS", "LUFS", "LRA", "dBTP"):
        table.add_column(heading, justify="right", min_width=8 if heading.startswith("residual") else None)
    for file in found.files:
        table.add_row(file.file, _verdict(file), shown(file.residual_peak_dbfs),
                      shown(file.residual_rms_dbfs), *_before_and_after(file.before, file.after))
        for part in file.sections if file.verdict == DIFFERENT else ():
            same = part.residual_peak_dbfs == -math.inf
            table.add_row(f"  {part.section}", "same" if same else "", shown(part.residual_peak_dbfs),
                          shown(part.residual_rms_dbfs), *_before_and_after(part.before, part.after))
    terminal.say(table)
    terminal.say("--: not measurable, or nothing to compare with")


def _before_and_after(before: dict[str, float | None] | None, after: dict[str, float | None] | None) -> list[str]:
    """Loudness, range and true peak, before and after if they differ."""
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
    if file.polarity_inverted:
        words.append("polarity inverted")
    if file.offset_frames:
        words.append(f"{abs(file.offset_frames)} samples {'later' if file.offset_frames > 0 else 'earlier'}")
    if file.problem:
        words.append(file.problem)
    return ", ".join(words)
