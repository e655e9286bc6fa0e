"""One song for the artist's page: sounds, inner products, and one loudness for all settings of a section."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256
from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray, OnProgress
from layerpipe.core.units import db_of_gain, gain_of_db
from layerpipe.dsp.loudness.bs1770 import MOMENTARY_STEPS, integrated
from layerpipe.dsp.peaks.mixes import MixPeaks
from layerpipe.dsp.peaks.true_peak import TAPS
from layerpipe.outputs.artist_page.loops import Keep, Loops, PagePart
from layerpipe.outputs.artist_page.model import PageLayer, PageSection, PageSetting, PageSong
from layerpipe.outputs.artist_page.player import encoded_mix
from layerpipe.render.energies.meter import Energies
from layerpipe.render.energies.mixes import measure_hops
from layerpipe.render.song import ProcessedSong

OUTLINE_POINTS = 240
_HEADROOM_DB = 0.25
"""Levels between the tried ones may peak a little higher than any of them; the page lowers itself if they do."""
_TRIED_EVERY_DB = 3.0
"""From one tried slider position to the next; what lies between stays inside the headroom."""
_MOST_TRIED = 2000
"""Tried combinations of all sliders; with more, sliders are tried together and one by one."""
_VERSION = 4
"""Part of the readings' cache key; raised when the same sounds would give other readings."""


def make_page_song(song: ProcessedSong, energies: Energies, parts: Sequence[PagePart], page_id: str, *, bits: int = 16,
                   workers: int, keep: Keep = lambda shaped_by, kind, make: make(),
                   on_section: Callable[[PageSection], PageSection] = lambda section: section,
                   on_progress: OnProgress = lambda share: None) -> PageSong:
    """Gather readings and sound.

    Parameters
    ----------
    song : ProcessedSong
    energies : Energies
        Of the song's takes and bed.
    parts : sequence of PagePart
    page_id : str
        See `page_id.page_id`.
    bits : int
        16, or less for coarser and smaller sound.
    workers : int
        Threads.
    keep : Keep
        Cache of encoded sounds and readings.
    on_section : function of PageSection, optional
        Called with each finished section, which it may replace by one without its sound: then memory does not grow with
        the song.
    on_progress : function of a share
        Called with each share done; they add up to 1.

    Returns
    -------
    PageSong
    """
    def make(part: PagePart) -> PageSection:
        section = on_section(_section(song, energies, part, bits, keep))
        on_progress(1 / len(parts))
        return section

    with ThreadPoolExecutor(workers) as pool:
        sections = tuple(pool.map(make, parts))
    page = song.recipe.page
    names = {layer.name for layer in song.layers}
    return PageSong(
        title=song.recipe.song.title, artist=song.recipe.song.artist, rate_hz=song.rate_hz, sections=sections,
        page_id=page_id, low_db=page.range_db[0], high_db=page.range_db[1], step_db=page.step_db,
        settings=tuple(PageSetting(setting.name, setting.levels_db) for setting in page.setting
                       if names & setting.levels_db.keys()),
        ceiling_dbfs=song.recipe.preview.ceiling_dbtp,
    )


def _section(song: ProcessedSong, energies: Energies, part: PagePart, bits: int, keep: Keep) -> PageSection:
    """One section with everything the page needs."""
    levels = [song.recipe.level_db(layer, part.part.section) for layer in song.layers]
    loops = Loops(song, part, keep)
    products = _products(song, energies, part)
    wanted = song.recipe.preview
    described = {"readings": _VERSION, "sounds": [loops.shaped_by(n) for n in range(loops.count)], "levels": levels,
                 "wanted": [wanted.loudness_lufs, wanted.ceiling_dbtp, *song.recipe.page.range_db],
                 "products": sha256(products.tobytes()).hexdigest()}
    read = json.loads(keep(described, "readings", lambda: json.dumps(_readings(loops, levels, products)).encode()))
    sounds = [loops.encoded(n, bits, highest) for n, highest in enumerate(read["highest"])]
    layers = tuple(PageLayer(layer.name, level, sounds[n])
                   for n, (layer, level) in enumerate(zip(song.layers, levels, strict=True)))
    bed = None if song.bed is None else sounds[-1]
    mix = np.array([*(gain_of_db(level) for level in levels), *([] if bed is None else [0.0])])
    gain_db = read["reference_lufs"] - _loudness(products, mix)
    return PageSection(part.name, part.frames, layers, bed, products, read["reference_lufs"], tuple(read["waveform"]),
                       part.bars, part.beats_s, encoded_mix(loops, levels, gain_db, keep), loops.starts, loops.margin)


def _readings(loops: Loops, levels: Sequence[float], products: FloatArray) -> dict[str, Any]:
    """Readings that need the samples: the loudness all settings can have, highest samples, outline of the blend."""
    song, wanted = loops.song, loops.song.recipe.preview
    mixes = _settings(song, levels)
    lufs = np.array([_loudness(products, mix) for mix in mixes])
    reference, highest = wanted.loudness_lufs, np.zeros(loops.count)
    edges = np.linspace(0, loops.part.frames, OUTLINE_POINTS + 1).astype(int)
    shape = np.zeros(OUTLINE_POINTS)
    for start, stop in loops.pieces:
        # Where there are several pieces, with what the interpolator reaches on either side.
        margin = TAPS if loops.margin else 0
        sounds = [loops.heard(n, start - margin, stop + margin) for n in range(loops.count)]
        reference = _common_loudness(MixPeaks(sounds), mixes, lufs, reference, wanted.ceiling_dbtp)
        highest = np.maximum(highest, [np.abs(sound).max() for sound in sounds])
        blend = np.zeros((stop - start, 2))
        for level, sound in zip(levels, sounds, strict=False):
            blend += gain_of_db(level) * sound[margin : margin + stop - start]
        place = np.searchsorted(edges, np.arange(start, stop), side="right") - 1
        np.maximum.at(shape, place, np.abs(blend).max(axis=1))
    return {"reference_lufs": float(reference), "highest": highest.tolist(),
            "waveform": (shape / max(float(shape.max()), 1e-9)).tolist()}


def _products(song: ProcessedSong, energies: Energies, part: PagePart) -> FloatArray:
    """Inner products of layers and bed by blocks: that of two is half of what their sum has more than each alone."""
    mixes = [song.mix([layer], level=False) for layer in song.layers]
    if song.bed is not None:
        mixes.append(song.mix((), level=False, bed=True))
    pairs = list(itertools.combinations_with_replacement(range(len(mixes)), 2))
    powers = {(i, j): measure_hops(energies, mixes[i] if i == j else mixes[i] + mixes[j], part.start, part.stop
                                   ).powers(0, MOMENTARY_STEPS) for i, j in pairs}
    return np.stack([powers[i, j] if i == j else (powers[i, j] - powers[i, i] - powers[j, j]) / 2 for i, j in pairs],
                    axis=1)


def _settings(song: ProcessedSong, levels: Sequence[float]) -> FloatArray:
    """Gains to try, shape (settings, sounds): the grid of all sliders if it is small enough."""
    low, high = song.recipe.page.range_db
    places = [-math.inf, *np.arange(low, high, _TRIED_EVERY_DB), high]
    sliders = [sorted({*places, level}) for level in levels[1:]]
    if math.prod(len(slider) for slider in sliders) <= _MOST_TRIED:
        grid = [[levels[0], *rest] for rest in itertools.product(*sliders)]
    else:
        grid = [[levels[0], *([place] * len(sliders))] for place in places]
        grid += [[*levels[:n], place, *levels[n + 1 :]] for n in range(1, len(levels)) for place in places]
    mixes = [[gain_of_db(level) for level in setting] for setting in grid]
    alone = np.eye(len(levels) + (song.bed is not None))[: len(levels)]
    if song.bed is None:
        return np.array([*mixes, *alone])
    return np.array([*([*mix, 0.0] for mix in mixes), *([*mix, 1.0] for mix in mixes), *alone])


def _loudness(products: FloatArray, mix: FloatArray) -> float:
    """Gated loudness of a setting; -inf is silence."""
    upper, lower = np.triu_indices(len(mix))
    found = integrated(np.maximum(products @ (mix[upper] * mix[lower] * np.where(upper == lower, 1.0, 2.0)), 0.0))
    assert found is not None
    return found


def _common_loudness(peaks: MixPeaks, mixes: FloatArray, lufs: FloatArray, wanted_lufs: float,
                     ceiling_dbtp: float) -> float:
    """The wanted loudness, or the highest at which no setting's true peak exceeds the ceiling."""
    bounds = np.array([peaks.bound(mix) for mix in mixes])
    audible = np.flatnonzero(np.isfinite(lufs) & (bounds > 0))
    least = wanted_lufs - ceiling_dbtp + _HEADROOM_DB
    # Settings with the least room first, so that most others can be skipped by their bound.
    for place in audible[np.argsort(lufs[audible] - 20 * np.log10(bounds[audible]), kind="stable")]:
        known = gain_of_db(float(lufs[place]) - least)
        peak = peaks.true_peak(mixes[place], at_least=known)
        if peak > known:
            least = float(lufs[place]) - db_of_gain(peak)
    return least + ceiling_dbtp - _HEADROOM_DB
