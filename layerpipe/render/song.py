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

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.sound import Float32Array, FloatArray
from layerpipe.core.units import frames_of_s, gain_of_db
from layerpipe.dsp.loudness import step_starts
from layerpipe.recipe.model import Layer, Recipe, Section, Take
from layerpipe.recipe.names import WHOLE_SONG
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.cached_take import CachedTake
from layerpipe.render.energies.mixes import Gains, Mix
from layerpipe.render.layers import LevelPlan, plan_levels, sum_layer, take_gain, take_pans
from layerpipe.render.moves import FrameMove
from layerpipe.render.takes import OpenBed, OpenTake


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


@dataclass(frozen=True)
class SongPart:
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

    def channels_of(self, blocks: Sequence[Float32Array], at: int) -> npt.NDArray[np.floating]:
        """The channels of the energies: the takes, then the bed, all before gain; shape (channels, frames)."""
        if self.bed is None:
            return np.stack(blocks)
        return np.concatenate([np.stack(blocks), self.bed.read(at, at + len(blocks[0])).T])

    def layer_of(self, layer: Layer, blocks: Sequence[Float32Array], at: int, *,
                 level: float | None = None) -> FloatArray:
        """One layer's stereo sound of a block that begins at frame `at`; `level` (a factor) replaces the plan."""
        return self._sum_layer(layer, [blocks[n] for n in self.takes_of(layer)], at, level)

    def take_gain_of(self, n: int) -> float:
        """Gain and polarity of take `n` as a stem, before pan and level."""
        return self.scale * take_gain(self.takes[n].take)

    def mix(self, layers: Sequence[Layer], *, level: bool = True, bed: bool = False) -> Mix:
        """Some layers, and the bed if asked for, as the energies mix them.

        The energies' channels are the takes, then the bed's left and right if the song has one. With `level` off the
        layers are at 0 dB instead of the recipe's levels.
        """
        plans = [(self.takes_of(layer), self.plans[layer.name]) for layer in layers] if level else []
        moving = tuple(ramp for _, plan in plans for ramp in plan.ramps())

        def gains_of(side: int) -> Gains:
            factors = np.zeros(self.channels)
            for layer in layers:
                for n in self.takes_of(layer):
                    factors[n] = self.scale * take_pans(self.takes[n].take)[side]
            if bed and self.bed is not None:
                factors[len(self.takes) + side] = self.bed_gain
            if not level:
                return factors

            def by_step(first: int, stop: int) -> FloatArray:
                rows = np.repeat(factors[None], stop - first, axis=0)
                for takes, plan in plans:
                    rows[:, takes] *= plan.gain_at(step_starts(first, stop, self.rate_hz)[:-1])[:, None]
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

    def mix_of_take(self, n: int) -> Mix:
        """Take `n` alone at its own gain, as the energies mix it: one channel."""
        alone = np.zeros(self.channels)
        alone[n] = self.take_gain_of(n)
        return Mix(alone, np.zeros(self.channels))

    @property
    def bed_gain(self) -> float:
        """The bed's gain as a factor."""
        return 0.0 if self.recipe.bed is None else gain_of_db(self.recipe.bed.gain_db)

    @property
    def channels(self) -> int:
        """Number of channels of the energies: one per take, two for a bed."""
        return len(self.takes) + (2 if self.bed is not None else 0)

    def _sum_layer(self, layer: Layer, blocks: Sequence[Float32Array], at: int, level: float | None) -> FloatArray:
        """A layer's stereo sound from blocks of its takes that begin at frame `at`."""
        gains = self.plans[layer.name].gains(at, at + len(blocks[0])) if level is None else level
        pans = [take_pans(self.takes[n].take) for n in self.takes_of(layer)]
        return sum_layer(blocks, pans, self.scale * gains)
