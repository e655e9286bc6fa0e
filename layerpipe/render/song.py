"""A song whose takes are processed: what previews, bounces, levels and the artist's page read from.

Takes are mono float32 from the store, before gain, pan and level; positions are frames of the song's rate.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
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
from layerpipe.recipe.tempo_map import TempoMap
from layerpipe.render.cache.cached_take import CachedTake
from layerpipe.render.layers import LevelPlan, plan_levels, sum_layer, take_gain, take_pans
from layerpipe.render.moves import FrameMove
from layerpipe.render.takes import OpenBed, OpenTake


@dataclass(frozen=True)
class ProcessedTake:
    """One take that sounds: where it came from, what was moved, and its processed sound."""

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
class Stretch:
    """A part of the song between two frames: a section, or the whole song (section None)."""

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
    """One factor for everything that leaves the house; a bounce past full scale may ask to be lowered."""

    @cached_property
    def layers(self) -> tuple[Layer, ...]:
        """The layers in which a take sounds, in the recipe's order."""
        return tuple(layer for layer in self.recipe.layer if any(processed.layer is layer for processed in self.takes))

    @cached_property
    def sections(self) -> tuple[Stretch, ...]:
        """The sections that lie inside the song, cut to its length, in order of time."""
        found = []
        for section in self.recipe.section:
            start_s, stop_s = self.tempo_map.span_s(section)
            start = min(max(frames_of_s(start_s, self.rate_hz), 0), self.frames)
            stop = min(max(frames_of_s(stop_s, self.rate_hz), 0), self.frames)
            if stop > start:
                found.append(Stretch(section.name, section, start, stop))
        return tuple(sorted(found, key=lambda stretch: stretch.start))

    @property
    def whole(self) -> Stretch:
        """The whole song."""
        return Stretch("whole song", None, 0, self.frames)

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

    def stretches(self, names: Sequence[str] = ()) -> tuple[Stretch, ...]:
        """The named sections ("whole song" is all of it), or all of them and the song.

        Raises
        ------
        RecipeError
            If a name is none of them.
        """
        known = {part.name: part for part in (*self.sections, self.whole)}
        unknown = [name for name in names if name not in known]
        if unknown:
            allowed = ", ".join(f'"{name}"' for name in known)
            raise RecipeError([Fault(self.path, "--section", f'no section "{name}"; there are {allowed}')
                               for name in unknown])
        return tuple(known[name] for name in names) if names else tuple(known.values())

    def takes_of(self, layer: Layer) -> list[int]:
        """Places of the layer's takes among the voices."""
        return [n for n, processed in enumerate(self.takes) if processed.layer is layer]

    def blocks(self, start: int, stop: int, size: int) -> Iterator[tuple[int, list[Float32Array]]]:
        """Start frame and every voice's frames, block by block."""
        for at in range(start, stop, size):
            end = min(at + size, stop)
            yield at, [processed.sound.read_float32(at, end) for processed in self.takes]

    def channels_of(self, blocks: Sequence[Float32Array], at: int) -> npt.NDArray[np.floating]:
        """What the energies are measured of: the voices, then the bed, all before gain; shape (channels, frames)."""
        if self.bed is None:
            return np.stack(blocks)
        return np.concatenate([np.stack(blocks), self.bed.read(at, at + len(blocks[0])).T])

    def layer_of(self, layer: Layer, blocks: Sequence[Float32Array], at: int, *,
                 level: float | None = None) -> FloatArray:
        """One layer's stereo sound of a block that begins at frame `at`; `level` (a factor) replaces the plan."""
        mine = self.takes_of(layer)
        gains = self.plans[layer.name].gains(at, at + len(blocks[0])) if level is None else level
        return sum_layer([blocks[n] for n in mine], [take_pans(self.takes[n].take) for n in mine], self.scale * gains)

    def take_gain_of(self, n: int) -> float:
        """Gain and polarity of voice `n` as a stem, before pan and level."""
        return self.scale * take_gain(self.takes[n].take)

    def rows(self, layers: Sequence[Layer], side: int, *, level: bool = True) -> Callable[[int, int], FloatArray]:
        """Gains of every channel of the energies on one side (0 left, 1 right), for 10 ms steps first to stop.

        Channels are the voices, then the bed's left and right if the song has one. Only takes of `layers` sound; with
        `level` off, at 0 dB instead of the plan.
        """
        pans = np.zeros(self.channels)
        for layer in layers:
            for n in self.takes_of(layer):
                pans[n] = self.scale * take_pans(self.takes[n].take)[side]

        def rows_of(first: int, stop: int) -> FloatArray:
            if not level:
                return pans
            gains = np.repeat(pans[None], stop - first, axis=0)
            for layer in layers:
                gains[:, self.takes_of(layer)] *= self._level_steps(layer, first, stop)[:, None]
            return gains

        return rows_of

    def bed_row(self, side: int) -> FloatArray:
        """Gains of every channel of the energies with only the bed sounding, shape (channels,)."""
        row = np.zeros(self.channels)
        if self.recipe.bed is not None:
            row[len(self.takes) + side] = self.bed_gain
        return row

    @property
    def bed_gain(self) -> float:
        """The bed's gain as a factor."""
        return 0.0 if self.recipe.bed is None else gain_of_db(self.recipe.bed.gain_db)

    def take_row(self, n: int) -> FloatArray:
        """Gains of every channel with only voice `n` sounding, at its own gain, shape (channels,)."""
        row = np.zeros(self.channels)
        row[n] = self.scale * take_gain(self.takes[n].take)
        return row

    @property
    def channels(self) -> int:
        """Channels of the energies: one a voice, two for a bed."""
        return len(self.takes) + (2 if self.bed is not None else 0)

    def _level_steps(self, layer: Layer, first: int, stop: int) -> FloatArray:
        """The layer's effective (rms) gain in 10 ms steps first to stop, shape (steps,)."""
        span, found = self._level_cache.get(layer.name, ((0, 0), np.zeros(0)))
        if span == (first, stop):
            return found
        plan = self.plans[layer.name]
        edges = step_starts(first, stop, self.rate_hz)
        gains = np.asarray(plan.gain)[np.searchsorted(plan.at, edges[:-1], side="right") - 1]
        for end in plan.at[1:]:
            # Only the steps that a ramp touches are looked at frame by frame.
            touched = max(int(np.searchsorted(edges, end - plan.ramp_frames, side="right")) - 1, 0)
            last = min(int(np.searchsorted(edges, end, side="left")), len(gains))
            for step in range(touched, last):
                begin, over = int(edges[step]), int(edges[step + 1])
                gains[step] = np.sqrt(np.mean(np.broadcast_to(plan.gains(begin, over), (over - begin,)) ** 2))
        # Asked for one side, then the other; the whole song at once would grow with its length.
        self._level_cache[layer.name] = (first, stop), gains
        return gains

    @cached_property
    def _level_cache(self) -> dict[str, tuple[tuple[int, int], FloatArray]]:
        """Filled by `_level_steps`: the last steps that were asked for."""
        return {}
