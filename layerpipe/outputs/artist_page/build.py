"""A song's sections as the artist's page needs them: their sounds, inner products, and one loudness for all settings.

Sound is 16-bit FLAC with triangular dither; where the file would pass 25 MB its step doubles, twice at most (15, then
14 bits): encoded sound is much like noise and loses a bit a sample.
"""

from __future__ import annotations

import functools
import itertools
import json
import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from hashlib import sha256
from typing import Any

import numpy as np

from layerpipe.core.sound import FloatArray, OnProgress
from layerpipe.core.units import db_of_gain, gain_of_db
from layerpipe.dsp.loudness import MOMENTARY_STEPS, integrated
from layerpipe.dsp.peaks.mixes import MixPeaks
from layerpipe.outputs.artist_page.base91 import text_characters
from layerpipe.outputs.artist_page.loops import Keep, Loops, PagePart
from layerpipe.outputs.artist_page.model import PageLayer, PageSection, PageSetting, PageSong
from layerpipe.render.energies.readings import Energies, Gains, hear
from layerpipe.render.song import ProcessedSong

MOST_BYTES = 25_000_000
MOST_BITS, FEWEST_BITS = 16, 14
OUTLINE_POINTS = 240
_SOUND_BYTES = MOST_BYTES - 400_000
# Levels between those that were tried may need a little less than any of them; the page lowers itself if they do.
_ROOM_DB = 0.25
_READ = 2
"""Part of the readings' key: counts up when the same sounds would be read otherwise."""
_MOST_SETTINGS = 2000


def make_page_song(song: ProcessedSong, energies: Energies, parts: Sequence[PagePart], *, workers: int,
                    keep: Keep = lambda shaped_by, kind, make: make(),
                    on_progress: OnProgress = lambda share: None) -> tuple[PageSong, int]:
    """Gather readings and sound.

    Parameters
    ----------
    song : ProcessedSong
    energies : Energies
        Of the song's takes and bed.
    parts : sequence of PagePart
    workers : int
        Threads.
    keep : function of a description of all that shaped it, a kind, and a function that makes it
        Finds, or makes and keeps, the bytes of encoded sounds and of readings.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Returns
    -------
    song : PageSong
    bits : int
        16, or less where only that fits.
    """
    with ThreadPoolExecutor(workers) as pool:
        def encode(part: PagePart) -> PageSection:
            made = _section(song, energies, part, keep)
            on_progress(1 / len(parts))
            return made

        bits = MOST_BITS
        sections = list(pool.map(encode, parts))
        samples = sum(2 * section.frames * len(section.sounds) for section in sections)
        while _characters(sections) > _SOUND_BYTES and bits > FEWEST_BITS:
            bits -= 1
            if bits > FEWEST_BITS and _characters(sections) - text_characters(samples // 8) > _SOUND_BYTES:
                continue  # A step saves at most one bit a sample, which would not do.
            coarser = functools.partial(_coarser, song, keep, bits)
            sections = list(pool.map(coarser, parts, sections))
    wanted = song.recipe.page
    named = {layer.name for layer in song.layers}
    marks = tuple(PageSetting(mark.name, mark.levels_db) for mark in wanted.setting if named & mark.levels_db.keys())
    return PageSong(
        title=song.recipe.song.title, artist=song.recipe.song.artist, rate_hz=song.rate_hz, sections=tuple(sections),
        marks=marks, low_db=wanted.range_db[0], high_db=wanted.range_db[1], step_db=wanted.step_db,
        ceiling_dbfs=song.recipe.preview.ceiling_dbtp,
    ), bits


def _characters(sections: Sequence[PageSection]) -> int:
    """How many characters of the page hold sound."""
    return sum(len(sound.text) for section in sections for sound in section.sounds)


def _section(song: ProcessedSong, energies: Energies, part: PagePart, keep: Keep) -> PageSection:
    """One section, everything about it."""
    levels = [song.recipe.level_db(layer, part.part.section) for layer in song.layers]
    loops = Loops(song, part, keep)
    products = _products(song, energies, part)
    wanted = song.recipe.preview
    described = {"readings": _READ, "sounds": [loops.shaped_by(n) for n in range(loops.count)], "levels": levels,
                 "wanted": [wanted.loudness_lufs, wanted.ceiling_dbtp, *song.recipe.page.range_db],
                 "products": sha256(products.tobytes()).hexdigest()}
    read = json.loads(keep(described, "readings", lambda: json.dumps(_readings(loops, levels, products)).encode()))
    layers = tuple(PageLayer(layer.name, level, loops.encoded(n, MOST_BITS))
                   for n, (layer, level) in enumerate(zip(song.layers, levels, strict=True)))
    bed = None if song.bed is None else loops.encoded(len(layers), MOST_BITS)
    return PageSection(part.name, part.frames, layers, bed, products, read["reference_lufs"], tuple(read["waveform"]),
                        part.bars)


def _readings(loops: Loops, levels: Sequence[float], products: FloatArray) -> dict[str, Any]:
    """What has to be heard to be known: the loudness all settings can have, and the outline of the blend."""
    song = loops.song
    sounds = [loops.heard(n) for n in range(loops.count)]
    blend = np.zeros((loops.part.frames, 2))
    for level, sound in zip(levels, sounds, strict=False):
        blend += gain_of_db(level) * sound
    wanted = song.recipe.preview
    mixes = _settings(song, levels)
    reference = _common_loudness(MixPeaks(sounds), mixes, np.array([_loudness(products, mix) for mix in mixes]),
                                 wanted.loudness_lufs, wanted.ceiling_dbtp)
    shape = np.abs(blend).max(axis=1)
    edges = np.linspace(0, len(shape), OUTLINE_POINTS + 1).astype(int)
    shape = np.maximum.reduceat(shape, np.minimum(edges[:-1], len(shape) - 1))
    return {"reference_lufs": float(reference), "waveform": (shape / max(float(shape.max()), 1e-9)).tolist()}


def _coarser(song: ProcessedSong, keep: Keep, bits: int, part: PagePart, section: PageSection) -> PageSection:
    """The same section with coarser sound."""
    loops = Loops(song, part, keep)
    layers = tuple(replace(layer, sound=loops.encoded(n, bits)) for n, layer in enumerate(section.layers))
    return replace(section, layers=layers, bed=None if section.bed is None else loops.encoded(len(layers), bits))


def _products(song: ProcessedSong, energies: Energies, part: PagePart) -> FloatArray:
    """Inner products of layers and bed by blocks: that of two is half of what their sum has more than each alone."""
    rows: list[tuple[Gains, Gains]] = [
        (song.rows([layer], 0, level=False), song.rows([layer], 1, level=False)) for layer in song.layers]
    if song.bed is not None:
        rows.append((song.bed_row(0), song.bed_row(1)))
    held = [tuple(side(0, 1) if callable(side) else side for side in pair) for pair in rows]
    pairs = list(itertools.combinations_with_replacement(range(len(held)), 2))
    blends = hear(energies, [(held[i][0] + held[j][0] * (i != j), held[i][1] + held[j][1] * (i != j))
                             for i, j in pairs], part.start, part.stop)
    powers = {pair: blend.gating_blocks(blend.stereo, part.start, part.stop, MOMENTARY_STEPS)
              for pair, blend in zip(pairs, blends, strict=True)}
    return np.stack([powers[i, j] if i == j else (powers[i, j] - powers[i, i] - powers[j, j]) / 2 for i, j in pairs],
                    axis=1)


def _settings(song: ProcessedSong, levels: Sequence[float]) -> FloatArray:
    """Gains of many settings of the page, shape (settings, sounds): the grid of all sliders where that is small."""
    low, high = song.recipe.page.range_db
    places = [-math.inf, *np.arange(low, high, 3.0), high]
    sliders = [sorted({*places, level}) for level in levels[1:]]
    if math.prod(len(slider) for slider in sliders) <= _MOST_SETTINGS:
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
    """The loudness that is wanted, or the highest at which the true peak of no setting passes the ceiling."""
    bounds = np.array([peaks.bound(mix) for mix in mixes])
    heard = np.flatnonzero(np.isfinite(lufs) & (bounds > 0))
    least = wanted_lufs - ceiling_dbtp + _ROOM_DB
    # The likeliest first: what they leave room for, the others need not be asked again.
    for place in heard[np.argsort(lufs[heard] - 20 * np.log10(bounds[heard]), kind="stable")]:
        known = gain_of_db(float(lufs[place]) - least)
        peak = peaks.true_peak(mixes[place], at_least=known)
        if peak > known:
            least = float(lufs[place]) - db_of_gain(peak)
    return least + ceiling_dbtp - _ROOM_DB
