"""One song of a record, measured so that it can be compared with the others."""

from __future__ import annotations

import math

from layerpipe.analysis.defects.pitch.low_band import LowBandMeter
from layerpipe.analysis.defects.pitch.tuning import tuning_of
from layerpipe.analysis.defects.single_pass import seconds_of
from layerpipe.core.sound import OnProgress
from layerpipe.core.units import SILENCE_DB
from layerpipe.jobs.tempo import tempo_of_song
from layerpipe.outputs.levels.album import AlbumSong, mean_cents
from layerpipe.outputs.levels.study import layer_to_try, reference_layer
from layerpipe.recipe.reader import RecipeFile
from layerpipe.render.cache.take_cache import TakeCache
from layerpipe.render.energies.mixes import measure_mixes
from layerpipe.render.pipeline import measure_song, process_takes
from layerpipe.render.song import ProcessedSong, SongPart

A4_HZ = 440.0
"""ISO 16; one reference for all songs, whatever their recipes say."""


def measure_album_song(file: RecipeFile, *, layer: str | None = None, against: str | None = None,
                       cache: TakeCache | None = None, on_progress: OnProgress = lambda share: None) -> AlbumSong:
    """Measure a song at its recipe's levels: a layer's distance, loudness, tempo, tuning.

    Parameters
    ----------
    file : RecipeFile
    layer : str, optional
        Default: the second of two layers.
    against : str, optional
        Default: the rest of the blend.
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files, or a name of a layer.
    """
    cache = cache or TakeCache()
    name = layer_to_try(file, layer)
    reference = reference_layer(file, name, against)

    def work() -> AlbumSong:
        song = process_takes(file, cache, on_progress=lambda share: on_progress(share / 2))
        named = {known.name: known for known in song.layers}
        rest = [known for known in song.layers if known.name != name] if reference is None else [named[reference]]
        blend, mine, other = measure_mixes(
            measure_song(song, cache), [song.mix(song.layers), song.mix([named[name]]), song.mix(rest)])

        def distance(part: SongPart) -> float | None:
            if part.section is not None and file.recipe.level_db(named[name], part.section) == SILENCE_DB:
                # The ramp to the next section is nothing to measure.
                return None
            one, two = (mix.readings(part.start, part.stop).integrated_lufs for mix in (mine, other))
            if one is None or two is None or not (math.isfinite(one) and math.isfinite(two)):
                return None
            return one - two

        whole = blend.readings(song.whole.start, song.whole.stop)
        by_layer = _tuning_by_layer(song, on_progress)
        recipe, meter, tempo = file.recipe, file.recipe.song.meter, file.recipe.song.tempo
        estimated = tempo is None
        if tempo is None:
            estimates, _ = tempo_of_song(file)
            tempo, meter = (estimates[0].tempo, estimates[0].meter) if estimates else (None, "")
        lufs = whole.integrated_lufs
        return AlbumSong(
            recipe.song.title, name, reference, distance(song.whole),
            {part.name: distance(part) for part in song.sections},
            lufs if lufs is not None and math.isfinite(lufs) else None, whole.range_lu, tempo, estimated, meter,
            mean_cents([cents for found in by_layer.values() for cents in found]),
            {known: mean_cents(found) for known, found in by_layer.items()})

    measured = cache.retried(work)
    cache.prune()
    return measured


def _tuning_by_layer(song: ProcessedSong, on_progress: OnProgress) -> dict[str, list[float | None]]:
    """The tuning of every take as it is in its file, cents."""
    found: dict[str, list[float | None]] = {}
    for take in song.takes:
        meter = LowBandMeter(song.rate_hz)
        for block in seconds_of(take.source.source):
            meter.add(block)
        tuning = tuning_of(meter.end(), A4_HZ)
        found.setdefault(take.layer.name, []).append(None if tuning is None else tuning.cents)
        on_progress(0.5 / len(song.takes))
    return found
