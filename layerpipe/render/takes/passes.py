"""The passes of a take at their places, and the comp of them: which one is heard from where on.

A crossfade of a comp ends at the position that the recipe names, as the crossfades of moves do: the outgoing pass is
not heard after it, so an attack just behind it is heard once and whole. Nothing is listened to; a position for a joint
is chosen before it is written into a recipe, and `check` says where one is in the middle of an attack.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

from msgspec import Struct

from layerpipe.audio_files.info import channel_problem, is_unchanged, source_digest
from layerpipe.audio_files.reader import FileFacts, SourceFile
from layerpipe.audio_files.resample import ConvertedSound
from layerpipe.core.sound import Sound
from layerpipe.core.units import frames_of_ms, frames_of_s, gain_of_db
from layerpipe.recipe.model.recipe import Mic, Pass, Take
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.takes.joined import JoinedSound
from layerpipe.render.takes.placing import Place, PlacedSound, SummedSound, stamp_problem, start_of

DigestOf = Callable[[Path, Callable[[Path], str]], str]
"""Remembers checksums: called with a file and a function that finds its checksum, it may know it from last time."""


class OpenMic(Struct, frozen=True, dict=True):
    """One microphone of a pass: its file, at the song's rate, and its place in the song."""

    mic: Mic
    facts: FileFacts
    sound: Sound
    place: Place
    rate_converted_from: int | None
    _digest_of: DigestOf

    @property
    def stop(self) -> int:
        """Frame of the song at which the file ends."""
        return self.place.frame + self.sound.frames + (1 if self.place.part else 0)

    @property
    def gain(self) -> float:
        """Factor with which it is added; negative if its polarity is inverted."""
        return gain_of_db(self.mic.gain_db) * (-1 if self.mic.invert_polarity else 1)

    @functools.cached_property
    def digest(self) -> str:
        """SHA-256 of the file's bytes."""
        return self._digest_of(self.facts.path, source_digest)

    def unchanged(self) -> bool:
        """Whether the file is still the one that was examined."""
        return is_unchanged(self.facts)


class OpenPass(Struct, frozen=True):
    """One pass of a take, without its moves."""

    one: Pass
    mics: tuple[OpenMic, ...]

    @property
    def start(self) -> int:
        """Frame of the song at which its first file begins; may be negative."""
        return min(mic.place.frame for mic in self.mics)

    @property
    def stop(self) -> int:
        """Frame of the song at which its last file ends."""
        return max(mic.stop for mic in self.mics)

    @property
    def is_plain(self) -> bool:
        """Whether it is one file, as it is, from the start of the song."""
        return len(self.mics) == 1 and self.mics[0].place == Place(0, 0.0) and self.mics[0].gain == 1

    def sound(self, frames: int) -> Sound:
        """The pass in a song of a length: its microphones at their places, added up."""
        placed = [PlacedSound(mic.sound, frames, mic.place) for mic in self.mics]
        gains = [mic.gain for mic in self.mics]
        return placed[0] if gains == [1.0] else SummedSound(placed, gains)


class CompJoint(Struct, frozen=True):
    """Where another pass comes in: the frame where its crossfade ends; passes are counted from 0."""

    stop: int
    before: int
    after: int
    crossfade_frames: int


class Comp(Struct, frozen=True):
    """Which pass is heard from frame 0 on, and where another one comes in, in order."""

    first: int
    joints: tuple[CompJoint, ...]

    @classmethod
    def of(cls, take: Take, tempo_map: TempoMap, rate_hz: int) -> Comp:
        """The comp of a take in frames; a take of one pass has no joints."""
        names = [one.name for one in take.every_pass]
        changes: list[tuple[int, int, int]] = []
        parts = sorted((frames_of_s(tempo_map.seconds_of(part.start), rate_hz),
                        frames_of_s(tempo_map.seconds_of(part.stop), rate_hz), names.index(part.played),
                        max(1, frames_of_ms(part.crossfade_ms, rate_hz))) for part in take.comp)
        for start, stop, number, crossfade in parts:
            # Entries that touch share a joint.
            touches = bool(changes) and changes[-1][0] >= start
            crossfade_in = max(changes.pop()[2], crossfade) if touches else crossfade
            changes += [(start, number, crossfade_in), (stop, take.played, crossfade)]
        heard, joints = take.played, list[CompJoint]()
        first = heard
        for frame, number, crossfade in changes:
            if frame <= 0:
                first = heard = number
            elif number != heard:
                joints.append(CompJoint(frame, heard, number, crossfade))
                heard = number
        return cls(first, tuple(joints))

    @property
    def sounding(self) -> tuple[int, ...]:
        """The passes that are heard anywhere, in the order in which they come in."""
        return tuple(dict.fromkeys([self.first, *(joint.after for joint in self.joints)]))

    def spans(self, frames: int) -> list[tuple[int, int, int]]:
        """Start, stop and pass of what is heard in a song of a length."""
        edges = [0, *(min(joint.stop, frames) for joint in self.joints), frames]
        heard = [self.first, *(joint.after for joint in self.joints)]
        return [(start, stop, number) for (start, stop), number in zip(pairwise(edges), heard, strict=True)
                if start < stop]

    def play(self, passes: Sequence[Sound]) -> Sound:
        """The passes joined; all are of one length."""
        frames, pieces, crossfades = passes[0].frames, [passes[self.first]], list[tuple[int, int]]()
        for joint in self.joints:
            if joint.stop < frames:
                earliest = crossfades[-1][1] if crossfades else 0
                pieces.append(passes[joint.after])
                crossfades.append((max(joint.stop - joint.crossfade_frames, earliest), joint.stop))
        return JoinedSound(pieces, crossfades) if crossfades else pieces[0]


def open_pass(one: Pass, facts: Sequence[FileFacts], rate_hz: int, tempo_map: TempoMap, song_s: float | None,
              digest_of: DigestOf) -> OpenPass:
    """Open the files of a pass, whose facts are given in the order of its microphones.

    Raises
    ------
    ParameterError
        If a time stamp cannot be used.
    """
    mics = []
    for mic, seen in zip(one.every_mic, facts, strict=True):
        source = SourceFile(mic.file, mic.channel, facts=seen)
        is_converted = seen.rate_hz != rate_hz
        sound: Sound = ConvertedSound(source, seen.frames, seen.rate_hz, rate_hz) if is_converted else source
        start_s = start_of(one.starts, seen, tempo_map, song_s)
        mics.append(OpenMic(mic, seen, sound, Place.of(start_s, one.shift_ms + mic.shift_ms, rate_hz),
                            seen.rate_hz if is_converted else None, digest_of))
    return OpenPass(one, tuple(mics))


def mic_problem(mic: Mic, one: Pass, song_s: float | None, facts: FileFacts) -> str | None:
    """What is wrong with a file as this microphone of this pass."""
    return channel_problem(facts, mic.channel) or stamp_problem(one.starts, facts, song_s)
