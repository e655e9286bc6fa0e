"""The map: the order in which takes become a layered double, and nothing else.

file -> moves -> chain -> processed take (kept in the store) -> pan, layer, section levels -> blend -> meters and files.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from layerpipe import chain, moves, takes
from layerpipe.bounce import lowering_gain, past_full_scale, write_stems
from layerpipe.checking.compare import Compared, compare_bounces
from layerpipe.checking.opened import OpenBounce, open_bounce
from layerpipe.checking.origin import check_sources, recipe_inside
from layerpipe.checking.picture import draw_residuals
from layerpipe.checking.verify import CHANGED, Verified, verify_bounce, with_fresh, with_originals, with_sources
from layerpipe.clock import SongClock
from layerpipe.delivery import files_of_bounce, write_papers
from layerpipe.energies import DamagedEnergies, Energies, EnergyMeter
from layerpipe.errors import AudioError, Fault, LayerpipeError, ParameterError, RecipeError
from layerpipe.layers import take_pans
from layerpipe.levels import (
    Bands,
    DamagedBands,
    LevelStudy,
    SectionPeaks,
    borders,
    layer_to_try,
    measure_bands,
    measure_peaks,
    study,
)
from layerpipe.manifest import blends_of, manifest
from layerpipe.preview import Listening, make_previews, versions_of
from layerpipe.recipe import Chain, Layer, Recipe
from layerpipe.recipe_file import RecipeFile, read_recipe
from layerpipe.sheet.song import SheetSong
from layerpipe.sheet_loops import Keep, parts_of
from layerpipe.sheet_pictures import draw_pictures
from layerpipe.sheet_sound import make_sheet_song
from layerpipe.sound import Sound
from layerpipe.store import DamagedEntry, Store, StoredTake, StoreMoved, key_of
from layerpipe.voiced import Voice, VoicedSong
from layerpipe.whole import whole_or_absent

T = TypeVar("T")
Advance = Callable[[float], None]

ENGINE = 1
"""Part of every key of the store: counts up when the same recipe would sound different."""
WORKERS = max(1, os.cpu_count() or 1)
_TRIES = 3


def voice_song(file: RecipeFile, store: Store, *, advance: Advance = lambda share: None) -> VoicedSong:
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
    opened = takes.open_all(recipe, digest_of=store.digest_of)
    sounding = [take for take in opened if not take.take.mute]
    if not sounding:
        raise RecipeError([Fault(file.path, "layer", "every take is muted; nothing would sound")])
    rate_hz = sounding[0].source.rate_hz
    clock = SongClock.of(recipe)
    _refuse_corners(file, recipe, rate_hz)

    def voice_one(opened_take: takes.OpenTake) -> Voice:
        place = f'layer "{opened_take.layer.name}", take "{opened_take.take.name}"'
        try:
            played = moves.frame_moves(opened_take.take, clock, rate_hz)
            moved = moves.MovedTake(opened_take.source, played) if played else opened_take.source
        except ParameterError as refusal:
            raise RecipeError([Fault(file.path, f"{place}, move", str(refusal))]) from refusal
        wanted = recipe.chain_of(opened_take.layer, opened_take.take)
        key = key_of({
            "engine": ENGINE, "numpy": np.__version__,
            "source": opened_take.digest, "channel": opened_take.take.channel,
            "converted_from": opened_take.rate_converted_from, "rate_hz": rate_hz, "frames": opened_take.frames,
            "moves": [vars(move) for move in played], "chain": wanted.model_dump(),
        })
        found = store.find_take(key)
        if found is None:
            found = _process(moved, wanted, key, store, lambda problem: Fault(file.path, f"{place}, chain", problem))
            if not opened_take.unchanged():
                found.remove()
                raise AudioError([Fault(opened_take.facts.path, "", "changed while it was read; try again")])
        advance(1 / len(sounding))
        return Voice(opened_take.layer, opened_take.take, opened_take, tuple(played), found)

    with ThreadPoolExecutor(WORKERS) as pool:
        voices = tuple(pool.map(voice_one, sounding))
    bed = takes.open_bed(recipe, rate_hz, digest_of=store.digest_of)
    return VoicedSong(file.path, recipe, clock, rate_hz, sounding[0].frames, voices, bed)


def _process(sound: Sound, wanted: Chain, key: str, store: Store, fault: Callable[[str], Fault]) -> StoredTake:
    """One take through its chain into the store."""
    try:
        threshold_db = chain.find_threshold(sound, wanted)
        voicing = chain.design(wanted, sound.rate_hz, threshold_db=threshold_db)
    except ParameterError as refusal:
        raise RecipeError([fault(str(refusal))]) from refusal
    reduction = chain.Reduction()
    return store.make_take(key, sound.rate_hz, chain.voice(sound, voicing, reduction),
                           facts={"threshold_db": threshold_db}, table=reduction.table)


def _refuse_corners(file: RecipeFile, recipe: Recipe, rate_hz: int) -> None:
    """Filters that only the files' rate shows to be impossible, all at once."""
    faults = []
    for layer in recipe.layer:
        chains = [(f'layer "{layer.name}", chain', layer.chain)]
        chains += [(f'layer "{layer.name}", take "{take.name}", chain', take.chain)
                   for take in layer.take if take.chain]
        for place, asked in chains:
            for kind in ("high_pass", "shelf", "bell"):
                faults += [
                    Fault(file.path, f"{place}, {kind} {n}",
                          f"{part.hz:g} Hz must be below {rate_hz / 2:g} Hz, half the rate")
                    for n, part in enumerate(getattr(asked, kind), 1) if part.hz >= rate_hz / 2
                ]
    if faults:
        raise RecipeError(faults)


@dataclass(frozen=True)
class Bounced:
    """What became of one recipe: a folder and its manifest, or the reason why not."""

    recipe: Path
    folder: Path
    manifest: dict[str, Any] = field(default_factory=dict)
    refusal: LayerpipeError | None = None


def bounce_all(files: Sequence[RecipeFile], out: Path, *, store: Store | None = None, pdf: bool = False,
               advance: Advance = lambda share: None) -> list[Bounced]:
    """Bounce several recipes side by side, each into its own folder of `out`; one that is refused stops no other.

    Parameters
    ----------
    files : sequence of RecipeFile
    out : Path
        Gets one folder per recipe, named like its file.
    store : Store, optional
        Default: the user's.
    pdf : bool
        Also print each delivery sheet, where a Chromium is found.
    advance : function of a share
        Told how much of all the work, of 1, has been done.

    Raises
    ------
    RecipeError
        If two recipes would share a folder.
    """
    store = store or Store()
    names = [file.path.stem.casefold() for file in files]
    twice = [file for file in files if names.count(file.path.stem.casefold()) > 1]
    if twice:
        raise RecipeError([Fault(file.path, "", f'would share the folder "{out / file.path.stem}" with another recipe; '
                                                "rename one or bounce it alone with another --out") for file in twice])

    def one(file: RecipeFile) -> Bounced:
        folder = out / file.path.stem
        try:
            def part(share: float) -> None:
                advance(share / len(files))

            made = until_whole(lambda: bounce_song(file, folder, store, pdf=pdf, advance=part), store)
        except LayerpipeError as refusal:
            return Bounced(file.path, folder, refusal=refusal)
        return Bounced(file.path, folder, made)

    with ThreadPoolExecutor(min(len(files), WORKERS) or 1) as pool:
        done = list(pool.map(one, files))
    store.prune()
    return done


def bounce_song(file: RecipeFile, folder: Path, store: Store, *, pdf: bool = False,
                advance: Advance = lambda share: None) -> dict[str, Any]:
    """Bounce one recipe into a folder, whole or not at all; hands the manifest back.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, or the place it should go to; or what passes full scale.
    """
    with whole_or_absent(folder, files_of_bounce) as partial:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        meter = None if store.find_file(energies_key(song), "energies") else EnergyMeter(song.channels, song.rate_hz)
        stems = write_stems(song, partial, workers=WORKERS, meter=meter, advance=lambda share: advance(share / 2))
        energies = energies_of(song, store) if meter is None else keep_energies(meter, energies_key(song), store)
        refusal = past_full_scale(stems, song)
        if refusal is not None and song.recipe.bounce.ceiling == "refuse":
            raise refusal
        if refusal is not None:
            song = replace(song, scale=lowering_gain(stems))
            stems = write_stems(song, partial, workers=WORKERS)
        digest = sha256(file.text.encode()).hexdigest()
        blends = blends_of(song, stems, energies)
        pictures = draw_pictures(song, stems, blends)
        told = write_papers(partial, manifest(song, stems, blends, digest), file.text, pictures, pdf=pdf)
        store.note_place_of_recipe(digest, file.path.absolute().parent)
    return told


def preview_song(file: RecipeFile, out: Path, *, sections: Sequence[str] = (), versions: Sequence[str] = (),
                 store: Store | None = None, advance: Advance = lambda share: None) -> list[Listening]:
    """Write listening files of one recipe into its own folder of `out`.

    Raises
    ------
    RecipeError, AudioError, OutputError
        What is wrong with the recipe, its files, a name of a section or version, or the place it should go to.
    """
    store = store or Store()

    def work() -> list[Listening]:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        parts, heard = song.stretches(sections), versions_of(song, versions)
        made = make_previews(song, energies_of(song, store), out / file.path.stem, parts, heard, workers=WORKERS,
                             advance=lambda share: advance(share / 2))
        store.prune()
        return made

    return until_whole(work, store)


def sheet_song(file: RecipeFile, *, sections: Sequence[str] = (), seconds: float = 20.0, store: Store | None = None,
               advance: Advance = lambda share: None) -> tuple[SheetSong, int]:
    """Gather what the artist's page of a recipe holds, and the bits its sound is kept with.

    Raises
    ------
    RecipeError, AudioError
        What is wrong with the recipe, its files or a section's name.
    """
    store = store or Store()

    def work() -> tuple[SheetSong, int]:
        song = voice_song(file, store, advance=lambda share: advance(share / 2))
        parts = parts_of(song, sections, seconds)
        made = make_sheet_song(song, energies_of(song, store), parts, workers=WORKERS, keep=keeping_in(store),
                               advance=lambda share: advance(share / 2))
        store.prune()
        return made

    return until_whole(work, store)


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
    kept = store.find_file(key, "bands")
    if kept is not None:
        try:
            return Bands.load(kept)
        except DamagedBands:
            kept.unlink(missing_ok=True)
    bands = measure_bands(song, workers=WORKERS, advance=advance)
    store.make_file(key, "bands", bands.save)
    return bands


def peaks_of(song: VoicedSong, layer: Layer, store: Store, *, advance: Advance = lambda share: None) -> SectionPeaks:
    """The peaks of the blend at every level of a layer, from the store or measured now."""
    rest = {other.name: vars(song.plans[other.name]) for other in song.layers if other is not layer}
    key = key_of({"engine": ENGINE, "peaks": 1, "layer": song.layers.index(layer), "rest": rest,
                  "borders": borders(song), **_layers_key(song)})
    kept = store.find_file(key, "peaks")
    if kept is not None:
        try:
            return SectionPeaks.load(kept)
        except DamagedBands:
            kept.unlink(missing_ok=True)
    peaks = measure_peaks(song, layer, workers=WORKERS, advance=advance)
    store.make_file(key, "peaks", peaks.save)
    return peaks


def keeping_in(store: Store) -> Keep:
    """Bytes kept in a store under everything that shaped them, if they are still what was kept; else made and kept."""
    def keep(shaped_by: Mapping[str, Any], kind: str, make: Callable[[], bytes]) -> bytes:
        key = key_of({"engine": ENGINE, **shaped_by})
        kept = store.find_file(key, kind)
        if kept is not None:
            found = kept.read_bytes()
            if sha256(found[32:]).digest() == found[:32]:
                return found[32:]
            kept.unlink(missing_ok=True)
        made = make()

        def write(path: Path) -> None:
            path.write_bytes(sha256(made).digest() + made)

        store.make_file(key, kind, write)
        return made

    return keep


def _layers_key(song: VoicedSong) -> dict[str, Any]:
    """What shapes the layers at level 0 dB."""
    return {"layers": [[[song.voices[n].sound.key, *take_pans(song.voices[n].take)] for n in song.voices_of(layer)]
                       for layer in song.layers], "scale": song.scale}


def verify_song(opened: OpenBounce, *, sources: bool = False, recipe: Path | None = None, workers: int = WORKERS,
                store: Store | None = None, advance: Advance = lambda share: None) -> Verified:
    """Look at every file of a bounce, and with `sources` at the takes; `recipe` says where its recipe lies.

    Raises
    ------
    RecipeError, OutputError
        If the takes are asked for and not found.
    """
    found = verify_bounce(opened, workers=workers, advance=advance)
    if sources:
        found = with_sources(found, check_sources(opened, _recipe_inside(opened, recipe, store or Store())))
    return found


def verify_again(found: Verified, opened: OpenBounce, room: Path, *, wanted: bool, recipe: Path | None = None,
                 store: Store | None = None, advance: Advance = lambda share: None) -> Verified:
    """Render a bounce anew into `room` and hold it to that; unless `wanted` only to say where changed stems differ.

    Raises
    ------
    RecipeError, AudioError, OutputError
        If that is wanted and cannot be rendered.
    """
    store = store or Store()
    told = {file["path"] for file in opened.files}
    unknown = any(file.verdict == CHANGED and file.first_different_frame is None and file.file in told
                  for file in found.files)
    if not (wanted or unknown):
        return found
    try:
        file = _recipe_inside(opened, recipe, store)
        until_whole(lambda: bounce_song(file, room / "again", store, advance=advance), store)
        fresh = open_bounce(room / "again")
    except LayerpipeError as refusal:
        if wanted:
            raise
        return replace(found, remarks=(*found.remarks, "where changed takes differ is not known, for they cannot be "
                                                       f"rendered anew: {refusal}"))
    found = with_originals(found, opened, fresh)
    return with_fresh(found, opened, fresh) if wanted else found


def compare_songs(old: Path, new: Path, room: Path, *, workers: int = WORKERS, store: Store | None = None,
                  advance: Advance = lambda share: None) -> tuple[Compared, str]:
    """Compare two bounces; a recipe in the place of one is rendered into `room`. Also a picture of what is left, SVG.

    Raises
    ------
    NotABounceError
        If a folder is no bounce.
    RecipeError, AudioError, OutputError
        If a recipe cannot be rendered.
    """
    store = store or Store()

    def opened(path: Path, name: str) -> OpenBounce:
        if path.is_dir() or path.suffix.lower() != ".toml":
            return open_bounce(path)
        file = read_recipe(path)
        until_whole(lambda: bounce_song(file, room / name, store, advance=lambda share: advance(share / 4)), store)
        return open_bounce(room / name)

    before, after = opened(old, "old"), opened(new, "new")
    found, nulls = compare_bounces(before, after, workers=workers, advance=lambda share: advance(share / 2))
    return found, draw_residuals(nulls, after)


def _recipe_inside(opened: OpenBounce, recipe: Path | None, store: Store) -> RecipeFile:
    """The recipe of a bounce, with its files as seen from where it lay."""
    sha256_told = opened.told["recipe"].get("sha256", "") if isinstance(opened.told.get("recipe"), dict) else ""
    return recipe_inside(opened, named=recipe, remembered=store.place_of_recipe(str(sha256_told)))


def energies_of(song: VoicedSong, store: Store) -> Energies:
    """The inner products of the song's takes (and bed), from the store or measured now."""
    key = energies_key(song)
    kept = store.find_file(key, "energies")
    if kept is not None:
        try:
            return Energies.load(kept)
        except DamagedEnergies:
            kept.unlink(missing_ok=True)
    meter = EnergyMeter(song.channels, song.rate_hz)
    for at, blocks in song.blocks(0, song.frames, song.rate_hz):
        meter.add(song.channels_of(blocks, at))
    return keep_energies(meter, key, store)


def energies_key(song: VoicedSong) -> str:
    """Key of the song's energies in the store."""
    bed = song.bed
    return key_of({"engine": ENGINE, "takes": [voice.sound.key for voice in song.voices],
                   "bed": None if bed is None else [bed.digest, song.rate_hz, song.frames]})


def keep_energies(meter: EnergyMeter, key: str, store: Store) -> Energies:
    """Finish a measurement and keep it."""
    energies = meter.finish()
    store.make_file(key, "energies", energies.save)
    return energies


def until_whole(work: Callable[[], T], store: Store) -> T:
    """Do it again when an entry of the store turned out damaged: damaged entries are removed, and made anew."""
    for _ in range(_TRIES - 1):
        try:
            return work()
        except StoreMoved:
            continue
        except DamagedEntry:
            # Damage seldom comes alone.
            store.remove_damaged()
    return work()
