"""What every level of one layer does to the blend, section by section: read from products, not from sound.

The layer is at the level that is tried over the whole section (or song), the other layers at the recipe's levels. The
bed is not part of the blend.
Loudness: BS.1770-5 and Tech 3341; sections begin at the first step of 10 ms inside them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np

from layerpipe.core.errors import Fault, RecipeError
from layerpipe.core.units import SILENCE_DB, db_of_gain, gain_of_db
from layerpipe.outputs.levels.bands import Bands
from layerpipe.outputs.levels.peaks import SectionPeaks
from layerpipe.outputs.levels.spectrum import Spectrum
from layerpipe.recipe.model.recipe import Layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.sweep import level_for_difference, sweep
from layerpipe.render.song import ProcessedSong, SongPart


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
        swept = sweep(energies, rest, mine, levels_db, part.start, part.stop,
                      reference=None if reference is None else against)
        # Where a layer is off, the ramp to the next section is nothing to measure against.
        alone, no_reference = (part.section is not None and all(
            song.recipe.level_db(other, part.section) == SILENCE_DB for other in group) for group in (others, compared))
        spectrum = Spectrum(song, bands, layer, part)
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


def _figure(value: float) -> float | None:
    """A float; None where it could not be measured."""
    return None if math.isnan(value) else float(value)


def _difference(value: float) -> float | None:
    """A difference to the reference; None also where that is silent."""
    return None if math.isnan(value) or value == math.inf else float(value)
