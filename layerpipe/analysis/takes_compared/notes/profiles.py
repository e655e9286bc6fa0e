"""Which notes sound in each step of a take, finely enough to see one string a semitone off.

A profile is the spectrum of 0.4 s on a scale of third semitones, not folded into one octave: doubles of one part agree
in every partial, and a string that is a semitone off moves all of its own by three steps. Steps follow each other
without regard to onsets: of voices and in rooms few onsets are heard, and of wrong chords fewer find their partner.
Equal temperament: ISO 16. The scale: Brown, JASA 89, 1991, by maxima of a fast Fourier transform instead of kernels.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.pitch.low_band import Decimator
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.fft import next_fast_length

PER_SEMITONE = 3
LOWEST_NOTE, HIGHEST_NOTE = 45, 100
"""MIDI: 110 Hz, below which 0.4 s do not tell semitones apart, and 2637 Hz, above which little of a string is left."""
LOOK_S = STEP_S = 0.4
"""How long is listened, and how far apart: half as far makes no more sure and costs twice as much."""
LOW_RATE_HZ, HIGHEST_HZ = 8000, 2750.0
"""What the sound is reduced to first: a tuning of 50 cents and a third of a semitone more than the highest note."""
STEPS = (HIGHEST_NOTE - LOWEST_NOTE) * PER_SEMITONE
PART_ROWS = 1500
"""Steps that are in memory at a time, 10 minutes: 1 MB."""
Rows = npt.NDArray[np.float32]


@dataclass(frozen=True)
class NoteProfiles:
    """Profiles of a take.

    Attributes
    ----------
    profiles : np.ndarray [shape=(times, STEPS), float32]
        Magnitude of the partial in each third of a semitone, to the power 0.5, MIDI 45 first; rows of zeros where the
        sound ends before 0.4 s.
    """

    profiles: Rows

    def __len__(self) -> int:
        return len(self.profiles)

    def part(self, number: int, ask: Ask) -> Rows:
        """The `PART_ROWS` rows, or those that are left, of a part."""
        return self.profiles[PART_ROWS * number : PART_ROWS * (number + 1)]


@dataclass(frozen=True)
class ProfilesInParts:
    """Profiles of a take, every part of which is asked for when it is needed, so that memory does not grow with it.

    Attributes
    ----------
    sound : Sound
    tuned_cents : float
        See `note_profiles`.
    """

    sound: Sound
    tuned_cents: float

    def __len__(self) -> int:
        return len(step_times_s(self.sound))

    def part(self, number: int, ask: Ask) -> Rows:
        """The `PART_ROWS` rows, or those that are left, of a part."""
        times_s = step_times_s(self.sound)[PART_ROWS * number : PART_ROWS * (number + 1)]
        return ask(note_profiles, self.sound, times_s, self.tuned_cents).profiles


TakeProfiles = NoteProfiles | ProfilesInParts


def parts_of(take: TakeProfiles, ask: Ask) -> Iterator[Rows]:
    """All parts of the profiles of a take."""
    return (take.part(number, ask) for number in range(-(-len(take) // PART_ROWS)))


def step_times_s(sound: Sound) -> FloatArray:
    """Where each step of a sound begins, seconds in the file; steps that it ends in are left out."""
    count = int((sound.frames / sound.rate_hz - LOOK_S) / STEP_S) + 1
    return STEP_S * np.arange(max(count, 0), dtype=np.float64)


def note_profiles(sound: Sound, at_s: Sequence[float] | FloatArray, tuned_cents: float = 0.0) -> NoteProfiles:
    """Listen to the notes of a take.

    Parameters
    ----------
    sound : Sound
    at_s : sequence of float
        Where to begin to listen, seconds in the file, rising; `step_times_s` leaves nothing out.
    tuned_cents : float
        The take's own tuning against A = 440 Hz; the scale follows it.

    Returns
    -------
    NoteProfiles
    """
    decimator = Decimator(sound.rate_hz, LOW_RATE_HZ, HIGHEST_HZ)
    size = round(LOOK_S * decimator.rate_hz)
    window, first, starts = _plan(size, decimator.rate_hz, round(tuned_cents))
    rows = np.zeros((len(at_s), STEPS), np.float32)
    for n, at in enumerate(at_s):
        start = max(round(float(at) * sound.rate_hz), 0)
        stop = start + size * decimator.factor
        if stop > sound.frames:
            continue
        spectrum = np.fft.rfft(decimator.stretch(sound, start, stop) * window, next_fast_length(2 * size))
        rows[n] = np.sqrt(np.maximum.reduceat(np.abs(spectrum[first : first + starts[-1]]), starts[:-1]))
    return NoteProfiles(rows)


def hear_notes(sound: Sound, tuned_cents: float, *, ask: Ask = listen_anew) -> bool:
    """Ask for all parts of a take's profiles, which are then known; always True."""
    return all(len(rows) for rows in parts_of(ProfilesInParts(sound, tuned_cents), ask))


@functools.lru_cache(maxsize=64)
def _plan(size: int, rate_hz: float, cents: int) -> tuple[FloatArray, int, npt.NDArray[np.int64]]:
    """Window, the first bin used, and where each step begins among the bins from there on."""
    edges = LOWEST_NOTE + (np.arange(STEPS + 1) - 0.5) / PER_SEMITONE + cents / 100
    bins = np.ceil(440 * 2 ** ((edges - 69) / 12) * next_fast_length(2 * size) / rate_hz).astype(np.int64)
    return np.hanning(size), int(bins[0]), bins - bins[0]
