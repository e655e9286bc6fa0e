"""Types of the values in a recipe: numbers, names, paths and positions with their ranges; and the base of its tables.

Times are seconds or milliseconds as named, levels dB, pans -100 (left) to 100 (right), bars count from 1.
Annotations are not postponed here: as text they would be compiled one by one, at every start of every command.
"""

import datetime
import math
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, Strict

from layerpipe.core.units import HIGHEST_RATE_HZ, LOUDEST_DB
from layerpipe.recipe.names import found_text, refuse_control, refuse_name
from layerpipe.recipe.position import POSITION_WORDS
from layerpipe.recipe.tempo_map import FIRST_BAR, LAST_BAR

MOST_LAYERS, MOST_TAKES, MOST_CHANNELS = 32, 256, 64
MOST_SECONDS = 86_400.0
"""The longest file that is read, one day; no position is later."""
SECONDS_OF_A_DAY = 86_400
TIME_REFERENCE = "time reference"
"""Said of a file that begins where its own time stamp says."""


def _a_level(level_db: float) -> float:
    """A level may be -inf (off), never above +60 dB and never not-a-number."""
    if math.isnan(level_db) or level_db > LOUDEST_DB:
        raise ValueError(f"found {level_db:g}, allowed is a number up to {LOUDEST_DB:g}, or -inf for silence")
    return level_db


def _forward(bars: list[int]) -> list[int]:
    """The last bar is not before the first."""
    first, last = bars
    if last < first:
        raise ValueError(f"found [{first}, {last}], allowed is a last bar that is not before the first")
    return bars


def _a_position(position: Any) -> Any:
    """Text, or seconds within a day; the tempo map judges the text."""
    if isinstance(position, str):
        return position
    if isinstance(position, int | float) and not isinstance(position, bool):
        if -MOST_SECONDS <= position <= MOST_SECONDS:
            return position
        raise ValueError(f"found {found_text(position)}, allowed are seconds up to {MOST_SECONDS:g}")
    raise ValueError(f"found {found_text(position)}, allowed is {POSITION_WORDS}")


def _a_start(start: Any) -> Any:
    """A position, seconds, or the words for the file's own time stamp."""
    return start if start == TIME_REFERENCE else _a_position(start)


def _a_file(file: Any) -> Any:
    """A path must have a name in it that a system can look for."""
    if isinstance(file, str | Path):
        refuse_control(str(file))
        if Path(file).name in ("", ".."):
            raise ValueError(f"found {found_text(str(file))}, which names no file")
    return file


def _a_date(date: Any) -> Any:
    """TOML has dates of its own; they count as their text."""
    return date.isoformat() if type(date) is datetime.date else date


def _in_the_calendar(date: str) -> str:
    """Refuse a 30th of February."""
    if date:
        try:
            datetime.date.fromisoformat(date)
        except ValueError:
            raise ValueError(f'found "{date}", which is not in the calendar') from None
    return date


# Strict: a number in quotes, or true where a number belongs, is a slip and not a number.
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Whole = Annotated[int, Strict()]
Switch = Annotated[bool, Strict()]
Text = Annotated[str, Strict()]
Level = Annotated[float, Strict(), AfterValidator(_a_level), Field(json_schema_extra={"maximum": LOUDEST_DB})]
GainDb = Annotated[Number, Field(ge=-LOUDEST_DB, le=LOUDEST_DB)]
FilterGainDb = Annotated[Number, Field(ge=-24.0, le=24.0)]
FilterHz = Annotated[Number, Field(ge=1.0, lt=HIGHEST_RATE_HZ / 2)]
Bar = Annotated[Whole, Field(ge=FIRST_BAR, le=LAST_BAR)]
Line = Annotated[Text, Field(max_length=200), AfterValidator(refuse_control)]
Name = Annotated[Text, Field(min_length=1, max_length=80), AfterValidator(refuse_name)]
"""Becomes part of file names."""
SoundPath = Annotated[Path, BeforeValidator(_a_file), Field(examples=["takes/left.wav"])]
Bars = Annotated[list[Bar], Field(min_length=2, max_length=2), AfterValidator(_forward)]
Meter = Annotated[Text, Field(pattern=r"^[1-9][0-9]?/(1|2|4|8|16|32)$", examples=["4/4", "6/8"])]
Tempo = Annotated[Number, Field(ge=10.0, le=400.0)]
"""Beats per minute."""
BeatNote = Annotated[Text, Field(pattern=r"^[13]/(1|2|4|8|16|32)$", examples=["1/4", "1/8", "3/8"])]
"""The note that is a beat, as a part of a whole note; 3/8 is a dotted quarter."""
Date = Annotated[
    Annotated[Text, Field(pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$", examples=["2024-05-31"])],
    BeforeValidator(_a_date), AfterValidator(_in_the_calendar),
]
NoteName = Annotated[Text, Field(pattern=r"^[A-G][#b]?[0-8]$", examples=["E2", "F#3", "Bb2"])]
PositionOrSeconds = Annotated[str | float, BeforeValidator(_a_position)]
Start = Annotated[str | float, BeforeValidator(_a_start)]


def omitted_table() -> Any:
    """Default of a table that is omitted; its model is built when a recipe is read, not at import."""
    return Field({}, validate_default=True)


class Noun(BaseModel):
    """Base of every table of a recipe: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)
