"""Putting things into a TOML text without losing what people wrote around them.

Values that are there, and what stands inside { } and [ ], are set by tomlkit. Lines below a header are put in by
number instead: tomlkit appends to the end of a table, which is below any comment that stands above the next header.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from layerpipe.recipe.toml_lines import Layout, Location


class Unsafe(Exception):  # noqa: N818 - it says what the edit would be
    """A text is written in a way that cannot be changed without harm."""


def value_at(tree: Any, location: Location) -> Any:
    """What stands in one place of nested tables and lists."""
    for step in location:
        tree = tree[step]
    return tree


def set_in_place(text: str, table: Location, key: str, value_of: Callable[[Any], str | None]) -> str:
    """Set or take out one key of a table.

    Parameters
    ----------
    text : str
        Valid TOML.
    table : tuple of str and int
        Where the table stands.
    key : str
    value_of : function
        Told the value that is there as a tomlkit item (None if there is none); gives the new one as TOML text, or
        None to take the key out.

    Raises
    ------
    Unsafe
        If tomlkit cannot do it.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError
    from tomlkit.items import InlineTable, Table

    try:
        document = tomlkit.parse(text)
        holder: Any = value_at(document, table)
        wanted = value_of(holder.get(key))
        dotted = any(isinstance(inner, Table) for inner in holder.values())
        if isinstance(holder, InlineTable) and (key not in holder or wanted is None) and not dotted:
            # Appended to or taken from, an inline table loses the space before its brace; so it is written anew.
            items = {**holder, key: None if wanted is None else tomlkit.value(wanted)}
            texts = [f"{toml_key(name)} = {tomlkit.item(item).as_string()}"
                     for name, item in items.items() if item is not None]
            value_at(document, table[:-1])[table[-1]] = tomlkit.value("{ " + ", ".join(texts) + " }")
        elif wanted is None:
            del holder[key]
        else:
            holder[key] = tomlkit.value(wanted)
        return tomlkit.dumps(document)
    except TOMLKitError as refusal:
        raise Unsafe(str(refusal)) from refusal


def insert_lines(text: str, line: int, lines: Sequence[str]) -> str:
    """Put lines in below line `line`, counted from 1."""
    written = text.split("\n")
    # Where the text ends without a line feed, it gets one.
    return "\n".join([*written[:line], *lines, *(written[line:] or [""])])


def last_line(layout: Layout, within: Location) -> int:
    """Last line of anything that belongs to a place."""
    size = len(within)
    return max(line for lines in (layout.last, layout.headers) for place, line in lines.items()
               if place[:size] == within)


def last_own_line(layout: Layout, table: Location) -> int:
    """Last line of a table's own settings, before the next header."""
    header = layout.headers[table]
    following = min((line for line in layout.headers.values() if line > header), default=None)
    own = [line for place, line in layout.last.items()
           if place[: len(table)] == table and line > header and (following is None or line < following)]
    return max(own, default=header)


def toml_text(value: Any) -> str:
    """A value in TOML, on one line."""
    import tomlkit

    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml_key(key)} = {toml_text(inner)}" for key, inner in value.items()) + " }"
    return str(tomlkit.item(value).as_string())


def toml_key(key: str) -> str:
    """A key in TOML, quoted where it must be."""
    import tomlkit

    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if bare else str(tomlkit.item(key).as_string())
