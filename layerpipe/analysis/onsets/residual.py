"""Linear-prediction residual of a take: the part of the sound that its own ringing does not explain.

A ringing string continues predictably; a plucked one does not, however soft. A long linear predictor is fitted to the
80 ms before each short block and subtracted from the block. The residual jumps when a string is plucked, hardly moves
when a hand stops the strings, and does not depend on how loud they ring.
Takes are analysed at about 24 kHz, which resolves an onset to 0.04 ms at a quarter of the work. Dull takes are analysed
at 12 kHz: a band that holds only noise cannot be predicted, and a soft pluck would disappear in its residual.
Linear prediction: Makhoul, "Linear prediction: a tutorial review", Proc. IEEE 63(4), 1975.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.random  # not left to the first worker thread; see core.sound

from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.fft import next_fast_length
from layerpipe.dsp.filters import design_high_pass, run_sections
from layerpipe.dsp.kernels import burg_predictor, decimate, solve_predictors
from layerpipe.dsp.kernels import extrapolate as run_predictor
from layerpipe.render.takes.placing import Place, PlacedSound

SILENCE_POWER = 1e-12
"""Power (full scale 1) at or below which a frame is digital silence; -120 dBFS."""


@dataclass(frozen=True)
class PredictorSettings:
    """The linear predictor; lengths tuned on strummed takes with known onsets."""

    train_s: float = 0.080  # the sound it is fitted to: several periods of every partial above the high-pass
    hop_s: float = 0.016  # block it is applied to; shorter than the fastest two strums
    lags_s: float = 1 / 75  # its order in seconds: 320 lags at 24 kHz; order 160 loses 6 % of the onsets at 5 ms
    ridge: float = 1e-9  # share of the power added to lag 0, so that the equations stay solvable


@dataclass(frozen=True)
class AnalysisBand:
    """The rate and the band in which takes are analysed."""

    rate_hz: float = 24_000
    dull_rate_hz: float = 12_000
    dull_up_to_hz: float = 6_500  # dull: nothing changes above this; 12 kHz loses 6 to 6.5 kHz, where little is left
    high_pass_hz: float = 250.0  # feet and rumble lie below; every string has enough energy above
    change_db: float = 12.0  # loudest over softest moments of a band that changes; stationary noise stays within 7 dB
    frame_s: float = 0.1
    band_hz: float = 200.0
    excerpts: int = 3  # a few excerpts show how dull a take is
    excerpt_s: float = 4.0


@dataclass(frozen=True)
class Blocking:
    """How much is in memory at once. Other chunks shift the prediction blocks: onsets move by hundredths of a ms."""

    chunk_s: float = 16.0
    context_s: float = 0.3  # longer than the predictor and the longest look ahead together
    rows: int = 32  # rows worked on together: as many as fit into a processor's cache


PREDICTOR, BAND, BLOCKING = PredictorSettings(), AnalysisBand(), Blocking()


class Chunk(NamedTuple):
    """A part of a take at the analysis rate, with context on both sides."""

    samples: FloatArray
    rate_hz: float
    start_s: float
    """Time of the first frame in the take."""
    core_s: tuple[float, float]
    """Start and end of the part without context; the cores of neighbouring chunks touch."""


class Piece(NamedTuple):
    """A part of a take, which is analysed by itself: first frame, length, frames of the take to one analysed."""

    start: int
    size: int
    step: int

    def of(self, sound: Sound) -> Sound:
        """What of the take is needed to analyse the part: its neighbourhood too, as far as there is one."""
        first = max(self.start - self.context(sound), 0)
        last = min(self.start + self.size + self.context(sound), sound.frames)
        return PlacedSound(sound, last - first, Place(-first, 0.0))

    def context(self, sound: Sound) -> int:
        """Frames before and after the part."""
        return round(BLOCKING.context_s * (sound.rate_hz / self.step)) * self.step


def pieces_of(sound: Sound) -> list[Piece]:
    """The parts in which a take is analysed, so that memory does not grow with its length; they cover it once."""
    wanted_hz = BAND.dull_rate_hz if _changes_up_to_hz(sound) <= BAND.dull_up_to_hz else BAND.rate_hz
    step = max(1, round(sound.rate_hz / wanted_hz))
    size = round(BLOCKING.chunk_s * (sound.rate_hz / step)) * step
    return [Piece(start, min(size, sound.frames - start), step) for start in range(0, sound.frames, size)]


def read_chunk(sound: Sound, piece: Piece) -> Chunk:
    """Read a part of a take at the analysis rate.

    Before the beginning of the take and after its end there is noise at the level of its softest passages, so that a
    take that begins at once still has a beginning.

    Parameters
    ----------
    sound : Sound
        `piece.of` the take.
    piece : Piece
    """
    start, size, step = piece
    rate_hz, context = sound.rate_hz / step, piece.context(sound)
    samples = _decimate(sound.read(0, sound.frames), step)
    before = 0 if start else context // step
    after = (context - (sound.frames - size - min(start, context))) // step
    # The first numbers are those before the beginning, wherever the part is.
    noise = np.random.default_rng(0).standard_normal(context // step + after)
    noise *= np.sqrt(_softest_power(samples, rate_hz))
    whole = np.concatenate([noise[:before], samples, noise[context // step :]])
    high_pass = design_high_pass(BAND.high_pass_hz, rate_hz, slope_db_per_octave=36)
    return Chunk(run_sections(high_pass, whole)[0], rate_hz, (start - context) / sound.rate_hz,
                 (start / sound.rate_hz, (start + size) / sound.rate_hz))


def _changes_up_to_hz(sound: Sound) -> float:
    """Highest frequency at which a take is more than stationary noise, Hz; 0 if there is none."""
    size, excerpt = round(BAND.frame_s * sound.rate_hz), round(BAND.excerpt_s * sound.rate_hz)
    starts = np.unique(np.linspace(0, max(sound.frames - excerpt, 0), BAND.excerpts).astype(int))
    excerpts = [sound.read(int(at), min(int(at) + excerpt, sound.frames)) for at in starts]
    frames = np.concatenate([one[: len(one) // size * size].reshape(-1, size) for one in excerpts])
    bins = round(BAND.band_hz * BAND.frame_s)
    bands = size // 2 // bins
    if not len(frames) or not bands:
        return sound.rate_hz / 2
    powers = np.abs(np.fft.rfft(frames * np.hanning(size))[:, : bands * bins]) ** 2
    soft, loud = np.percentile(powers.reshape(len(frames), bands, bins).mean(axis=2), [5, 98], axis=0)
    changing = np.flatnonzero(10 * np.log10((loud + SILENCE_POWER) / (soft + SILENCE_POWER)) > BAND.change_db)
    return float((changing[-1] + 1) * BAND.band_hz) if len(changing) else 0.0


def _decimate(samples: FloatArray, step: int) -> FloatArray:
    """Keep every `step`-th frame after a low-pass: a sinc of 24 steps under a Hamming window."""
    if step == 1:
        return samples
    reach, count = 12 * step, -(-len(samples) // step)
    at = np.arange(-reach, reach + 1)
    low_pass = np.sinc(0.92 / step * at) * np.hamming(len(at))
    padded, kept = np.zeros((count + 25) * step), np.empty(count)
    padded[reach : reach + len(samples)] = samples
    decimate(np.ascontiguousarray(padded.reshape(-1, step).T), low_pass / low_pass.sum(), kept)
    return kept


def _softest_power(samples: FloatArray, rate_hz: float) -> float:
    """Power of the softest passages that are not digital silence."""
    size = round(0.01 * rate_hz)
    whole = samples[: len(samples) // size * size].reshape(-1, size)
    powers = np.mean(whole**2, axis=1)
    powers = powers[powers > SILENCE_POWER]
    return float(np.percentile(powers, 3)) if len(powers) else SILENCE_POWER


def noise_floor_db(chunk: Chunk) -> float:
    """Level of the softest passages of a chunk, dBFS."""
    size = round(0.02 * chunk.rate_hz)
    powers = np.mean(chunk.samples[: len(chunk.samples) // size * size].reshape(-1, size) ** 2, axis=1)
    powers = powers[powers > SILENCE_POWER]
    return float(10 * np.log10(np.percentile(powers, 2))) if len(powers) else -120.0


def prediction_residual(chunk: Chunk) -> FloatArray:
    """Residual of predictors that are fitted to the 80 ms before each block.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        As long as the chunk; zeros where there is too little sound before to fit a predictor.
    """
    samples, rate_hz = chunk.samples, chunk.rate_hz
    lags, train, hop = (round(seconds * rate_hz) for seconds in (PREDICTOR.lags_s, PREDICTOR.train_s, PREDICTOR.hop_s))
    residual = np.zeros(len(samples))
    starts = np.arange(train, len(samples) - hop, hop)
    if not len(starts):
        return residual
    window, room = np.hanning(train), np.empty(2 * lags + 2)
    trained_on = np.lib.stride_tricks.sliding_window_view(samples, train)
    applied_to = np.lib.stride_tricks.sliding_window_view(samples, lags + hop)
    train_size, size = next_fast_length(train + lags + 1), next_fast_length(lags + hop)
    for at in range(0, len(starts), BLOCKING.rows):
        here = starts[at : at + BLOCKING.rows]
        spectra = np.fft.rfft(trained_on[here - train] * window, train_size)
        power = spectra.real**2 + spectra.imag**2
        correlations = np.ascontiguousarray(np.fft.irfft(power, train_size)[:, : lags + 1])
        correlations[:, 0] *= 1 + PREDICTOR.ridge
        predictors = np.empty_like(correlations)
        solve_predictors(correlations, SILENCE_POWER * float(np.sum(window**2)), predictors, room)
        # Circular, as above.
        spectra = np.fft.rfft(applied_to[here - lags], size) * np.fft.rfft(predictors, size)
        rows = np.fft.irfft(spectra, size)[:, lags : lags + hop]
        residual[here[0] : here[0] + rows.size] = rows.ravel()
    return residual


def fit_predictor(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Predictor of what follows a piece, fitted to the piece by Burg's method.

    Returns
    -------
    np.ndarray [shape=(lags + 1,), float64]
        The leading 1 and at most half as many coefficients as there are frames.
    """
    return _burg(samples, min(round(PREDICTOR.lags_s * rate_hz), len(samples) // 2))


def residual_after(samples: FloatArray, trained: int, predictor: FloatArray) -> FloatArray:
    """Residual of everything after the first `trained` frames.

    Returns
    -------
    np.ndarray [shape=(len(samples) - trained,), float64]
    """
    lags = len(predictor) - 1
    applied_to = samples[trained - lags :]
    size = next_fast_length(len(applied_to))
    # Circular, as above.
    return np.fft.irfft(np.fft.rfft(applied_to, size) * np.fft.rfft(predictor, size), size)[lags : len(applied_to)]


def extrapolate(before: FloatArray, frames: int, rate_hz: float, predictor: FloatArray | None = None) -> FloatArray:
    """Continue a sound: the predictor, if omitted fitted to its last 80 ms, runs on without input.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]
        Zeros where there is too little sound before to fit a predictor.
    """
    if predictor is None:
        predictor = fit_predictor(before[max(len(before) - round(PREDICTOR.train_s * rate_hz), 0) :], rate_hz)
    lags = len(predictor) - 1
    if lags < 2:
        return np.zeros(frames)
    sound = np.concatenate([before[-lags:], np.zeros(frames)])
    run_predictor(predictor, sound)
    return sound[lags:]


def _burg(samples: FloatArray, lags: int) -> FloatArray:
    """Predictor of `lags` coefficients after the leading 1, by Burg's method."""
    predictor = np.empty(lags + 1)
    burg_predictor(samples.copy(), samples.copy(), predictor, np.empty(lags + 1))
    return predictor
