"""A section's sounds as the artist's page loops them, as FLAC.

A section is cut to whole bars inside the seconds allowed. Its last 15 ms cross over into the sound before its first
frame, so that the loop continues without a break. The crossfade ends on the downbeat and has constant power, because
the two sides are different moments of a performance. Sounds are numbered: the layers at 0 dB in the recipe's order,
then the bed. A long section is encoded in pieces, so that a phone holds a few of them and memory here does not grow
with the song. Encoded sounds are cached under a key made of everything that shaped them.
"""

from __future__ import annotations

import itertools
import math
import struct
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from layerpipe.audio_files.flac import flac_writer, write_flac
from layerpipe.core.errors import AudioError, Fault, RecipeError
from layerpipe.core.sound import BLOCK_FRAMES, FloatArray
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.loudness.bs1770 import MOMENTARY_STEPS
from layerpipe.dsp.quantize import DitherStream, to_pcm
from layerpipe.outputs.artist_page.model import PagePiece, PageSound
from layerpipe.render.layers import sum_layer, take_pans
from layerpipe.render.song import ProcessedSong, SongPart

Keep = Callable[[Mapping[str, Any], str, Callable[[], bytes]], bytes]
"""Finds bytes in a cache, given all that shaped them and their kind, or makes them with the function."""

CROSSFADE_MS = 15.0
"""Longer than a period of the lowest string (12 ms at 82 Hz), shorter than the attack of a strum; own choice."""
LONGEST_ONE_PIECE_S, PIECE_S = 20.0, 12.0
"""Longer sections are cut into pieces of at most this length: 5 MB of each layer once decoded, and the next piece is
decoded long before it is heard; own choice."""
MARGIN_FRAMES = 4096
"""What a piece has more on either side: the page crosses over inside it, and an AAC encoder settles in it."""
_HEAD = struct.Struct("<Q")
_VERSION = 3
"""Part of every key; raised when the same song would make another loop or encoding."""
_HIGHEST_SAMPLE = 0.99
"""Leaves room for the dither below full scale."""


@dataclass(frozen=True)
class PagePart:
    """A section as far as the page contains it; frames of the song."""

    name: str
    part: SongPart
    start: int
    stop: int
    bars: tuple[tuple[int, float], ...]
    """Bars and the seconds of their downbeats, from the start of the part."""
    beats_s: tuple[float, ...] = ()

    @property
    def frames(self) -> int:
        """Length in frames."""
        return self.stop - self.start


def parts_of(song: ProcessedSong, names: Sequence[str], seconds: float) -> tuple[PagePart, ...]:
    """Choose the parts of the song that the page contains.

    Parameters
    ----------
    song : ProcessedSong
    names : sequence of str
        Sections; all of them if empty, or the whole song if it has none.
    seconds : float
        Longer sections are cut at the last downbeat inside it, or exactly there if they have no bars; inf cuts none.

    Raises
    ------
    RecipeError
        If a name is no section, or a section is too short to have a loudness.
    """
    wanted = song.parts(list(dict.fromkeys(names))) if names else (song.sections or (song.whole,))
    found, faults = [], []
    for part in wanted:
        bars = _bars(song, part)
        stop = part.stop
        if math.isfinite(seconds):
            stop = min(stop, part.start + frames_of_s(seconds, song.rate_hz))
        if stop < part.stop:
            whole = [frame for _, frame in bars if part.start < frame <= stop]
            stop = whole[-1] if whole else stop
        if stop - part.start < frames_of_ms(10.0 * (MOMENTARY_STEPS + 2), song.rate_hz):
            length = f"lasts {(stop - part.start) / song.rate_hz:.2f} s"
            faults.append(Fault(song.path, f'section "{part.name}"', f"{length}; its loudness needs at least 0.42 s"))
        inside = [(bar, frame) for bar, frame in bars if part.start <= frame < stop]
        found.append(PagePart(
            part.name, part, part.start, stop,
            tuple((bar, (frame - part.start) / song.rate_hz) for bar, frame in inside),
            tuple(second for bar, frame in inside
                  for second in _beats_s(song, bar, (frame - part.start) / song.rate_hz)
                  if second < (stop - part.start) / song.rate_hz)))
    if faults:
        raise RecipeError(faults)
    return tuple(found)


class Loops:
    """The sounds of one part, read from the takes only when they are needed.

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
        self.starts = piece_starts(part.frames, song.rate_hz)
        self.margin = MARGIN_FRAMES if len(self.starts) > 1 else 0
        self._sounds: dict[int, FloatArray] = {}

    @property
    def pieces(self) -> list[tuple[int, int]]:
        """First frame and end of each piece, without its margins."""
        return list(itertools.pairwise((*self.starts, self.part.frames)))

    def heard(self, n: int, start: int = 0, stop: int | None = None) -> FloatArray:
        """Frames start to stop of sound `n` at 0 dB, shape (frames, 2); past its ends it goes round.

        Its end crosses over into its beginning.
        """
        frames = self.part.frames
        if len(self.starts) == 1 and (start, stop) in ((0, None), (0, frames)):
            # A functools cache of a method would hold this object, and with it the sound of a whole section.
            if n not in self._sounds:
                self._sounds[n] = self._heard(n, 0, frames)
            return self._sounds[n]
        return np.concatenate([self._heard(n, *span) for span in self._rounds(start, frames if stop is None else stop)])

    def shaped_by(self, n: int) -> dict[str, Any]:
        """Everything that shapes sound `n`, in types that JSON knows."""
        song = self.song
        if n < len(song.layers):
            mine = song.takes_of(song.layers[n])
            source: list[Any] = [[song.takes[processed].sound.key,
                                  *take_pans(song.takes[processed].take)] for processed in mine]
        else:
            assert song.bed is not None
            source = ["bed", *song.bed.key, song.bed_gain]
        return {"loop": _VERSION, "numpy": np.__version__, "source": source, "scale": song.scale,
                "rate_hz": song.rate_hz, "length": song.frames,
                "frames": [self.part.start, self.part.stop], "joint": self._crossfade}

    def encoded(self, n: int, bits: int, highest: float) -> PageSound:
        """Sound `n` as 16-bit FLAC whose lowest 16 - bits are zero, with triangular dither; from the cache or new.

        `highest` is its highest sample.
        """
        gain = max(1.0, highest / _HIGHEST_SAMPLE)
        described = {**self.shaped_by(n), "bits": bits, "dither": self._dither_name(n), "writer": flac_writer(),
                     "gain": gain, "margin": self.margin}

        def piece(start: int, stop: int) -> PagePiece:
            return _unpacked(self._keep({**described, "piece": [start, stop]}, "loop", lambda: _packed(
                self._encode(n, start - self.margin, stop + self.margin, gain, bits))))

        return PageSound(tuple(piece(*span) for span in self.pieces), gain)

    def _encode(self, n: int, start: int, stop: int, gain: float, bits: int) -> PagePiece:
        """FLAC of some frames. A frame has the same samples in whichever piece it is."""
        coarser = 16 - bits
        dither = DitherStream(self._dither_name(n), 2)
        pcm = []
        for first, last in self._rounds(start, stop):
            part, overs = to_pcm(self.heard(n, first, last) / (gain * (1 << coarser)), 16, dither=dither, start=first)
            assert not overs, "there is room for the dither"
            pcm.append(part << np.int32(coarser))
        with tempfile.TemporaryDirectory(prefix="layerpipe-") as folder:
            path = Path(folder) / "sound.flac"
            write_flac(path, pcm, self.song.rate_hz, 16, channels=2)
            return PagePiece.of_flac(path.read_bytes())

    def _rounds(self, start: int, stop: int) -> Iterator[tuple[int, int]]:
        """Frames start to stop, cut where the loop goes round, as frames of the part."""
        frames = self.part.frames
        while start < stop:
            first = start % frames
            last = min(frames, first + stop - start)
            yield first, last
            start += last - first

    @property
    def _crossfade(self) -> int:
        """Length of the crossfade in frames."""
        return min(frames_of_ms(CROSSFADE_MS, self.song.rate_hz), self.part.frames // 4)

    def _dither_name(self, n: int) -> str:
        """Seeds the dither of a sound."""
        layers = self.song.layers
        return f"{self.part.name}/{'layer ' + layers[n].name if n < len(layers) else 'bed'}"

    def _heard(self, n: int, start: int, stop: int) -> FloatArray:
        """Frames start to stop of the part, read from the takes or the bed."""
        part, crossfade = self.part, self._crossfade
        sound = self._plain(n, part.start + start, part.start + stop)
        turn = part.frames - crossfade
        if stop > turn:
            first, last = max(start, turn) - turn, stop - turn
            phase = ((np.arange(first, last) + 0.5) / crossfade * np.pi / 2)[:, None]
            before = self._plain(n, part.start - crossfade + first, part.start - crossfade + last)
            sound[first - last :] = sound[first - last :] * np.cos(phase) + before * np.sin(phase)
        return sound

    def _plain(self, n: int, start: int, stop: int) -> FloatArray:
        """Frames start to stop of the song, silent before its beginning."""
        song = self.song
        sound = np.zeros((stop - start, 2))
        for at in range(max(start, 0), stop, BLOCK_FRAMES):
            last = min(at + BLOCK_FRAMES, stop)
            sound[at - start : last - start] = self._read(n, at, last)
        if song.bed is not None and n == len(song.layers) and not song.bed.unchanged():
            raise AudioError([Fault(song.bed.facts.path, "", "changed while it was read; try again")])
        return sound

    def _read(self, n: int, start: int, stop: int) -> FloatArray:
        """Frames start to stop of the song."""
        song = self.song
        if n == len(song.layers):
            assert song.bed is not None
            return song.bed.read(start, stop) * song.bed_gain
        mine = song.takes_of(song.layers[n])
        return sum_layer([song.takes[processed].sound.read_float32(start, stop) for processed in mine],
                         [take_pans(song.takes[processed].take) for processed in mine], song.scale)


def _bars(song: ProcessedSong, part: SongPart) -> list[tuple[int, int]]:
    """Bars of a section and the frames of their downbeats."""
    if part.section is None:
        return []
    first, last = part.section.bars
    return [(bar, frames_of_s(song.tempo_map.downbeat_s(bar), song.rate_hz)) for bar in range(first, last + 1)]


def _beats_s(song: ProcessedSong, bar: int, downbeat_s: float) -> list[float]:
    """Seconds of a bar's beats, counted as its downbeat is."""
    beat_s = song.tempo_map.beat_s(bar)
    return [downbeat_s + n * beat_s for n in range(max(1, round(song.tempo_map.bar_s(bar) / beat_s)))]


def piece_starts(frames: int, rate_hz: int) -> tuple[int, ...]:
    """First frames of the pieces of a section, all but equally long."""
    seconds = frames / rate_hz
    count = 1 if seconds <= LONGEST_ONE_PIECE_S else math.ceil(seconds / PIECE_S)
    return tuple(frames * n // count for n in range(count))


def _packed(piece: PagePiece) -> bytes:
    """As cached: length of the FLAC, its text."""
    return _HEAD.pack(piece.flac_bytes) + piece.text


def _unpacked(kept: bytes) -> PagePiece:
    """The reverse of `_packed`."""
    (flac_bytes,) = _HEAD.unpack_from(kept)
    return PagePiece(kept[_HEAD.size :], flac_bytes)
