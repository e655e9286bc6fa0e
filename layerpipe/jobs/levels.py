"""What every level of a layer does, measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

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
from layerpipe.render.layers import take_pans
from layerpipe.render.pipeline import ENGINE, WORKERS, Advance, energies_of, until_whole, voice_song
from layerpipe.render.song import VoicedSong
from layerpipe.render.store.store import Store, key_of


def levels_song(file: RecipeFile, levels_db: Sequence[float], *, layer: str | None = None,
                sections: Sequence[str] = (), under_lu: float | None = None, store: Store | None = None,
                advance: Advance = lambda share: None) -> LevelStudy:
    """Try levels of one layer in every section, or those named, and the whole song.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files, or a name of a layer or section.
    """
    store = store or Store()
    name = layer_to_try(file, layer)

    def work() -> LevelStudy:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        parts = song.stretches(sections)
        tried = next(known for known in song.layers if known.name == name)
        energies = energies_of(song, store)
        bands = bands_of(song, store, advance=lambda share: advance(share / 4))
        peaks = peaks_of(song, tried, store, advance=lambda share: advance(share / 4))
        store.prune()
        return study(song, energies, bands, peaks, tried, parts, levels_db, under_lu)

    return until_whole(work, store)


def bands_of(song: VoicedSong, store: Store, *, advance: Advance = lambda share: None) -> Bands:
    """The band energies of the song's layers, from the store or measured now."""
    key = key_of({"engine": ENGINE, "bands": 1, "numpy": np.__version__, **_layers_key(song)})
    return store.find_or_make(key, "bands", Bands.load,
                              lambda: measure_bands(song, workers=WORKERS, advance=advance))


def peaks_of(song: VoicedSong, layer: Layer, store: Store, *, advance: Advance = lambda share: None) -> SectionPeaks:
    """The peaks of the blend at every level of a layer, from the store or measured now."""
    rest = {other.name: vars(song.plans[other.name]) for other in song.layers if other is not layer}
    key = key_of({"engine": ENGINE, "peaks": 1, "layer": song.layers.index(layer), "rest": rest,
                  "borders": borders(song), **_layers_key(song)})
    return store.find_or_make(key, "peaks", SectionPeaks.load,
                              lambda: measure_peaks(song, layer, workers=WORKERS, advance=advance))


def _layers_key(song: VoicedSong) -> dict[str, Any]:
    """What shapes the layers at level 0 dB."""
    return {"layers": [[[song.voices[n].sound.key, *take_pans(song.voices[n].take)] for n in song.voices_of(layer)]
                       for layer in song.layers], "scale": song.scale}
