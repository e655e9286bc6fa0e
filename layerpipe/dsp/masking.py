"""Which parts of a sound are audible over another sound: auditory bands and a simple model of masking.

Frequencies are Hz, positions on the auditory scale ERB numbers, band powers mean squares summed over both sides (a
full-scale sine on one side is 0.5).
Sources: Glasberg and Moore, Hearing Research 47 (1990), 103-138, for the bandwidths and the scale (their eq. 3 and 4);
Patterson, Nimmo-Smith, Weber and Milroy, JASA 72 (1982), 1788-1803, for the filter roex(p); Terhardt, Hearing Research
1 (1979), 155-182, for the threshold in quiet; ITU-R BS.1387 (PEAQ), ear model, for masking that lasts; the criterion of
1 dB of excitation is attributed to Zwicker (from memory).

**The model.** A sound with power S in a band one ERB wide is audible over a masker when it raises the output of
that band's auditory filter by 1 dB: S > (10^0.1 - 1) E + Q, where E is the masker's power through the filter (its
spread), decaying no faster than the ear's own ringing, and Q the threshold in quiet.
**Its limits.** The filters are those of moderate levels, alike below and above their centre: loud maskers spread
farther upwards, so at high playback levels it reports a sound as audible at slightly too low a level. Its masking
decays within some 10 ms, the ear's within up to 0.2 s: in pauses of the masker it reports too low a level too. There is
no backward masking. Both sides are summed: a sound from another direction than its masker is audible at lower levels
than reported. Tones and noise are treated alike, and so are listeners who know what to listen for. It ranks levels
well; it does not replace listening.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray

LOWEST_ERB_NUMBER = 1
HIGHEST_HZ = 16_000.0
"""Guitars have little above this, and the published bandwidths were measured up to 10 kHz only."""
NOTICED = 10**0.1 - 1
"""Share of the excitation that raises it by 1 dB: 5.87 dB below it."""
FULL_SCALE_SPL_DB = 96.0
"""Assumed playback level for the threshold in quiet: a full-scale sine at 96 dB SPL (our own choice)."""
_NOTHING = 1e-12
_LAST_S, _LAST_AT_100_HZ_S = 0.008, 0.030
STEPS_LASTING = 11
"""So many steps before a step are looked at for what they still mask."""


def erb_hz(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Equivalent rectangular bandwidth of the auditory filter, in Hz. Glasberg and Moore (1990), eq. 3."""
    width: FloatArray = 24.7 * (4.37 * np.asarray(frequency_hz, dtype=np.float64) / 1000 + 1)
    return width


def erb_number(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Position on the auditory scale, one per ERB from 0 Hz up. Glasberg and Moore (1990), eq. 4."""
    place: FloatArray = 21.4 * np.log10(4.37 * np.asarray(frequency_hz, dtype=np.float64) / 1000 + 1)
    return place


def hz_of_erb_number(place: npt.ArrayLike) -> FloatArray:
    """Frequency at an ERB number: the inverse of `erb_number`."""
    frequency: FloatArray = (10 ** (np.asarray(place, dtype=np.float64) / 21.4) - 1) / 4.37 * 1000
    return frequency


def band_edges_hz(rate_hz: int) -> FloatArray:
    """Edges of the bands, each one ERB wide, up to 16 kHz or half the rate, in Hz, shape (bands + 1,)."""
    highest = math.floor(float(erb_number(min(HIGHEST_HZ, rate_hz / 2))))
    return hz_of_erb_number(np.arange(LOWEST_ERB_NUMBER, highest + 1))


def roex(frequency_hz: npt.ArrayLike, centre_hz: npt.ArrayLike) -> FloatArray:
    """Power response of the auditory filter, 1 at its centre.

    Parameters
    ----------
    frequency_hz, centre_hz : array_like
        Broadcast against each other.

    Returns
    -------
    np.ndarray
        (1 + p g) exp(-p g), g the distance as a share of the centre, p = 4 centre / ERB: its area is one ERB.

    References
    ----------
    Patterson et al. (1982); p as in Glasberg and Moore (1990).
    """
    centre = np.asarray(centre_hz, dtype=np.float64)
    slope = 4 * centre / erb_hz(centre)
    away = slope * np.abs(np.asarray(frequency_hz, dtype=np.float64) - centre) / centre
    response: FloatArray = (1 + away) * np.exp(-away)
    return response


def spreading(edges_hz: FloatArray) -> FloatArray:
    """Power in each band to power through each band's filter.

    Parameters
    ----------
    edges_hz : np.ndarray [shape=(bands + 1,)]

    Returns
    -------
    np.ndarray [shape=(bands, bands)]
        Row i, column j: the mean response of the filter at the middle of band i over band j.
    """
    places = erb_number(edges_hz)
    points = (np.arange(32) + 0.5) / 32
    centres = hz_of_erb_number((places[1:] + places[:-1]) / 2)
    inside = edges_hz[:-1, None] + points * np.diff(edges_hz)[:, None]
    spread: FloatArray = roex(inside[None], centres[:, None, None]).mean(axis=2)
    return spread


def quiet_threshold_db(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Threshold in quiet, dB SPL. Terhardt (1979)."""
    khz = np.asarray(frequency_hz, dtype=np.float64) / 1000
    threshold: FloatArray = 3.64 * khz**-0.8 - 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4
    return threshold


def lasting(excitation: FloatArray, centres_hz: FloatArray, step_s: float) -> FloatArray:
    """Excitation with forward masking: the larger of itself and its decaying past.

    Parameters
    ----------
    excitation : np.ndarray [shape=(steps, bands)]
        Powers.
    centres_hz : np.ndarray [shape=(bands,)]
    step_s : float
        Length of a step in seconds.

    References
    ----------
    ITU-R BS.1387-1, FFT ear model, time domain spreading: one pole per band, 30 ms at 100 Hz, 8 ms towards the top.
    """
    decay = np.exp(-step_s / (_LAST_S + 100.0 / centres_hz * (_LAST_AT_100_HZ_S - _LAST_S))).astype(excitation.dtype)
    ringing = (1 - decay) * excitation
    smeared = ringing.copy()
    for later in range(1, min(STEPS_LASTING + 1, len(excitation))):
        ringing *= decay
        smeared[later:] += ringing[:-later]
    result: FloatArray = np.maximum(smeared, excitation)
    return result


def masked_thresholds(masker: FloatArray, edges_hz: FloatArray, step_s: float) -> FloatArray:
    """Power that a sound needs in each band to be audible over a masker.

    Parameters
    ----------
    masker : np.ndarray [shape=(steps, bands)]
        Power in each band and step.
    edges_hz : np.ndarray [shape=(bands + 1,)]
    step_s : float
        Length of a step in seconds.

    Returns
    -------
    np.ndarray [shape=(steps, bands)]
        Always above 0.
    """
    centres, spread, quiet = _model(tuple(edges_hz.tolist()))
    excitation = lasting(masker @ spread.astype(masker.dtype), centres, step_s)
    threshold: FloatArray = NOTICED * excitation + quiet.astype(masker.dtype)
    return threshold


@functools.cache
def _model(edges_hz: tuple[float, ...]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centres, power in each band to that in each filter, and the threshold in quiet as a power."""
    edges = np.array(edges_hz)
    places = erb_number(edges)
    centres = hz_of_erb_number((places[1:] + places[:-1]) / 2)
    quiet = 0.5 * 10 ** ((quiet_threshold_db(centres) - FULL_SCALE_SPL_DB) / 10)
    spread = spreading(edges)
    # Smaller shares have no effect, and denormal numbers are slow.
    spread[spread < _NOTHING] = 0.0
    return centres, spread.T, quiet
