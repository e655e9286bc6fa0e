"""What every level of one layer does to the blend, section by section: a few products, no sound.

The layer is at the level that is tried, from the first to the last frame of the section (in the whole song:
throughout); the other layers are at the recipe's levels. The bed is no part of the blend.
Loudness: BS.1770-5 and Tech 3341 by `energies`, so that sections begin at the first step of 10 ms inside them.
Brightness: the share of the energy above 4 kHz in dB, after "brightness" in Lartillot and Toiviainen, A Matlab toolbox
for musical feature extraction from audio, DAFx 2007 (from memory; they cut at 1.5 kHz, where guitars have their
fundamentals' neighbours, and add up magnitudes; energies are what adds up in a blend).
Heard: `dsp.masking`, per step of about 43 ms.
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
from layerpipe.recipe.model import Layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.energies.readings import Energies, Gains
from layerpipe.render.energies.sweep import level_for_difference, sweep
from layerpipe.render.song import ProcessedSong, Stretch

HEARD_SHARE = 0.05
"""A band counts as heard when the layer stands above its threshold for this share of the time."""


@dataclass(frozen=True)
class LevelRow:
    """One level in one section; None is "not measurable", -inf silence.

    `adds_lu`: the blend less the rest alone. `against_rest_lu`: the layer alone less the rest alone. `mono_loss_lu`:
    the blend in stereo less its mono sum on both speakers. `brightness_db`: energy above 4 kHz, of the whole blend's.
    `heard_bands`: bands of the ear in which the layer stands above the rest's masked threshold at least 5 % of the
    time. `heard_share`: share of the time, 0 to 1, in which it does in at least one band.
    """

    section: str
    level_db: float
    lufs: float | None
    adds_lu: float | None
    against_rest_lu: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None
    mono_loss_lu: float | None
    brightness_db: float | None
    heard_bands: int | None
    heard_share: float | None


@dataclass(frozen=True)
class Solved:
    """The level at which the layer sits `under_lu` under the rest; None where there is none."""

    section: str
    under_lu: float
    level_db: float | None


@dataclass(frozen=True)
class LevelStudy:
    """Everything asked about one layer.

    By section: `first_heard_db`, the lowest level at which a band counts as heard (None: at none), and
    `brightness_without_db`, the rest's brightness alone. `bands` is how many bands of the ear were looked at.
    """

    layer: str
    rows: tuple[LevelRow, ...]
    solved: tuple[Solved, ...] = ()
    first_heard_db: dict[str, float | None] = field(default_factory=dict)
    brightness_without_db: dict[str, float | None] = field(default_factory=dict)
    bands: int = 0


def layer_to_try(file: RecipeFile, name: str | None) -> str:
    """The name of the layer whose levels are tried: the one named, or the second of exactly two.

    Raises
    ------
    RecipeError
        If there is no such layer, none was named among several, or nothing else sounds beside it.
    """
    def refuse(problem: str) -> RecipeError:
        return RecipeError([Fault(file.path, "--layer", problem)])

    names = [layer.name for layer in file.recipe.layer]
    listed = ", ".join(f'"{known}"' for known in names)
    if name is not None and name not in names:
        near = get_close_matches(name, names, 1)
        raise refuse(f'no layer "{name}"; ' + (f'did you mean "{near[0]}"?' if near else f"there are {listed}"))
    sounding = [layer.name for layer in file.recipe.layer if not all(take.mute for take in layer.take)]
    if len(sounding) == 1:
        raise refuse(f'only "{sounding[0]}" sounds; a level is tried against the rest of a blend, which takes a second '
                     "layer with a take that is not muted")
    if name is None and len(names) != 2:
        raise refuse(f"which one? there are {listed}")
    chosen = names[1] if name is None else name
    if sounding and chosen not in sounding:
        raise refuse(f'every take of "{chosen}" is muted; no level of it can be heard')
    return chosen


def study(song: ProcessedSong, energies: Energies, bands: Bands, peaks: SectionPeaks, layer: Layer,
          parts: Sequence[Stretch], levels_db: Sequence[float], under_lu: float | None = None) -> LevelStudy:
    """Try levels of a layer.

    Parameters
    ----------
    song : ProcessedSong
    energies, bands, peaks
        Of this song; peaks of this layer.
    layer : Layer
        One of `song.layers`; there are others.
    parts : sequence of Stretch
        Sections, the whole song.
    levels_db : sequence of float
        -inf is the rest alone.
    under_lu : float, optional
        Find, too, the level at which the layer sits this far under the rest.

    Returns
    -------
    LevelStudy
        Rows by section, then by level, in the order given.
    """
    others = [other for other in song.layers if other is not layer]
    gains = np.array([gain_of_db(level) for level in levels_db])
    rows: list[LevelRow] = []
    solved, heard, without = [], {}, {}
    for part in parts:
        fixed: tuple[Gains, Gains] = song.rows(others, 0), song.rows(others, 1)
        mine: tuple[Gains, Gains] = song.rows([layer], 0, level=False), song.rows([layer], 1, level=False)
        swept = sweep(energies, *fixed, *mine, levels_db, part.start, part.stop)
        # The ramp out of a section in which the rest is off is not a rest to be measured against.
        alone = part.section is not None and all(song.recipe.level_db(other, part.section) == SILENCE_DB
                                                 for other in others)
        spectrum = _Spectrum(song, bands, layer, part)
        highest = peaks.of(part).peaks(gains)
        bright, counts, shares = spectrum.brightness_db(gains), spectrum.heard_bands(gains), spectrum.heard_share(gains)
        rows += [
            LevelRow(
                part.name, float(level_db), _figure(swept.integrated_lufs[n]),
                None if alone else _beside_silence(swept.adds_lu[n]),
                None if alone else _beside_silence(swept.against_rest_lu[n]), _figure(swept.short_term_max_lufs[n]),
                db_of_gain(float(highest[n])), _figure(swept.mono_loss_lu[n]), bright[n], counts[n], shares[n])
            for n, level_db in enumerate(levels_db)
        ]
        heard[part.name] = spectrum.first_heard_db()
        without[part.name] = spectrum.brightness_db(np.zeros(1))[0]
        if under_lu is not None:
            found = None if alone else level_for_difference(energies, *fixed, *mine, under_lu, part.start, part.stop)
            solved.append(Solved(part.name, under_lu, found))
    return LevelStudy(layer.name, tuple(rows), tuple(solved), heard, without, bands.grid.bands)


class _Spectrum:
    """Band energies of one stretch as a quadratic in the layer's gain, and where the layer passes the threshold."""

    def __init__(self, song: ProcessedSong, bands: Bands, layer: Layer, part: Stretch) -> None:
        grid = bands.grid
        mine = np.array([float(other is layer) for other in song.layers])
        pieces = []
        # Rest with rest, rest with layer, layer with layer; above 4 kHz and in all.
        totals = np.zeros((3, 2))
        for start, stop in _held_spans(song, layer, part):
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
            enough = math.ceil(HEARD_SHARE * self._steps) - 1
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

    def heard_bands(self, gains: FloatArray) -> list[int | None]:
        """Bands that count as heard at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.count_nonzero(self._by_band < gain * gain)) for gain in gains]

    def heard_share(self, gains: FloatArray) -> list[float | None]:
        """Share of the time in which any band stands above its threshold, at each gain."""
        if not self._steps:
            return [None] * len(gains)
        return [int(np.searchsorted(self._by_step, gain * gain)) / self._steps for gain in gains]

    def first_heard_db(self) -> float | None:
        """The level above which a band counts as heard."""
        lowest = float(self._by_band.min()) if self._steps else math.inf
        return db_of_power(lowest) if math.isfinite(lowest) else None


def _held_spans(song: ProcessedSong, layer: Layer, part: Stretch) -> list[tuple[int, int]]:
    """The stretch cut where another layer's level changes; each ends on the frame where the change is complete."""
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
    """A plain float; None where it could not be measured."""
    return None if math.isnan(value) else float(value)


def _beside_silence(value: float) -> float | None:
    """A difference to the rest; None too where the rest is silent."""
    return None if math.isnan(value) or value == math.inf else float(value)
