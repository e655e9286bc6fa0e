"""A sound once more, from what it says it is made of: another process has the same files and none of the objects."""

from __future__ import annotations

from layerpipe.audio_files.reader import SourceFile
from layerpipe.audio_files.resample import ConvertedSound
from layerpipe.core.sound import Made, Sound
from layerpipe.render.takes.joined import JoinedSound
from layerpipe.render.takes.placing import Place, PlacedSound, SummedSound


def sound_of(made: Made) -> Sound:
    """The sound that is made of this; it reads the same to the last bit.

    Parameters
    ----------
    made : tuple
        What `core.sound.made_of` gives of a mono sound.

    Raises
    ------
    ValueError
        If it is of another kind.
    """
    match made:
        case "channel", facts, column:
            return SourceFile(facts.path, column + 1, facts=facts)
        case "converted", source, frames, from_hz, rate_hz, _:
            return ConvertedSound(sound_of(source), frames, from_hz, rate_hz)
        case "placed", inner, frames, frame, part:
            return PlacedSound(sound_of(inner), frames, Place(frame, part))
        case "summed", inner, gains:
            return SummedSound([sound_of(one) for one in inner], gains)
        case "joined", pieces, crossfades:
            return JoinedSound([sound_of(one) for one in pieces], crossfades)
    raise ValueError(f"{made[0]}: no mono sound")
