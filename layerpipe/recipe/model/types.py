"""Types of the values in a recipe: numbers, names, paths and positions with their ranges; and the base of its tables.

Times are seconds or milliseconds as named, levels dB, pans -100 (left) to 100 (right), bars count from 1.
msgspec checks types and ranges; what it has no word for is a function in the `Annotated` of a type, which takes the
value and raises a ValueError, without words where "found ..., allowed is ..." says it all.
Annotations are not postponed here: as text they would be compiled one by one, at every start of every command.
"""

import datetime
import math
from collections.abc import Callable, Iterable, Mapping
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any, Self, get_args, get_origin

from msgspec import Meta, Struct, convert

from layerpipe.core.units import HIGHEST_RATE_HZ, LOUDEST_DB
from layerpipe.recipe.names import found_text, refuse_control, refuse_name
from layerpipe.recipe.tempo_map import FIRST_BAR, LAST_BAR

MOST_LAYERS, MOST_TAKES, MOST_CHANNELS = 32, 256, 64
MOST_SECONDS = 86_400.0
"""The longest file that is read, one day; no position is later."""
SECONDS_OF_A_DAY = 86_400
TIME_REFERENCE = "time reference"
"""Said of a file that begins where its own time stamp says."""


Check = Callable[[Any], object]


def _finite(number: float) -> None:
    """A number is neither infinite nor not-a-number."""
    if not math.isfinite(number):
        raise ValueError


def _a_level(level_db: float) -> None:
    """A level may be -inf (off), never above +60 dB and never not-a-number."""
    if not level_db <= LOUDEST_DB:
        raise ValueError(f"found {level_db:g}, allowed is a number up to {LOUDEST_DB:g}, or -inf for silence")


def _forward(bars: list[int]) -> None:
    """The last bar is not before the first."""
    first, last = bars
    if last < first:
        raise ValueError(f"found [{first}, {last}], allowed is a last bar that is not before the first")


def _within_a_day(position: str | float) -> None:
    """Seconds are within a day; the tempo map judges the text."""
    if not isinstance(position, str) and not -MOST_SECONDS <= position <= MOST_SECONDS:
        raise ValueError


def _one_line(text: str) -> None:
    """In a pattern, `$` is also the place before a last line break."""
    if "\n" in text:
        raise ValueError


def _in_the_calendar(date: str) -> None:
    """Refuse a 30th of February."""
    if date:
        try:
            datetime.date.fromisoformat(date)
        except ValueError:
            raise ValueError(f'found "{date}", which is not in the calendar') from None


# Strict: a number in quotes, or true where a number belongs, is a slip and not a number.
Number = Annotated[float, _finite]
Level = Annotated[float, Meta(extra_json_schema={"maximum": LOUDEST_DB}), _a_level]
GainDb = Annotated[Number, Meta(ge=-LOUDEST_DB, le=LOUDEST_DB)]
FilterGainDb = Annotated[Number, Meta(ge=-24.0, le=24.0)]
FilterHz = Annotated[Number, Meta(ge=1.0, lt=HIGHEST_RATE_HZ / 2)]
Bar = Annotated[int, Meta(ge=FIRST_BAR, le=LAST_BAR)]
Line = Annotated[str, Meta(max_length=200), refuse_control]
Name = Annotated[str, Meta(min_length=1, max_length=80), refuse_name]
"""Becomes part of file names."""
SoundPath = Annotated[Path, Meta(examples=["takes/left.wav"], extra_json_schema={"type": "string", "format": "path"})]
Bars = Annotated[list[Bar], Meta(min_length=2, max_length=2), _forward]
Meter = Annotated[str, Meta(pattern=r"^[1-9][0-9]?/(1|2|4|8|16|32)$", examples=["4/4", "6/8"]), _one_line]
Tempo = Annotated[Number, Meta(ge=10.0, le=400.0)]
"""Beats per minute."""
BeatNote = Annotated[str, Meta(pattern=r"^[13]/(1|2|4|8|16|32)$", examples=["1/4", "1/8", "3/8"]), _one_line]
"""The note that is a beat, as a part of a whole note; 3/8 is a dotted quarter."""
Date = Annotated[str, Meta(pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$", examples=["2024-05-31"]), _one_line,
                 _in_the_calendar]
NoteName = Annotated[str, Meta(pattern=r"^[A-G][#b]?[0-8]$", examples=["E2", "F#3", "Bb2"]), _one_line]
Position = Annotated[str | float, _within_a_day]


class Record(Struct, frozen=True):
    """Base of what is read: values have the types that were written, and never change.

    What the parts of a type ask for is checked whenever one is made.
    """

    def __post_init__(self) -> None:
        for name, check in _checks(type(self)):
            check(getattr(self, name))

    @classmethod
    def of(cls, values: Any) -> Self:
        """Read tables, lists and values as TOML and JSON have them.

        Raises
        ------
        msgspec.ValidationError
            With the first fault; `recipe.faults.refusals` finds all of them.
        """
        return convert(values, cls, dec_hook=read_special)


class Noun(Record, frozen=True, forbid_unknown_fields=True):
    """Base of every table of a recipe: unknown keys are refused."""


def read_special(kind: type, value: Any) -> Any:
    """Read a value of a type that msgspec does not know: a path, or a class that makes one of it or raises."""
    if kind is not Path:
        return kind(value)
    if not isinstance(value, str | Path):
        raise ValueError
    # Here and not in each table that is made: the absolute path has folders of any name.
    refuse_control(str(value))
    path = Path(value)
    if path.name in ("", ".."):
        raise ValueError(f"found {found_text(str(value))}, which names no file")
    return path


def checks_of(kind: Any) -> list[Check]:
    """The checks inside a type, each a function of a value of that type."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return [*checks_of(parts[0]), *filter(callable, parts[1:])]
    if origin is list:
        return [partial(_each, check) for check in checks_of(parts[0])]
    if origin is dict:
        return [*(partial(_each, check) for check in checks_of(parts[0])),
                *(partial(_each_value, check) for check in checks_of(parts[1]))]
    return [partial(_if_given, check) for check in checks_of(parts[0])] if type(None) in parts else []


def _each(check: Check, values: Iterable[Any]) -> None:
    for value in values:
        check(value)


def _each_value(check: Check, table: Mapping[str, Any]) -> None:
    _each(check, table.values())


def _if_given(check: Check, value: Any) -> None:
    if value is not None:
        check(value)


@cache
def _checks(table: type[Record]) -> list[tuple[str, Check]]:
    """The keys of a table that have checks."""
    kinds = {name: kind for one in table.__mro__[::-1] for name, kind in getattr(one, "__annotations__", {}).items()}
    return [(name, check) for name, kind in kinds.items() for check in checks_of(kind)]
