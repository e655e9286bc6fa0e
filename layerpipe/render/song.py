"""A song whose takes are processed: previews, bounces, levels and the artist's page read from it.

Takes are mono float32 from the cache, before gain, pan and level; positions are frames of the song's rate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.units import frames_of_s, gain_of_db
from layerpipe.dsp.loudness.bs1770 import step_starts
from layerpipe.recipe.model.recipe import Layer, Recipe, Section, Take
from layerpipe.recipe.names import WHOLE_SONG
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.cached_take import CachedTake
from layerpipe.render.energies.mixes import Alone, Gains, Mix
from layerpipe.render.layers import LevelPlan, plan_levels, sum_layer, take_gain, take_pans
from layerpipe.render.takes.moves import FrameMove
from layerpipe.render.takes.open_takes import OpenBed, OpenTake


@dataclass(frozen=True)
class ProcessedTake:
    """One take that is not muted: its source, its moves and its processed sound."""

    layer: Layer
    take: Take
    source: OpenTake
    moves: tuple[FrameMove, ...]
    sound: CachedTake

    @property
    def name(self) -> str:
        """Layer and take, as in file names."""
        return f"{self.layer.name}-{self.take.name}"

    @property
    def threshold_db(self) -> float | None:
        """The compressor's threshold, named or found; None without a compressor."""
        asked = (self.layer.chain if self.take.chain is None else self.take.chain).compressor
        if asked is None or asked.threshold_db is not None:
            return None if asked is None else asked.threshold_db
        found: float = self.sound.facts["threshold_db"]
        return found


class SongPart(Struct, frozen=True):
    """The song between two frames: a section, or the whole song (section None)."""

    name: str
    section: Section | None
    start: int
    stop: int


@dataclass(frozen=True)
class ProcessedSong:
    """A recipe with its processed takes side by side."""

    path: Path
    """The recipe's file, for messages."""
    recipe: Recipe
    tempo_map: TempoMap
    rate_hz: int
    frames: int
    takes: tuple[ProcessedTake, ...]
    bed: OpenBed | None
    scale: float = 1.0
    """One factor for all outputs; a bounce that exceeds full scale may be lowered by it."""

    @cached_property
    def layers(self) -> tuple[Layer, ...]:
        """The layers in which a take sounds, in the recipe's order."""
        return tuple(layer for layer in self.recipe.layer if any(processed.layer is layer for processed in self.takes))

    @cached_property
    def sections(self) -> tuple[SongPart, ...]:
        """The sections that lie inside the song, cut to its length, in order of time."""
        found = []
        for section in self.recipe.section:
            start_s, stop_s = self.tempo_map.span_s(section)
            start = min(max(frames_of_s(start_s, self.rate_hz), 0), self.frames)
            stop = min(max(frames_of_s(stop_s, self.rate_hz), 0), self.frames)
            if stop > start:
                found.append(SongPart(section.name, section, start, stop))
        return tuple(sorted(found, key=lambda part: part.start))

    @property
    def whole(self) -> SongPart:
        """The whole song."""
        return SongPart(WHOLE_SONG, None, 0, self.frames)

    @cached_property
    def plans(self) -> dict[str, LevelPlan]:
        """Each layer's level over the song, by name."""
        return {
            layer.name: plan_levels(
                layer,
                [(part.start, part.stop, self.recipe.level_db(layer, part.section)) for part in self.sections],
                self.rate_hz,
            )
            for layer in self.layers
        }

    def parts(self, names: Sequence[str] = ()) -> tuple[SongPart, ...]:
        """The named sections ("whole song" is all of it), or all sections and the whole song.

        Raises
        ------
        RecipeError
            If there is no section of a name.
        """
        known = {part.name: part for part in (*self.sections, self.whole)}
        unknown = [name for name in names if name not in known]
        if unknown:
            allowed = ", ".join(f'"{name}"' for name in known)
            raise RecipeError([Fault(self.path, "--section", f'no section "{name}"; there are {allowed}')
                               for name in unknown])
        return tuple(known[name] for name in names) if names else tuple(known.values())

    def takes_of(self, layer: Layer) -> list[int]:
        """Indices of the layer's takes among `takes`."""
        return [n for n, processed in enumerate(self.takes) if processed.layer is layer]

    def blocks(self, start: int, stop: int, size: int) -> Iterator[tuple[int, list[Float32Array]]]:
        """Start frame and every take's frames, block by block."""
        for at in range(start, stop, size):
            end = min(at + size, stop)
            yield at, [processed.sound.read_float32(at, end) for processed in self.takes]

    @cached_property
    def channels_of_layer(self) -> dict[str, tuple[int, ...]]:
        """Channels of the energies, by layer: its takes if there are at most two, else its sum's left and right.

        All takes of a layer get the same level changes, so no level needs more; and pans of two takes can change
        without measuring again.
        """
        found: dict[str, tuple[int, ...]] = {}
        at = 0
        for layer in self.layers:
            count = min(len(self.takes_of(layer)), 2)
            found[layer.name] = tuple(range(at, at + count))
            at += count
        return found

    @property
    def channels(self) -> int:
        """Number of channels of the energies: those of the layers, and two for a bed."""
        return sum(map(len, self.channels_of_layer.values())) + (0 if self.bed is None else 2)

    @cached_property
    def summed_takes(self) -> tuple[int, ...]:
        """Indices of the takes that are no channel of the energies, which have their energy alone."""
        return tuple(n for layer in self.layers if self._is_summed(layer) for n in self.takes_of(layer))

    def rows_of(self, blocks: Sequence[Float32Array], at: int) -> npt.NDArray[np.floating]:
        """What the energies measure, before levels: their channels, then summed takes; shape (rows, frames)."""
        rows: list[npt.NDArray[np.floating]] = []
        for layer in self.layers:
            played = [blocks[n] for n in self.takes_of(layer)]
            rows += [*sum_layer(played, self._pans_of(layer), 1.0).T] if self._is_summed(layer) else played
        if self.bed is not None:
            rows += [*self.bed.read(at, at + len(blocks[0])).T]
        return np.stack([*rows, *(blocks[n] for n in self.summed_takes)])

    def layer_of(self, layer: Layer, blocks: Sequence[Float32Array], at: int, *,
                 level: float | None = None) -> FloatArray:
        """One layer's stereo sound of a block that begins at frame `at`; `level` (a factor) replaces the plan."""
        return self._sum_layer(layer, [blocks[n] for n in self.takes_of(layer)], at, level)

    def take_gain_of(self, n: int) -> float:
        """Gain and polarity of take `n` as a stem, before pan and level."""
        return self.scale * take_gain(self.takes[n].take)

    def mix(self, layers: Sequence[Layer], *, level: bool = True, bed: bool = False) -> Mix:
        """Some layers, and the bed if asked for, as the energies mix them.

        With `level` off the layers are at 0 dB instead of the recipe's levels.
        """
        levelled = layers if level else ()
        plans = [(list(self.channels_of_layer[layer.name]), self.plans[layer.name]) for layer in levelled]
        moving = tuple(ramp for _, plan in plans for ramp in plan.ramps())

        def gains_of(side: int) -> Gains:
            factors = np.zeros(self.channels)
            for layer in layers:
                pans = ((1.0, 0.0), (0.0, 1.0)) if self._is_summed(layer) else self._pans_of(layer)
                for n, pan in zip(self.channels_of_layer[layer.name], pans, strict=True):
                    factors[n] = self.scale * pan[side]
            if bed and self.bed is not None:
                factors[self.channels - 2 + side] = self.bed_gain
            if not level:
                return factors

            def by_step(first: int, stop: int) -> FloatArray:
                rows = np.repeat(factors[None], stop - first, axis=0)
                for channels, plan in plans:
                    rows[:, channels] *= plan.gain_at(step_starts(first, stop, self.rate_hz)[:-1])[:, None]
                return rows

            return by_step

        def sound(start: int, stop: int) -> FloatArray:
            total = np.zeros((stop - start, 2))
            for layer in layers:
                blocks = [self.takes[n].sound.read_float32(start, stop) for n in self.takes_of(layer)]
                total += self._sum_layer(layer, blocks, start, None if level else 1.0)
            if bed and self.bed is not None:
                total += self.bed.read(start, stop) * self.bed_gain
            return total

        return Mix(gains_of(0), gains_of(1), moving, sound)

    def mix_of_take(self, n: int) -> Alone:
        """Take `n` alone at its own gain, as the energies measure it: one channel."""
        if n in self.summed_takes:
            return Alone(self.channels + self.summed_takes.index(n), self.take_gain_of(n))
        layer = self.takes[n].layer
        return Alone(self.channels_of_layer[layer.name][self.takes_of(layer).index(n)], self.take_gain_of(n))

    @property
    def bed_gain(self) -> float:
        """The bed's gain as a factor."""
        return 0.0 if self.recipe.bed is None else gain_of_db(self.recipe.bed.gain_db)

    def _is_summed(self, layer: Layer) -> bool:
        """Whether the energies hold a layer's sum instead of its takes."""
        return len(self.takes_of(layer)) > len(self.channels_of_layer[layer.name])

    def _pans_of(self, layer: Layer) -> list[tuple[float, float]]:
        """Left and right factors of a layer's takes."""
        return [take_pans(self.takes[n].take) for n in self.takes_of(layer)]

    def _sum_layer(self, layer: Layer, blocks: Sequence[Float32Array], at: int, level: float | None) -> FloatArray:
        """A layer's stereo sound from blocks of its takes that begin at frame `at`."""
        gains = self.plans[layer.name].gains(at, at + len(blocks[0])) if level is None else level
        return sum_layer(blocks, self._pans_of(layer), self.scale * gains)
