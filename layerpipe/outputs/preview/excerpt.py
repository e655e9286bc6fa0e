"""A section by itself: lead-in, tail, short fades, and its versions mixed from the takes.

Positions are frames of the song. A version's sound is (frames, 2) float64, before the gain that makes all equally loud.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct, field

from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.units import frames_of_s
from layerpipe.dsp.loudness.bs1770 import STEPS_PER_S, step_start
from layerpipe.recipe.model.recipe import Layer
from layerpipe.render.energies.mixes import Mix
from layerpipe.render.song import ProcessedSong, SongPart

FADE_IN_S, FADE_OUT_S = 0.05, 0.5
"""Long enough not to click, short enough to keep the lead-in's beat; common practice, no source."""


class Version(Struct, frozen=True):
    """One way to hear a section."""

    label: str
    layers: tuple[Layer, ...]
    with_bed: bool = False


class Excerpt(Struct, frozen=True):
    """A part of the song with its lead-in and tail, and the lengths of its fades."""

    part: SongPart
    start: int
    stop: int
    fade_in: int
    fade_out: int

    def fade(self, start: int, stop: int) -> FloatArray:
        """Gain of song frames start to stop, shape (stop - start,): raised cosines at both ends."""
        gain: FloatArray = np.ones(stop - start)
        risen, falls = (min(max(at - start, 0), len(gain)) for at in (self.start + self.fade_in,
                                                                     self.stop - self.fade_out))
        if self.fade_in:
            rise = np.clip((np.arange(start, start + risen) - self.start) / self.fade_in, 0, 1)
            gain[:risen] = (1 - np.cos(np.pi * rise)) / 2
        if self.fade_out:
            fall = np.clip((self.stop - np.arange(start + falls, stop)) / self.fade_out, 0, 1)
            gain[falls:] *= (1 - np.cos(np.pi * fall)) / 2
        return gain

    def mix_of(self, song: ProcessedSong, version: Version) -> Mix:
        """A version as the energies mix it, fades included and silent before and after."""
        mix = song.mix(version.layers, bed=version.with_bed)
        sound = mix.sound
        assert sound is not None

        def faded(start: int, stop: int) -> FloatArray:
            first, last = max(start, self.start), min(stop, self.stop)
            out = np.zeros((stop - start, 2))
            if last > first:
                out[first - start : last - start] = sound(first, last) * self.fade(first, last)[:, None]
            return out

        begins = ((self.start, self.start + max(self.fade_in, 1)),) if self.start > 0 else ()
        ends = ((self.stop - self.fade_out, self.stop),) if self.fade_out else ()
        return Mix(mix.left, mix.right, (*mix.moving, *begins, *ends), faded)


def excerpt_of(song: ProcessedSong, part: SongPart) -> Excerpt:
    """Extend a part by a lead-in of some beats and a tail, with short fades where the sound is cut."""
    wanted = song.recipe.preview
    lead_s = 0.0
    if part.section is not None and wanted.lead_in_beats:
        lead_s = wanted.lead_in_beats * song.tempo_map.beat_s(part.section.bars[0])
    start = max(0, part.start - frames_of_s(lead_s, song.rate_hz))
    stop = min(song.frames, part.stop + frames_of_s(wanted.tail_s, song.rate_hz))
    # On a step of the energies, so that the gating blocks of the file are those that were measured.
    start = step_start(start * STEPS_PER_S // song.rate_hz, song.rate_hz)
    fade_in = min(frames_of_s(FADE_IN_S, song.rate_hz), part.start - start) if start > 0 else 0
    fade_out = min(frames_of_s(FADE_OUT_S, song.rate_hz), stop - part.stop) if stop < song.frames else 0
    return Excerpt(part, start, stop, fade_in, fade_out)


class ExcerptSound(Struct):
    """An excerpt's takes, in whole seconds; held in memory once they were read, if `keep` is set.

    Threads may read different spans of it at the same time.
    """

    song: ProcessedSong
    excerpt: Excerpt
    keep: bool
    _held: dict[int, list[Float32Array]] = field(default_factory=dict)

    def spans(self, count: int) -> list[tuple[int, int]]:
        """The excerpt in at most so many spans of whole seconds of the song, alike in length."""
        rate_hz, excerpt = self.song.rate_hz, self.excerpt
        first, last = excerpt.start // rate_hz, -(-excerpt.stop // rate_hz)
        cuts = sorted({max(excerpt.start, (first + n * (last - first) // count) * rate_hz) for n in range(count)})
        return list(pairwise((*cuts, excerpt.stop)))

    def versions(self, versions: Sequence[Version], start: int | None = None,
                 stop: int | None = None) -> Iterator[tuple[int, list[FloatArray]]]:
        """First frame of each piece and each version's sound there, with fades; no layer is mixed twice.

        From song frame `start` to `stop`; if omitted, the whole excerpt.
        """
        wanted = {layer.name: layer for version in versions for layer in version.layers}
        for at, blocks in self._pieces(self.excerpt.start if start is None else start,
                                       self.excerpt.stop if stop is None else stop):
            end = at + len(blocks[0])
            layers = {name: self.song.layer_of(layer, blocks, at) for name, layer in wanted.items()}
            is_faded = at < self.excerpt.start + self.excerpt.fade_in or end > self.excerpt.stop - self.excerpt.fade_out
            fade = self.excerpt.fade(at, end)[:, None] if is_faded else None
            sounds = []
            for version in versions:
                sound, *others = (layers[layer.name] for layer in version.layers)
                for other in others:
                    sound = sound + other
                if version.with_bed and self.song.bed is not None:
                    sound = sound + self.song.bed.read(at, end) * self.song.bed_gain
                sounds.append(sound if fade is None else sound * fade)
            yield at, sounds

    def _pieces(self, start: int, stop: int) -> Iterator[tuple[int, list[Float32Array]]]:
        """First frame and the takes' blocks, cut at whole seconds as the cache checks them."""
        rate_hz = self.song.rate_hz
        for second in range(start // rate_hz * rate_hz, stop, rate_hz):
            at, end = max(second, self.excerpt.start), min(second + rate_hz, self.excerpt.stop)
            blocks = self._held.get(second)
            if blocks is None:
                _, blocks = next(self.song.blocks(at, end, rate_hz))
                if self.keep:
                    self._held[second] = blocks
            first, last = max(start, at), min(stop, end)
            yield first, blocks if (first, last) == (at, end) else [block[first - at : last - at] for block in blocks]
