"""What every level of one layer does to the blend, section by section: read from products, not from sound.

The layer is at the level that is tried over the whole section (or song), the other layers at the recipe's levels. The
bed is not part of the blend.
Loudness: BS.1770-5 and Tech 3341; sections begin at the first step of 10 ms inside them.
Brightness: the share of the energy above 4 kHz in dB, after "brightness" in Lartillot and Toiviainen, A Matlab toolbox
for musical feature extraction from audio, DAFx 2007 (from memory; they cut at 1.5 kHz and sum magnitudes).
Audibility: `dsp.masking`, per step of about 43 ms.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.sound import FloatArray
from layerpipe.core.units import SILENCE_DB, db_of_gain, db_of_power, gain_of_db
from layerpipe.dsp.band_energies import weights_of
from layerpipe.dsp.masking import masked_thresholds
from layerpipe.outputs.levels.bands import Bands
from layerpipe.outputs.levels.peaks import SectionPeaks
from layerpipe.recipe.model.recipe import Layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.sweep import level_for_difference, sweep
from layerpipe.render.song import ProcessedSong, SongPart

AUDIBLE_SHARE = 0.05
"""A band counts as audible when the layer is above its threshold for this share of the time; ours, no source."""


@dataclass(frozen=True)
class LevelRow:
    """One level in one section; None is "not measurable", -inf silence.

    `added_lu`: the blend less the rest alone. `relative_lu`: the layer alone less the reference alone (the rest of the
    blend, or a named layer). `mono_loss_lu`: the blend in stereo less its mono sum on both speakers. `brightness_db`:
    energy above 4 kHz, of the whole blend's. `audible_bands`: bands of the ear in which the layer is above the rest's
    masked threshold at least 5 % of the time. `audible_share`: share of the time with at least one such band.
    """

    section: str
    level_db: float
    lufs: float | None
    added_lu: float | None
    relative_lu: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None
    mono_loss_lu: float | None
    brightness_db: float | None
    audible_bands: int | None
    audible_share: float | None


@dataclass(frozen=True)
class Solved:
    """The level at which the layer sits `under_lu` under the reference; None where there is none."""

    section: str
    under_lu: float
    level_db: float | None


@dataclass(frozen=True)
class LevelStudy:
    """All results for one layer.

    `reference` is the layer that `relative_lu` and `solved` are relative to, None for the rest of the blend. By part:
    `audible_from_db`, the lowest level at which a band counts as audible (None: at none), and `brightness_without_db`,
    the rest's brightness alone. `bands` is the number of bands of the ear.
    """

    layer: str
    rows: tuple[LevelRow, ...]
    solved: tuple[Solved, ...] = ()
    audible_from_db: dict[str, float | None] = field(default_factory=dict)
    brightness_without_db: dict[str, float | None] = field(default_factory=dict)
    bands: int = 0
    reference: str | None = None


def layer_to_try(file: RecipeFile, name: str | None) -> str:
    """The name of the layer whose levels are tried: the one named, or the second of exactly two.

    Raises
    ------
    RecipeError
        If there is no such layer, none was named among several, or nothing else sounds.
    """
    names = [layer.name for layer in file.recipe.layer]
    if name is not None:
        _refuse_unknown(file, "--layer", name)
    sounding = _sounding(file)
    if len(sounding) == 1:
        raise _refusal(file, "--layer", f'only "{sounding[0]}" sounds; levels need a second layer with a take that is '
                                        "not muted")
    if name is None and len(names) != 2:
        raise _refusal(file, "--layer", f"which one? there are {_listed(names)}")
    chosen = names[1] if name is None else name
    if sounding and chosen not in sounding:
        raise _refusal(file, "--layer", f'every take of "{chosen}" is muted; no level of it can be heard')
    return chosen


def reference_layer(file: RecipeFile, tried: str, name: str | None) -> str | None:
    """The layer to measure against; None is the rest of the blend.

    Raises
    ------
    RecipeError
        If there is no such layer, it is the one that is tried, or it does not sound.
    """
    if name is None:
        return None
    _refuse_unknown(file, "--against", name)
    if name == tried:
        raise _refusal(file, "--against", f'"{name}" is the layer that is tried; name another')
    if name not in _sounding(file):
        raise _refusal(file, "--against", f'every take of "{name}" is muted')
    return name


def _refuse_unknown(file: RecipeFile, option: str, name: str) -> None:
    """Refuse a name that no layer has."""
    names = [layer.name for layer in file.recipe.layer]
    if name not in names:
        near = get_close_matches(name, names, 1)
        raise _refusal(file, option, f'no layer "{name}"; '
                       + (f'did you mean "{near[0]}"?' if near else f"there are {_listed(names)}"))


def _refusal(file: RecipeFile, option: str, problem: str) -> RecipeError:
    """The error for an option."""
    return RecipeError([Fault(file.path, option, problem)])


def _sounding(file: RecipeFile) -> list[str]:
    """Layers with a take that is not muted."""
    return [layer.name for layer in file.recipe.layer if not all(take.mute for take in layer.take)]


def _listed(names: Sequence[str]) -> str:
    """Names in quotes."""
    return ", ".join(f'"{name}"' for name in names)


def study(song: ProcessedSong, energies: Energies, bands: Bands, peaks: SectionPeaks, layer: Layer,
          parts: Sequence[SongPart], levels_db: Sequence[float], under_lu: float | None = None, *,
          reference: Layer | None = None) -> LevelStudy:
    """Try levels of a layer.

    Parameters
    ----------
    song : ProcessedSong
    energies, bands, peaks
        Of this song; peaks of this layer.
    layer : Layer
        One of `song.layers`; there are others.
    parts : sequence of SongPart
        Sections, or the whole song.
    levels_db : sequence of float
        -inf is the rest alone.
    under_lu : float, optional
        Also find the level at which the layer sits this far under the reference.
    reference : Layer, optional
        The layer of `song.layers` that the layer's loudness is relative to; default: the rest of the blend.

    Returns
    -------
    LevelStudy
        Rows by section, then by level, in the order given.
    """
    others = [other for other in song.layers if other is not layer]
    gains = np.array([gain_of_db(level) for level in levels_db])
    compared = others if reference is None else [reference]
    rest, mine, against = song.mix(others), song.mix([layer], level=False), song.mix(compared)
    rows: list[LevelRow] = []
    solved, audible_from, without = [], {}, {}
    for part in parts:
        swept = sweep(energies, rest, mine, levels_db, part.start, part.stop, reference=against)
        # Where a layer is off, the ramp to the next section is nothing to measure against.
        alone, no_reference = (part.section is not None and all(
            song.recipe.level_db(other, part.section) == SILENCE_DB for other in group) for group in (others, compared))
        spectrum = _Spectrum(song, bands, layer, part)
        highest = peaks.of(part).peaks(gains)
        bright = spectrum.brightness_db(gains)
        counts, shares = spectrum.audible_bands(gains), spectrum.audible_share(gains)
        rows += [
            LevelRow(
                part.name, float(level_db), _figure(swept.integrated_lufs[n]),
                None if alone else _difference(swept.added_lu[n]),
                None if no_reference else _difference(swept.relative_lu[n]), _figure(swept.short_term_max_lufs[n]),
                db_of_gain(float(highest[n])), _figure(swept.mono_loss_lu[n]), bright[n], counts[n], shares[n])
            for n, level_db in enumerate(levels_db)
        ]
        audible_from[part.name] = spectrum.audible_from_db()
        without[part.name] = spectrum.brightness_db(np.zeros(1))[0]
        if under_lu is not None:
            found = None if no_reference else level_for_difference(energies, against, mine, under_lu, part.start,
                                                                   part.stop)
            solved.append(Solved(part.name, under_lu, found))
    return LevelStudy(layer.name, tuple(rows), tuple(solved), audible_from, without, bands.grid.bands,
                      None if reference is None else reference.name)


class _Spectrum:
    """Band energies of one part as a quadratic in the layer's gain, and where the layer exceeds the threshold."""

    def __init__(self, song: ProcessedSong, bands: Bands, layer: Layer, part: SongPart) -> None:
        grid = bands.grid
        mine = np.array([float(other is layer) for other in song.layers])
        pieces = []
        # Rest with rest, rest with layer, layer with layer; above 4 kHz and in all.
        totals = np.zeros((3, 2))
        for start, stop in _spans_of_one_level(song, layer, part):
            rest = np.array([0.0 if other is layer else _level_at(song, other, start) for other in song.layers])
            mixes = ((rest, rest), (rest, mine), (mine, mine))
            first, end = grid.steps_inside(start, stop)
            pieces.append([bands.mixed(*mix, first, end) for mix in (mixes[0], mixes[2])])
            ramp = _ramp_begins(song, layer, start, stop)
            if ramp > start:
                totals += np.stack([weights_of(*mix) for mix in mixes]) @ bands.bright_and_all(song, start, ramp)
            if ramp < stop:
                totals += bands.bright_and_all_of(song, layer, ramp, stop)
        self._bright, self._all = totals.T
        rest_energy, own = (np.concatenate([piece[n] for piece in pieces]) for n in (0, 1))
        masker, sound = (np.maximum(np.add.reduceat(energy[:, : grid.of_band[-1]], grid.of_band[:-1], axis=1), 0.0)
                         / np.float32(grid.step_frames) for energy in (rest_energy, own))
        # The power of the gain that lifts the layer to the threshold, by step and band.
        self._needed = np.full(sound.shape, np.inf, np.float32)
        threshold = masked_thresholds(masker, grid.edges_hz, grid.step_frames / grid.rate_hz)
        np.divide(threshold, sound, out=self._needed, where=sound > 0)
        self._steps = len(sound)
        if self._steps:
            enough = math.ceil(AUDIBLE_SHARE * self._steps) - 1
            self._by_band = np.partition(self._needed, enough, axis=0)[enough]
            self._by_step = np.sort(self._needed.min(axis=1))

    def brightness_db(self, gains: FloatArray) -> list[float | None]:
        """Share of the energy above 4 kHz at each gain."""
        shares: list[float | None] = []
        for gain in gains:
            bright, total = ((energy[0] + 2 * gain * energy[1] + gain * gain * energy[2])
                             for energy in (self._bright, self._all))
            shares.append(db_of_power(max(0.0, float(bright / total))) if total > 0 else None)
        return shares

    def audible_bands(self, gains: FloatArray) -> list[int | None]:
        """Bands that count as audible at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.count_nonzero(self._by_band < gain * gain)) for gain in gains]

    def audible_share(self, gains: FloatArray) -> list[float | None]:
        """Share of the time in which any band is above its threshold, at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.searchsorted(self._by_step, gain * gain)) / self._steps for gain in gains]

    def audible_from_db(self) -> float | None:
        """The level above which a band counts as audible."""
        lowest = float(self._by_band.min()) if self._steps else math.inf
        return db_of_power(lowest) if math.isfinite(lowest) else None


def _spans_of_one_level(song: ProcessedSong, layer: Layer, part: SongPart) -> list[tuple[int, int]]:
    """The part cut where another layer's level changes; each span ends on the frame where the change is complete."""
    inside = {frame for other in song.layers if other is not layer for frame in song.plans[other.name].at
              if part.start < frame < part.stop}
    edges = [part.start, *sorted(inside), part.stop]
    return list(itertools.pairwise(edges))


def _ramp_begins(song: ProcessedSong, layer: Layer, start: int, stop: int) -> int:
    """Where in a span another layer's level begins to change; its end if none does."""
    begins = [frame - plan.ramp_frames for plan in (song.plans[other.name] for other in song.layers
                                                    if other is not layer) for frame in plan.at if frame > start]
    return max(start, min(stop, *begins)) if begins else stop


def _level_at(song: ProcessedSong, layer: Layer, frame: int) -> float:
    """A layer's gain by the recipe at a frame."""
    plan = song.plans[layer.name]
    return plan.gain[int(np.searchsorted(plan.at, frame, side="right")) - 1]


def _figure(value: float) -> float | None:
    """A float; None where it could not be measured."""
    return None if math.isnan(value) else float(value)


def _difference(value: float) -> float | None:
    """A difference to the reference; None also where that is silent."""
    return None if math.isnan(value) or value == math.inf else float(value)
