"""`layerpipe timing`: how tight each take is, the few moves worth making, what to play again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layerpipe.cli.terminal import FAULTY, FINE, JsonOption, QuietOption, Terminal, answers, shown

if TYPE_CHECKING:
    from layerpipe.analysis.timing.align import Strum
    from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
    from layerpipe.analysis.timing.tightness import Figures, Pair
    from layerpipe.recipe.change import Change
    from layerpipe.recipe.reader import RecipeFile


@answers
def timing(
    recipe: Annotated[Path, typer.Argument(help="A recipe.", show_default=False)],
    write: Annotated[bool, typer.Option("--write", help="Write the proposed moves into the recipe, each with a comment "
                                                        "of why, after showing them.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the moves out that --write wrote; those written by hand "
                                                      "stay.")] = False,
    after: Annotated[bool, typer.Option("--after", help="Listen to the takes with the recipe's moves played.")] = False,
    picture: Annotated[Path | None, typer.Option("--picture", help="Draw every strum against the grid, before and "
                                                                   "after; .png or .svg.")] = None,
    listen: Annotated[Path | None, typer.Option("--listen", help="Folder for short files of the repaired places: "
                                                                 "two beats around each joint, before, then after."),
                     ] = None,
    as_json: JsonOption = False,
    quiet: QuietOption = False,
) -> int:
    """Tell how tight each take is, and the few moves worth making.

    What is too loose for moves is named, to be played again. Exits with 1 if something should be played again.
    """
    if write and undo:
        raise typer.BadParameter("puts moves in, --undo takes them out; give one", param_hint="--write")
    if picture is not None and picture.suffix.casefold() not in (".png", ".svg"):
        raise typer.BadParameter(f'"{picture.name}" must end in .png or .svg', param_hint="--picture")
    from layerpipe.recipe.reader import read_recipe

    terminal = Terminal(as_json=as_json, quiet=quiet)
    if undo:
        from layerpipe.recipe.edits import remove_moves

        _write(terminal, remove_moves(recipe), "there are no moves that --write wrote")
    file = read_recipe(recipe)
    from layerpipe.analysis.timing.song_timing import time_song

    with terminal.progress("listening", 1.0) as on_progress:
        song = time_song(file.recipe, after=after, on_progress=on_progress)
    _say(terminal, song, file)
    if picture is not None:
        from layerpipe.outputs.timing.plot import draw_timing

        draw_timing(song, file.recipe, picture)
        terminal.say(f"{picture}: drawn")
    if listen is not None:
        from layerpipe.outputs.timing.audition import write_repairs

        made = write_repairs(song, listen)
        terminal.say(f"{listen}: {len(made)} files, each as it was and then as it would be" if made else
                     "nothing is moved, so there is nothing to listen to")
    if write:
        _write(terminal, _with_moves(file, song), "no moves are proposed, nothing was written")
    terminal.document(_document(song, file))
    return FAULTY if any(take.rerecord for take in song.takes) else FINE


def _with_moves(file: RecipeFile, song: SongTiming) -> Change | None:
    """The recipe with all proposed moves; None if there are none."""
    from layerpipe.recipe.edits import NewMove, add_moves

    change: Change | None = None
    for take in song.takes:
        if take.moves:
            new = [NewMove(move.from_s, move.to_s, move.by_ms, move.why,
                           None if move.crossfade_ms == 5.0 else move.crossfade_ms) for move in take.moves]
            change = add_moves(change or file.path, take.open.layer.name, take.open.take.name, new)
    return change


def _write(terminal: Terminal, change: Change | None, otherwise: str) -> None:
    """Show a change, then write it; with --json the diff goes to stderr."""
    if change is None or change.is_empty:
        terminal.say(otherwise)
        return
    if terminal.as_json and not terminal.quiet:
        terminal.warn(change.diff)
    terminal.say(change.diff)
    change.write()
    terminal.say(f"{change.path}: written")


def _say(terminal: Terminal, song: SongTiming, file: RecipeFile) -> None:
    """Everything, for a person."""
    if terminal.as_json or terminal.quiet:
        return
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(title=f"{file.recipe.song.title}: takes", title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    for heading in ("take", "strums", "feel ms", "scatter ms", "verdict"):
        table.add_column(heading, justify="left" if heading in ("take", "verdict") else "right", overflow="fold")
    for take in song.takes:
        table.add_row(take.name, str(len(take.placed.strums)), shown(take.placed.average_offset_ms),
                      shown(take.placed.scatter_ms), take.verdict or "cannot be told")
    terminal.say(table)
    if song.pairs:
        terminal.say(_pair_table(song))
    for note in song.notes:
        terminal.say(f"note: {note}")
    for take in song.takes:
        for move in take.moves:
            terminal.say(f"{take.name}: {move.why}  ({move.from_s:.3f} to {move.to_s:.3f} s, {move.by_ms:+.1f} ms)")
            if move.heard:
                terminal.say(f"  listen to it: {move.heard}")
        for again in take.rerecord:
            first, last = again.bars
            terminal.say(f"play again, {take.name}, bar{'s' if last > first else ''} {first}"
                         f"{f' to {last}' if last > first else ''}: {again.why}")


def _pair_table(song: SongTiming) -> Any:
    """Pairs, now and after the moves."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    moved = any(take.moves for take in song.takes)
    table = Table(title="how far apart, ms", title_justify="left", title_style="bold", box=SIMPLE_HEAD)
    for heading in ("takes", "", "median", "95 %", "in 5", "10", "20", "30", "as one"):
        table.add_column(heading, justify="left" if heading in ("takes", "") else "right", overflow="fold")
    for now, then in zip(song.pairs, song.pairs_moved, strict=True):
        table.add_row(now.takes[0], "now" if moved else "", *_cells(now))
        table.add_row(now.takes[1], *(("moved", *_cells(then)) if moved and then != now else ()), end_section=True)
    return table


def _cells(pair: Pair) -> list[str]:
    """A pair's figures as a table shows them."""
    shares = [f"{100 * share:.0f} %" for share in pair.within.values()] if pair.strums else ["--"] * 4
    return [shown(pair.median_ms), shown(pair.p95_ms), *shares, shown(pair.as_one, 2)]


def _document(song: SongTiming, file: RecipeFile) -> dict[str, Any]:
    """Everything, for a program."""
    return {
        "recipe": file.path,
        "tempo": {"recipe": file.recipe.song.tempo, "likely": song.likely_tempo},
        "takes": [_take(take) for take in song.takes],
        "pairs": [_pair(pair) for pair in song.pairs],
        "pairs_after_moves": [_pair(pair) for pair in song.pairs_moved],
        "notes": list(song.notes),
    }


def _take(take: TakeTiming) -> dict[str, Any]:
    """A take's part of the document."""
    placed = take.placed
    return {
        "layer": take.open.layer.name, "take": take.open.take.name, "file": take.open.take.file,
        "onsets": [_onset(strum) for strum in placed.strums],
        "average_offset_ms": _rounded(placed.average_offset_ms, 2), "scatter_ms": _rounded(placed.scatter_ms, 2),
        "verdict": take.verdict,
        "moves": [{"from_s": move.from_s, "to_s": move.to_s, "by_ms": move.by_ms, "why": move.why,
                   "crossfade_ms": move.crossfade_ms, "joint_problem": move.heard or None, "strums": len(move.strums)}
                  for move in take.moves],
        "rerecord": [{"bars": list(again.bars), "why": again.why} for again in take.rerecord],
        "after_moves": {"average_offset_ms": _rounded(take.moved.average_offset_ms, 2),
                        "scatter_ms": _rounded(take.moved.scatter_ms, 2)},
        "bars": [_figures(one) for one in take.bars],
        "sections": [_figures(one) for one in take.sections],
    }


def _onset(strum: Strum) -> dict[str, Any]:
    """An onset's part of the document."""
    return {"at_s": round(strum.onset.at_s, 6), "sure": round(strum.onset.sure, 3),
            "place": strum.spot.text if strum.spot else None, "off_ms": _rounded(strum.off_ms, 2),
            "level_dbfs": round(strum.onset.level_db, 1), "swell_ms": round(1000 * strum.later_s, 1)}


def _figures(one: Figures) -> dict[str, Any]:
    """Figures of a bar or section."""
    return {"name": one.name, "bars": list(one.bars), "strums": one.strums, "off_ms": _rounded(one.off_ms, 2),
            "scatter_ms": _rounded(one.scatter_ms, 2)}


def _pair(pair: Pair) -> dict[str, Any]:
    """A pair's part of the document."""
    return {"takes": list(pair.takes), "strums": pair.strums, "lag_ms": _rounded(pair.lag_ms, 2),
            "median_ms": _rounded(pair.median_ms, 2), "p95_ms": _rounded(pair.p95_ms, 2),
            **{f"within_{limit}_ms": _rounded(share, 4) for limit, share in pair.within.items()},
            "as_one": _rounded(pair.as_one, 3)}


def _rounded(value: float | None, places: int) -> float | None:
    """Rounded for reading, where there is a figure."""
    return None if value is None else round(value, places) + 0.0
