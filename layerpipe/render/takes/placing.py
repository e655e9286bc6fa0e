"""A file at its place in the song: when it begins, to a part of a frame; and several microphones as one sound.

The song begins at frame 0. Before a file begins and after it ends there is exact digital silence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from layerpipe.audio_files.info import FileFacts, time_text
from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import FloatArray, Made, Sound, made_of, part_of
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.fractional_delay import REACH, delay_kernel, delay_part
from layerpipe.recipe.model.types import SECONDS_OF_A_DAY, TIME_REFERENCE
from layerpipe.recipe.tempo_map import TempoMap

WHOLE_WITHIN = 1e-6
"""Frames; a shift this near to a whole frame is meant as one, and the sound is copied exactly."""
LATEST_STAMP_S = 3600.0
"""A file whose time stamp is this long after the song's belongs to another song."""
MOST_STAMP_S = 2 * SECONDS_OF_A_DAY
"""A session that runs past midnight may count on to the next; no stamp is higher."""

_INSTEAD = 'give starts as a position such as "bar 9" or in seconds'


class Place(NamedTuple):
    """When a file begins: whole frames of the song (negative: before it), and a part of a frame, inside [0, 1)."""

    frame: int
    part: float

    @classmethod
    def of(cls, start_s: float, shift_ms: float, rate_hz: int) -> Place:
        """A start, rounded to whole frames, and a shift, of which parts of a frame count."""
        shift = shift_ms / 1000 * rate_hz
        frame = math.floor(shift + WHOLE_WITHIN)
        part = shift - frame
        return cls(frames_of_s(start_s, rate_hz) + frame, part if part > WHOLE_WITHIN else 0.0)

    @property
    def frames(self) -> float:
        """The place in frames."""
        return self.frame + self.part


def stamped_start_s(facts: FileFacts, song_s: float) -> float:
    """Seconds from the start of the song at which a file begins by its own time stamp.

    Parameters
    ----------
    facts : FileFacts
    song_s : float
        Time stamp of the start of the song, in seconds since midnight.

    Raises
    ------
    ParameterError
        If the file has no stamp, an impossible one, or one that is far from the song.

    References
    ----------
    EBU Tech 3285 v2 (2011): the time reference of `bext` counts samples since midnight, at the file's own rate.
    """
    if facts.time_reference is None:
        raise ParameterError(f"has no time stamp (no bext chunk); {_INSTEAD}")
    stamp_s = facts.time_reference / facts.rate_hz
    if stamp_s >= MOST_STAMP_S:
        raise ParameterError(f"has an impossible time stamp, {stamp_s / 3600:.1f} hours after midnight; {_INSTEAD}")
    # Past midnight a stamp begins at 0 again, or counts on: the nearest of the two is meant.
    half = SECONDS_OF_A_DAY / 2
    start_s = (stamp_s - song_s + half) % SECONDS_OF_A_DAY - half
    told = f"its time stamp is {_clock(stamp_s)}, the song begins at {_clock(song_s)}"
    if start_s + facts.seconds <= 0:
        raise ParameterError(f"ends {-(start_s + facts.seconds):.3f} s before the song begins: {told}")
    if start_s > LATEST_STAMP_S:
        raise ParameterError(f"begins {start_s / 3600:.1f} hours after the song: {told}; is it of another song?")
    return start_s


def start_of(starts: str | float, facts: FileFacts, tempo_map: TempoMap, song_s: float | None) -> float:
    """Seconds from the start of the song at which a file with this `starts` begins. Raises as `stamped_start_s`."""
    return stamped_start_s(facts, song_s or 0.0) if starts == TIME_REFERENCE else tempo_map.seconds_of(starts)


def stamp_problem(starts: str | float, facts: FileFacts, song_s: float | None) -> str | None:
    """What is wrong with the time stamp of a file that begins where it says; None for others."""
    if starts == TIME_REFERENCE:
        try:
            stamped_start_s(facts, song_s or 0.0)
        except ParameterError as refusal:
            return str(refusal)
    return None


class PlacedSound:
    """A sound that begins at a place, cut or padded with digital silence to a length; a `Sound`.

    Parameters
    ----------
    sound : Sound
    frames : int
        Length in frames.
    place : Place, optional
        If omitted, frame 0.
    """

    def __init__(self, sound: Sound, frames: int, place: Place = Place(0, 0.0)) -> None:  # noqa: B008
        self._sound, self._frames, self._place = sound, frames, place
        self._kernel = delay_kernel(place.part) if place.part else None

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._sound.rate_hz

    @property
    def frames(self) -> int:
        """Length in frames, with the silence."""
        return self._frames

    @property
    def made_of(self) -> Made | None:
        """A sound at a place. A part of a longer sound that holds nothing but a file is that file."""
        sound, frames, place = self._sound, self._frames, self._place
        if isinstance(sound, PlacedSound) and not place.part and 0 <= -place.frame <= sound.frames - frames:
            # What is cut out of a placed sound is the sound it was made of, placed accordingly.
            return PlacedSound(sound._sound, frames, sound._place._replace(
                frame=sound._place.frame + place.frame)).made_of
        if not place.part and 0 <= -place.frame <= sound.frames - frames:
            heard = part_of(sound, -place.frame, frames - place.frame)
            if heard is not sound:
                return PlacedSound(heard, frames, place).made_of
        inner = made_of(sound)
        return inner if inner is None or (frames, place) == (sound.frames, (0, 0.0)) else (
            "placed", inner, frames, *place)

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        first, last = start - self._place.frame, stop - self._place.frame
        if self._kernel is None:
            return self._padded(first, last)
        # Silence stays silence: the kernel reaches back before the first frame, and on after the last.
        inside = max(first, 0), min(last, self._sound.frames + 1)
        if inside[0] >= inside[1]:
            return np.zeros(stop - start)
        delayed = delay_part(self._padded(inside[0] - REACH, inside[1] + REACH - 1), self._kernel)
        return np.pad(delayed, (inside[0] - first, last - inside[1]))

    def _padded(self, first: int, last: int) -> FloatArray:
        """Frames of the file, silent before it begins and after it ends."""
        inside_first, inside_last = max(first, 0), min(last, self._sound.frames)
        if inside_first >= inside_last:
            return np.zeros(last - first)
        sound = self._sound.read(inside_first, inside_last)
        if (inside_first, inside_last) == (first, last):
            return sound
        return np.pad(sound, (inside_first - first, last - inside_last))


class SummedSound:
    """Several sounds of one length, each with a gain, added up; a `Sound`."""

    def __init__(self, sounds: Sequence[Sound], gains: Sequence[float]) -> None:
        self._sounds, self._gains = list(sounds), list(gains)

    @property
    def rate_hz(self) -> int:
        """Frames per second."""
        return self._sounds[0].rate_hz

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self._sounds[0].frames

    @property
    def made_of(self) -> Made | None:
        """All of them, with their gains."""
        inner = tuple(made_of(sound) for sound in self._sounds)
        return None if None in inner else ("summed", inner, tuple(self._gains))

    def read(self, start: int, stop: int) -> FloatArray:
        """Frames start to stop as float64 of shape (stop - start,)."""
        out = np.zeros(stop - start)
        for sound, gain in zip(self._sounds, self._gains, strict=True):
            out += gain * sound.read(start, stop)
        return out


def _clock(seconds: float) -> str:
    """A time of day."""
    hours, rest = divmod(seconds, 3600)
    return f"{int(hours)}:{time_text(round(rest * 1000), 1000).rjust(9, '0')}"
