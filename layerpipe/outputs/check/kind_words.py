"""Advice that depends on what plays: nobody tells a singer to let the strings settle."""

from __future__ import annotations

from dataclasses import dataclass, replace

from layerpipe.recipe.model.takes import Kind


@dataclass(frozen=True)
class KindWords:
    """What to do about faults that are mended differently on each kind."""

    tuning_moves: str = "let the strings settle, tune, and re-record"
    hum: str = "rotate the guitar until the hum is lowest; try another outlet or cable (never lift the safety earth)"
    noise: str = "play louder, move the microphone closer, switch fans off"
    same_sound: str = "use the same strings, pick and microphone position for both"
    other_key: str = "check capo and tuning, then re-record"
    one_string: str = "one string"
    tune_string: str = "tune that string, or check its fingering, then re-record"


_PLUCKED = KindWords()
_OTHER = KindWords(
    tuning_moves="tune, and re-record",
    hum=("keep the microphone cable away from mains leads; try another outlet or cable (never lift the safety "
         "earth)"),
    same_sound="use the same instrument and microphone position for both",
    other_key="check the key, then re-record",
    one_string="one note",
    tune_string="check that note, then re-record")
WORDS: dict[Kind, KindWords] = {
    "plucked": _PLUCKED,
    "struck": _OTHER,
    "voice": replace(
        _OTHER, tuning_moves="give the key just before the take, check that the singer hears the pitch well at a "
        "moderate headphone level, and re-record", noise="move the microphone closer, switch fans off",
        same_sound="keep the same distance to the same microphone for both"),
    "bowed": replace(_OTHER, tuning_moves=_PLUCKED.tuning_moves, one_string=_PLUCKED.one_string,
                     tune_string=_PLUCKED.tune_string,
                     same_sound="use the same instrument, bow and microphone position for both"),
    "wind": replace(_OTHER, tuning_moves="warm the instrument up, tune, and re-record")}
