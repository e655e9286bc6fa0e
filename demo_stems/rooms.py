"""From the bridge to the file: body, amplifier, room, microphone, noise floor, 24-bit FLAC.

Every filter is fixed or seeded and causal, so that a shorter render is the beginning of a longer one.
Body: a few low modes (air about 100 Hz, top plate about 190 Hz; Fletcher, Rossing, "The Physics of Musical
Instruments", 2nd ed. 1998, chapter 9) and many small ones; the numbers themselves by ear and eye.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from scipy import signal
from strings import Array

FULL_SCALE_24 = 1 << 23
BRIGHT_FROM_HZ, BRIGHT_BY = 2800.0, 2.6
"""A top radiates better the higher the sound: what lies above is heard 1 + 2.6 times as strong."""


def body_response(rate_hz: int, seed: int, *, size: float = 1.0) -> Array:
    """Impulse response of a flat-top body: direct sound, eight strong modes, a hundred faint ones. size 1 is large."""
    rng = np.random.default_rng(seed)
    frames = round(0.25 * rate_hz)
    t = np.arange(frames) / rate_hz
    low = [(101.0, 8, 2.6), (192.0, 11, 3.0), (228.0, 14, 1.8), (376.0, 18, 1.9), (428.0, 20, 1.3), (560.0, 22, 1.4),
           (705.0, 24, 1.2), (880.0, 26, 1.2)]
    modes = [(hz / size * (1 + rng.normal(0, 0.015)), q, gain) for hz, q, gain in low]
    at_hz = 1000.0
    while at_hz < min(9000.0, 0.42 * rate_hz):
        modes.append((at_hz, 34.0, float(rng.uniform(0.3, 1.1))))
        at_hz *= 1 + float(rng.uniform(0.008, 0.035))
    response = np.zeros(frames)
    response[0] = 0.8
    for hz, q, gain in modes:
        fall = np.pi * hz / q
        sign = 1.0 if rng.uniform() < 0.5 else -1.0
        response += sign * gain * 2 * fall / rate_hz * np.exp(-fall * t) * np.sin(2 * np.pi * hz * t)
    return response


def room_response(rate_hz: int, seed: int, *, ring_s: float, level: float) -> Array:
    """Impulse response of a small room: the sound itself, a few early reflections, a short even decay."""
    rng = np.random.default_rng(seed)
    frames = round(1.4 * ring_s * rate_hz)
    t = np.arange(frames) / rate_hz
    tail = np.zeros(frames)
    for below_hz, above_hz, share, ring in ((120, 900, 1.0, ring_s), (900, 3500, 0.8, 0.85 * ring_s),
                                            (3500, min(11000, 0.45 * rate_hz), 0.5, 0.55 * ring_s)):
        sos = signal.butter(2, [below_hz, above_hz], "bandpass", fs=rate_hz, output="sos")
        band = signal.sosfilt(sos, rng.standard_normal(frames))
        tail += share * band / np.sqrt(np.mean(band**2)) * 10 ** (-3 * t / ring)
    tail *= 1 - np.exp(-np.clip(t - 0.006, 0, None) / 0.006)
    tail *= level / np.sqrt(np.sum(tail**2))
    dull = signal.butter(1, 5500, "lowpass", fs=rate_hz, output="sos")
    early = np.zeros(frames)
    for delay_ms, gain in ((3.1, 0.2), (5.3, -0.16), (8.2, 0.14), (11.9, 0.1), (15.7, -0.09), (21.4, 0.07)):
        early[round(delay_ms * (1 + rng.normal(0, 0.03)) / 1000 * rate_hz)] += gain
    response = tail + signal.sosfilt(dull, early)
    response[0] += 1.0
    return response


def through(dry: Array, response: Array) -> Array:
    """Convolve, keeping the length."""
    return signal.oaconvolve(dry, response)[: len(dry)]


def acoustic(bridge: Array, rate_hz: int, *, body_seed: int, size: float, room_seed: int) -> Array:
    """A steel-strung guitar in a small room before a small condenser microphone."""
    sound = through(_brighter(bridge, BRIGHT_FROM_HZ, BRIGHT_BY, rate_hz), body_response(rate_hz, body_seed, size=size))
    sound = through(sound, room_response(rate_hz, room_seed, ring_s=0.3, level=0.3))
    return signal.sosfilt(_microphone(rate_hz), sound)


def electric(pickup: Array, rate_hz: int, *, room_seed: int, drive: float) -> Array:
    """A clean electric guitar: coil resonance, a soft bend of the amplifier, a cabinet, a small room."""
    coil = _resonant_low_pass(3900.0, 1.3, rate_hz)
    sound = signal.sosfilt(coil, pickup)
    sound = np.tanh(drive * sound) / drive
    cabinet = np.concatenate([
        signal.butter(2, 75, "highpass", fs=rate_hz, output="sos"),
        _resonant_low_pass(5200.0, 1.0, rate_hz),
        signal.butter(1, 7000, "lowpass", fs=rate_hz, output="sos"),
    ])
    sound = signal.sosfilt(cabinet, sound)
    sound = through(sound, room_response(rate_hz, room_seed, ring_s=0.35, level=0.3))
    return signal.sosfilt(_microphone(rate_hz), sound)


def without_offset(sound: Array, rate_hz: int) -> Array:
    """Take away what lies below about 20 Hz."""
    return signal.sosfilt(_microphone(rate_hz), sound)


def noise_floor(frames: int, seed: int, *, level_dbfs: float, rate_hz: int) -> Array:
    """Hiss of microphone and preamplifier over the air of the room; `level_dbfs` is its rms."""
    mix = [signal.butter(1, corner_hz, "lowpass", fs=rate_hz, output="sos") for corner_hz in (150.0, 1200.0)]

    def colour(white: Array) -> Array:
        heard = 0.3 * white + 5.0 * signal.sosfilt(mix[0], white) + 1.5 * signal.sosfilt(mix[1], white)
        return without_offset(heard, rate_hz)

    pulse = np.zeros(rate_hz)
    pulse[0] = 1.0
    strength = 10 ** (level_dbfs / 20) / np.sqrt(np.sum(colour(pulse) ** 2))
    return strength * colour(np.random.default_rng(seed).standard_normal(frames))


def rumble(frames: int, seed: int, *, level_dbfs: float, rate_hz: int) -> Array:
    """Traffic and air below 40 Hz; `level_dbfs` is its rms, give or take its own swell."""
    rng = np.random.default_rng(seed)
    sos = signal.butter(3, [11, 28], "bandpass", fs=rate_hz, output="sos")
    # A band B Hz wide keeps 2 B / rate of the power of white noise.
    return 10 ** (level_dbfs / 20) * signal.sosfilt(sos, rng.standard_normal(frames)) / np.sqrt(2 * 17 / rate_hz)


def add_click(sound: Array, at_s: float, peak_dbfs: float, rate_hz: int) -> None:
    """A tiny knock of a fingernail: 0.4 ms, both signs."""
    frames = round(0.0004 * rate_hz)
    shape = np.sin(2 * np.pi * np.arange(frames) / frames) * np.hanning(frames + 2)[1:-1]
    start = round(at_s * rate_hz)
    room = max(0, min(frames, len(sound) - start))
    sound[start : start + room] += (10 ** (peak_dbfs / 20) * shape / np.abs(shape).max())[:room]


def write_flac(target: Path, sound: Array, rate_hz: int) -> None:
    """Round to 24 bits and write; refuses what would clip.

    Raises
    ------
    ValueError
        If a sample is past full scale.
    """
    whole = np.rint(sound * FULL_SCALE_24)
    if np.abs(whole).max() >= FULL_SCALE_24:
        raise ValueError(f"{target.name}: {np.abs(sound).max():.3f} is past full scale")
    partial = target.with_name(target.name + ".partial")
    try:
        soundfile.write(partial, whole.astype(np.int32) << 8, rate_hz, subtype="PCM_24", format="FLAC",
                        compression_level=1.0)
        partial.replace(target)
    finally:
        partial.unlink(missing_ok=True)


def _brighter(sound: Array, from_hz: float, by: float, rate_hz: int) -> Array:
    """Add the part above a gentle corner once more, `by` times."""
    return sound + by * signal.sosfilt(signal.butter(1, from_hz, "highpass", fs=rate_hz, output="sos"), sound)


def _microphone(rate_hz: int) -> Array:
    """Nothing below about 20 Hz: no offset."""
    return signal.butter(2, 18, "highpass", fs=rate_hz, output="sos")


def _resonant_low_pass(corner_hz: float, q: float, rate_hz: int) -> Array:
    """Second-order low-pass with resonance, W3C audio cookbook."""
    w = 2 * np.pi * corner_hz / rate_hz
    alpha, cosine = np.sin(w) / (2 * q), np.cos(w)
    a0 = 1 + alpha
    return np.array([[(1 - cosine) / 2 / a0, (1 - cosine) / a0, (1 - cosine) / 2 / a0, 1.0, -2 * cosine / a0,
                      (1 - alpha) / a0]])
