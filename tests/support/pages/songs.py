"""A small invented song for the artist's page: seeded plucks, products measured from the very samples."""

from __future__ import annotations

import dataclasses
import io
import itertools
import math

import numpy as np
import soundfile

from layerpipe.dsp.filters import run_sections
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, MOMENTARY_STEPS, powers, step_starts, steps_inside
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.outputs.artist_page import PageLayer, PageSection, PageSetting, PageSong, PageSound
from tests.support.sounds.waves import Wave, sum_waves

RATE_HZ = 48_000


def plucks(seed: int, pitches_hz: tuple[float, ...], seconds: float, every_s: float) -> np.ndarray:
    """Stereo plucks, (frames, 2), peak about 0.4; the two sides are different performances."""
    random = np.random.default_rng(seed)
    t = np.arange(int(0.8 * RATE_HZ)) / RATE_HZ
    out = np.zeros((round(seconds * RATE_HZ), 2))
    for side in (0, 1):
        for number in range(int(seconds / every_s)):
            pitch = pitches_hz[number % len(pitches_hz)]
            pluck = sum_waves([Wave(1 / k, pitch * k, random.uniform(0, 6), 3 + k, len(t)) for k in range(1, 7)],
                              len(t), RATE_HZ)
            pluck = pluck * random.uniform(0.5, 1.0) * np.minimum(1, t / 0.002)
            start = round((number * every_s + random.uniform(0, 0.008)) * RATE_HZ)
            stop = min(start + len(pluck), len(out))
            out[start:stop, side] += pluck[: stop - start]
    return 0.4 * out / np.abs(out).max()


def flac(samples: np.ndarray, seed: int) -> bytes:
    """16-bit FLAC with triangular dither."""
    random = np.random.default_rng(seed)
    noise = random.random(samples.shape) - random.random(samples.shape)
    file = io.BytesIO()
    soundfile.write(file, np.rint(samples * 32768 + noise).astype(np.int16), RATE_HZ, format="FLAC", subtype="PCM_16")
    return file.getvalue()


def products_of(sounds: list[np.ndarray]) -> np.ndarray:
    """Mean K-weighted inner products of stereo sounds in 400 ms blocks, packed."""
    heard = [np.stack([run_sections(k_weighting(RATE_HZ), side)[0] for side in sound.T]) for sound in sounds]
    first, stop = steps_inside(0, len(sounds[0]), RATE_HZ)
    starts = step_starts(first, stop, RATE_HZ)
    rows = []
    for row in range(len(heard)):
        for column in range(row, len(heard)):
            steps = np.add.reduceat((heard[row] * heard[column]).sum(axis=0)[: starts[-1]], starts[:-1])
            rows.append(powers(steps, np.diff(starts), MOMENTARY_STEPS, HOP_STEPS))
    return np.stack(rows, axis=1)


def section(name: str, seed: int, levels_db: tuple[float, ...], layers: tuple[str, ...], seconds: float,
            every_s: float) -> tuple[PageSection, list[np.ndarray]]:
    """One section, and the sounds in it (the layers, then the bed)."""
    sets = [(82.41, 123.47, 164.81), (164.81, 246.94, 329.63), (329.63, 493.88, 392.0)]
    sounds = [plucks(seed + n, sets[n % 3], seconds, every_s) for n in range(len(layers))]
    sounds.append(0.5 * plucks(seed + 9, (55.0, 41.2), seconds, 2 * every_s))
    outline = np.abs(sounds[0]).max(axis=1)[: len(sounds[0]) // 200 * 200].reshape(200, -1).max(axis=1)
    named = zip(layers, levels_db, sounds[:-1], strict=True)
    return PageSection(
        name, len(sounds[0]),
        tuple(PageLayer(layer, level, PageSound.of_flac(flac(sound, seed + n)))
              for n, (layer, level, sound) in enumerate(named)),
        PageSound.of_flac(flac(sounds[-1], seed + 8)), products_of(sounds), -20.0, tuple(outline / outline.max()),
        tuple((bar, (bar - 1) * 1.0) for bar in range(1, int(seconds) + 1)),
        tuple(0.5 * beat for beat in range(2 * int(seconds)))), sounds


def in_pieces(song: PageSong, count: int, margin: int = 4096) -> PageSong:
    """The song with every sound cut into pieces that overlap by twice the margin, around the end too."""
    def cut(sound: PageSound, starts: list[int], frames: int) -> PageSound:
        samples, _ = soundfile.read(io.BytesIO(sound.pieces[0].flac), dtype="int16")
        pieces = []
        for start, stop in itertools.pairwise([*starts, frames]):
            file = io.BytesIO()
            soundfile.write(file, samples[np.arange(start - margin, stop + margin) % frames], RATE_HZ, format="FLAC",
                            subtype="PCM_16")
            pieces.append(file.getvalue())
        return PageSound.of_flac(*pieces, gain=sound.gain)

    sections = []
    for part in song.sections:
        starts = [part.frames * n // count for n in range(count)]
        layers = tuple(dataclasses.replace(layer, sound=cut(layer.sound, starts, part.frames)) for layer in part.layers)
        bed = None if part.bed is None else cut(part.bed, starts, part.frames)
        sections.append(dataclasses.replace(part, layers=layers, bed=bed, starts=tuple(starts), margin=margin))
    return dataclasses.replace(song, sections=tuple(sections))


def demo_song(**changes: object) -> tuple[PageSong, list[list[np.ndarray]]]:
    """Two sections, three layers, a bed; and the sounds of each section."""
    layers = ("regular", "octave", "rakes")
    made = [section("verse", 100, (0.0, -math.inf, -6.0), layers, 3.0, 0.25),
            section("chorus", 200, (0.0, -9.0, -7.3), layers, 4.0, 0.2)]
    settings = {"title": "Lantern on the Pier", "artist": "Marisol Venn", "rate_hz": RATE_HZ,
                "page_id": "0123456789abcdef",
                "settings": (PageSetting("a shimmer", {"octave": -15.0}),
                          PageSetting("wide open", {"octave": -4.0, "rakes": -3.0}))}
    song = PageSong(**(settings | changes), sections=tuple(part for part, _ in made))  # type: ignore[arg-type]
    return song, [sounds for _, sounds in made]
