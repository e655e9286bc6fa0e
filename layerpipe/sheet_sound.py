"""A song's sections as the artist's page needs them: layers at 0 dB that loop, their inner products, one loudness.

A section is cut to whole bars inside the seconds allowed. Its last 15 ms cross over into what lies before its first
frame, so that going round again sounds like going on; the joint ends on the downbeat, with constant power, for the two
sides are different moments of a performance. Sound is 16-bit FLAC with triangular dither; where the file would pass
25 MB its step doubles, twice at most (15, then 14 bits): encoded sound is much like noise and loses a bit a sample.
"""

from __future__ import annotations

import functools
import itertools
import math
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from layerpipe.dsp.dither import DitherStream, to_pcm
from layerpipe.dsp.loudness import MOMENTARY_STEPS, integrated
from layerpipe.dsp.truepeak import true_peak
from layerpipe.energies import Energies, Gains, hear
from layerpipe.errors import Fault, RecipeError
from layerpipe.layers import sum_layer, take_pans
from layerpipe.recipe import Layer
from layerpipe.sheet.page import text_characters
from layerpipe.sheet.song import SheetLayer, SheetMark, SheetSection, SheetSong, SheetSound
from layerpipe.sound import BLOCK_FRAMES, FloatArray
from layerpipe.units import db_of_gain, frames_of_ms, frames_of_s, gain_of_db
from layerpipe.voiced import Stretch, VoicedSong
from layerpipe.wav import write_flac

JOINT_MS = 15.0
MOST_BYTES = 25_000_000
MOST_BITS, FEWEST_BITS = 16, 14
OUTLINE_POINTS = 240
STRETCH_FRAMES = 128
"""As in the page's `sound.js`, whose bound on the highest sample this repeats."""
_SOUND_BYTES = MOST_BYTES - 400_000
# Levels between those that were tried may need a little less than any of them; the page lowers itself if they do.
_ROOM_DB = 0.25
_FULLEST = 0.99
_MOST_SETTINGS = 2000


@dataclass(frozen=True)
class SheetPart:
    """A section, cut to what the page has room for."""

    name: str
    part: Stretch
    start: int
    stop: int
    bars: tuple[tuple[int, float], ...]


def parts_of(song: VoicedSong, names: Sequence[str], seconds: float) -> tuple[SheetPart, ...]:
    """Choose what the page holds.

    Parameters
    ----------
    song : VoicedSong
    names : sequence of str
        Sections; all of them if empty, or the whole song where there are none.
    seconds : float
        Longer sections end at the last downbeat inside it, or there if they have none.

    Raises
    ------
    RecipeError
        If a name is no section, or a section is too short to have a loudness.
    """
    wanted = song.stretches(list(dict.fromkeys(names))) if names else (song.sections or (song.whole,))
    found, faults = [], []
    for part in wanted:
        bars = _bars(song, part)
        stop = min(part.stop, part.start + frames_of_s(seconds, song.rate_hz))
        if stop < part.stop:
            whole = [frame for _, frame in bars if part.start < frame <= stop]
            stop = whole[-1] if whole else stop
        if stop - part.start < frames_of_ms(10.0 * (MOMENTARY_STEPS + 2), song.rate_hz):
            length = f"lasts {(stop - part.start) / song.rate_hz:.2f} s"
            faults.append(Fault(song.path, f'section "{part.name}"', f"{length}; under 0.42 s no loudness can be held"))
        found.append(SheetPart(part.name, part, part.start, stop, tuple(
            (bar, (frame - part.start) / song.rate_hz) for bar, frame in bars if part.start <= frame < stop)))
    if faults:
        raise RecipeError(faults)
    return tuple(found)


def make_sheet_song(song: VoicedSong, energies: Energies, parts: Sequence[SheetPart], *, workers: int,
                    advance: Callable[[float], None] = lambda share: None) -> tuple[SheetSong, int]:
    """Gather readings and sound.

    Parameters
    ----------
    song : VoicedSong
    energies : Energies
        Of the song's takes and bed.
    parts : sequence of SheetPart
    workers : int
        Threads.
    advance : function of a share
        Told how much of the work, of 1, has been done.

    Returns
    -------
    song : SheetSong
    bits : int
        16, or less where only that fits.
    """
    with ThreadPoolExecutor(workers) as pool:
        def encode(part: SheetPart) -> SheetSection:
            made = _section(song, energies, part)
            advance(1 / len(parts))
            return made

        bits = MOST_BITS
        sections = list(pool.map(encode, parts))
        samples = sum(2 * section.frames * len(section.sounds) for section in sections)
        while _characters(sections) > _SOUND_BYTES and bits > FEWEST_BITS:
            bits -= 1
            if bits > FEWEST_BITS and _characters(sections) - text_characters(samples // 8) > _SOUND_BYTES:
                continue  # A step saves at most one bit a sample, which would not do.
            coarser = functools.partial(_with_sound, song, bits)
            sections = list(pool.map(coarser, parts, sections))
    wanted = song.recipe.sheet
    named = {layer.name for layer in song.layers}
    marks = tuple(SheetMark(mark.name, mark.levels_db) for mark in wanted.mark if named & mark.levels_db.keys())
    return SheetSong(
        title=song.recipe.song.title, artist=song.recipe.song.artist, rate_hz=song.rate_hz, sections=tuple(sections),
        marks=marks, low_db=wanted.range_db[0], high_db=wanted.range_db[1], step_db=wanted.step_db,
        ceiling_dbfs=song.recipe.preview.ceiling_dbtp,
    ), bits


def _bars(song: VoicedSong, part: Stretch) -> list[tuple[int, int]]:
    """Bars and their downbeats' frames in a section of bars."""
    if part.section is None:
        return []
    first, last = part.section.bars
    return [(bar, frames_of_s(song.clock.downbeat_s(bar), song.rate_hz)) for bar in range(first, last + 1)]


def _characters(sections: Sequence[SheetSection]) -> int:
    """How many characters of the page hold sound."""
    return sum(text_characters(len(sound.flac)) for section in sections for sound in section.sounds)


def _section(song: VoicedSong, energies: Energies, part: SheetPart) -> SheetSection:
    """One section, everything about it."""
    levels = [song.recipe.level_db(layer, part.part.section) for layer in song.layers]
    outline = np.zeros((part.stop - part.start, 2))
    stretches: list[FloatArray] = []
    peaks: list[float] = []
    sounds: list[SheetSound] = []
    for layer, sound in _looped(song, part):
        stretches.append(_stretch_peaks(sound))
        peaks.append(float(true_peak(sound).max()))
        if layer is not None:
            outline += gain_of_db(levels[len(sounds)]) * sound
        sounds.append(_encode(sound, _named(part, layer), song.rate_hz, MOST_BITS))
    products = _products(song, energies, part)
    mixes = _settings(song, levels)
    together = np.array([gain_of_db(level) for level in levels] + [0.0] * (song.bed is not None))
    needs = [*_needs(products, mixes, np.stack(stretches)),
             *(_loudness(products, mix) - db_of_gain(peak) for mix, peak in
               zip([*np.eye(len(sounds)), together], [*peaks, float(true_peak(outline).max())], strict=True))]
    wanted = song.recipe.preview
    heard = [need for need in needs if math.isfinite(need)]
    reference = min([wanted.loudness_lufs, *(need + wanted.ceiling_dbtp - _ROOM_DB for need in heard)])
    shape = _either_side(outline)
    edges = np.linspace(0, len(shape), OUTLINE_POINTS + 1).astype(int)
    shape = np.maximum.reduceat(shape, np.minimum(edges[:-1], len(shape) - 1))
    return SheetSection(
        part.name, part.stop - part.start,
        tuple(SheetLayer(layer.name, level, sound)
              for layer, level, sound in zip(song.layers, levels, sounds, strict=False)),
        None if song.bed is None else sounds[-1], products, reference,
        tuple(float(height) for height in shape / max(float(shape.max()), 1e-9)), part.bars)


def _with_sound(song: VoicedSong, bits: int, part: SheetPart, section: SheetSection) -> SheetSection:
    """The same section with coarser sound."""
    sounds = [_encode(sound, _named(part, layer), song.rate_hz, bits) for layer, sound in _looped(song, part)]
    layers = tuple(replace(layer, sound=sound) for layer, sound in zip(section.layers, sounds, strict=False))
    return replace(section, layers=layers, bed=None if section.bed is None else sounds[-1])


def _named(part: SheetPart, layer: Layer | None) -> str:
    """What the dither of a sound belongs to."""
    return f"{part.name}/{'bed' if layer is None else 'layer ' + layer.name}"


def _looped(song: VoicedSong, part: SheetPart) -> Iterator[tuple[Layer | None, FloatArray]]:
    """Each layer at 0 dB, then the bed (None), as (frames, 2) whose end leads back to its beginning."""
    frames = part.stop - part.start
    joint = min(frames_of_ms(JOINT_MS, song.rate_hz), frames // 4)
    before = min(joint, part.start)
    for layer in (*song.layers, *([None] if song.bed is not None else [])):
        sound = np.zeros((joint + frames, 2))
        for at in range(part.start - before, part.stop, BLOCK_FRAMES):
            stop = min(at + BLOCK_FRAMES, part.stop)
            into = slice(at - part.start + joint, stop - part.start + joint)
            if layer is None:
                assert song.bed is not None
                sound[into] = song.bed.read(at, stop) * song.bed_gain
            else:
                mine = song.voices_of(layer)
                sound[into] = sum_layer([song.voices[n].sound.read_float32(at, stop) for n in mine],
                                        [take_pans(song.voices[n].take) for n in mine], song.scale)
        turn = ((np.arange(joint) + 0.5) / joint * np.pi / 2)[:, None]
        sound[-joint:] = sound[-joint:] * np.cos(turn) + sound[:joint] * np.sin(turn)
        yield layer, sound[joint:]


def _encode(sound: FloatArray, name: str, rate_hz: int, bits: int) -> SheetSound:
    """FLAC of 16 bits whose lowest 16 - bits are zero."""
    peak = float(np.abs(sound).max())
    gain = max(1.0, peak / _FULLEST)
    coarser = 16 - bits
    pcm, overs = to_pcm(sound / (gain * (1 << coarser)), 16, dither=DitherStream(name, 2))
    assert not overs, "there is room for the dither"
    with tempfile.TemporaryDirectory(prefix="layerpipe-") as folder:
        path = Path(folder) / "sound.flac"
        write_flac(path, pcm << np.int32(coarser), rate_hz, 16)
        return SheetSound(path.read_bytes(), gain)


def _products(song: VoicedSong, energies: Energies, part: SheetPart) -> FloatArray:
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


def _settings(song: VoicedSong, levels: Sequence[float]) -> FloatArray:
    """Gains of many settings of the page, shape (settings, sounds): the grid of all sliders where that is small."""
    low, high = song.recipe.sheet.range_db
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


def _needs(products: FloatArray, mixes: FloatArray, stretches: FloatArray) -> list[float]:
    """For each setting, its loudness once the bound on its highest sample is at full scale."""
    bounds = np.array([float((mix @ stretches).max()) for mix in mixes])
    return [_loudness(products, mix) - db_of_gain(bound) if bound > 0 else math.inf
            for mix, bound in zip(mixes, bounds, strict=True)]


def _stretch_peaks(sound: FloatArray) -> FloatArray:
    """Highest sample of each short stretch, either side."""
    stretches = -(-len(sound) // STRETCH_FRAMES)
    loud = np.zeros(stretches * STRETCH_FRAMES)
    loud[: len(sound)] = _either_side(sound)
    highest: FloatArray = loud.reshape(stretches, STRETCH_FRAMES).max(axis=1)
    return highest


def _either_side(sound: FloatArray) -> FloatArray:
    """The higher of left and right, frame by frame; over columns, for numpy is slow along an axis of two."""
    louder: FloatArray = np.maximum(np.abs(sound[:, 0]), np.abs(sound[:, 1]))
    return louder
