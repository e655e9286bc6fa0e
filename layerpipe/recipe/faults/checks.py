"""Checks between the tables of a recipe: equal names, overlapping bars, positions that need a tempo.

What concerns one take alone is in `takes_checks.py`.
The checks look at the values as TOML gave them and skip what the model refuses anyway, so that a recipe with a wrong
pan still gets the message about its overlapping sections.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import pairwise
from typing import Any, TypeGuard

from layerpipe.core.errors import ParameterError
from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from layerpipe.recipe.edit.toml_text import Location
from layerpipe.recipe.faults.messages import Problem, nearest
from layerpipe.recipe.faults.takes import Table, repeated, start_problems, tables, take_problems, valid
from layerpipe.recipe.model.recipe import MOST_TAKES, Recipe, Section, Song, TempoChange
from layerpipe.recipe.names import ALL_LAYERS, WHOLE_SONG, file_key, found_text
from layerpipe.recipe.position import BarShape
from layerpipe.recipe.tempo_map import TempoMap


def cross_problems(data: Table) -> Iterator[Problem]:
    """Everything that is wrong between tables."""
    yield from _names(data)
    yield from _levels(data)
    yield from _tempo_changes(data)
    yield from _section_bars(data)
    yield from _corners(data)
    yield from _beat_notes(data)
    tempo_map = _tempo_map(data)
    if tempo_map is not None:
        yield from _grid_needed(data, tempo_map)
        yield from _before_the_files(data, tempo_map)
    song = data.get("song")
    is_stamped = isinstance(song, dict) and "time_reference_s" in song
    for at, take in _takes(data):
        yield from take_problems(at, take, tempo_map, is_stamped=is_stamped)
    if isinstance(bed := data.get("bed"), dict):
        yield from start_problems(("bed",), bed, tempo_map, is_stamped=is_stamped)
    takes = list(_takes(data))
    if len(takes) > MOST_TAKES:
        yield ("layer",), f"found {len(takes)} takes in all layers, allowed are at most {MOST_TAKES}"


def _layers(data: Table) -> list[tuple[Location, Table]]:
    return tables(data.get("layer"), ("layer",))


def _takes(data: Table) -> Iterator[tuple[Location, Table]]:
    for at, layer in _layers(data):
        yield from tables(layer.get("take"), (*at, "take"))


def _valid_sections(data: Table) -> list[tuple[Location, Section]]:
    """Sections whose bars are valid, whatever else is wrong with them."""
    found = []
    for at, table in tables(data.get("section"), ("section",)):
        section = valid(Section, {"name": "section", "bars": table.get("bars")})
        if section is not None:
            found.append((at, section))
    return found


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _names(data: Table) -> Iterator[Problem]:
    """Names are unique, as they are and as files."""
    sections = tables(data.get("section"), ("section",))
    yield from repeated([(at, section.get("name")) for at, section in sections], "section")
    for at, section in sections:
        name = section.get("name")
        if isinstance(name, str) and file_key(name) == WHOLE_SONG:
            yield (*at, "name"), (f"found {found_text(name)}, which means the whole song in tables and file names; "
                                  "choose another name")
    yield from repeated([(at, layer.get("name")) for at, layer in _layers(data)], "layer")
    for at, layer in _layers(data):
        name = layer.get("name")
        if isinstance(name, str) and file_key(name) in ALL_LAYERS:
            yield (*at, "name"), (f"found {found_text(name)}, which means all layers together in tables and file "
                                  "names; choose another name")
    stems: dict[str, Location] = {}
    for layer_at, layer in _layers(data):
        takes = tables(layer.get("take"), (*layer_at, "take"))
        yield from repeated([(at, take.get("name")) for at, take in takes], "take of this layer")
        for at, take in takes:
            if isinstance(layer.get("name"), str) and isinstance(take.get("name"), str):
                stem = f"{layer['name']}-{take['name']}"
                other_at = stems.setdefault(file_key(stem), layer_at)
                # Layers of one name have been reported; here two names are equal only once they are joined.
                if other_at != layer_at and file_key(data["layer"][other_at[1]]["name"]) != file_key(layer["name"]):
                    yield (*at, "name"), f"makes the file {found_text(stem)}, and so does a take of another layer"


def _levels(data: Table) -> Iterator[Problem]:
    """Levels of sections and of the page's settings name layers that exist."""
    known = [layer["name"] for _, layer in _layers(data) if isinstance(layer.get("name"), str)]
    page = data.get("page")
    settings = tables(page.get("setting"), ("page", "setting")) if isinstance(page, dict) else []
    for at, table in [*tables(data.get("section"), ("section",)), *settings]:
        levels = table.get("levels_db")
        for name in levels if isinstance(levels, dict) else ():
            if name not in known:
                yield (*at, "levels_db", name), partial(_no_such_layer, name, known)


def _no_such_layer(name: str, known: list[str]) -> str:
    """An unknown layer, and which one may have been meant."""
    if not known:
        return "there is no such layer"
    like = nearest(name, known)
    hint = f"did you mean {found_text(like)}?" if like else f"there are {', '.join(map(found_text, known))}"
    return f"there is no such layer; {hint}"


def _tempo_changes(data: Table) -> Iterator[Problem]:
    """Changes come in order of their bars."""
    bars = [(at, table["from_bar"]) for at, table in tables(data.get("tempo"), ("tempo",))
            if isinstance(table.get("from_bar"), int)]
    for (_, earlier), (at, later) in pairwise(bars):
        if later <= earlier:
            yield (*at, "from_bar"), (f"found {found_text(later)}, allowed is a bar after {found_text(earlier)}, "
                                      "where the change before it begins")


def _section_bars(data: Table) -> Iterator[Problem]:
    """No bar belongs to two sections."""
    sections = sorted(_valid_sections(data), key=lambda pair: (pair[1].bars, pair[0]))
    reach: tuple[Location, Section] | None = None
    for at, section in sections:
        if reach is not None and section.bars[0] <= reach[1].bars[1]:
            first, last = reach[1].bars
            name = data["section"][reach[0][1]].get("name")
            whose = f"section {found_text(name)}" if isinstance(name, str) else f"section {int(reach[0][1]) + 1}"
            yield (*at, "bars"), f"found {section.bars}, which overlaps {whose} in bars {first} to {last}"
        if reach is None or section.bars[1] > reach[1].bars[1]:
            reach = (at, section)


def _corners(data: Table) -> Iterator[Problem]:
    """Filters fit below half of a rate that is given."""
    song = data.get("song")
    rate_hz = song.get("sample_rate_hz") if isinstance(song, dict) else None
    if not (_is_number(rate_hz) and LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ):
        return
    for at, owner in [*_layers(data), *_takes(data)]:
        chain = owner.get("chain")
        if not isinstance(chain, dict):
            continue
        for kind in ("high_pass", "shelf", "bell"):
            for place, part in tables(chain.get(kind), (*at, "chain", kind)):
                hz = part.get("hz", 0)
                if _is_number(hz) and rate_hz / 2 <= hz < HIGHEST_RATE_HZ / 2:
                    yield (*place, "hz"), f"found {hz}, allowed is below {rate_hz / 2:g}, half of sample_rate_hz"


def _beat_notes(data: Table) -> Iterator[Problem]:
    """A bar has a whole number of beats, in every meter of the song."""
    song = data.get("song")
    meter, beat_note = "4/4", None
    for at, table in [(("song",), song if isinstance(song, dict) else {}),
                      *tables(data.get("tempo"), ("tempo",))]:
        if any(key in table and not isinstance(table[key], str) for key in ("meter", "beat_note")):
            return
        meter, beat_note = table.get("meter", meter), table.get("beat_note", beat_note)
        if valid(Song, {"title": "song", "meter": meter, **({"beat_note": beat_note} if beat_note else {})}) is None:
            return
        try:
            BarShape.of(meter, beat_note)
        except ParameterError as refusal:
            yield (*at, "beat_note" if "beat_note" in table else "meter"), str(refusal)
            return


def _tempo_map(data: Table) -> TempoMap | None:
    """The song's tempo map, if nothing it needs is at fault."""
    table = data.get("song")
    if not isinstance(table, dict):
        return None
    timed = {key: table[key] for key in ("tempo", "meter", "beat_note", "bar_one_s") if key in table}
    song = valid(Song, {"title": "song", **timed})
    changes = data.get("tempo", [])
    if song is None or not isinstance(changes, list):
        return None
    read = [change for table in changes if (change := valid(TempoChange, table)) is not None]
    if len(read) < len(changes) or any(later.from_bar <= earlier.from_bar for earlier, later in pairwise(read)):
        return None
    try:
        return TempoMap.of(Recipe(song=song, tempo=read, layer=[]))
    except ParameterError:
        return None


def _grid_needed(data: Table, tempo_map: TempoMap) -> Iterator[Problem]:
    """Whatever counts bars needs the song's tempo; reported once, with the first that does."""
    if tempo_map.has_grid:
        return
    for n, table in enumerate(data.get("tempo", [])):
        if "tempo" in table:
            yield ("song", "tempo"), f"missing, but tempo change {n + 1} needs one to come from; give beats per minute"
            return
    for at, section in tables(data.get("section"), ("section",)):
        if "bars" in section:
            name = section.get("name")
            whose = found_text(name) if isinstance(name, str) else int(at[1]) + 1
            yield ("song", "tempo"), f"missing, but section {whose} counts bars; give beats per minute"
            return


def _before_the_files(data: Table, tempo_map: TempoMap) -> Iterator[Problem]:
    """A section must end after the files begin."""
    for at, section in _valid_sections(data) if tempo_map.has_grid else ():
        if tempo_map.span_s(section)[1] <= 0:
            yield (*at, "bars"), (f"found {section.bars}, which ends before the files begin; "
                                  f"bar 1 is at {tempo_map.downbeat_s(1):g} s")
