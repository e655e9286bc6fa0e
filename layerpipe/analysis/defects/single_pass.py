"""One pass over a take that measures everything the checks need; no check reads the whole take again.

The take is read second by second and little is held of each, so memory hardly grows with its length.
Levels are linear powers (full scale 1), steps are 10 ms on the grid of `dsp.loudness`. Bands: "mid" is above 150 Hz (no
rumble, hardly any hum), "upper" above 1 kHz, "high" above 3 kHz, "low" a copy below 1.5 kHz at about 4 kHz.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.clicks.search import ClickSearch
from layerpipe.analysis.defects.clicks.verdict import ClickEvidence
from layerpipe.analysis.defects.dropouts import Repeat, Runs
from layerpipe.analysis.defects.equal_samples import EqualSampleSearch
from layerpipe.analysis.defects.levels.steps import PART_S, Column, StepMeter, Steps
from layerpipe.analysis.defects.pitch.low_band import LowBand, LowBandMeter
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import Float32Array, FloatArray, OnProgress, Sound, made_of
from layerpipe.dsp.filters import design_high_pass, run_sections
from layerpipe.dsp.loudness.k_weighting import k_weighting

MID_HZ, UPPER_HZ, HIGH_HZ = 150.0, 1000.0, 3000.0
"""Corners of the high-passes, 24 dB per octave."""
TICK_S = 0.002
"""Length that the response of the 3 kHz high-pass to one sample is cut to; it has died away by then."""
SPECTRUM_FRAMES, SPECTRA_PER_S = 2048, 8
"""23 Hz fine at 48 kHz; more spectra a second change the mean by less than 0.1 dB."""


@dataclass(frozen=True)
class Measurements:
    """Everything one pass measures of a take."""

    rate_hz: int
    frames: int
    peak: float
    """Highest absolute sample."""
    steps: Steps | None
    """None where parts of them are kept by themselves: see `KeptSteps`."""
    means: FloatArray
    """Mean of every second."""
    bits_used: int | None
    """Bits of the samples that are ever used, up to 24; None if the samples are finer, 0 for digital silence."""
    runs: Runs
    repeats: list[Repeat]
    clicks: list[ClickEvidence]
    low: LowBand
    spectrum_hz: FloatArray
    spectrum: FloatArray
    """Mean power density (1/Hz) of the whole take, shape (1025,)."""

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz


def seconds_of(sound: Sound) -> Iterator[FloatArray]:
    """A sound second by second; the last piece may be shorter."""
    for at in range(0, sound.frames, sound.rate_hz):
        yield np.ascontiguousarray(sound.read(at, min(at + sound.rate_hz, sound.frames)))


class KeptSteps:
    """The `Steps` of a take: of a long one these are many, so a column is read when it is asked for, and not held."""

    def __init__(self, sound: Sound, measured: Measurements, ask: Ask) -> None:
        self._sound, self._measured, self._ask = sound, measured, ask

    def _column(self, of: Callable[[Steps], Column]) -> Column:
        if self._measured.steps is not None:
            return of(self._measured.steps)
        count = -(-self._sound.frames // (PART_S * self._sound.rate_hz))
        return np.concatenate([of(self._ask(steps_of_part, self._sound, number)) for number in range(count)])

    @property
    def highest(self) -> Float32Array:
        """Highest sample of each step."""
        return self._column(lambda steps: steps.highest)

    @property
    def lowest(self) -> Float32Array:
        """Lowest sample of each step."""
        return self._column(lambda steps: steps.lowest)

    @property
    def mid_power(self) -> Float32Array:
        """Power of each step."""
        return self._column(lambda steps: steps.mid_power)

    @property
    def silent(self) -> npt.NDArray[np.bool_]:
        """Which steps are nothing but zeros."""
        return self._column(lambda steps: steps.silent)

    @property
    def k_energy(self) -> FloatArray:
        """K-weighted energy of every 100 ms."""
        return self._column(lambda steps: steps.k_energy)


def steps_of_part(sound: Sound, number: int, *, steps: Steps | None = None, ask: Ask = listen_anew) -> Steps:
    """The steps of a part; if they are not known, the take is measured again, and the other parts are kept."""
    found = {number: steps} if steps is not None else dict[int, Steps]()

    def keep(other: int, its: Steps) -> None:
        if other == number:
            found[number] = its
        else:
            ask(steps_of_part, sound, other, steps=its)

    if not found:
        _measure(sound, keep)
    return found[number]


def measure_take(sound: Sound, on_progress: OnProgress = lambda seconds: None, *,
                 on_steps: Callable[[Steps], None] = lambda steps: None, ask: Ask = listen_anew) -> Measurements:
    """Measure a take.

    Parameters
    ----------
    sound : Sound
        Any rate of 8 kHz or more, any length above 0.
    on_progress : function of seconds
        Receives the seconds measured since its last call.
    on_steps : function
        Receives the steps of each part.
    ask : Ask, optional
        Who keeps them; nobody keeps those of a sound that is only here.

    Returns
    -------
    Measurements
    """
    is_kept, parts = made_of(sound) is not None, list[Steps]()

    def keep(number: int, steps: Steps) -> None:
        on_steps(steps)
        if is_kept:
            ask(steps_of_part, sound, number, steps=steps)
        else:
            parts.append(steps)

    measured = _measure(sound, keep, on_progress)
    return measured if is_kept else replace(measured, steps=Steps.joined(parts))


def _measure(sound: Sound, on_steps: Callable[[int, Steps], None],
             on_progress: OnProgress = lambda seconds: None) -> Measurements:
    """Measure a take; a function receives parts of the steps and their numbers."""
    rate, means = sound.rate_hz, list[float]()
    part, peak = PART_S * rate, 0.0
    mid_rows = design_high_pass(MID_HZ, rate, slope_db_per_octave=24)
    upper_rows = design_high_pass(UPPER_HZ, rate, slope_db_per_octave=24)
    high_rows = design_high_pass(min(HIGH_HZ, 0.3 * rate), rate, slope_db_per_octave=24)
    k_rows = k_weighting(rate)
    mid_state: FloatArray | None = None
    upper_state: FloatArray | None = None
    high_state: FloatArray | None = None
    k_state: FloatArray | None = None
    tick, _ = run_sections(high_rows, np.eye(1, round(TICK_S * rate))[0], None)
    runs, clicks, low = EqualSampleSearch(rate), ClickSearch(rate, tick), LowBandMeter(rate)
    spectrum, bits = _Spectrum(rate), _Bits()
    for second, block in enumerate(seconds_of(sound)):
        number, into = divmod(second, PART_S)
        if not into:
            steps = StepMeter(min(sound.frames - number * part, part), rate)
        mid, mid_state = run_sections(mid_rows, block, mid_state)
        upper, upper_state = run_sections(upper_rows, block, upper_state)
        high, high_state = run_sections(high_rows, block, high_state)
        weighted, k_state = run_sections(k_rows, block, k_state)
        steps.add(block, mid, weighted)
        if into + 1 == PART_S or second * rate + len(block) == sound.frames:
            on_steps(number, steps.end())
        peak = max(peak, float(np.abs(block).max(initial=0.0).astype(np.float32)))
        means.append(float(block.mean()))
        bits.add(block)
        runs.add(block)
        clicks.add(mid, upper, high)
        low.add(block)
        spectrum.add(block)
        on_progress(len(block) / rate)
    return Measurements(
        rate_hz=rate, frames=sound.frames,
        peak=peak, steps=None, means=np.array(means), bits_used=bits.used(), runs=runs.end(),
        repeats=runs.repeats, clicks=clicks.end(), low=low.end(),
        spectrum_hz=np.fft.rfftfreq(SPECTRUM_FRAMES, 1 / rate).astype(np.float64),
        spectrum=spectrum.end(),
    )


class _Bits:
    """Which bits of a 24-bit sample are ever used."""

    def __init__(self) -> None:
        self._seen, self._finer = 0, False

    def add(self, block: FloatArray) -> None:
        """Look at a block, unless all bits are known to be used."""
        if self._finer or self._seen & 1:
            return
        scaled = block * 2.0**23
        whole = np.rint(scaled)
        if not np.array_equal(scaled, whole):
            self._finer = True
            return
        self._seen |= int(np.bitwise_or.reduce(whole.astype(np.int64), initial=0))

    def used(self) -> int | None:
        """How many bits, or None if 24 are too few."""
        if self._finer:
            return None
        low = self._seen & 0xFFFFFF
        return 24 - ((low & -low).bit_length() - 1) if low else 0


class _Spectrum:
    """Mean power density of windows spread evenly over the take."""

    def __init__(self, rate_hz: int) -> None:
        # Blackman-Harris: its side lobes are 92 dB down, so an empty band next to a full one looks empty.
        t = 2 * np.pi * np.arange(SPECTRUM_FRAMES) / SPECTRUM_FRAMES
        self._window = 0.35875 - 0.48829 * np.cos(t) + 0.14128 * np.cos(2 * t) - 0.01168 * np.cos(3 * t)
        self._scale = 2.0 / (rate_hz * float(np.sum(self._window**2)))
        self._total = np.zeros(SPECTRUM_FRAMES // 2 + 1)
        self._count = 0
        self._hop = rate_hz // SPECTRA_PER_S

    def add(self, block: FloatArray) -> None:
        """Measure a second; a shorter rest is too little."""
        if len(block) < SPECTRUM_FRAMES:
            return
        rows = np.lib.stride_tricks.sliding_window_view(block, SPECTRUM_FRAMES)[:: self._hop]
        power = np.abs(np.fft.rfft(rows * self._window, axis=1)) ** 2 * self._scale
        self._total += power.sum(axis=0)
        self._count += len(rows)

    def end(self) -> FloatArray:
        """The mean."""
        return self._total / max(1, self._count)
