"""The search for a metronome in a take: what all ticks have in common is the sound of one tick."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.onsets.metronome.comb import Rises, find_ticks
from layerpipe.analysis.onsets.metronome.ticks import LEAD_S, Metronome
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import db_of_gain, gain_of_db
from layerpipe.dsp.filters import design_high_pass, run_sections


@dataclass(frozen=True)
class TickLimits:
    """The sound of a tick."""

    length_s: float = 0.12
    """Of what ticks are found by."""
    longest_s: float = 0.5
    """Bells ring this long; a tick ends before the next one in any case."""
    attack_s: float = 0.005
    before_s: float = 0.001
    """What ticks are compared by."""
    high_pass_hz: tuple[float, float] = (800.0, 2000.0)
    """What is kept of a tick, and what ticks are compared in: strings have most of their energy below."""
    lag_s: float = 0.003
    quiet_share: float = 0.4
    """Share of the ticks, those with the least sound around them, that show what a tick sounds like."""
    first_compared: int = 24
    """Of these, as many as are compared each with each."""
    fewest: int = 6
    most: int = 160
    """Ticks that are compared: more would only need more memory."""
    jitter_s: float = 0.0005
    """Distance of a tick from its place: machines keep time to a sample."""
    alike: float = 0.6
    good_share: float = 0.2
    """So many of the quiet ticks have at least this correlation with their median; strums hide the others."""
    under_loud_db: float = 6.0
    """A tick is this far under the loud moments; else it is what is played, by a machine."""
    most_gain: float = 3.0
    """Of one tick over the usual one: heads move in headphones, and beat one is accented."""
    measured_s: float = 0.024
    """From its beginning on, what the gain of a tick is measured by."""
    spread: float = 0.3
    """Of these gains, where they are not known."""
    colour: float = 10.0
    """How many times fewer samples music has that are independent of each other than noise."""
    begin: float = 0.3
    """Share of its peak at which a tick begins."""
    edge_s: float = 0.002
    block_s: float = 0.01
    """Steps in which the playing around a tick is measured."""


TICK = TickLimits()


def find_metronome(rises: Rises, sound: Sound) -> Metronome | None:
    """Find a metronome.

    Parameters
    ----------
    rises : Rises
        Of the whole take.
    sound : Sound

    Returns
    -------
    Metronome or None
    """
    ticks = find_ticks(rises)
    if ticks is None:
        return None
    first_s, apart_s = ticks
    count = max(int((len(rises) / 1000 - first_s) / apart_s) + 1, 0)
    return _measure(sound, np.asarray(first_s + apart_s * np.arange(count), np.float64), apart_s)


def _measure(sound: Sound, at_s: FloatArray, apart_s: float) -> Metronome | None:
    """Listen to what is at the ticks; None where it is not the same sound."""
    rate = sound.rate_hz
    lead, attack, lag = (round(seconds * rate) for seconds in (LEAD_S, TICK.attack_s, TICK.lag_s))
    numbers = np.unique(np.linspace(0, len(at_s) - 1, min(len(at_s), TICK.most)).astype(int))
    if len(numbers) < TICK.fewest:
        return None
    body, high = (np.stack(rows) for rows in zip(*(_window(sound, round(at_s[n] * rate), lag) for n in numbers),
                                                 strict=True))
    length, compared = body.shape[1] - 2 * lag, slice(lead - round(TICK.before_s * rate), lead + attack)
    loudness = np.mean(high**2, axis=1)
    quiet = np.argsort(loudness, kind="stable")[: max(TICK.fewest, round(TICK.quiet_share * len(numbers)))]
    mean = _most_common(high[quiet[: TICK.first_compared], lag : lag + length], compared)
    good: list[int] = []
    for _ in range(3):
        found = [_best_lag(high[n], mean[compared], compared.start, 2 * lag) for n in quiet]
        good = [k for k, (_, alike) in enumerate(found) if alike > TICK.alike]
        if len(good) < max(TICK.fewest, TICK.good_share * len(quiet)):
            return None
        mean = np.median([high[quiet[k], found[k][0] : found[k][0] + length] for k in good], axis=0)
    # The grid goes through the ticks that are heard well; the sound is the median of all of them.
    places = np.rint(at_s[numbers[quiet[good]]] * rate) - lag + np.array([found[k][0] for k in good])
    kept = np.arange(len(good))
    for _ in range(2):
        slope, start = np.polyfit(numbers[quiet[good]][kept], places[kept], 1)
        off = places - start - slope * numbers[quiet[good]]
        kept = np.flatnonzero(np.abs(off - np.median(off[kept])) < TICK.jitter_s * rate)
        if len(kept) < TICK.fewest:
            return None
    if abs(slope / rate / apart_s - 1) > TICK.lag_s:
        return None
    usual = np.median([body[quiet[good[k]], found[good[k]][0] : found[good[k]][0] + length] for k in kept], axis=0)
    loud = float(np.percentile(np.abs(body).max(axis=1), 95))
    heard_s = np.asarray((start + slope * numbers[quiet]) / rate, np.float64)
    tick = _sound_of_tick(sound, heard_s, min(TICK.longest_s, slope / rate - LEAD_S), usual)
    peak = float(np.abs(tick).max())
    if not 0 < peak < loud / gain_of_db(TICK.under_loud_db):
        return None
    # The grid is that of the beginnings of the ticks.
    begin = int(np.argmax(np.abs(tick) > TICK.begin * peak)) - lead
    tick = np.roll(np.pad(tick, lead), -begin)[lead:-lead]
    edge = round(TICK.edge_s * rate)
    tick[: lead - edge] = 0.0
    tick[lead - edge : lead] *= np.linspace(0.0, 1.0, edge)
    return _with_gains(sound, Metronome((start + begin) / rate, slope / rate, len(at_s), db_of_gain(peak), 0.0, tick,
                                        np.ones(len(at_s))))


def _sound_of_tick(sound: Sound, at_s: FloatArray, length_s: float, usual: FloatArray) -> FloatArray:
    """The sound of one tick: the mean over the ticks, each block weighted by how soft the playing is there.

    What the playing leaves in the mean has one over the sum of the weights as its power; its share is taken away
    (Wiener 1949), and where the tick is no louder than that, it has ended.
    """
    rate = sound.rate_hz
    length, block = round(length_s * rate), round(TICK.block_s * rate)
    centres = (np.arange(length // block) + 0.5) * block
    tick = np.zeros(length)
    tick[: len(usual)] = usual[:length]
    windows = [_window(sound, round(at * rate), 0, length_s)[0] for at in at_s]
    for _ in range(2):
        weighted, weights = np.zeros(length), np.full(length, 1e-20)
        for window in windows:
            gain, _ = _gain_of(window, tick, rate)
            powers = _block_powers(window - gain * tick, block) + 1e-14
            weight = np.interp(np.arange(length), centres, gain / powers)
            weighted, weights = weighted + weight * window, weights + gain * weight
        tick = weighted / weights
        left = _block_powers(1 / np.sqrt(weights), block) / (_block_powers(tick, block) + 1e-20)
        tick *= np.interp(np.arange(length), centres, np.minimum.accumulate(np.clip(1 - left, 0.0, 1.0)))
    return tick


def _block_powers(samples: FloatArray, block: int) -> FloatArray:
    """Mean power of each block."""
    powers: FloatArray = np.mean(samples[: len(samples) // block * block].reshape(-1, block) ** 2, axis=1)
    return powers


def _most_common(ticks: FloatArray, compared: slice) -> FloatArray:
    """The one of some ticks that is most like the others."""
    pieces = ticks[:, compared] / (np.linalg.norm(ticks[:, compared], axis=1, keepdims=True) + 1e-20)
    # A shift of a few samples must not hide that two are the same.
    spectra = np.fft.rfft(pieces, 2 * pieces.shape[1], axis=1)
    alike = [np.median(np.fft.irfft(spectra * one.conj(), axis=1).max(axis=1)) for one in spectra]
    common: FloatArray = ticks[int(np.argmax(alike))]
    return common


def _window(sound: Sound, at: int, lag: int, length_s: float = TICK.length_s) -> tuple[FloatArray, FloatArray]:
    """The sound around a tick above 800 Hz and above 2 kHz, its phase kept; silence beyond the ends of the take."""
    rate = sound.rate_hz
    lead, length, settle = (round(seconds * rate) for seconds in (LEAD_S, length_s, 0.01))
    start, stop = at - lead - lag - settle, at - lead + lag + length + settle
    read = np.zeros(stop - start)
    low, high = max(start, 0), min(stop, sound.frames)
    if low < high:
        read[low - start : high - start] = sound.read(low, high)
    both = []
    for hz in TICK.high_pass_hz:
        high_pass = design_high_pass(hz, rate, slope_db_per_octave=12)
        both.append(run_sections(high_pass, run_sections(high_pass, read)[0][::-1].copy())[0][::-1][settle:-settle])
    return both[0], both[1]


def _best_lag(row: FloatArray, tick: FloatArray, first: int, most: int) -> tuple[int, float]:
    """The lag at which a piece is most like a tick, and their correlation there."""
    piece = row[first : first + most + len(tick)]
    products = np.correlate(piece, tick, "valid")
    sums = np.concatenate([[0.0], np.cumsum(piece**2)])
    energies = sums[len(tick) :] - sums[: -len(tick)]
    alike = products / (np.sqrt(energies * float(tick @ tick)) + 1e-20)
    best = int(np.argmax(alike))
    return best, float(alike[best])


def _gain_of(window: FloatArray, tick: FloatArray, rate_hz: float) -> tuple[float, float]:
    """The gain of the tick in a window, and the power of what else sounds there.

    A gain is measured the less exactly the louder the playing is; it is then drawn towards 1 (shrinkage).
    """
    measured = slice(round(LEAD_S * rate_hz) // 2, round((LEAD_S + TICK.measured_s) * rate_hz))
    tick, window = tick[measured], window[measured]
    energy = float(tick @ tick) + 1e-20
    gain = float(window @ tick) / energy
    rest = window - gain * tick
    around = float(rest @ rest) / len(rest)
    gain = 1 + (gain - 1) * TICK.spread**2 / (TICK.spread**2 + TICK.colour * around / energy)
    return min(max(gain, 0.0), TICK.most_gain), around


def _with_gains(sound: Sound, found: Metronome) -> Metronome:
    """The gain of each tick, and the one that stands out most."""
    gains, around = np.array([_gain_of(_window(sound, round(at_s * sound.rate_hz), 0)[0], found.sound, sound.rate_hz)
                              for at_s in found.at_s]).T
    return replace(found, gains=gains, worst_s=float(found.at_s[int(np.argmax(gains**2 / (around + 1e-12)))]))
