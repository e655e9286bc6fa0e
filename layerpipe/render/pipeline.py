"""The map: the order in which takes become a layered double, and nothing else.

file -> moves -> chain -> processed take (kept in the store) -> pan, layer, section levels -> blend -> meters and files.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from layerpipe.core.errors import AudioError, Fault, ParameterError, RecipeError
from layerpipe.core.sound import OnProgress, Sound
from layerpipe.recipe.model import Chain, Recipe
from layerpipe.recipe.reader import RecipeFile
from layerpipe.recipe.tempo_map import TempoMap, seconds_text
from layerpipe.render import attack, chain, moves, takes
from layerpipe.render.cache.cached_take import CachedTake, DamagedEntry
from layerpipe.render.cache.take_cache import CacheMoved, TakeCache, cache_key
from layerpipe.render.energies.readings import Energies, EnergyMeter
from layerpipe.render.song import ProcessedSong, ProcessedTake

T = TypeVar("T")

ENGINE = 2
"""Part of every key of the store: counts up when the same recipe would sound different."""
WORKERS = max(1, os.cpu_count() or 1)
_TRIES = 3


def process_takes(file: RecipeFile, cache: TakeCache, *, on_progress: OnProgress = lambda share: None) -> ProcessedSong:
    """Carry every take through moves and chain, side by side, or find it in the store.

    Parameters
    ----------
    file : RecipeFile
    store : Store
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Raises
    ------
    RecipeError, AudioError
        What the recipe asks for cannot be, or files are not what it needs; before anything is rendered.
    """
    recipe = file.recipe
    opened = takes.open_all(recipe, digest_of=cache.notes.digest_of)
    sounding = [take for take in opened if not take.take.mute]
    if not sounding:
        raise RecipeError([Fault(file.path, "layer", "every take is muted; nothing would sound")])
    rate_hz = sounding[0].source.rate_hz
    tempo_map = TempoMap.of(recipe)
    _refuse_corners(file, recipe, rate_hz)
    _refuse_late_sections(file, recipe, tempo_map, sounding[0].frames / rate_hz)
    attack.refuse_changed_takes(file, tempo_map, [None if one.take.mute else one.source for one in opened])

    def process_one(opened_take: takes.OpenTake) -> ProcessedTake:
        place = f'layer "{opened_take.layer.name}", take "{opened_take.take.name}"'
        try:
            played = moves.frame_moves(opened_take.take, tempo_map, rate_hz)
            moved = moves.MovedTake(opened_take.source, played) if played else opened_take.source
        except ParameterError as refusal:
            raise RecipeError([Fault(file.path, f"{place}, move", str(refusal))]) from refusal
        wanted = recipe.chain_of(opened_take.layer, opened_take.take)
        key = cache_key({
            "engine": ENGINE, "numpy": np.__version__,
            "source": opened_take.digest, "channel": opened_take.take.channel,
            "converted_from": opened_take.rate_converted_from, "rate_hz": rate_hz, "frames": opened_take.frames,
            "moves": [vars(move) for move in played], "chain": wanted.model_dump(),
        })
        found = cache.find_take(key)
        if found is None:
            found = _process(moved, wanted, key, cache, lambda problem: Fault(file.path, f"{place}, chain", problem))
            if not opened_take.unchanged():
                found.remove()
                raise AudioError([Fault(opened_take.facts.path, "", "changed while it was read; try again")])
        on_progress(1 / len(sounding))
        return ProcessedTake(opened_take.layer, opened_take.take, opened_take, tuple(played), found)

    with ThreadPoolExecutor(WORKERS) as pool:
        processed = tuple(pool.map(process_one, sounding))
    bed = takes.open_bed(recipe, rate_hz, digest_of=cache.notes.digest_of)
    return ProcessedSong(file.path, recipe, tempo_map, rate_hz, sounding[0].frames, processed, bed)


def _process(sound: Sound, wanted: Chain, key: str, cache: TakeCache, fault: Callable[[str], Fault]) -> CachedTake:
    """One take through its chain into the store."""
    try:
        threshold_db = chain.find_threshold(sound, wanted)
        voicing = chain.design(wanted, sound.rate_hz, threshold_db=threshold_db)
    except ParameterError as refusal:
        raise RecipeError([fault(str(refusal))]) from refusal
    reduction = chain.Reduction()
    return cache.make_take(key, sound.rate_hz, chain.voice(sound, voicing, reduction),
                           facts={"threshold_db": threshold_db}, table=reduction.table)


def _refuse_corners(file: RecipeFile, recipe: Recipe, rate_hz: int) -> None:
    """Filters that only the files' rate shows to be impossible, all at once."""
    chains: list[tuple[tuple[str | int, ...], Chain]] = []
    for n, layer in enumerate(recipe.layer):
        chains.append((("layer", n, "chain"), layer.chain))
        chains += [(("layer", n, "take", m, "chain"), take.chain) for m, take in enumerate(layer.take) if take.chain]
    faults = [
        file.fault((*place, kind, n, "hz"), f"found {part.hz:g}, allowed is less than {rate_hz / 2:g}, half the rate")
        for place, asked in chains for kind in ("high_pass", "shelf", "bell")
        for n, part in enumerate(getattr(asked, kind)) if part.hz >= rate_hz / 2
    ]
    if faults:
        raise RecipeError(faults)


def _refuse_late_sections(file: RecipeFile, recipe: Recipe, tempo_map: TempoMap, seconds: float) -> None:
    """Sections of which nothing lies inside the files."""
    faults = [
        file.fault(("section", n, "bars"), f"begins at {seconds_text(tempo_map.span_s(section)[0])}, "
                                           f"when the longest take has ended ({seconds_text(seconds)})")
        for n, section in enumerate(recipe.section) if tempo_map.span_s(section)[0] >= seconds
    ]
    if faults:
        raise RecipeError(faults)


def measure_song(song: ProcessedSong, cache: TakeCache) -> Energies:
    """The inner products of the song's takes (and bed), from the store or measured now."""
    def measured() -> Energies:
        meter = EnergyMeter(song.channels, song.rate_hz)
        for at, blocks in song.blocks(0, song.frames, song.rate_hz):
            meter.add(song.channels_of(blocks, at))
        return meter.finish()

    return cache.find_or_make(energies_key(song), "energies", Energies.load, measured)


def energies_key(song: ProcessedSong) -> str:
    """Key of the song's energies in the store."""
    bed = song.bed
    return cache_key({"engine": ENGINE, "takes": [processed.sound.key for processed in song.takes],
                   "bed": None if bed is None else [bed.digest, song.rate_hz, song.frames]})


def keep_energies(meter: EnergyMeter, key: str, cache: TakeCache) -> Energies:
    """Finish a measurement and keep it."""
    energies = meter.finish()
    cache.make_file(key, "energies", energies.save)
    return energies


def until_whole(work: Callable[[], T], cache: TakeCache) -> T:
    """Do it again when an entry of the store turned out damaged: damaged entries are removed, and made anew."""
    for _ in range(_TRIES - 1):
        try:
            return work()
        except CacheMoved:
            continue
        except DamagedEntry:
            # Damage seldom comes alone.
            cache.remove_damaged()
    return work()
