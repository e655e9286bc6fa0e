"""The tools on arrays: a chain, a pan, meters, and what is heard in a take, without a recipe or files.

Samples are floats with full scale at 1.0: a take has shape (frames,), a stereo sound (frames, 2). Rates are Hz, levels
dB, times seconds from the first sample. Everything returns the same numbers as the commands.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from layerpipe.core.errors import ParameterError
from layerpipe.core.sound import ArraySound, FloatArray
from layerpipe.core.units import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, db_of_gain
from layerpipe.dsp.loudness import bs1770 as meters
from layerpipe.dsp.loudness.bs1770 import Loudness
from layerpipe.dsp.panning import pan_gains
from layerpipe.dsp.peaks.true_peak import true_peak

if TYPE_CHECKING:
    from layerpipe.analysis.defects.pitch.tuning import Tuning
    from layerpipe.analysis.onsets.onset import Onset
    from layerpipe.outputs.check.finding import Finding
    from layerpipe.recipe.model.outputs import Check
    from layerpipe.recipe.model.recipe import Chain


def process(samples: npt.ArrayLike, rate_hz: int, chain: Chain | Mapping[str, Any]) -> FloatArray:
    """Run a chain over a take: high-passes, shelves, bells, compressor.

    Parameters
    ----------
    samples : array_like [shape=(frames,)]
    rate_hz : int
    chain : Chain or mapping
        As in a recipe's `[layer.chain]`.

    Returns
    -------
    np.ndarray [shape=(frames,), float64]

    Raises
    ------
    ParameterError
        If the samples or the rate cannot be used, a setting is impossible, or a corner is not below half the rate.

    Examples
    --------
    >>> import numpy as np, layerpipe
    >>> hum = np.sin(2 * np.pi * 20 * np.arange(48_000) / 48_000)
    >>> out = layerpipe.process(hum, 48_000, {"high_pass": [{"hz": 80}]})
    >>> round(20 * np.log10(np.abs(out[24_000:]).max()))
    -24
    """
    from layerpipe.jobs.from_python.settings import checked_settings
    from layerpipe.recipe.model.recipe import Chain
    from layerpipe.render.chain import design, find_threshold, run_chain

    sound, asked = _take(samples, rate_hz), checked_settings(Chain, chain, ("layer", 0, "chain"))
    designed = design(asked, rate_hz, threshold_db=find_threshold(sound, asked))
    blocks = list(run_chain(sound, designed))
    return np.concatenate(blocks) if blocks else np.zeros(0)


def pan(samples: npt.ArrayLike, position: float) -> FloatArray:
    """Place a take between left and right at constant power.

    Parameters
    ----------
    samples : array_like [shape=(frames,)]
    position : float
        -100 left, 0 centre (-3.01 dB on both sides), 100 right.

    Returns
    -------
    np.ndarray [shape=(frames, 2), float64]

    Raises
    ------
    ParameterError
        If the position is outside the range.

    Examples
    --------
    >>> import layerpipe
    >>> layerpipe.pan([1.0, 0.5], -100).tolist()
    [[1.0, 0.0], [0.5, 0.0]]
    """
    placed: FloatArray = np.asarray(samples, dtype=np.float64)[:, None] * np.array(pan_gains(position))
    return placed


def loudness(samples: npt.ArrayLike, rate_hz: int) -> Loudness:
    """Measure loudness by ITU-R BS.1770-5 and EBU Tech 3341 / 3342.

    Parameters
    ----------
    samples : array_like [shape=(frames,) or (frames, channels)]
        A mono sound counts as one channel: the same sound on both sides reads 3.01 LU more.
    rate_hz : int

    Returns
    -------
    Loudness
        LUFS and LU; None is "too short to measure", -inf is silence.

    Raises
    ------
    ParameterError
        If the samples or the rate cannot be used.

    Examples
    --------
    A stereo tone of 1 kHz at -23 dBFS reads -23 LUFS (EBU Tech 3341, test signal 1).

    >>> import numpy as np, layerpipe
    >>> tone = 10 ** (-23 / 20) * np.sin(2 * np.pi * 1000 * np.arange(480_000) / 48_000)
    >>> round(layerpipe.loudness(np.stack([tone, tone], axis=1), 48_000).integrated_lufs, 1)
    -23.0
    """
    return meters.measure(_finite(samples, (1, 2)), _rate(rate_hz))


def true_peak_dbtp(samples: npt.ArrayLike) -> float:
    """Measure the true peak by ITU-R BS.1770-5, Annex 2, with 16x oversampling.

    Parameters
    ----------
    samples : array_like [shape=(frames,) or (frames, channels)]

    Returns
    -------
    float
        dBTP of the loudest channel; -inf for silence.

    Examples
    --------
    Samples at 45 degrees of a sine of a quarter of the rate miss its peak by 3 dB (EBU Tech 3341, test signal 16).

    >>> import numpy as np, layerpipe
    >>> sine = 0.5 * np.sin(np.pi / 2 * np.arange(4800) + np.pi / 4)
    >>> round(layerpipe.true_peak_dbtp(sine * np.hanning(4800)), 1)
    -6.0
    """
    sound = _finite(samples, (1, 2))
    return db_of_gain(float(np.max(true_peak(sound)))) if sound.size else -np.inf


def find_onsets(samples: npt.ArrayLike, rate_hz: int) -> list[Onset]:
    """Find the onsets of a take.

    Parameters
    ----------
    samples : array_like [shape=(frames,)]
    rate_hz : int

    Returns
    -------
    list of Onset
        In order of time, each with its confidence.

    Raises
    ------
    ParameterError
        If the samples or the rate cannot be used.

    Examples
    --------
    >>> import numpy as np, layerpipe
    >>> t = np.arange(96_000) / 48_000
    >>> pluck = sum(np.exp(-2 * n * t) / n * np.sin(2 * np.pi * 220 * n * t) for n in range(1, 9))
    >>> noise = 1e-4 * np.random.default_rng(1).standard_normal(120_000)
    >>> take = noise + 0.2 * np.concatenate([np.zeros(24_000), pluck])
    >>> round(layerpipe.find_onsets(take, 48_000)[0].at_s, 2)
    0.5
    """
    from layerpipe.analysis.onsets.detect import find_onsets as find

    return find(_take(samples, rate_hz))


def measure_tuning(samples: npt.ArrayLike, rate_hz: int, *, a4_hz: float = 440.0) -> Tuning | None:
    """Measure how far a take is from equal temperament.

    Parameters
    ----------
    samples : array_like [shape=(frames,)]
    rate_hz : int
    a4_hz : float
        Pitch of the A above middle C.

    Returns
    -------
    Tuning or None
        Cents within half a semitone, with the likely error; None where too little is heard.

    Raises
    ------
    ParameterError
        If the samples or the rate cannot be used.

    Examples
    --------
    >>> import numpy as np, layerpipe
    >>> t = np.arange(10 * 48_000) / 48_000
    >>> notes = (220 * 2 ** ((step + 0.10) / 12) for step in (0, 4, 7))
    >>> chord = sum(np.sin(2 * np.pi * n * hz * t) / n for hz in notes for n in range(1, 7))
    >>> round(layerpipe.measure_tuning(0.1 * chord, 48_000).cents)
    10
    """
    from layerpipe.analysis.defects.pitch.tuning import tuning_of
    from layerpipe.analysis.defects.single_pass import measure_take

    return tuning_of(measure_take(_take(samples, rate_hz)).low, a4_hz)


def find_defects(samples: npt.ArrayLike, rate_hz: int, *, limits: Check | None = None) -> list[Finding]:
    """Find clipping, clicks, rumble, hum, noise, offset, drop-outs, a band limit and bad tuning in a take.

    Parameters
    ----------
    samples : array_like [shape=(frames,)]
    rate_hz : int
    limits : Check, optional
        As in a recipe's `[check]`.

    Returns
    -------
    list of Finding
        Worst first; empty if nothing is wrong.

    Raises
    ------
    ParameterError
        If the samples or the rate cannot be used, or a limit is impossible.

    Examples
    --------
    >>> import numpy as np, layerpipe
    >>> [finding.kind for finding in layerpipe.find_defects(np.zeros(48_000), 48_000)]
    ['dropout']
    """
    from layerpipe.analysis.checked_take import CheckedTake
    from layerpipe.analysis.defects.single_pass import measure_take
    from layerpipe.jobs.from_python.settings import checked_settings
    from layerpipe.outputs.check.finding import worst_first
    from layerpipe.outputs.check.take_findings import findings_of
    from layerpipe.recipe.model.outputs import Check
    from layerpipe.recipe.model.recipe import Chain

    sound = _take(samples, rate_hz)
    if not sound.frames:
        raise ParameterError("samples: there are none")
    return worst_first(findings_of(CheckedTake(
        layer="", name="array", file=Path("array"), facts=None, channel=None, sound=sound, measured=measure_take(sound),
        chain=Chain(), strings=(), gain_db=0.0, a4_hz=440.0,
        limits=checked_settings(Check, limits or Check(), ("check",)),
        place_of=lambda seconds: f"{seconds:.3f} s")))


def _take(samples: npt.ArrayLike, rate_hz: int) -> ArraySound:
    """A take in memory."""
    return ArraySound(_finite(samples, (1,)), _rate(rate_hz))


def _rate(rate_hz: int) -> int:
    """A rate that can be used."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise ParameterError(f"rate_hz={rate_hz} must be inside [{LOWEST_RATE_HZ}, {HIGHEST_RATE_HZ}]")
    return rate_hz


def _finite(samples: npt.ArrayLike, dimensions: tuple[int, ...]) -> FloatArray:
    """Samples as float64, all finite, of an allowed number of dimensions."""
    sound = np.asarray(samples, dtype=np.float64)
    if sound.ndim not in dimensions:
        shapes = " or ".join(("(frames,)", "(frames, channels)")[n - 1] for n in dimensions)
        raise ParameterError(f"samples: shape {sound.shape} is not allowed; use {shapes}")
    if not np.isfinite(sound).all():
        raise ParameterError("samples: contain NaN or infinite values")
    return sound
