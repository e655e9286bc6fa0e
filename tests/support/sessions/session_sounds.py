"""What lies in a session's folder beside guitars: voices, bass, a click track, talk, a rough mix, a second microphone.

Times are seconds from the song's start. Voices and talk: harmonics of a glottal source through formant resonators,
formants of the vowels after Peterson and Barney, JASA 24(2), 1952 (rounded, men). Melodies and levels: no source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tests.support.sounds.song_player import RATE_HZ, Song
from tests.support.sounds.strums import CHORDS, VOICES

Array = npt.NDArray[np.float64]

VOWELS_HZ = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))
SUNG = ((0.0, 1.5), (2.0, 3.0), (3.0, 5.0), (5.0, 5.75))
"""Syllables of two bars, in parts of four to the bar: from, to."""


def _syllable(hz: Array, vowel: Sequence[float], rng: np.random.Generator) -> Array:
    """One voiced sound with a breath of noise before it; `hz` is its pitch frame by frame."""
    from scipy import signal

    frames = len(hz)
    saw = 2 * (np.cumsum(hz) / RATE_HZ % 1.0) - 1
    source = saw + 0.02 * rng.standard_normal(frames)
    out = np.zeros(frames)
    for n, (formant, width) in enumerate(zip(vowel, (80.0, 100.0, 140.0), strict=True)):
        radius = np.exp(-np.pi * width / RATE_HZ)
        turn = 2 * np.pi * formant / RATE_HZ
        out += 0.5**n * (1 - radius) * signal.lfilter([1.0], [1.0, -2 * radius * np.cos(turn), radius**2], source)
    edge = min(frames // 3, RATE_HZ // 25)
    out[:edge] *= np.linspace(0, 1, edge)
    out[-edge:] *= np.linspace(1, 0, edge)
    breath = min(frames, RATE_HZ // 20)
    hiss = np.diff(rng.standard_normal(breath), prepend=0.0) * np.hanning(breath)
    out /= np.abs(out).max() + 1e-9
    out[:breath] += 0.15 * hiss
    return out


def sing(song: Song, seed: int, *, up: int = 0, first_bar: int = 1, last_bar: int | None = None) -> tuple[Array, float]:
    """A sung line over the song's chords and where its file begins; `up` picks a higher or lower chord note.

    Parts of one `up` sing the same notes; the seed draws timing, vibrato and breath.
    """
    rng = np.random.default_rng([41, seed])
    last_bar = last_bar or song.bars
    start_s = 0.0 if first_bar == 1 else round(song.downbeat_s(first_bar) - 0.5, 3)
    out = np.zeros(round((song.downbeat_s(last_bar + 1) + song.tail_s - start_s) * RATE_HZ))
    for bar in range(first_bar, last_bar, 2):
        for n, (begin, end) in enumerate(SUNG):
            chord = CHORDS[song.chords[bar - 1 + int(begin >= 4)]]
            note = chord[(n + up) % 3] + (12 if up < 2 else 24)
            at_s = song.downbeat_s(bar) + begin / 4 * song.bar_s + rng.normal(0, 0.02) - start_s
            frames = round((end - begin) / 4 * song.bar_s * 0.95 * RATE_HZ)
            t = np.arange(frames) / RATE_HZ
            wobble = 18 * np.sin(2 * np.pi * rng.uniform(4.8, 5.8) * t + rng.uniform(0, 6)) * np.minimum(t / 0.4, 1)
            glide = -80 * np.exp(-t / 0.04) + rng.normal(0, 8)
            tone = _syllable(440 * 2 ** ((note - 69 + (wobble + glide) / 100) / 12), VOWELS_HZ[(n + bar) % 5], rng)
            at = max(0, round(at_s * RATE_HZ))
            room = min(frames, len(out) - at)
            out[at : at + room] += rng.uniform(0.6, 1.0) * tone[:room]
    return 0.35 * out / np.abs(out).max() + 1e-4 * rng.standard_normal(len(out)), start_s


def talk(seed: int, seconds: float, *, phone: bool = False) -> Array:
    """Somebody speaks in short phrases with pauses between them; a phone hears 300 to 3400 Hz and the room."""
    from scipy import signal

    rng = np.random.default_rng([43, seed])
    out = np.zeros(round(seconds * RATE_HZ))
    at_s = rng.uniform(0.2, 0.8)
    base_hz = rng.uniform(95, 190)
    while at_s < seconds - 0.5:
        for _ in range(int(rng.integers(3, 9))):
            length_s = float(rng.uniform(0.08, 0.26))
            if at_s + length_s > seconds - 0.1:
                break
            frames = round(length_s * RATE_HZ)
            slope = base_hz * np.linspace(rng.uniform(0.9, 1.3), rng.uniform(0.75, 1.1), frames)
            sound = _syllable(slope, VOWELS_HZ[int(rng.integers(5))], rng)
            at = round(at_s * RATE_HZ)
            out[at : at + frames] += rng.uniform(0.4, 1.0) * sound
            at_s += length_s + float(rng.uniform(0.0, 0.08))
        at_s += float(rng.uniform(0.3, 1.5))
    if phone:
        out += 0.01 * rng.standard_normal(len(out))
        out = signal.sosfilt(signal.butter(2, [300, 3400], "bandpass", fs=RATE_HZ, output="sos"), out)
    return 0.3 * out / np.abs(out).max() + 3e-4 * rng.standard_normal(len(out))


def click_track(song: Song, kind: int) -> Array:
    """A tick on every beat of the whole song, the first of a bar higher and louder; kinds 0 to 2 sound differently."""
    out = np.zeros(round(song.seconds * RATE_HZ))
    t = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    beat_s = song.bar_s / song.beats
    first = -int(song.bar_one_s // beat_s)
    for n in range(first, song.bars * song.beats):
        high = n % song.beats == 0
        hz = (1000, 1800, 2500)[kind % 3] * (1.5 if high else 1.0)
        tick = np.sin(2 * np.pi * hz * t) * np.exp(-t / (0.012, 0.004, 0.002)[kind % 3])
        at = round((song.bar_one_s + n * beat_s) * RATE_HZ)
        out[at : at + len(tick)] += (0.8 if high else 0.5) * tick
    return out


def bass_line(song: Song, seed: int) -> Array:
    """The chord's lowest note an octave down on every beat."""
    rng = np.random.default_rng([47, seed])
    out = np.zeros(round(song.seconds * RATE_HZ))
    beat_s = song.bar_s / song.beats
    length = round(beat_s * 0.9 * RATE_HZ)
    fade = np.minimum(1.0, np.arange(length, 0, -1) / (0.02 * RATE_HZ))
    shelf: dict[int, Array] = {}
    for bar in range(1, song.bars + 1):
        root = CHORDS[song.chords[bar - 1]][0] - 12
        if root not in shelf:
            note = VOICES["nylon"](440 * 2 ** ((root - 69) / 12), 0.9, False, 0, RATE_HZ)[:length]
            shelf[root] = note * fade[: len(note)]
        for beat in range(song.beats):
            at = round((song.downbeat_s(bar) + beat * beat_s + rng.normal(0, 0.005)) * RATE_HZ)
            note = shelf[root][: len(out) - at]
            out[at : at + len(note)] += rng.uniform(0.7, 1.0) * note
    return 0.4 * out / np.abs(out).max() + 1e-4 * rng.standard_normal(len(out))


def rough_mix(song: Song, seed: int, tracks: Sequence[Array]) -> Array:
    """Tracks that begin at the song's start spread over a stereo pair, with a drum on every beat.

    Returns
    -------
    np.ndarray [shape=(frames, 2), float64]
    """
    rng = np.random.default_rng([53, seed])
    frames = round(song.seconds * RATE_HZ)
    out = np.zeros((frames, 2))
    for n, track in enumerate(tracks):
        heard = track[:frames]
        left = (0.9, 0.3, 0.6)[n % 3]
        out[: len(heard), 0] += left * heard
        out[: len(heard), 1] += (1.2 - left) * heard
    t = np.arange(round(0.15 * RATE_HZ)) / RATE_HZ
    low = np.sin(2 * np.pi * (55 + 60 * np.exp(-t / 0.02)) * t) * np.exp(-t / 0.05)
    snare = rng.standard_normal(len(t)) * np.exp(-t / 0.03)
    beat_s = song.bar_s / song.beats
    for n in range(song.bars * song.beats):
        at = round((song.bar_one_s + n * beat_s) * RATE_HZ)
        hit = low if n % 2 == 0 else 0.4 * snare
        out[at : at + len(hit)] += 0.4 * hit[: frames - at, None]
    return 0.7 * out / np.abs(out).max()


def second_microphone(sound: Array, seed: int, *, delay_ms: float, inverted: bool = False,
                      rate_hz: int = RATE_HZ) -> Array:
    """The same performance through another microphone: another colour, a room, noise, later by `delay_ms`.

    The delay is a phase ramp, so that parts of a frame are exact. The colour has no phase, and the room begins 6 ms
    after the direct sound and 12 dB under it, so that the delay of the direct sound is the one difference in time.
    """
    rng = np.random.default_rng([59, seed])
    size = 1 << (len(sound) + rate_hz // 2).bit_length()
    hz = np.fft.rfftfreq(size, 1 / rate_hz)
    octaves = np.log2(np.maximum(hz, 40) / 800)
    colour_db = rng.uniform(-1.5, 1.5) * octaves
    for centre in rng.uniform(-3, 4, 8):
        colour_db += rng.uniform(-6, 6) * np.exp(-(((octaves - centre) / 0.3) ** 2))
    room = rng.standard_normal(round(0.3 * rate_hz)) * np.exp(-np.arange(round(0.3 * rate_hz)) / (0.05 * rate_hz))
    room[: round(0.006 * rate_hz)] = 0.0
    room *= 10 ** (-12 / 20) / np.sqrt(np.sum(room**2))
    room[0] = 1.0
    heard = np.fft.rfft(room, size) * 10 ** (colour_db / 20) * np.exp(-2j * np.pi * hz * delay_ms / 1000)
    out = np.fft.irfft(np.fft.rfft(sound, size) * heard, size)[: len(sound)]
    out *= rng.uniform(0.5, 1.0) * np.abs(sound).max() / np.abs(out).max()
    return (-out if inverted else out) + 10 ** (-76 / 20) * rng.standard_normal(len(sound))
