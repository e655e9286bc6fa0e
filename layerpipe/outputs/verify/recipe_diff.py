"""The differences between two recipes in words: one line each.

Both are settings from a manifest, defaults included; it may be damaged. Layers, takes and sections are matched by name.
A setting without a sentence here is named by its key and unit, so that no change is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from layerpipe.outputs.settings_text import (
    bell_words,
    compressor_words,
    high_pass_words,
    level_words,
    number_words,
    rows_of,
    shelf_words,
    take_words,
)
from layerpipe.outputs.verify.settings_diff import (
    Table,
    anything_changes,
    by_name,
    settings_changes,
    table_in,
    without_keys,
)
from layerpipe.outputs.verify.take_diff import file_words, take_changes


def recipe_changes(old: Table, new: Table) -> list[str]:
    """Every difference between the settings of two recipes.

    Parameters
    ----------
    old, new : dict
        From `manifest.settings_of`, or anything.

    Returns
    -------
    list of str
        Such as "chorus: octave -9.0 -> -7.5 dB" and "regular / right: high-pass 80 -> 100 Hz".
    """
    found = list(settings_changes(table_in(old, "song"), table_in(new, "song"), "song: "))
    found += _rows(rows_of(old, "tempo"), rows_of(new, "tempo"), "from_bar",
                   lambda row: f"tempo from bar {row.get('from_bar')}")
    found += _sections(old, new)
    found += _layers(old, new)
    found += _optional(old.get("bed"), new.get("bed"), "bed")
    for name in ("preview", "bounce"):
        found += settings_changes(table_in(old, name), table_in(new, name), f"{name}: ")
    known = {"song", "tempo", "section", "layer", "bed", "preview", "bounce"}
    for name in sorted((set(old) | set(new)) - known):
        found += anything_changes(old.get(name), new.get(name), name)
    return found


def _sections(old: Table, new: Table) -> Iterator[str]:
    """Sections that were added, removed or moved, or have other levels."""
    olds, news = by_name(rows_of(old, "section")), by_name(rows_of(new, "section"))
    levels = [{name: layer.get("level_db") for name, layer in by_name(rows_of(recipe, "layer")).items()}
              for recipe in (old, new)]
    for name in [*olds, *(name for name in news if name not in olds)]:
        if name not in news:
            yield f"{name}: no longer a section"
            continue
        if name not in olds:
            yield f"{name}: new section, bars {_span(news[name])}"
            own_levels = table_in(news[name], "levels_db").items()
            yield from (f"{name}: {layer} at {level_words(level)} dB" for layer, level in own_levels)
            continue
        before, now = olds[name], news[name]
        if before.get("bars") != now.get("bars"):
            yield f"{name}: bars {_span(before)} -> {_span(now)}"
        own = [table_in(before, "levels_db"), table_in(now, "levels_db")]
        for layer in dict.fromkeys((*own[0], *own[1])):
            sides = [of.get(layer, of_layers.get(layer)) for of, of_layers in zip(own, levels, strict=True)]
            if sides[0] != sides[1]:
                yield f"{name}: {layer} {level_words(sides[0])} -> {level_words(sides[1])} dB"
            elif (layer in own[0]) != (layer in own[1]):
                words = "as" if layer in own[0] else "no longer as"
                yield f"{name}: {layer} at {level_words(sides[1])} dB, {words} elsewhere"
        yield from settings_changes(*without_keys((before, now), "bars", "levels_db"), f"{name}: ")
    common = [name for name in olds if name in news]
    if common != [name for name in news if name in olds]:
        yield "sections: in another order"


def _layers(old: Table, new: Table) -> Iterator[str]:
    """Layers and their takes."""
    olds, news = by_name(rows_of(old, "layer")), by_name(rows_of(new, "layer"))
    for name in [*olds, *(name for name in news if name not in olds)]:
        if name not in news:
            yield f"{name}: layer removed"
        elif name not in olds:
            takes = ", ".join(by_name(rows_of(news[name], "take")))
            yield f"{name}: new layer at {level_words(news[name].get('level_db'))} dB with {takes}"
        else:
            yield from _layer(name, olds[name], news[name])
    common = [name for name in olds if name in news]
    if common != [name for name in news if name in olds]:
        yield "layers: in another order"


def _layer(name: str, old: Table, new: Table) -> Iterator[str]:
    """One layer."""
    yield from settings_changes(*without_keys((old, new), "name", "take", "chain"), f"{name}: ")
    of_layer = list(_chain(table_in(old, "chain"), table_in(new, "chain")))
    yield from (f"{name}: {line}" for line in of_layer)
    olds, news = by_name(rows_of(old, "take")), by_name(rows_of(new, "take"))
    for take in [*olds, *(take for take in news if take not in olds)]:
        where = take_words(name, take)
        if take not in news:
            yield f"{where}: take removed"
        elif take not in olds:
            yield f"{where}: new take, {file_words(news[take])}"
        else:
            yield from (f"{where}: {line}" for line in take_changes(olds[take], news[take]))
            before, now = (side[take].get("chain") for side in (olds, news))
            if before is not None or now is not None:
                lines = list(_chain(table_in(old if before is None else olds[take], "chain"),
                                    table_in(new if now is None else news[take], "chain")))
                yield from (f"{where}: {line}" for line in lines)
                if not lines and (before is None) != (now is None):
                    yield f"{where}: {'own chain, equal to' if before is None else 'back to'} the layer's"
    common = [take for take in olds if take in news]
    if common != [take for take in news if take in olds]:
        yield f"{name}: takes in another order"


def _chain(old: Table, new: Table) -> Iterator[str]:
    """High-passes, shelves, bells, compressor."""
    for kind, words in (("high_pass", high_pass_words), ("shelf", shelf_words), ("bell", bell_words)):
        yield from _filters(rows_of(old, kind), rows_of(new, kind), words)
    before, now = table_in(old, "compressor"), table_in(new, "compressor")
    if now and not before:
        yield f"compressor added ({compressor_words(now)})"
    elif before and not now:
        yield f"compressor removed ({compressor_words(before)})"
    else:
        yield from settings_changes(before, now, "compressor: ")


def _filters(old: list[Table], new: list[Table], words: Callable[[Table], str]) -> Iterator[str]:
    """Filters of one kind: equal ones are set aside, the others paired in order."""
    gone, came = list(old), list(new)
    for part in old:
        if part in came:
            came.remove(part)
            gone.remove(part)
    if not gone and not came and old != new:
        yield f"{words(old[0]).split(' ')[0]} filters in another order"
    for before, now in zip(gone, came, strict=False):
        yield from _filter(before, now, words)
    yield from (f"{words(part)} removed" for part in gone[len(came) :])
    yield from (f"{words(part)} added" for part in came[len(gone) :])


def _filter(old: Table, new: Table, words: Callable[[Table], str]) -> Iterator[str]:
    """One filter that changed."""
    if old.get("side") != new.get("side"):
        yield f"{words(old)} -> {words(new)}"
        return
    kind = "high-pass" if words is high_pass_words else f"{new['side']} shelf" if "side" in new else "bell"
    if old.get("hz") != new.get("hz"):
        yield f"{kind} {number_words(old.get('hz'))} -> {number_words(new.get('hz'))} Hz"
    yield from settings_changes(*without_keys((old, new), "hz", "side"), f"{kind} {number_words(new.get('hz'))} Hz: ")


def _optional(old: Any, new: Any, name: str) -> Iterator[str]:
    """A table that may be absent."""
    if old is None and new is not None:
        yield f"{name}: added"
    elif new is None and old is not None:
        yield f"{name}: removed"
    elif isinstance(old, dict) and isinstance(new, dict):
        yield from settings_changes(old, new, f"{name}: ")


def _rows(old: list[Table], new: list[Table], key: str, words: Callable[[Table], str]) -> Iterator[str]:
    """Rows matched by one of their values."""
    olds, news = ({str(row.get(key)): row for row in rows} for rows in (old, new))
    for at in [*olds, *(at for at in news if at not in olds)]:
        if at not in news:
            yield f"{words(olds[at])}: removed"
        else:
            yield from settings_changes(*without_keys((olds.get(at, {}), news[at]), key), f"{words(news[at])}: ")


def _span(section: Table) -> str:
    """Bars of a section."""
    bars = section.get("bars")
    return f"{bars[0]} to {bars[1]}" if isinstance(bars, list) and len(bars) == 2 else str(bars)
