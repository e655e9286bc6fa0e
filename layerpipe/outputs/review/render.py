"""The sound of a place as recorded and as proposed: only these seconds are played and run through the chain.

"As recorded" is the recipe as it is, read from the processed takes. What is proposed is played from the files, with
enough before it for filters and compressor to have forgotten that they began there; a threshold that the recipe lets be
found is the one that was found for the whole take.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import frames_of_ms, frames_of_s
from layerpipe.dsp.splicing import close_loop
from layerpipe.outputs.review.place import ReviewPlace
from layerpipe.recipe.model.recipe import Layer, Recipe
from layerpipe.render.chain import design, run_chain
from layerpipe.render.layers import plan_levels, take_gain, take_pans
from layerpipe.render.pipeline import take_key
from layerpipe.render.song import ProcessedSong
from layerpipe.render.takes.open_takes import OpenTake
from layerpipe.render.takes.placing import Place, PlacedSound

CROSSFADE_MS = 15.0
"""As the artist's page closes its loops."""
WARM_UP_S = 3.0
"""A high-pass at 20 Hz has then decayed by more than 200 dB, a release of 300 ms by exp(-10)."""
LEVEL_STEP = 240
"""Frames from one gain of a moving level to the next: 5 ms at 48 kHz, a quarter of a ramp."""


@dataclass(frozen=True)
class PlaceVoice:
    """A sound of a place as float; `proposed` is None where it is as recorded. Mono sounds have pans by state."""

    recorded: FloatArray
    proposed: FloatArray | None = None
    pans: tuple[tuple[float, float], tuple[float, float]] = ((1.0, 1.0), (1.0, 1.0))

    def stereo(self, state: int, factors: Sequence[tuple[float, float]] | None = None) -> FloatArray:
        """As it sounds in its layer, shape (frames, 2); other factors replace the pans."""
        sound = self.recorded if state == 0 or self.proposed is None else self.proposed
        return sound if sound.ndim == 2 else sound[:, None] * np.array((factors or self.pans)[state])


@dataclass(frozen=True)
class PlaceSounds:
    """Voices by name ("take", "double", "rest"), and the gain of the layer by state."""

    voices: dict[str, PlaceVoice]
    levels: tuple[FloatArray, FloatArray]
    """One number each, or one for every frame."""
    alone: tuple[float, float] = (1.0, 1.0)
    """Gain of the take by state; 0 for a layer, which is heard in the blend only."""
    mixes: tuple[str, ...] = ("blend",)
    doubles: tuple[str, ...] = ()
    """Names of the takes that are "double"."""

    @property
    def is_changed(self) -> bool:
        """Whether anything is heard otherwise when what is proposed is accepted."""
        levels, alone = self.levels, self.alone
        return (not np.array_equal(*levels) or alone[0] != alone[1] or any(
            voice.proposed is not None or voice.pans[0] != voice.pans[1] for voice in self.voices.values()))

    def mix(self, name: str, state: int) -> FloatArray:
        """One setting in one state, shape (frames, 2), before it is made equally loud."""
        take = self.voices["take"]
        if name == "alone":
            return take.stereo(state, [(gain * 0.5**0.5,) * 2 for gain in self.alone])
        layer = take.stereo(state)
        if "double" in self.voices:
            layer = layer + self.voices["double"].stereo(state)
        if name == "double":
            return layer
        level = self.levels[state]
        blend = layer * (level if level.ndim == 0 else level[:, None])
        return blend + self.voices["rest"].stereo(state) if "rest" in self.voices else blend


class PlaceRenderer:
    """Renders places of a song.

    Parameters
    ----------
    song : ProcessedSong
    takes : sequence of OpenTake
        All takes of the recipe, muted ones too.
    """

    def __init__(self, song: ProcessedSong, takes: Sequence[OpenTake]) -> None:
        self._song = song
        self._takes = {(take.layer.name, take.take.name): take for take in takes}
        self._processed = {(one.layer.name, one.take.name): n for n, one in enumerate(song.takes)}

    def of_take(self, layer: str, name: str, place: ReviewPlace, recipe: Recipe,
                takes: Sequence[OpenTake]) -> PlaceSounds:
        """A take, its doubles and the rest of the blend; `recipe` and `takes` are those that are proposed."""
        then = {(take.layer.name, take.take.name): take for take in takes}
        one, key = self._takes[layer, name], (layer, name)
        new = then[key]
        others = [other for other in self._takes if other[0] == layer and other != key and other in self._processed]
        voice = self._voice(key, new, recipe, place)
        voices, mixes = {"take": voice}, ["alone"]
        if key in self._processed:
            if others:
                voices["double"] = self._doubles([(other, then[other]) for other in others], recipe, place)
                mixes.append("double")
            rest = self._rest(layer, place)
            if rest is not None:
                voices["rest"] = rest
                mixes.append("blend")
        levels = self._level(one.layer, place, self._song.recipe), self._level(new.layer, place, recipe)
        return PlaceSounds(voices, levels, (take_gain(one.take), take_gain(new.take)), tuple(mixes),
                           tuple(other for _, other in others))

    def of_layer(self, name: str, place: ReviewPlace, recipe: Recipe) -> PlaceSounds:
        """A layer whose level changes, and the rest of the blend."""
        layer = next(layer for layer in self._song.layers if layer.name == name)
        then = next(layer for layer in recipe.layer if layer.name == name)
        sound = self._closed(place, lambda start, stop: self._song.layer_of(
            layer, next(self._song.blocks(start, stop, stop - start))[1], start, level=1.0))
        rest = self._rest(name, place)
        voices = {"take": PlaceVoice(sound)} | ({} if rest is None else {"rest": rest})
        return PlaceSounds(voices, (self._level(layer, place, self._song.recipe), self._level(then, place, recipe)),
                           (0.0, 0.0))

    def _voice(self, key: tuple[str, str], new: OpenTake, recipe: Recipe, place: ReviewPlace) -> PlaceVoice:
        """One take, mono, before gain and pan."""
        old = self._takes[key]
        alike = take_key(old, self._song.recipe.chain_of(old.layer, old.take)) == take_key(
            new, recipe.chain_of(new.layer, new.take))
        recorded = self._closed(place, lambda start, stop: self._recorded(key, start, stop))
        proposed = None if alike else self._closed(
            place, lambda start, stop: self._played(new, recipe, start, stop))
        return PlaceVoice(recorded, proposed, (take_pans(old.take), take_pans(new.take)))

    def _recorded(self, key: tuple[str, str], start: int, stop: int) -> FloatArray:
        """A take as the recipe has it; a muted one is not in the cache."""
        if key in self._processed:
            return self._song.takes[self._processed[key]].sound.read_float32(start, stop).astype(np.float64)
        return self._played(self._takes[key], self._song.recipe, start, stop)

    def _played(self, take: OpenTake, recipe: Recipe, start: int, stop: int) -> FloatArray:
        """Some frames of a take, played from its files and run through its chain."""
        known = self._processed.get((take.layer.name, take.take.name))
        threshold_db = None if known is None else self._song.takes[known].threshold_db
        first = max(0, start - frames_of_s(WARM_UP_S, self._song.rate_hz))
        played = take.played()
        cut = PlacedSound(played, min(stop, played.frames) - first, Place(-first, 0.0))
        chain = design(recipe.chain_of(take.layer, take.take), self._song.rate_hz, threshold_db=threshold_db)
        sound = np.concatenate(list(run_chain(cut, chain)))[start - first :]
        return np.pad(sound, (0, stop - start - len(sound)))

    def _doubles(self, others: Sequence[tuple[tuple[str, str], OpenTake]], recipe: Recipe,
                 place: ReviewPlace) -> PlaceVoice:
        """The other takes of the layer: one stays mono, several are panned and summed."""
        voices = [self._voice(key, new, recipe, place) for key, new in others]
        if len(voices) == 1:
            return voices[0]
        sums = [np.sum([voice.stereo(state) for voice in voices], axis=0) for state in (0, 1)]
        changed = any(voice.proposed is not None or voice.pans[0] != voice.pans[1] for voice in voices)
        return PlaceVoice(sums[0], sums[1] if changed else None)

    def _rest(self, layer: str, place: ReviewPlace) -> PlaceVoice | None:
        """The other layers at the recipe's levels; None where there is none or it is silent."""
        song = self._song
        others = [other for other in song.layers if other.name != layer]

        def read(start: int, stop: int) -> FloatArray:
            blocks = next(song.blocks(start, stop, stop - start))[1]
            total = np.zeros((stop - start, 2))
            for other in others:
                total += song.layer_of(other, blocks, start)
            return total

        sound = self._closed(place, read) if others else np.zeros(0)
        return PlaceVoice(sound) if np.any(sound) else None

    def _closed(self, place: ReviewPlace, read: Callable[[int, int], FloatArray]) -> FloatArray:
        """A place's sound, whose end crosses over into its beginning; before the song it is silent."""
        crossfade = min(frames_of_ms(CROSSFADE_MS, self._song.rate_hz), place.frames // 4)
        before = min(crossfade, place.start)
        sound = read(place.start - before, place.stop)
        return close_loop(np.concatenate([np.zeros((crossfade - before, *sound.shape[1:])), sound]), crossfade)

    def _level(self, layer: Layer, place: ReviewPlace, recipe: Recipe) -> FloatArray:
        """The layer's gain over a place."""
        named = {section.name: section for section in recipe.section}
        plan = plan_levels(layer, [(part.start, part.stop, recipe.level_db(layer, named[part.name]))
                                   for part in self._song.sections], self._song.rate_hz)
        return np.asarray(plan.gains(place.start, place.stop), np.float64)
