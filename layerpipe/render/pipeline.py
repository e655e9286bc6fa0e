"""The map: the way from the takes to the files.

files at their places -> mics added up -> moves -> comp of passes -> chain -> processed takes (cached)
    -> layers (gain, pan, section levels) -> blend -> meters and files
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt
from msgspec import to_builtins
from msgspec.structs import asdict

from layerpipe.core.errors import AudioError, Fault, ParameterError, RecipeError
from layerpipe.core.process import release_memory, worker_threads
from layerpipe.core.sound import Float32Array, FloatArray, OnProgress, Sound
from layerpipe.recipe.model.recipe import Chain, Recipe
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap, seconds_text
from layerpipe.render import chain
from layerpipe.render.cache.cached_take import CachedTake
from layerpipe.render.cache.take_cache import TakeCache, cache_key
from layerpipe.render.energies.meter import Energies, EnergyMeter
from layerpipe.render.layers import take_pans
from layerpipe.render.song import ProcessedSong, ProcessedTake
from layerpipe.render.stream import BlockStream, measure_block
from layerpipe.render.takes import attack, open_takes
from layerpipe.render.takes.moves import frame_moves

PcmArray = npt.NDArray[np.int32]

ENGINE = 2
"""Part of every cache key: counts up when the same recipe would sound different."""
WORKERS = worker_threads()


class Sinks(Protocol):
    """Where the sound goes: one file for each take, each layer and the blend. Blocks of each come in order."""

    def add_take(self, n: int, block: Float32Array, gain: float, /) -> None:
        """The next block of processed take `n`, to be written with a gain."""
        ...

    def add_layer(self, n: int, sound: FloatArray, /) -> PcmArray:
        """The next block of layer `n`, shape (frames, 2); returns it as it was rounded."""
        ...

    def add_blend(self, layers: Sequence[PcmArray], /) -> None:
        """The next block of the blend: the sum of the rounded layers."""
        ...


def render(file: RecipeFile, cache: TakeCache, open_sinks: Callable[[ProcessedSong], AbstractContextManager[Sinks]], *,
           scale: float = 1.0, spool_folder: Path | None = None,
           on_progress: OnProgress = lambda share: None) -> tuple[ProcessedSong, Energies]:
    """Carry every take to its layer and the layers to the blend, block by block; measure the takes on the way.

    Parameters
    ----------
    file : RecipeFile
    cache : TakeCache
    open_sinks : function of the song
        Opens the sinks; they are closed when all blocks have been added.
    scale : float
        One factor for all outputs.
    spool_folder : Path, optional
        Holds measurements that are too large for memory until they are stored.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Returns
    -------
    ProcessedSong, Energies
        The song as it was rendered, and the energies of its takes (and bed).

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe or its files; before anything is rendered.
    """
    # files -> mics -> moves -> comp -> chain
    song = replace(process_takes(file, cache, on_progress=lambda share: on_progress(share / 2)), scale=scale)
    release_memory()
    measured = cache.find_file(energies_key(song), "energies") is not None
    meter = None if measured else _energy_meter(song, spool_folder)

    def add_layer(n: int, blocks: list[Float32Array], at: int) -> PcmArray:
        return sinks.add_layer(n, song.layer_of(song.layers[n], blocks, at))

    def add_blend(layers: list[Future[PcmArray]]) -> None:
        sinks.add_blend([layer.result() for layer in layers])

    with open_sinks(song) as sinks, ThreadPoolExecutor(WORKERS) as pool:
        stream = BlockStream(song, pool)
        for at, blocks in stream:
            # -> layers -> blend -> meters and files
            layers = [stream.submit(("layer", n), add_layer, n, blocks, at) for n in range(len(song.layers))]
            if meter is not None:
                stream.submit("meter", measure_block, song, meter, blocks, at)
            for n, block in enumerate(blocks):
                stream.submit(("take", n), sinks.add_take, n, block, song.take_gain_of(n))
            stream.submit("blend", add_blend, layers)
            on_progress(len(blocks[0]) / song.frames / 2)
    if meter is None:
        return song, measure_song(song, cache)
    energies = meter.finish()
    cache.make_file(energies_key(song), "energies", energies.save)
    return song, energies


def process_takes(file: RecipeFile, cache: TakeCache | None = None, *,
                  on_progress: OnProgress = lambda share: None) -> ProcessedSong:
    """Play every take's moves and run its chain, side by side, or find the result in the cache.

    Parameters
    ----------
    file : RecipeFile
    cache : TakeCache, optional
        Default: the user's.
    on_progress : function of a share
        Called with the share of the work (of 1) that was just done.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe or its files; before anything is rendered.
    """
    recipe, cache = file.recipe, cache or TakeCache()
    every = open_takes.open_all(recipe, digest_of=cache.notes.digest_of, facts_of=cache.notes.facts_of)
    opened = [take for take in every if not take.take.mute]
    if not opened:
        raise RecipeError([Fault(file.path, "layer", "every take is muted; nothing would sound")])
    rate_hz, frames, tempo_map = opened[0].source.rate_hz, opened[0].frames, opened[0].tempo_map
    _refuse_corners(file, recipe, rate_hz)
    _refuse_late_sections(file, recipe, tempo_map, frames / rate_hz)
    attack.refuse_changed_takes(file, tempo_map, [None if take.take.mute else take.pass_sounds for take in every])

    def process_one(take: open_takes.OpenTake) -> ProcessedTake:
        moved = play_moves(file, take)
        wanted = recipe.chain_of(take.layer, take.take)
        key = take_key(take, wanted)
        sound = cache.find_take(key) or _run_chain(file, take, moved, wanted, key, cache)
        on_progress(1 / len(opened))
        return ProcessedTake(take.layer, take.take, take, tuple(take.heard_moves()), sound)

    with ThreadPoolExecutor(WORKERS) as pool:
        processed = tuple(pool.map(process_one, opened))
    bed = open_takes.open_bed(recipe, rate_hz, digest_of=cache.notes.digest_of, facts_of=cache.notes.facts_of)
    return ProcessedSong(file.path, recipe, tempo_map, rate_hz, frames, processed, bed)


def measure_song(song: ProcessedSong, cache: TakeCache | None = None) -> Energies:
    """Measure the inner products of the song's takes (and bed), or read them from the cache.

    Parameters
    ----------
    song : ProcessedSong
    cache : TakeCache, optional
        Default: the user's.

    Returns
    -------
    Energies
        Of every 10 ms; `read_levels` reads any blend from them.

    Raises
    ------
    AudioError
        If a file changed or cannot be read any more.
    """
    def measured() -> Energies:
        meter = _energy_meter(song)
        for at, blocks in song.blocks(0, song.frames, song.rate_hz):
            measure_block(song, meter, blocks, at)
        return meter.finish()

    return (cache or TakeCache()).find_or_make(energies_key(song), "energies", Energies.load, measured)


def _energy_meter(song: ProcessedSong, spool_folder: Path | None = None) -> EnergyMeter:
    """A meter for the song's channels and summed takes."""
    return EnergyMeter(song.channels, song.rate_hz, alone=len(song.summed_takes), spool_folder=spool_folder)


def energies_key(song: ProcessedSong) -> str:
    """Key of the song's energies in the cache."""
    bed = song.bed
    return cache_key({"engine": ENGINE, "takes": [processed.sound.key for processed in song.takes],
                      "layers": [song.takes_of(layer) for layer in song.layers],
                      "summed": [take_pans(song.takes[n].take) for n in song.summed_takes],
                      "bed": None if bed is None else [*bed.key, song.rate_hz, song.frames]})


def play_moves(file: RecipeFile, take: open_takes.OpenTake) -> Sound:
    """A take as it is heard, before its chain: its passes with their moves, comped."""
    try:
        return take.played()
    except ParameterError as refusal:
        raise RecipeError([Fault(file.path, f"{_place(take)}, move", str(refusal))]) from refusal


def take_key(take: open_takes.OpenTake, wanted: Chain) -> str:
    """Key of a processed take: everything that shapes its sound."""
    rate_hz = take.source.rate_hz
    key = {
        "engine": ENGINE, "numpy": np.__version__,
        "source": take.main.digest, "channel": take.main.mic.channel,
        "converted_from": take.main.rate_converted_from, "rate_hz": rate_hz, "frames": take.frames,
        "moves": [asdict(move) for move in take.heard_moves()], "chain": to_builtins(wanted),
    }
    if not take.is_plain:
        key["comp"] = [take.comp.first, *([joint.stop, joint.after, joint.crossfade_frames]
                                          for joint in take.comp.joints)]
        key["passes"] = {number: {
            "mics": [[mic.digest, mic.mic.channel, mic.rate_converted_from, mic.place, mic.gain] for mic in one.mics],
            "moves": [asdict(move) for move in frame_moves(one.one, take.tempo_map, rate_hz)],
        } for number, one in enumerate(take.passes) if number in take.comp.sounding}
    return cache_key(key)


def _run_chain(file: RecipeFile, take: open_takes.OpenTake, moved: Sound, wanted: Chain, key: str,
               cache: TakeCache) -> CachedTake:
    """Run a moved take through its chain into the cache."""
    try:
        threshold_db = chain.find_threshold(moved, wanted)
        designed = chain.design(wanted, moved.rate_hz, threshold_db=threshold_db)
    except ParameterError as refusal:
        raise RecipeError([Fault(file.path, f"{_place(take)}, chain", str(refusal))]) from refusal
    reduction = chain.Reduction()
    made = cache.make_take(key, moved.rate_hz, chain.run_chain(moved, designed, reduction),
                           facts={"threshold_db": threshold_db}, table=reduction.table)
    if not take.unchanged():
        made.remove()
        raise AudioError([Fault(mic.facts.path, "", "changed while it was read; try again")
                          for mic in take.files() if not mic.unchanged()])
    return made


def _place(take: open_takes.OpenTake) -> str:
    """A take's place in the recipe, for messages."""
    return f'layer "{take.layer.name}", take "{take.take.name}"'


def _refuse_corners(file: RecipeFile, recipe: Recipe, rate_hz: int) -> None:
    """Refuse filters that are impossible at the files' rate, all at once."""
    chains: list[tuple[tuple[str | int, ...], Chain]] = []
    for n, layer in enumerate(recipe.layer):
        chains.append((("layer", n, "chain"), layer.chain))
        chains += [(("layer", n, "take", m, "chain"), take.chain) for m, take in enumerate(layer.take) if take.chain]
    faults = [
        file.fault((*place, kind, n, "hz"), f"{part.hz:g} is not allowed; use less than {rate_hz / 2:g}, half the rate")
        for place, asked in chains for kind in ("high_pass", "shelf", "bell")
        for n, part in enumerate(getattr(asked, kind)) if part.hz >= rate_hz / 2
    ]
    if faults:
        raise RecipeError(faults)


def _refuse_late_sections(file: RecipeFile, recipe: Recipe, tempo_map: TempoMap, seconds: float) -> None:
    """Refuse sections that begin after the end of the files."""
    faults = [
        file.fault(("section", n, "bars"), f"begins at {seconds_text(tempo_map.span_s(section)[0])}, "
                                           f"after the longest take has ended ({seconds_text(seconds)})")
        for n, section in enumerate(recipe.section) if tempo_map.span_s(section)[0] >= seconds
    ]
    if faults:
        raise RecipeError(faults)
