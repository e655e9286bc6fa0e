"""What every level of a layer does, measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from layerpipe.core.sound import OnProgress
from layerpipe.outputs.levels import (
    Bands,
    LevelStudy,
    SectionPeaks,
    borders,
    layer_to_try,
    measure_bands,
    measure_peaks,
    study,
)
from layerpipe.recipe.model import Layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache, cache_key
from layerpipe.render.layers import take_pans
from layerpipe.render.pipeline import ENGINE, WORKERS, measure_song, process_takes, until_whole
from layerpipe.render.song import ProcessedSong


def study_levels(file: RecipeFile, levels_db: Sequence[float], *, layer: str | None = None,
                sections: Sequence[str] = (), under_lu: float | None = None, cache: TakeCache | None = None,
                on_progress: OnProgress = lambda share: None) -> LevelStudy:
    """Try levels of one layer in every section, or those named, and the whole song.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files, or a name of a layer or section.
    """
    cache = cache or TakeCache()
    name = layer_to_try(file, layer)

    def work() -> LevelStudy:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        parts = song.stretches(sections)
        tried = next(known for known in song.layers if known.name == name)
        energies = measure_song(song, cache)
        bands = bands_of(song, cache, on_progress=lambda share: on_progress(share / 4))
        peaks = peaks_of(song, tried, cache, on_progress=lambda share: on_progress(share / 4))
        cache.prune()
        return study(song, energies, bands, peaks, tried, parts, levels_db, under_lu)

    return until_whole(work, cache)


def bands_of(song: ProcessedSong, cache: TakeCache, *, on_progress: OnProgress = lambda share: None) -> Bands:
    """The band energies of the song's layers, from the store or measured now."""
    key = cache_key({"engine": ENGINE, "bands": 1, "numpy": np.__version__, **_layers_key(song)})
    return cache.find_or_make(key, "bands", Bands.load,
                              lambda: measure_bands(song, workers=WORKERS, on_progress=on_progress))


def peaks_of(song: ProcessedSong, layer: Layer, cache: TakeCache, *,
             on_progress: OnProgress = lambda share: None) -> SectionPeaks:
    """The peaks of the blend at every level of a layer, from the store or measured now."""
    rest = {other.name: vars(song.plans[other.name]) for other in song.layers if other is not layer}
    key = cache_key({"engine": ENGINE, "peaks": 1, "layer": song.layers.index(layer), "rest": rest,
                  "borders": borders(song), **_layers_key(song)})
    return cache.find_or_make(key, "peaks", SectionPeaks.load,
                              lambda: measure_peaks(song, layer, workers=WORKERS, on_progress=on_progress))


def _layers_key(song: ProcessedSong) -> dict[str, Any]:
    """What shapes the layers at level 0 dB."""
    return {"layers": [[[song.takes[n].sound.key, *take_pans(song.takes[n].take)] for n in song.takes_of(layer)]
                       for layer in song.layers], "scale": song.scale}
