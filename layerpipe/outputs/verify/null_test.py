"""The null test: subtract one file from another, after a constant gain and a sample offset have been found.

Full scale is 1.0, positions are frames. An offset is positive if the new file is later. Two files are "the same up to
gain" if the residual is no more than their rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.core.units import db_of_gain, db_of_power
from layerpipe.outputs.verify.stem_file import READ_FRAMES, StemFile

SAME_BYTES, SAME_SOUND, SAME_UP_TO_GAIN, DIFFERENT = "same bytes", "same sound", "same up to gain", "different"
STEPS_PER_S = 10
"""Of the residual's picture."""
_LARGEST_OFFSET_S = 1.0
_SEARCH_FRAMES = 1 << 17
"""Length of the excerpt that is searched for: about 3 s."""
_WORTH_REPORTING = 0.1
"""Of two different files a gain or offset is reported only if it lowers the residual by 20 dB."""
_EXACT_DB = 1e-6
"""A gain this small is a rounding error of the fit."""


@dataclass(frozen=True)
class Residual:
    """The residual of a null test in a span: dBFS; -inf is digital silence."""

    peak_dbfs: float
    rms_dbfs: float


@dataclass(frozen=True)
class NullTest:
    """A null test of one file."""

    verdict: str
    gain_db: float
    inverted: bool
    offset_frames: int
    whole: Residual
    spans: tuple[Residual, ...]
    picture: FloatArray
    """Residual per tenth of a second: (steps, 2), peak and RMS, linear."""


def null_test(old: StemFile, new: StemFile, spans: Sequence[tuple[int, int]]) -> NullTest | None:
    """Subtract one file from another.

    Parameters
    ----------
    old, new : StemFile
    spans : sequence of (start, stop)
        Sections, in frames of the new file.

    Returns
    -------
    NullTest or None
        None if sample rates or numbers of channels differ.
    """
    if (old.head.rate_hz, old.head.channels) != (new.head.rate_hz, new.head.channels):
        return None
    plain = _residual(old, new, 1.0, 0, spans)
    if plain.whole.peak_dbfs == -np.inf and old.frames == new.frames:
        return replace(plain, verdict=SAME_SOUND)
    offset = _offset(old, new)
    best, best_rms = plain, _linear(plain.whole.rms_dbfs)
    for shift in dict.fromkeys((0, offset)):
        gain = _gain(old, new, shift)
        if gain == 0.0:
            continue
        fitted = _residual(old, new, gain, shift, spans)
        same = _linear(fitted.whole.peak_dbfs) <= _rounding(old, new, gain) and abs(shift) < min(old.frames, new.frames)
        if same and (shift != 0 or old.frames == new.frames):
            exactly = abs(db_of_gain(gain)) < _EXACT_DB and gain > 0
            return replace(fitted, verdict=SAME_UP_TO_GAIN, gain_db=0.0 if exactly else fitted.gain_db)
        if _linear(fitted.whole.rms_dbfs) < min(best_rms, _WORTH_REPORTING * _linear(plain.whole.rms_dbfs)):
            best, best_rms = fitted, _linear(fitted.whole.rms_dbfs)
    return best


def _residual(old: StemFile, new: StemFile, gain: float, offset: int, spans: Sequence[tuple[int, int]]) -> NullTest:
    """new[n] - gain * old[n - offset]; without an offset over both files, silence after the end of the shorter one."""
    rate = new.head.rate_hz
    start, stop = _common(old, new, offset)
    step = max(rate // STEPS_PER_S, 1)
    steps = -(-stop // step)
    peaks, energy, counts = np.zeros(steps), np.zeros(steps), np.zeros(steps)
    edges = sorted({start, stop, *(min(max(edge, start), stop) for span in spans for edge in span)})
    parts = {edge: [0.0, 0.0, 0] for edge in edges}
    for at, a, b in _side_by_side(old, new, offset, start, stop):
        residual = b - gain * a
        high, power = np.abs(residual).max(axis=1), np.einsum("fc,fc->f", residual, residual) / residual.shape[1]
        place = np.arange(at, at + len(residual)) // step
        first = int(place[0])
        cuts = np.flatnonzero(np.diff(place, prepend=first - 1))
        index = place[cuts]
        peaks[index] = np.maximum(peaks[index], np.maximum.reduceat(high, cuts))
        energy[index] += np.add.reduceat(power, cuts)
        counts[index] += np.diff(np.append(cuts, len(place)))
        for begin, end in pairwise(edges):
            inside = slice(max(begin - at, 0), max(end - at, 0))
            if len(high[inside]):
                part = parts[begin]
                part[0] = max(part[0], float(high[inside].max()))
                part[1] += float(power[inside].sum())
                part[2] += len(high[inside])

    def over(begin: int, end: int) -> Residual:
        inside = [part for edge, part in parts.items() if begin <= edge < end]
        frames = sum(part[2] for part in inside)
        power = sum(part[1] for part in inside) / frames if frames else 0.0
        return Residual(db_of_gain(max((part[0] for part in inside), default=0.0)), db_of_power(power))

    picture = np.stack([peaks, np.sqrt(energy / np.maximum(counts, 1))], axis=1)
    found = tuple(over(min(max(begin, start), stop), min(max(end, start), stop)) for begin, end in spans)
    return NullTest(DIFFERENT, db_of_gain(gain), gain < 0, offset, over(start, stop), found, picture)


def _common(old: StemFile, new: StemFile, offset: int) -> tuple[int, int]:
    """Frames of the new file that are compared."""
    if offset == 0:
        return 0, max(old.frames, new.frames)
    return max(0, offset), min(new.frames, old.frames + offset)


def _side_by_side(old: StemFile, new: StemFile, offset: int, start: int,
                  stop: int) -> Iterator[tuple[int, FloatArray, FloatArray]]:
    """Both files, block by block, with silence outside them."""
    for at in range(start, stop, READ_FRAMES):
        end = min(at + READ_FRAMES, stop)
        yield at, _sound(old, at - offset, end - offset), _sound(new, at, end)


def _sound(file: StemFile, start: int, stop: int) -> FloatArray:
    """Frames start to stop, silence outside the file."""
    here = file.read(start, stop) / float(1 << (file.head.bit_depth - 1))
    before = min(max(-start, 0), stop - start)
    return np.pad(here, ((before, stop - start - before - len(here)), (0, 0)))


def _gain(old: StemFile, new: StemFile, offset: int) -> float:
    """The factor that fits the old file to the new one best, by least squares; 0 for silence."""
    start, stop = _common(old, new, offset)
    across = own = 0.0
    for _, a, b in _side_by_side(old, new, offset, start, stop):
        across += float(np.vdot(a, b))
        own += float(np.vdot(a, a))
    return across / own if own else 0.0


def _offset(old: StemFile, new: StemFile) -> int:
    """How many frames later the new file is, by correlating an excerpt around the loudest place."""
    reach = min(round(_LARGEST_OFFSET_S * new.head.rate_hz), _SEARCH_FRAMES)
    loudest, place = -1.0, 0
    for at in range(0, old.frames, READ_FRAMES):
        block = old.read(at, at + READ_FRAMES).astype(np.float64)
        energy = float(np.vdot(block, block))
        if energy > loudest:
            loudest, place = energy, at
    a = _sound(old, place, place + _SEARCH_FRAMES)
    b = _sound(new, place - reach, place + _SEARCH_FRAMES + reach)
    size = 1 << (len(b) + len(a)).bit_length()
    across = np.zeros(size // 2 + 1, np.complex128)
    for channel in range(a.shape[1]):
        across += np.fft.rfft(b[:, channel], size) * np.conj(np.fft.rfft(a[:, channel], size))
    curve = np.abs(np.fft.irfft(across, size)[: 2 * reach + 1])
    return int(np.argmax(curve)) - reach


def _rounding(old: StemFile, new: StemFile, gain: float) -> float:
    """The most by which two roundings of one sound differ; dither doubles and adds to it below 24 bits."""
    steps = [(0.5 if file.head.bit_depth >= 24 else 1.5) / (1 << (file.head.bit_depth - 1)) for file in (old, new)]
    # Takes are kept as float32 before they are rounded: half a step of 24 bits more on either side.
    return 1.02 * (abs(gain) * steps[0] + steps[1]) + (1 + abs(gain)) * 2.0**-24


def _linear(level_db: float) -> float:
    """A level as a factor."""
    return 0.0 if level_db == -np.inf else 10 ** (level_db / 20)
