"""`layerpipe levels --album`: the songs of a record beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from layerpipe.cli.songs import SongResult, do_all
from layerpipe.cli.tables import new_table
from layerpipe.cli.terminal import FINE, Terminal, shown
from layerpipe.jobs.many.song_list import find_songs
from layerpipe.outputs.levels.album import Album, AlbumSong, compare_album


def answer_album(terminal: Terminal, given: Sequence[Path], *, layer: str | None, against: str | None,
                 picture: Path | None, jobs: int, cluster: str | None) -> int:
    """Measure every song, compare them, print the table; the exit code is the highest of the songs."""
    found = find_songs(given)
    if picture is not None:
        for recipe in found:
            _refuse_source(picture, recipe)
    recipes, outcomes = do_all(terminal, found, partial(_measure, layer=layer, against=against), jobs=jobs,
                               cluster=cluster, documents=True)
    measured = {n: AlbumSong(**outcome.document) for n, outcome in enumerate(outcomes)
                if "refused" not in outcome.document}
    songs = list(measured.values())
    album = compare_album(songs)
    if songs and terminal.talks:
        terminal.say(_table(songs, album))
    if songs and picture is not None:
        from layerpipe.outputs.levels.album_plot import draw_album

        draw_album(songs, album, picture)
        terminal.say(f"wrote {picture}")
    stands_out = dict(zip(measured, album.stands_out, strict=True))
    terminal.document({
        "songs": [{"recipe": recipe, "exit_code": outcome.exit_code, **outcome.document,
                   **({"stands_out": list(stands_out[n])} if n in measured else {})}
                  for n, (recipe, outcome) in enumerate(zip(recipes, outcomes, strict=True))],
        "median": {"distance_lu": album.distance_lu, "lufs": album.lufs, "tuning_cents": album.tuning_cents}})
    return max((outcome.exit_code for outcome in outcomes), default=FINE)


def _refuse_source(picture: Path, recipe: Path) -> None:
    """Refuse a picture in the place of a recipe or a take; a recipe that cannot be read is reported with its song."""
    from layerpipe.core.errors import RecipeError
    from layerpipe.jobs.output_places import refuse_sources, sources_of
    from layerpipe.recipe.reader import read_recipe

    try:
        file = read_recipe(recipe)
    except RecipeError:
        return
    refuse_sources([picture], sources_of(file))


def _measure(terminal: Terminal, recipe: Path, *, layer: str | None, against: str | None) -> SongResult:
    """One song."""
    from layerpipe.jobs.album import measure_album_song
    from layerpipe.recipe.reader import read_recipe

    with terminal.progress("measuring", 1.0) as on_progress:
        song = measure_album_song(read_recipe(recipe), layer=layer, against=against, on_progress=on_progress)
    return SongResult(asdict(song), "measured")


def _table(songs: Sequence[AlbumSong], album: Album) -> Any:
    """The songs for a person, the medians last."""
    table = new_table(pad_edge=False, show_footer=True)
    reference = f'"{songs[0].reference}"' if songs[0].reference else "the rest"
    cents = shown(album.tuning_cents)
    table.add_column("song", "median", overflow="fold")
    for heading, footer in ((f'"{songs[0].layer}" relative to {reference}, LU', shown(album.distance_lu)),
                            ("in sections, LU", ""), ("LUFS", shown(album.lufs)), ("LRA", ""), ("tempo", ""),
                            ("tuning, cents", cents)):
        table.add_column(heading, footer, justify="right")
    table.add_column("stands out", overflow="fold")
    for song, words in zip(songs, album.stands_out, strict=True):
        known = [value for value in song.sections_lu.values() if value is not None]
        spread = f"{min(known):.1f} to {max(known):.1f}" if known else "--"
        table.add_row(song.title, shown(song.distance_lu), spread, shown(song.lufs), shown(song.range_lu),
                      f"{shown(song.tempo)}{' (estimated)' if song.tempo_estimated and song.tempo else ''}",
                      shown(song.tuning_cents), ", ".join(words))
    return table
