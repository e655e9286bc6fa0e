"""Checks of one take: where its files come from and begin, its passes, its comp and its moves.

As in `checks.py`, the values are those that TOML gave, and what the model refuses anyway is skipped.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any, TypeVar

from msgspec import ValidationError

from layerpipe.core.errors import ParameterError
from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.faults.messages import Problem, nearest
from layerpipe.recipe.model.takes import CompPart, Move
from layerpipe.recipe.model.types import TIME_REFERENCE, Noun
from layerpipe.recipe.names import file_key, found_text
from layerpipe.recipe.tempo_map import TempoMap

Table = Mapping[str, Any]
N = TypeVar("N", bound=Noun)
_OF_A_PASS = ("channel", "starts", "shift_ms", "move")
"""Keys that belong to each pass of a take that has passes."""


def take_problems(at: Location, take: Table, tempo_map: TempoMap | None, *, is_stamped: bool) -> Iterator[Problem]:
    """Everything that is wrong between the keys of one take.

    Parameters
    ----------
    at : tuple of str and int
        Location of the take.
    take : mapping
    tempo_map : TempoMap or None
        None if the song's own tempo or meter is at fault; then only seconds can be checked.
    is_stamped : bool
        Whether the song says which time stamp its start has.
    """
    passes = tables(take.get("passes"), (*at, "passes"))
    yield from _source(at, take, ("file", "mics", "passes"))
    for place, one in passes:
        yield from _source(place, one, ("file", "mics"))
    if passes:
        yield from (((*at, key), "belongs to each pass where a take has passes; move it into [[layer.take.passes]]")
                    for key in _OF_A_PASS if key in take)
    yield from repeated([(place, one.get("name")) for place, one in passes], "pass of this take")
    for place, one in [(at, take), *passes]:
        yield from start_problems(place, one, tempo_map, is_stamped=is_stamped)
        yield from _moves(place, one, tempo_map)
        if one.get("mics") and "channel" in one:
            yield (*place, "channel"), "belongs to a microphone where there are mics; write it into each"
    names = dict.fromkeys(one["name"] for _, one in passes if isinstance(one.get("name"), str))
    yield from _comp(at, take, list(names), tempo_map)


def tables(tables: Any, at: Location) -> list[tuple[Location, Table]]:
    """The entries of a list that are tables, with their places."""
    if not isinstance(tables, list):
        return []
    return [((*at, n), table) for n, table in enumerate(tables) if isinstance(table, dict)]


def valid(noun: type[N], table: Any) -> N | None:
    """The table as its model, if that accepts it."""
    try:
        return noun.of(table)
    except ValidationError:
        return None


def repeated(named: Iterable[tuple[Location, Any]], what: str) -> Iterator[Problem]:
    """Names that make the same file as one before them; `what` says whose names they are."""
    seen: dict[str, tuple[Location, str]] = {}
    for at, name in named:
        if not isinstance(name, str) or not name:
            continue
        earlier_at, earlier = seen.setdefault(file_key(name), (at, name))
        if earlier_at != at:
            same = "that name already" if earlier == name else f"{found_text(earlier)}, which makes the same file"
            yield (*at, "name"), f"found {found_text(name)}, but another {what} has {same}"


def _source(at: Location, table: Table, keys: tuple[str, ...]) -> Iterator[Problem]:
    """The sound comes from exactly one key."""
    there = [key for key in keys if key in table and table[key] != []]
    listed = ", ".join(keys[:-1]) + f" or {keys[-1]}"
    if not there:
        yield (*at, "file"), f'missing; give {listed}; a file is text such as "takes/left.wav"'
    for key in there[1:]:
        yield (*at, key), f"found beside {there[0]}; give {listed}, not several of them"


def start_problems(at: Location, table: Table, tempo_map: TempoMap | None, *, is_stamped: bool) -> Iterator[Problem]:
    """Where the file of a take, a pass or the bed begins can be found."""
    starts = table.get("starts")
    if starts == TIME_REFERENCE:
        if not is_stamped:
            yield (*at, "starts"), (f'found "{TIME_REFERENCE}", but [song] has no time_reference_s; give the time '
                                    "stamp of the start of the song there, in seconds")
    elif isinstance(starts, str) and tempo_map is not None:
        yield from _seconds(at, "starts", starts, tempo_map)


def _comp(at: Location, take: Table, names: list[str], tempo_map: TempoMap | None) -> Iterator[Problem]:
    """A comp names passes that exist, runs forward, and says once what is heard."""
    parts = tables(take.get("comp"), (*at, "comp"))
    if not isinstance(take.get("passes"), list) or not take["passes"]:
        yield from (((*at, key), "needs passes; there are none in this take") for key in ("play", "comp")
                    if key in take and take[key] != [])
    else:
        asked = [((*at, "play"), take.get("play")), *(((*place, "pass"), part.get("pass")) for place, part in parts)]
        yield from ((place, _no_such_pass(name, names)) for place, name in asked
                    if isinstance(name, str) and name not in names)
    spans = []
    for place, table in parts:
        part = valid(CompPart, table)
        if part is None:
            continue
        start_s, stop_s = yield from _ends(place, part, tempo_map)
        if start_s is None or stop_s is None:
            continue
        if stop_s <= start_s:
            yield (*place, "to"), (f"found {found_text(part.stop)}, allowed is a position after from, "
                                   f"{found_text(part.start)}")
        elif stop_s <= 0:
            yield (*place, "to"), f"found {found_text(part.stop)}, which is {-stop_s:.3f} s before the song begins"
        else:
            spans.append((start_s, stop_s, place))
    spans.sort(key=lambda span: span[:2])
    for (_, stop_s, earlier), (next_s, _, place) in pairwise(spans):
        if next_s < stop_s:
            yield (*place, "from"), (f"begins at {next_s:.3f} s, inside entry {int(earlier[-1]) + 1} of the comp, "
                                     f"which ends at {stop_s:.3f} s")


def _no_such_pass(name: str, names: list[str]) -> str:
    """An unknown pass, and which one may have been meant."""
    like = nearest(name, names)
    hint = f"did you mean {found_text(like)}?" if like else f"there are {', '.join(map(found_text, names)) or 'none'}"
    return f"there is no pass {found_text(name)}; {hint}"


def _seconds(at: Location, key: str, position: str | float,
             tempo_map: TempoMap | None) -> Generator[Problem, None, float | None]:
    """Seconds of a position; None if they cannot be known, after a problem where the position is at fault."""
    if tempo_map is None:
        return None if isinstance(position, str) else position
    try:
        return tempo_map.seconds_of(position)
    except ParameterError as refusal:
        yield (*at, key), str(refusal)
        return None


def _ends(at: Location, part: Move | CompPart,
          tempo_map: TempoMap | None) -> Generator[Problem, None, tuple[float | None, float | None]]:
    """Seconds of `from` and `to`."""
    start_s = yield from _seconds(at, "from", part.start, tempo_map)
    stop_s = yield from _seconds(at, "to", part.stop, tempo_map)
    return start_s, stop_s


def _moves(take_at: Location, take: Table, tempo_map: TempoMap | None) -> Iterator[Problem]:
    """Moves are inside the files, run forward, do not overlap, and keep the order of what is played.

    Without a tempo map, because the song's own tempo or meter is at fault, only seconds can be checked.
    """
    spans: list[tuple[float, float, float, Location]] = []
    for at, table in tables(take.get("move"), (*take_at, "move")):
        move = valid(Move, table)
        if move is None:
            continue
        start_s, stop_s = yield from _ends(at, move, tempo_map)
        if start_s is None or stop_s is None:
            continue
        if start_s < 0:
            yield (*at, "from"), f"found {found_text(move.start)}, which is {-start_s:.3f} s before the files begin"
        elif stop_s <= start_s:
            yield (*at, "to"), (f"found {found_text(move.stop)}, allowed is a position after from, "
                                f"{found_text(move.start)}")
        else:
            spans.append((start_s, stop_s, move.by_ms / 1000.0, at))
    spans.sort(key=lambda span: span[:2])
    yield from _crossings(spans)


def _crossings(spans: list[tuple[float, float, float, Location]]) -> Iterator[Problem]:
    """Moves of one take in order of time: they overlap neither before nor after they are moved."""
    for (start_s, stop_s, by_s, earlier), (next_s, _, next_by_s, at) in pairwise(spans):
        number = int(earlier[-1]) + 1
        if next_s < stop_s:
            yield (*at, "from"), f"begins at {next_s:.3f} s, inside move {number}, which ends at {stop_s:.3f} s"
            continue
        # A hand-over ends at its boundary plus the lesser lag of its two sides; hand-overs must come in order.
        touching = next_s == stop_s
        last_s = start_s + min(0.0, by_s) if touching else stop_s + min(0.0, by_s)
        here_s = next_s + min(by_s if touching else 0.0, next_by_s)
        if here_s <= last_s:
            yield (*at, "by_ms"), (f"found {next_by_s * 1000:g}, so that this is played at {here_s:.3f} s, "
                                   f"before the end of move {number} ({last_s:.3f} s)")
