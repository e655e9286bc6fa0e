"""`layerpipe timing`: how tight each take is, a few edits worth making, what to re-record."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from layerpipe.cli.options import PATH, answers, song_options, songs_argument
from layerpipe.cli.songs import SongResult, answer_songs, beside, is_several
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import CAUTION, FAULTY, FINE, Terminal, shown

if TYPE_CHECKING:
    from layerpipe.analysis.sustained.compare import PhraseLag
    from layerpipe.analysis.sustained.kinds import HeardKind
    from layerpipe.analysis.timing.grid.aligned import AlignedOnset
    from layerpipe.analysis.timing.song_timing import SongTiming, TakeTiming
    from layerpipe.analysis.timing.tightness import OffsetSummary, TakePair
    from layerpipe.recipe.reader import RecipeFile


@answers
@songs_argument
@click.option("--write", is_flag=True, help=(
    "Write the proposed shifts and moves into the recipe, each with a comment that says why, after showing them."))
@click.option("--undo", is_flag=True, help=(
    "Remove shifts and moves written by --write; keep manual ones. Nothing is measured."))
@click.option("--after", is_flag=True, help="Analyse the takes with the recipe's moves applied.")
@click.option("--picture", type=PATH, metavar="FILE", help=(
    "Draw every onset against the grid, before and after the edits; .png or .svg."))
@click.option("--listen", type=PATH, metavar="FOLDER", help=(
    "Folder for short files of the edited spots: two beats around each edit, before, then after."))
@song_options
def timing(recipes: tuple[Path, ...], write: bool, undo: bool, after: bool, picture: Path | None,
           listen: Path | None, jobs: int, cluster: str | None, as_json: bool, quiet: bool) -> int:
    """Measure the timing of each take and propose a few edits.

    Offset: how much later a take is than its doubles over the whole song (earlier when negative). One shift of the
    whole take mends it; a drift needs moves of phrases, or a new take.
    Takes of voices, bowed strings and winds are compared phrase by phrase with the first take of their layer, the lead;
    a phrase counts as out of place from 30 ms on. A layer's kind is found by listening unless the recipe says it.
    Average offset: how late a take usually is against the grid (early when negative); this is style and is kept.
    Spread: how much its onsets vary around that (robust standard deviation). "Sounds as one", 0 to 1: two
    onsets count fully up to 10 ms apart and not at all from 40 ms on.

    Passages too loose to edit are listed for re-recording. "Unknown" is a take of which too little is heard.
    Exits with 1 if anything is to be re-recorded.
    """
    if write and undo:
        raise click.BadParameter("writes edits, --undo removes them; give one of them", param_hint="--write")
    if undo and (after or picture is not None or listen is not None):
        raise click.BadParameter("measures nothing, so it takes no --after, --picture or --listen", param_hint="--undo")
    if picture is not None and picture.suffix.casefold() not in (".png", ".svg"):
        raise click.BadParameter(f'"{picture.name}" must end in .png or .svg', param_hint="--picture")
    several = is_several(recipes)
    song = _undo if undo else partial(_timing, write=write, after=after, picture=picture, listen=listen,
                                      several=several)
    return answer_songs(Terminal(as_json=as_json, quiet=quiet), recipes, song, jobs=jobs, cluster=cluster,
                        outputs=[place for place in (picture and picture.parent, listen) if place is not None])


def _timing(terminal: Terminal, recipe: Path, *, write: bool, after: bool, picture: Path | None, listen: Path | None,
            several: bool) -> SongResult:
    """One song."""
    from layerpipe.jobs.listening_files import refuse_over_sources, remove_older
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.jobs.timing import change_of_edits, time_song
    from layerpipe.recipe.reader import read_recipe

    file = read_recipe(recipe)
    target = None if picture is None else beside(picture, recipe, several=several)
    refuse_sources([target] if target else [], sources_of(file))
    with terminal.progress("listening", 1.0) as on_progress:
        song = time_song(file, after=after, on_progress=on_progress)
    _say(terminal, song, file)
    if target is not None:
        from layerpipe.outputs.timing.plot import draw_timing

        draw_timing(song, file.recipe, target)
        terminal.say(f"wrote {target}")
    if listen is not None:
        from layerpipe.outputs.timing.audition import write_auditions

        folder = listen / recipe.stem if several else listen
        made = write_auditions(song, folder, before_writing=refuse_over_sources(file, folder))
        remove_older(file, folder, made)
        terminal.say(f"{folder}: {len(made)} files, each before, then after" if made else
                     "no edits, so no listening files")
        if made:
            terminal.warn(CAUTION)
    if write:
        terminal.show_and_write(change_of_edits(file, song), otherwise="no edits are proposed; nothing written")
    counts = {"shift": sum(bool(take.edits.shift_ms) for take in song.takes),
              "move": sum(len(take.moves) for take in song.takes)}
    edits = [f"{count} {what}{'s' if count > 1 else ''}" for what, count in counts.items() if count]
    rerecord = [take.name for take in song.takes if take.rerecord]
    # The places of thousands of onsets are put into words only if they will be printed.
    document = _document(song, file) if terminal.as_json else {}
    if listen is not None and made:
        document["caution"] = CAUTION
    return SongResult(document, "re-record" if rerecord else "edits proposed" if edits else "OK",
                      FAULTY if rerecord else FINE, ", ".join([*edits, *rerecord]))


def _undo(terminal: Terminal, recipe: Path) -> SongResult:
    """Remove the written shifts and moves."""
    from layerpipe.jobs.timing import change_without_edits

    change, shifts, moves = change_without_edits(recipe)
    terminal.show_and_write(change, otherwise="there are no edits written by --write")
    return SongResult({"recipe": recipe, "shifts_removed": shifts, "moves_removed": moves},
                      "undone" if shifts or moves else "unchanged",
                      note=f"{shifts} shifts and {moves} moves removed" if shifts or moves else "")


def _say(terminal: Terminal, song: SongTiming, file: RecipeFile) -> None:
    """Everything, for a person."""
    if not terminal.talks:
        return
    from layerpipe.analysis.timing.edits.song_edits import place_words

    table = new_table(f"{file.recipe.song.title}: takes")
    by_phrases = any(take.sustained is not None for take in song.takes)
    counted = "onsets\nor phrases" if by_phrases else "onsets"
    for heading in ("take", counted, "offset to\ndouble, ms", "average\noffset, ms", "spread,\nms", "verdict"):
        words = heading in ("take", "verdict")
        table.add_column(heading, justify="left" if words else "right", overflow="fold", no_wrap=words)
    for take in song.takes:
        table.add_row(take.name, str(take.count), shown(take.place.offset_ms),
                      shown(take.aligned.average_offset_ms), shown(take.aligned.spread_ms), take.verdict)
    terminal.say(table)
    if song.pairs:
        terminal.say(_pair_table(song))
    for layer, kind in {take.open.layer.name: take.kind for take in song.takes}.items():
        terminal.say(f"{layer}: {kind.words}{_how(kind)}")
    for note in song.notes:
        terminal.say(f"note: {note}")
    for take in song.takes:
        if take.edits.shift_ms:
            now_ms = take.open.passes[take.open.take.played].one.shift_ms
            terminal.say(f"{take.name}: {place_words(take.place)}  "
                         f"(shift_ms {now_ms + take.edits.shift_ms:+.1f} for the whole take)")
        if take.edits.unmended:
            terminal.say(f"{take.name}: {take.edits.unmended}")
        for move in take.moves:
            terminal.say(f"{take.name}: {move.why}  ({move.from_s:.3f} to {move.to_s:.3f} s, {move.by_ms:+.1f} ms)")
            if move.audible:
                terminal.say(f"  listen to it: {move.audible}")
        for rerecord in take.rerecord:
            first, last = rerecord.bars
            bars = f"bars {first} to {last}" if last > first else f"bar {first}"
            terminal.say(f"re-record {take.name}, {bars}: {rerecord.why}")


def _how(kind: HeardKind) -> str:
    """How takes of a kind are compared, where that is not by onsets."""
    if not kind.is_sustained:
        return ""
    return ", compared by phrases" + ("; if that is wrong, set kind in the recipe's layer" if kind.is_heard else "")


def _pair_table(song: SongTiming) -> Any:
    """Pairs, before and after the moves."""
    moved = any(take.moves for take in song.takes)
    table = new_table("difference between takes, ms", padding=0, pad_edge=False, show_edge=False)
    for heading in ("takes", ""):
        table.add_column(heading, overflow="fold")
    for heading in ("median", "95th\npercentile", "within\n5 ms", "within\n10 ms", "within\n20 ms", "within\n30 ms",
                    "sounds\nas one"):
        table.add_column(heading, justify="right", no_wrap=True)
    for now, then in zip(song.pairs, song.pairs_moved, strict=True):
        table.add_row(now.takes[0], "before" if moved else "", *_cells(now))
        table.add_row(now.takes[1], *(("after", *_cells(then)) if moved and then != now else ()), end_section=True)
    return table


def _cells(pair: TakePair) -> list[str]:
    """A pair's statistics as a table shows them."""
    shares = [f"{100 * share:.0f} %" for share in pair.within.values()] if pair.onsets else ["--"] * 4
    return [shown(pair.median_ms), shown(pair.p95_ms), *shares, shown(pair.sounds_as_one, 2)]


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
    return {
        "layer": take.open.layer.name, "take": take.open.take.name, "file": take.open.facts.path,
        "onsets": [_onset(onset) for onset in take.aligned.onsets],
        "average_offset_ms": _rounded(take.aligned.average_offset_ms, 2),
        "spread_ms": _rounded(take.aligned.spread_ms, 2),
        "kind": take.kind.kind, "kind_heard": take.kind.is_heard, "kind_odds": _rounded(take.kind.odds, 3),
        "phrases": None if take.sustained is None else [_phrase(one) for one in take.sustained.phrases],
        "verdict": take.verdict,
        "offset_ms": take.place.offset_ms,
        "confidence": take.place.confidence if take.place.against or take.place.kind == "unknown" else None,
        "drift": _drift(take),
        "misplaced": None if take.place.kind in ("none", "unknown") else {
            "kind": take.place.kind, "decided": take.place.decided, "words": take.place.words,
            "whole": take.place.whole, "rest_ms": take.place.rest_ms, "against": list(take.place.against),
            "unmended": take.edits.unmended or None},
        "explained": _rounded(take.explained, 3),
        "shift_ms": take.edits.shift_ms or None,
        "moves": [{"from_s": round(move.from_s + take.edits.shift_ms / 1000, 4),
                   "to_s": round(move.to_s + take.edits.shift_ms / 1000, 4), "by_ms": move.by_ms, "why": move.why,
                   "crossfade_ms": move.crossfade_ms, "audible_edit": move.audible or None,
                   "onsets": len(move.onsets)} for move in take.moves],
        "rerecord": [{"bars": list(rerecord.bars), "why": rerecord.why} for rerecord in take.rerecord],
        "after_moves": {"average_offset_ms": _rounded(take.moved.average_offset_ms, 2),
                        "spread_ms": _rounded(take.moved.spread_ms, 2)},
        "bars": [_summary(one) for one in take.bars],
        "sections": [_summary(one) for one in take.sections],
    }


def _drift(take: TakeTiming) -> dict[str, Any] | None:
    """How a take runs away from its double or wanders round it."""
    if take.place.kind not in ("drift", "wobble"):
        return None
    return {"kind": take.place.kind, "ms_per_min": take.place.drift_ms_per_min,
            "curve": [[at_s, late_ms] for at_s, late_ms in take.place.curve]}


def _onset(onset: AlignedOnset) -> dict[str, Any]:
    """An onset's part of the document."""
    return {"at_s": round(onset.onset.at_s, 6), "confidence": round(onset.onset.confidence, 3),
            "place": onset.point.text if onset.point else None, "offset_ms": _rounded(onset.offset_ms, 2),
            "level_dbfs": round(onset.onset.level_db, 1), "swell_ms": round(1000 * onset.swell_s, 1)}


def _phrase(one: PhraseLag) -> dict[str, Any]:
    """A phrase's part of the document."""
    return {"from_s": round(one.from_s, 2), "to_s": round(one.to_s, 2), "late_ms": round(one.late_ms, 1),
            "verified_ms": round(one.verified_ms, 1), "likeness": round(one.likeness, 3), "sure": one.is_sure}


def _summary(one: OffsetSummary) -> dict[str, Any]:
    """Statistics of a bar or section."""
    return {"name": one.name, "bars": list(one.bars), "onsets": one.onsets,
            "average_offset_ms": _rounded(one.average_offset_ms, 2), "spread_ms": _rounded(one.spread_ms, 2)}


def _pair(pair: TakePair) -> dict[str, Any]:
    """A pair's part of the document."""
    return {"takes": list(pair.takes), "onsets": pair.onsets, "lag_ms": _rounded(pair.lag_ms, 2),
            "median_ms": _rounded(pair.median_ms, 2), "p95_ms": _rounded(pair.p95_ms, 2),
            **{f"within_{limit}_ms": _rounded(share, 4) for limit, share in pair.within.items()},
            "sounds_as_one": _rounded(pair.sounds_as_one, 3)}


def _rounded(value: float | None, places: int) -> float | None:
    """Rounded for reading, where there is a value."""
    return None if value is None else round(value, places) + 0.0
