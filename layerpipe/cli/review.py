"""`layerpipe review`: one page in which the engineer hears every finding and accepts what is better."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, Amount, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, is_several
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FAULTY, FINE, Terminal

if TYPE_CHECKING:
    from layerpipe.outputs.review.finding import ReviewFinding
    from layerpipe.outputs.review.model import ReviewSong

MOST_ROWS = 20


@answers
@songs_argument
@click.option("--most-mb", type=Amount(1.0, 1000.0), default=10.0, show_default=True, metavar="MB", help=(
    "Keep the file below this size: the worst findings get their sound first."))
@click.option("--out", "-o", type=PATH, metavar="FILE-or-FOLDER", help=(
    "The file, or with several recipes the folder; reviews/RECIPE.html if omitted."))
@click.option("--accept", metavar="LINE", help=(
    "Show what the line of the page changes in the recipe, ask, and write it."))
@click.option("--yes", is_flag=True, help="With --accept: write without asking.")
@click.option("--undo", is_flag=True, help=(
    "Put the recipe back to what it was before the last accepted change. Nothing is measured."))
@song_options
def review(recipes: tuple[Path, ...], most_mb: float, out: Path | None, accept: str | None, yes: bool, undo: bool,
           jobs: int, cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Make the engineer's page of findings to hear and accept.

    Lists what check, timing, choose and levels find, worst first. Each place is heard in a loop, as recorded and as
    proposed, alone, with its double or in the blend, equally loud. What is accepted comes back as one line for
    --accept. layerpipe share --review serves the same page with all of its sound.

    Exits with 1 if anything is to be re-recorded.
    """
    terminal = Terminal(as_json=as_json, quiet=quiet)
    if accept is not None or undo:
        option = "--accept" if accept is not None else "--undo"
        if accept is not None and undo:
            raise click.BadParameter("writes a change, --undo takes it back; give one of them", param_hint="--accept")
        if is_several(recipes):
            raise click.BadParameter("belongs to one recipe; give that", param_hint=option)
        return accept_line(terminal, recipes[0], accept, ask=not yes) if accept is not None else _undo(
            terminal, recipes[0])
    several = is_several(recipes)
    return answer_songs(terminal, recipes, partial(
        _review, most_mb=most_mb, out=None if several else out, folder=(out if several else None) or Path("reviews")),
        jobs=jobs, cluster=cluster, outputs=[out or Path("reviews")])


def _review(terminal: Terminal, recipe: Path, *, most_mb: float, out: Path | None, folder: Path) -> SongResult:
    """One song."""
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.jobs.review import document_of, find_review, prepare_review
    from layerpipe.outputs.artist_page.page import write_page
    from layerpipe.outputs.review.page import MARK, build_page
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    target = out or folder / f"{recipe.stem}.html"
    refuse_sources([target], sources_of(file))
    with terminal.progress("listening", 1.0) as on_progress:
        found = find_review(file, on_progress=lambda share: on_progress(0.8 * share))
        song = prepare_review(found, most_bytes=round(most_mb * 1e6) - _besides(len(found.findings)),
                              on_progress=lambda share: on_progress(0.2 * share))
    content = build_page(song, recipe.name)
    write_page(target, content, MARK)
    _say(terminal, song)
    terminal.say(f"wrote {target}: {len(content) / 1e6:.1f} MB")
    if song.silent or song.without_blend:
        terminal.say(f"to stay below {most_mb:g} MB, {song.silent} of {len(song.items)} findings have no sound and "
                     f"{song.without_blend} are not heard in the blend; see --most-mb, or layerpipe share --review")
    terminal.say(f'What is accepted on the page is written by: layerpipe review {recipe} --accept "LINE"')
    terminal.warn("Caution: start with the volume low, above all in headphones.")
    findings = [item.finding for item in song.items]
    verdict = "re-record" if any(one.verdict == "re-record" for one in findings) else (
        "changes proposed" if any(item.diff for item in song.items) else "review" if findings else "OK")
    return SongResult({"recipe": recipe, "file": target, "bytes": len(content), "page_id": song.page_id,
                       "findings": document_of(song)}, verdict, FAULTY if verdict == "re-record" else FINE,
                      f"{len(findings)} finding{'s' if len(findings) != 1 else ''}")


def _besides(findings: int) -> int:
    """Room for everything that is not sound, bytes."""
    return 60_000 + 4_000 * findings


def _say(terminal: Terminal, song: ReviewSong) -> None:
    """The findings, for a person."""
    if not terminal.talks or not song.items:
        return
    table = new_table(f"{song.title}: findings", pad_edge=False)
    table.add_column("", justify="right")
    for heading in ("where", "what"):
        table.add_column(heading, overflow="fold", ratio=1)
    table.add_column("proposed", overflow="fold", ratio=1)
    for number, item in enumerate(song.items[:MOST_ROWS], start=1):
        table.add_row(str(number), _where(item.finding), item.finding.text,
                      item.finding.advice if item.diff else "re-record" if item.finding.verdict == "re-record" else "")
    terminal.say(table)
    if len(song.items) > MOST_ROWS:
        terminal.say(f"and {len(song.items) - MOST_ROWS} more; the page and --json list all")


def _where(finding: ReviewFinding) -> str:
    """Take and place."""
    return f"{finding.name}, {finding.where}" if finding.where else finding.name


def accept_line(terminal: Terminal, recipe: Path, line: str, *, ask: bool) -> int:
    """Show what was accepted, and write it; the exit code."""
    from layerpipe.jobs.review import change_of_line
    from layerpipe.jobs.review_change import undo_path, write_undoably
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    with terminal.progress("listening", 1.0) as on_progress:
        findings, change = change_of_line(file, line, on_progress=on_progress)
    for one in findings:
        terminal.say(f"{_where(one)}: {one.text}; {one.advice}")
    changed = write_undoably(change, lambda change: terminal.show_and_write(change, ask=ask))
    if changed:
        terminal.say(f"layerpipe review {recipe} --undo takes it back; the text before is in {undo_path(recipe)}")
    terminal.document({"recipe": file.path, "changed": changed,
                       "accepted": [_document(one) for one in findings]})
    return FINE if changed or change.is_empty else FAULTY


def _document(finding: ReviewFinding) -> dict[str, Any]:
    """An accepted finding, for a program."""
    return {"source": finding.source, "kind": finding.kind, "layer": finding.layer, "take": finding.take or None,
            "place": finding.where or None, "text": finding.text, "advice": finding.advice}


def _undo(terminal: Terminal, recipe: Path) -> int:
    """Put the recipe back."""
    from layerpipe.jobs.review_change import change_of_undo, forget_undone

    change = change_of_undo(recipe)
    undone = terminal.show_and_write(change, otherwise="" if change else "nothing was written by review")
    if undone:
        forget_undone(recipe)
    terminal.document({"recipe": recipe, "undone": undone})
    return FINE
