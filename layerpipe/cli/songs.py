"""What every command that takes many songs shares: the loop over them, progress, the table at the end, the document."""

from __future__ import annotations

import functools
import io
import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click

from layerpipe.cli.tables import drawn, new_bars, new_table, terminal_width
from layerpipe.cli.terminal import FINE, Terminal
from layerpipe.core.json_values import json_value
from layerpipe.core.text import one_line, printable
from layerpipe.jobs.many.song_list import (
    find_bounces,
    find_folders,
    find_songs,
    is_one_bounce,
    is_one_folder,
    is_one_recipe,
)
from layerpipe.jobs.many.songs import SongOutcome, SongProgress, run_songs


@dataclass(frozen=True)
class SongResult:
    """What a command found or made for one song: the --json document, the verdict in the table of songs, exit code."""

    document: dict[str, Any]
    verdict: str
    exit_code: int = FINE
    note: str = ""


@dataclass(frozen=True)
class Named:
    """What a command's songs are named by: the name in documents, whether one was named, and which are meant."""

    name: str
    is_one: Callable[[Sequence[Path]], bool]
    find: Callable[[Sequence[Path]], list[Path]]


RECIPES = Named("recipe", is_one_recipe, find_songs)
BOUNCES = Named("bounce", is_one_bounce, find_bounces)
FOLDERS = Named("folder", is_one_folder, find_folders)

Song = Callable[[Terminal, Path], SongResult]
"""A command's work for one recipe: says what it found and returns it. To run in other processes it is a function of a
module, or a `functools.partial` of one with keywords."""


def answer_songs(terminal: Terminal, given: Sequence[Path], song: Song, *, jobs: int = 1, cluster: str | None = None,
                 outputs: Sequence[Path] = (), alone: Callable[[dict[str, Any]], dict[str, Any]] = lambda made: made,
                 refuse: Callable[[list[Path]], None] = lambda recipes: None, named: Named = RECIPES) -> int:
    """Do a command's work for one song or many, print the results, return the exit code.

    One recipe alone is answered by its own results and document. Several end with a table of songs; their document is
    {"songs": [...]} and the exit code is the highest.

    Parameters
    ----------
    terminal : Terminal
    given : sequence of Path
        Recipes, folders, lists.
    song : Song
    jobs : int
        Processes.
    cluster : str, optional
        Address of a scheduler.
    outputs : sequence of Path
        Folders that the songs write into.
    alone : function of a document
        The document of one recipe alone.
    refuse : function of the recipes
        Raises if they cannot be done together; called if there are several.
    named : Named
        What the songs are named by.
    """
    if named.is_one(given) and cluster is None:
        result = song(terminal, given[0])
        terminal.document(alone(result.document))
        return result.exit_code
    recipes = named.find(given)
    if len(recipes) > 1:
        refuse(recipes)
    recipes, done = do_all(terminal, recipes, song, jobs=jobs, cluster=cluster, outputs=outputs)
    if named.is_one(given):
        terminal.document(done[0].document if "refused" in done[0].document else alone(done[0].document))
    else:
        terminal.say(_table(recipes, done))
        terminal.say(_summary(done))
        terminal.document({"songs": [{named.name: recipe, "verdict": outcome.verdict, "exit_code": outcome.exit_code,
                                      **outcome.document} for recipe, outcome in zip(recipes, done, strict=True)]})
    return max((outcome.exit_code for outcome in done), default=FINE)


def do_all(terminal: Terminal, recipes: Sequence[Path], song: Song, *, jobs: int = 1, cluster: str | None = None,
           outputs: Sequence[Path] = (), documents: bool = False) -> tuple[list[Path], list[SongOutcome]]:
    """Do a command's work for many songs; print what each says as it ends.

    Parameters
    ----------
    terminal, recipes, song, jobs, cluster, outputs
        As for `answer_songs`.
    documents : bool
        Return the documents even if they are not printed.

    Returns
    -------
    (list of Path, list of SongOutcome)
        The recipes as they are named in the outcomes (absolute on a cluster), and the outcomes in the same order.
    """
    places = list(recipes)
    if cluster is not None and jobs > 1:
        raise click.BadParameter("the workers of --cluster decide how many songs are done at the same time",
                                 param_hint="--jobs")
    if cluster is not None:
        # Workers have other current folders.
        places, song, outputs = [_absolute(path) for path in places], _with_absolute_paths(song), [
            _absolute(path) for path in outputs]
    work = functools.partial(do_song, song, document=documents or terminal.as_json, talks=terminal.talks,
                             width=terminal_width() if terminal.talks else 0)
    found: list[SongOutcome | None] = [None] * len(places)
    warned: set[str] = set()
    with _progress(terminal, places) as (on_progress, on_end), closing(run_songs(
            work, places, processes=jobs, cluster=cluster, outputs=outputs, on_progress=on_progress)) as outcomes:
        for n, outcome in outcomes:
            on_end(n)
            for text in outcome.warnings:
                if text not in warned:
                    warned.add(text)
                    terminal.warn(*text.split("\n"))
            if outcome.text:
                terminal.say(str(places[n]), *outcome.text.split("\n"))
            found[n] = replace(outcome, text="")
    return places, [outcome for outcome in found if outcome is not None]


def do_song(song: Song, recipe: Path, on_progress: Callable[[float], None], *, document: bool, talks: bool,
            width: int) -> SongOutcome:
    """One song of many, in any process: what it prints is in the outcome."""
    terminal = _CapturedTerminal(on_progress, as_json=document and not talks, quiet=not talks, width=width)
    result = song(terminal, recipe)
    # The documents of thousands of songs are kept only if they will be printed.
    return SongOutcome(result.verdict, result.exit_code, json_value(result.document) if document else {}, result.note,
                       terminal.text.getvalue(), tuple(terminal.warnings))


def beside(path: Path, recipe: Path, *, several: bool) -> Path:
    """The name of an output file of one song: with several songs the recipe's name is added, timing-lantern.svg."""
    return path.with_stem(f"{path.stem}-{recipe.stem}") if several else path


def is_several(given: Sequence[Path]) -> bool:
    """Whether outputs need the song's name."""
    return not is_one_recipe(given)


class _CapturedTerminal(Terminal):
    """The output of one song of many, kept to be printed when the song is done."""

    def __init__(self, on_progress: Callable[[float], None], *, as_json: bool, quiet: bool, width: int) -> None:
        super().__init__(as_json=as_json, quiet=quiet)
        self.text, self.warnings = io.StringIO(), list[str]()
        self._on_progress, self._width = on_progress, width

    def _draw(self, table: Any) -> str:
        """A table as text, as wide as the real terminal."""
        return drawn(table, width=self._width)

    def _put(self, text: str) -> None:
        """Keep text."""
        self.text.write(text)

    def warn(self, *lines: str) -> None:
        """Keep a warning."""
        self.warnings.append("\n".join(printable(line) for line in lines))

    @contextmanager
    def progress(self, what: str, total: float) -> Iterator[Callable[[float], None]]:
        """Pass the song's progress on."""
        yield lambda amount: self._on_progress(amount / total)


@contextmanager
def _progress(terminal: Terminal,
              recipes: Sequence[Path]) -> Iterator[tuple[SongProgress | None, Callable[[int], None]]]:
    """One line for all songs and one for each running song, on stderr if that is a terminal."""
    if not terminal.shows_progress:
        yield None, lambda song: None
        return
    with new_bars() as bars:
        every = bars.add_task(f"{len(recipes)} songs", total=len(recipes))
        running: dict[int, Any] = {}
        ended: set[int] = set()

        def on_progress(song: int, share: float) -> None:
            if song not in running and song not in ended:
                running[song] = bars.add_task(one_line(recipes[song].stem), total=1.0)
            if song in running:
                bars.advance(running[song], share)

        def on_end(song: int) -> None:
            ended.add(song)
            bars.advance(every)
            if song in running:
                bars.remove_task(running.pop(song))

        yield on_progress, on_end


def _table(recipes: Sequence[Path], outcomes: Sequence[SongOutcome]) -> Any:
    """Every song and its verdict."""
    table = new_table(pad_edge=False)
    for heading in ("song", "verdict", ""):
        table.add_column(heading, overflow="fold")
    for recipe, outcome in zip(_short_names(recipes), outcomes, strict=True):
        table.add_row(recipe, outcome.verdict, outcome.note)
    return table


def _short_names(recipes: Sequence[Path]) -> list[str]:
    """Each path less the folders that all of them share; whole paths if they share none, as on two drives."""
    whole = [_absolute(recipe) for recipe in recipes]
    try:
        shared = os.path.commonpath([recipe.parent for recipe in whole])
    except ValueError:
        return [str(recipe) for recipe in recipes]
    return [os.path.relpath(recipe, shared) for recipe in whole]


def _summary(outcomes: Sequence[SongOutcome]) -> str:
    """How many songs have which verdict."""
    counts = Counter(outcome.verdict for outcome in outcomes)
    return f"{len(outcomes)} songs: " + ", ".join(f"{count} {verdict}" for verdict, count in counts.items())


def _absolute(path: Path) -> Path:
    # Links stay: what a recipe is called decides where its files and outputs are.
    return path.absolute()


def _with_absolute_paths(song: Song) -> Song:
    """A partial whose paths are absolute."""
    if not isinstance(song, functools.partial):
        return song
    words = {name: _absolute(value) if isinstance(value, Path) else value for name, value in song.keywords.items()}
    return functools.partial(song.func, *song.args, **words)
