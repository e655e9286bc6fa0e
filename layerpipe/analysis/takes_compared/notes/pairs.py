"""How well the notes of two takes agree, bar by bar, and whether one string of one of them is a semitone off.

Profiles (`note_profiles`) are averaged over each bar. Their correlation is the agreement of the bar.
A string that is off leaves a gap in the spectrum where its partials should be and puts them some steps beside: what one
take has more of than the other is then a copy of what it lacks, moved by a semitone. Takes of one layer are compared
partial by partial; takes of different layers, which may play an octave apart, folded into one octave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.takes_compared.notes.profiles import PER_SEMITONE, NoteProfiles
from layerpipe.core.sound import FloatArray

OCTAVE = 12 * PER_SEMITONE
STRING_SEMITONES = (-2, -1, 1, 2)
NEUTRAL_STEPS = (-8, -7, -5, -4, 4, 5, 7, 8)
"""Steps that are no whole semitones; how much is found there by chance is taken away."""
QUIET_DB, LOUD_PERCENTILE = -25.0, 95.0
"""Moments this far below the loud ones are rests, rooms and noise: nothing is compared there."""


@dataclass(frozen=True)
class PairNotes:
    """Notes of one take against another.

    Attributes
    ----------
    bars : np.ndarray [shape=(bars,)]
        In which both play.
    agreement : np.ndarray [shape=(bars,)]
        Correlation, -1 to 1; doubles reach 0.9 and more.
    moved : np.ndarray [shape=(bars, 4)]
        Evidence that a string of `one` is -2, -1, 1, 2 semitones off against `other`, in hundredths of its energy.
    higher : np.ndarray [shape=(bars, 12)]
        Correlation, folded, if `one` is taken to be -5 to 6 semitones higher.
    """

    bars: npt.NDArray[np.int64]
    agreement: FloatArray
    moved: FloatArray
    higher: FloatArray


@dataclass(frozen=True)
class StepLag:
    """Where the notes of two takes agree best: how many steps later the first is, and how many semitones higher."""

    steps: int
    semitones: int


def find_lag(one: NoteProfiles, other: NoteProfiles, lags: tuple[int, int]) -> StepLag:
    """Lay two takes beside each other by their notes alone.

    Parameters
    ----------
    one, other : NoteProfiles
    lags : (int, int)
        The least and the most steps by which `one` may be later.

    Returns
    -------
    StepLag
        Of lags that agree equally well, the one at which more of both takes lies beside each other.
    """
    mine, theirs = (_centred(_folded(_heard(take))) for take in (one, other))
    best, found = -np.inf, StepLag(0, 0)
    for steps in range(lags[0], lags[1] + 1):
        a, b = mine[max(steps, 0) :], theirs[max(-steps, 0) :]
        both = min(len(a), len(b))
        product = a[:both].T @ b[:both]
        for semitones in range(-5, 7):
            if (agreed := float(np.trace(np.roll(product, -PER_SEMITONE * semitones, axis=0)))) > best:
                best, found = agreed, StepLag(steps, semitones)
    return found


def compare_notes(one: NoteProfiles, other: NoteProfiles, matched: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]],
                  bars: npt.NDArray[np.int64], semitones: int, doubles: bool) -> PairNotes:
    """Compare the notes of two takes.

    Parameters
    ----------
    one, other : NoteProfiles
    matched : (np.ndarray, np.ndarray)
        Which rows of both belong together.
    bars : np.ndarray [shape=(matched,)]
        In which bar each of these rows lies.
    semitones : int
        By how much `one` is known to be higher as a whole; taken away first.
    doubles : bool
        Whether both play the same part in the same octave.

    Returns
    -------
    PairNotes
    """
    mine, theirs = _heard(one)[matched[0]], _heard(other)[matched[1]]
    heard = (mine.sum(axis=1) > 0) & (theirs.sum(axis=1) > 0)
    mine, theirs, bars = mine[heard], theirs[heard], bars[heard]
    mine = np.roll(mine, -PER_SEMITONE * semitones, axis=1)
    numbers = np.unique(bars)
    mine, theirs = _by_bar(mine, bars, numbers), _by_bar(theirs, bars, numbers)
    a, b = _unit(_folded(mine)), _unit(_folded(theirs))
    higher = np.stack([_agreement(np.roll(a, -PER_SEMITONE * by, axis=1), b) for by in range(-5, 7)], axis=1)
    if not doubles:
        mine, theirs = a, b
    rest = _unit(mine) - _unit(theirs)
    more, less = np.maximum(rest, 0), np.maximum(-rest, 0)

    def copied(steps: int) -> FloatArray:
        product: FloatArray = np.sum(more * np.roll(less, steps, axis=1), axis=1)
        return product

    chance = np.mean([copied(steps) for steps in NEUTRAL_STEPS], axis=0)
    moved = np.stack([100 * (copied(PER_SEMITONE * by) - chance) for by in STRING_SEMITONES], axis=1)
    return PairNotes(numbers, _agreement(mine, theirs), moved, higher)


def _heard(take: NoteProfiles) -> FloatArray:
    """The rows of a take, those in which it is quiet all zeros."""
    rows = take.profiles.astype(np.float64)
    power = np.sum(rows**4, axis=1)
    loud = np.percentile(power, LOUD_PERCENTILE) if len(power) else 0.0
    rows[power <= loud * 10 ** (QUIET_DB / 10)] = 0
    return rows


def _by_bar(rows: FloatArray, bars: npt.NDArray[np.int64], numbers: npt.NDArray[np.int64]) -> FloatArray:
    """Mean profile of each bar, every step with the same weight."""
    rows = _unit(rows)
    return np.array([rows[bars == number].mean(axis=0) for number in numbers]).reshape(-1, rows.shape[1])


def _unit(rows: FloatArray) -> FloatArray:
    scaled: FloatArray = rows / (np.linalg.norm(rows, axis=1, keepdims=True) + 1e-12)
    return scaled


def _folded(rows: FloatArray) -> FloatArray:
    """All octaves in one."""
    octaves = -(-rows.shape[1] // OCTAVE)
    padded = np.pad(rows, ((0, 0), (0, octaves * OCTAVE - rows.shape[1])))
    folded: FloatArray = padded.reshape(len(rows), octaves, OCTAVE).sum(axis=1)
    return folded


def _agreement(mine: FloatArray, theirs: FloatArray) -> FloatArray:
    """Correlation of each row."""
    product: FloatArray = np.sum(_centred(mine) * _centred(theirs), axis=1)
    return product


def _centred(rows: FloatArray) -> FloatArray:
    return _unit(rows - rows.mean(axis=1, keepdims=True))
