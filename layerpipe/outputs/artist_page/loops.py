"""A section's sounds as the artist's page plays them: cut to whole bars, round and round, as FLAC.

A section is cut to whole bars inside the seconds allowed. Its last 15 ms cross over into what lies before its first
frame, so that going round again sounds like going on; the joint ends on the downbeat, with constant power, for the two
sides are different moments of a performance. Sounds are numbered: the layers at 0 dB in the recipe's order, then the
bed. Encoded sounds are kept under a key made of everything that shaped them.
"""

from __future__ import annotations

import functools
import struct
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.audio_files.reader import flac_writer, write_flac
from layerpipe.core.errors import AudioError, Fault, RecipeError
from layerpipe.core.sound import BLOCK_FRAMES, FloatArray
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.loudness import MOMENTARY_STEPS
from layerpipe.dsp.quantize import DitherStream, to_pcm
from layerpipe.outputs.artist_page.model import PageSound
from layerpipe.render.layers import sum_layer, take_pans
from layerpipe.render.song import ProcessedSong, Stretch

Keep = Callable[[Mapping[str, Any], str, Callable[[], bytes]], bytes]
"""Finds what was kept under a description of all that shaped it and a kind, or makes and keeps it."""

JOINT_MS = 15.0
_HEAD = struct.Struct("<dQ")
_MADE = 2
"""Part of every key: counts up when the same song would make another loop or encoding."""
_FULLEST = 0.99


@dataclass(frozen=True)
class PagePart:
    """A section, cut to what the page has room for."""

    name: str
    part: Stretch
    start: int
    stop: int
    bars: tuple[tuple[int, float], ...]

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.stop - self.start


def parts_of(song: ProcessedSong, names: Sequence[str], seconds: float) -> tuple[PagePart, ...]:
    """Choose what the page holds.

    Parameters
    ----------
    song : ProcessedSong
    names : sequence of str
        Sections; all of them if empty, or the whole song where there are none.
    seconds : float
        Longer sections end at the last downbeat inside it, or there if they have none.

    Raises
    ------
    RecipeError
        If a name is no section, or a section is too short to have a loudness.
    """
    wanted = song.stretches(list(dict.fromkeys(names))) if names else (song.sections or (song.whole,))
    found, faults = [], []
    for part in wanted:
        bars = _bars(song, part)
        stop = min(part.stop, part.start + frames_of_s(seconds, song.rate_hz))
        if stop < part.stop:
            whole = [frame for _, frame in bars if part.start < frame <= stop]
            stop = whole[-1] if whole else stop
        if stop - part.start < frames_of_ms(10.0 * (MOMENTARY_STEPS + 2), song.rate_hz):
            length = f"lasts {(stop - part.start) / song.rate_hz:.2f} s"
            faults.append(Fault(song.path, f'section "{part.name}"', f"{length}; under 0.42 s no loudness can be held"))
        found.append(PagePart(part.name, part, part.start, stop, tuple(
            (bar, (frame - part.start) / song.rate_hz) for bar, frame in bars if part.start <= frame < stop)))
    if faults:
        raise RecipeError(faults)
    return tuple(found)


class Loops:
    """The sounds of one part. They are read from the takes only when something has to be made of them.

    Parameters
    ----------
    song : ProcessedSong
    part : PagePart
    keep : Keep
    """

    def __init__(self, song: ProcessedSong, part: PagePart, keep: Keep) -> None:
        self.song, self.part = song, part
        self._keep = keep
        self.count = len(song.layers) + (song.bed is not None)
        # Not a method's cache, which would hold this object as well.
        self.heard: Callable[[int], FloatArray] = functools.cache(self._heard)
        """Sound `n` at 0 dB, shape (frames, 2); its end leads back to its beginning."""

    def shaped_by(self, n: int) -> dict[str, Any]:
        """Everything that shapes sound `n`, in what JSON can hold."""
        song = self.song
        if n < len(song.layers):
            mine = song.takes_of(song.layers[n])
            source: list[Any] = [[song.takes[processed].sound.key,
                                  *take_pans(song.takes[processed].take)] for processed in mine]
        else:
            assert song.bed is not None
            source = ["bed", song.bed.digest, song.bed_gain]
        return {"loop": _MADE, "numpy": np.__version__, "source": source, "scale": song.scale, "rate_hz": song.rate_hz,
                "length": song.frames, "frames": [self.part.start, self.part.stop], "joint": self._joint}

    def encoded(self, n: int, bits: int) -> PageSound:
        """Sound `n` as 16-bit FLAC whose lowest 16 - bits are zero, with triangular dither; found or made."""
        name = self._named(n)
        described = {**self.shaped_by(n), "bits": bits, "dither": name, "writer": flac_writer()}
        return _unpacked(self._keep(described, "loop", lambda: _packed(
            _encode(self.heard(n), name, self.song.rate_hz, bits))))

    @property
    def _joint(self) -> int:
        """Frames that cross over."""
        return min(frames_of_ms(JOINT_MS, self.song.rate_hz), self.part.frames // 4)

    def _named(self, n: int) -> str:
        """What the dither of a sound belongs to."""
        layers = self.song.layers
        return f"{self.part.name}/{'layer ' + layers[n].name if n < len(layers) else 'bed'}"

    def _heard(self, n: int) -> FloatArray:
        """`heard`, read from the takes or the bed."""
        song, part, joint = self.song, self.part, self._joint
        sound = np.zeros((joint + part.frames, 2))
        for at in range(part.start - min(joint, part.start), part.stop, BLOCK_FRAMES):
            stop = min(at + BLOCK_FRAMES, part.stop)
            sound[at - part.start + joint : stop - part.start + joint] = self._read(n, at, stop)
        if song.bed is not None and n == len(song.layers) and not song.bed.unchanged():
            raise AudioError([Fault(song.bed.facts.path, "", "changed while it was read; try again")])
        turn = ((np.arange(joint) + 0.5) / joint * np.pi / 2)[:, None]
        sound[-joint:] = sound[-joint:] * np.cos(turn) + sound[:joint] * np.sin(turn)
        return sound[joint:]

    def _read(self, n: int, start: int, stop: int) -> FloatArray:
        """Frames start to stop of the song."""
        song = self.song
        if n == len(song.layers):
            assert song.bed is not None
            return song.bed.read(start, stop) * song.bed_gain
        mine = song.takes_of(song.layers[n])
        return sum_layer([song.takes[processed].sound.read_float32(start, stop) for processed in mine],
                         [take_pans(song.takes[processed].take) for processed in mine], song.scale)


def _bars(song: ProcessedSong, part: Stretch) -> list[tuple[int, int]]:
    """Bars and their downbeats' frames in a section of bars."""
    if part.section is None:
        return []
    first, last = part.section.bars
    return [(bar, frames_of_s(song.tempo_map.downbeat_s(bar), song.rate_hz)) for bar in range(first, last + 1)]


def _encode(sound: FloatArray, name: str, rate_hz: int, bits: int) -> PageSound:
    """FLAC of a loop."""
    gain = max(1.0, float(np.abs(sound).max()) / _FULLEST)
    coarser = 16 - bits
    pcm, overs = to_pcm(sound / (gain * (1 << coarser)), 16, dither=DitherStream(name, 2))
    assert not overs, "there is room for the dither"
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as folder:
        path = Path(folder) / "sound.flac"
        write_flac(path, pcm << np.int32(coarser), rate_hz, 16)
        return PageSound.of_flac(path.read_bytes(), gain)


def _packed(sound: PageSound) -> bytes:
    """As it is kept: the gain, the FLAC's length, its text."""
    return _HEAD.pack(sound.gain, sound.flac_bytes) + sound.text


def _unpacked(kept: bytes) -> PageSound:
    """What `_packed` made."""
    gain, flac_bytes = _HEAD.unpack_from(kept)
    return PageSound(kept[_HEAD.size :], flac_bytes, gain)
