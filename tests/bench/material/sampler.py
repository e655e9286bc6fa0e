"""Play one note of a sound font and find where it becomes audible.

Times are seconds outside, frames inside. Envelopes and the velocity curves follow the SoundFont Technical
Specification 2.04: volume envelope in section 8.1.2 (generators 34 to 38), velocity to level and to the low-pass in
8.4.1 and 8.4.2.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.material.sound_font import Zone

AUDIBLE = 0.1
"""Share of the largest magnitude at which a sound is heard to begin. Rasch (1979, Acustica 43, 121-131) took the onset
of a tone where it passed a threshold 15 to 20 dB below its maximum; this is 20 dB below."""
ATTACK_WINDOW_S = {"plucked": 0.15, "struck": 0.15, "voice": 0.5, "bowed": 0.5, "wind": 0.5}
"""How long after its start the maximum is looked for: a string swells less than this, a bow or voice may swell long."""
DARKEST_CENTS = 2400
"""How far the low-pass falls from the hardest to the softest velocity."""
SILENT_DB = -90.0


def _read(samples: np.ndarray, zone: Zone, frames: int, step: float) -> np.ndarray:
    """The recorded sound at `step` recorded frames per frame, looped as the font says; four-point Hermite."""
    places = zone.first + np.arange(frames) * step
    whole = np.floor(places).astype(np.int64)
    between = places - whole
    near = []
    for offset in (-1, 0, 1, 2):
        at = whole + offset
        if zone.loop is not None:
            start, end = zone.loop
            at = np.where(at >= end, start + (at - end) % (end - start), at)
        inside = (at >= zone.first) & (at < zone.last)
        near.append(np.where(inside, samples[np.clip(at, zone.first, zone.last - 1)], 0).astype(float) / 32_768)
    before, here, after, beyond = near
    c1 = (after - before) / 2
    c2 = before - 2.5 * here + 2 * after - beyond / 2
    c3 = (beyond - before) / 2 + 1.5 * (here - after)
    return ((c3 * between + c2) * between + c1) * between + here


def _envelope(zone: Zone, frames: int, held: int, rate_hz: int) -> np.ndarray:
    """Gain over time: attack straight in amplitude, decay and release straight in dB (100 dB in their times)."""
    t = np.arange(frames) / rate_hz
    fall_s = np.clip(t - zone.attack_s - zone.hold_s, 0, None)
    level_db = -np.minimum(100 * fall_s / max(zone.decay_s, 1e-3), zone.sustain_db)
    release_s = np.clip(t - held / rate_hz, 0, None)
    level_db -= 100 * release_s / max(zone.release_s, 0.02)
    return 10 ** (level_db / 20) * np.clip(t / max(zone.attack_s, 1e-4), 0, 1)


def _low_pass(sound: np.ndarray, cents: float, rate_hz: int) -> np.ndarray:
    """Second-order low-pass at `cents` above 8.176 Hz; none where it would lie near half the rate."""
    corner_hz = 8.176 * 2 ** (cents / 1200)
    if corner_hz > 0.42 * rate_hz:
        return sound
    from scipy import signal

    return signal.sosfilt(signal.butter(2, corner_hz, fs=rate_hz, output="sos"), sound)


def play_note(samples: np.ndarray, zones: Sequence[Zone], pitch: float, velocity: int, held_s: float,
              rate_hz: int) -> np.ndarray:
    """One note from its first sample to the end of its release.

    Parameters
    ----------
    samples : np.ndarray [int16]
        All sounds of the font.
    zones : sequence of Zone
        What the note is made of.
    pitch : float
        MIDI pitch, fractions of a semitone allowed.
    velocity : int
        1 to 127; sets the low-pass and 40 log10(velocity / 127) dB.
    held_s : float
        Seconds until the note is let go.
    rate_hz : int
        Rate of the result.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
    """
    total = np.zeros(0)
    for zone in zones:
        step = 2 ** ((pitch - zone.root_key) * zone.cents_per_key / 1200) * zone.recorded_hz / rate_hz
        held = int(held_s * rate_hz)
        frames = held + int(min(max(zone.release_s, 0.02) * 0.9, 2.0) * rate_hz)
        if zone.loop is None:
            frames = min(frames, int((zone.last - zone.first) / step))
        if frames < 2:
            continue
        sound = _read(samples, zone, frames, step) * _envelope(zone, frames, held, rate_hz)
        sound = _low_pass(sound, zone.filter_cents - DARKEST_CENTS * (1 - velocity / 127), rate_hz)
        sound *= 10 ** (-zone.attenuation_db / 20)
        if len(sound) > len(total):
            total = np.pad(total, (0, len(sound) - len(total)))
        total[: len(sound)] += sound
    loudest = float(np.abs(total).max()) if len(total) else 0.0
    if loudest > 0:
        total = total[: int(np.flatnonzero(np.abs(total) > loudest * 10 ** (SILENT_DB / 20))[-1]) + 1]
    return total * (velocity / 127) ** 2


def audible_at(sound: np.ndarray, kind: str, rate_hz: int) -> int:
    """The frame at which a note becomes audible: its first magnitude 20 dB below the maximum of its attack.

    Parameters
    ----------
    sound : np.ndarray [shape=(frames,)]
        One note alone.
    kind : str
        What it is played on: "plucked", "struck", "voice", "bowed" or "wind".
    rate_hz : int
        Its rate.

    Returns
    -------
    int
        0 for a silent note.

    Example
    -------
    >>> audible_at(np.r_[np.zeros(100), 0.05, 0.5, np.zeros(100)], "plucked", 48_000)
    100
    """
    magnitude = np.abs(sound)
    window = magnitude[: int(ATTACK_WINDOW_S[kind] * rate_hz)]
    return int(np.argmax(window >= AUDIBLE * window.max())) if len(window) and window.max() > 0 else 0
