"""The true peak of many mixes of the same sounds, searched only where it can be.

Sounds are (frames, 2), full scale 1.0, silent before their first and after their last frame; gains are factors of 0 and
above; peaks are amplitudes, either side. In a short stretch no frame of a mix exceeds the sum of the sounds' highest
frames there, so that a peak found elsewhere rules most stretches out. Points between frames are those of
`dsp.peaks.true_peak`. Only points beside a frame of at least 0.7 of the peak are computed. That is a limit of this
module: a sine of a quarter of the rate may be 3.01 dB (cos(pi / 4)) higher between its frames than at them, and higher
pitches further still (ITU-R BS.1770-5, attachment to Annex 2); music has its peaks below that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from layerpipe.core.sound import FloatArray
from layerpipe.dsp.peaks.true_peak import TAPS, interpolator

_NEAR = 0.7
_STRETCH = 128
_AT_ONCE = 64
_BEFORE = TAPS // 2 - 1


class MixPeaks:
    """Peaks of mixes of these sounds, all of one length."""

    def __init__(self, sounds: Sequence[FloatArray]) -> None:
        stretches = -(-len(sounds[0]) // _STRETCH)
        padded = np.zeros((len(sounds), stretches * _STRETCH + TAPS - 1, 2))
        for sound, room in zip(sounds, padded, strict=True):
            room[_BEFORE : _BEFORE + len(sound)] = sound
        own = padded[:, _BEFORE : _BEFORE + stretches * _STRETCH]
        self._highest = np.stack([np.abs(sound).reshape(stretches, -1).max(axis=1) for sound in own])
        # Each stretch with what the interpolator reaches: shape (sounds, stretches, 2, frames).
        self._reached = np.lib.stride_tricks.sliding_window_view(padded, _STRETCH + TAPS - 1, axis=1)[:, ::_STRETCH]

    def bound(self, mix: FloatArray) -> float:
        """Upper bound of the frames of a mix, gains of shape (sounds,)."""
        return float((mix @ self._highest).max())

    def true_peak(self, mix: FloatArray, *, at_least: float = 0.0) -> float:
        """True peak of a mix, or `at_least` if that is higher.

        Parameters
        ----------
        mix : np.ndarray [shape=(sounds,), float64]
            Gains, factors of 0 and above.
        at_least : float
            The higher, the less has to be computed.
        """
        bounds = mix @ self._highest
        left = np.argsort(-bounds, kind="stable")
        peak = at_least
        taps = interpolator().taps
        for start in range(0, len(left), _AT_ONCE):
            some = left[start : start + _AT_ONCE]
            some = some[bounds[some] > _NEAR * peak]
            if not len(some):
                break
            mixed = sum(gain * reached[some] for gain, reached in zip(mix, self._reached, strict=True) if gain)
            frames = np.abs(mixed[..., _BEFORE : _BEFORE + _STRETCH + 1])
            peak = max(peak, float(frames.max()))
            stretch, side, frame = np.nonzero(np.maximum(frames[..., :-1], frames[..., 1:]) > _NEAR * peak)
            windows = mixed[stretch[:, None], side[:, None], frame[:, None] + np.arange(TAPS)]
            peak = max(peak, float(np.abs(windows @ taps).max(initial=0.0)))
        return peak
