"""How well the notes of two takes agree, bar by bar, and whether one string of one of them is a semitone off.

Profiles (`note_profiles`) are averaged over each bar. Their correlation is the agreement of the bar.
A string that is off leaves a gap in the spectrum where its partials should be and puts them some steps beside: what one
take has more of than the other is then a copy of what it lacks, moved by a semitone. Takes of one layer are compared
partial by partial; takes of different layers, which may play an octave apart, folded into one octave.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

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
_BARS_AT_ONCE, _ROWS_AT_ONCE = 256, 1024
"""Of float64: about 2 MB."""


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
    mine, theirs = (_pitch_classes(take) for take in (one, other))
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
    heard = _is_heard(one)[matched[0]] & _is_heard(other)[matched[1]]
    mine, theirs, bars = matched[0][heard], matched[1][heard], bars[heard]
    numbers, counts = np.unique(bars, return_counts=True)
    order, edges = np.argsort(bars, kind="stable"), np.concatenate([[0], np.cumsum(counts)])
    found = []
    for at in range(0, max(len(numbers), 1), _BARS_AT_ONCE):
        here = edges[at : at + _BARS_AT_ONCE + 1]
        rows = order[here[0] : here[-1]]
        found.append(_compare_bars(
            _by_bar(np.roll(one.profiles[mine[rows]], -PER_SEMITONE * semitones, axis=1), here - here[0]),
            _by_bar(other.profiles[theirs[rows]], here - here[0]), doubles))
    return PairNotes(numbers, *(np.concatenate(parts) for parts in zip(*found, strict=True)))


def _compare_bars(mine: FloatArray, theirs: FloatArray, doubles: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Agreement, evidence of a moved string, and agreement in other keys, from the mean profiles of some bars."""
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
    return _agreement(mine, theirs), moved, higher


def _is_heard(take: NoteProfiles) -> npt.NDArray[np.bool_]:
    """In which rows a take is not quiet."""
    power = np.concatenate([np.sum(rows**4, axis=1) for rows in _in_blocks(take)])
    loud = np.percentile(power, LOUD_PERCENTILE) if len(power) else 0.0
    heard: npt.NDArray[np.bool_] = power > loud * 10 ** (QUIET_DB / 10)
    return heard


def _pitch_classes(take: NoteProfiles) -> FloatArray:
    """The rows folded and centred, those in which the take is quiet all zeros."""
    rows = np.concatenate([_centred(_folded(rows)) for rows in _in_blocks(take)])
    rows[~_is_heard(take)] = 0
    return rows


def _in_blocks(take: NoteProfiles) -> Iterator[FloatArray]:
    """The rows of a take, some at a time, so that memory hardly grows with its length."""
    for at in range(0, max(len(take.profiles), 1), _ROWS_AT_ONCE):
        yield take.profiles[at : at + _ROWS_AT_ONCE].astype(np.float64)


def _by_bar(rows: npt.NDArray[np.float32], edges: npt.NDArray[np.int64]) -> FloatArray:
    """Mean profile of each bar, every step with the same weight; a bar's rows lie between two edges."""
    scaled = _unit(rows.astype(np.float64))
    return np.array([scaled[first:stop].mean(axis=0) for first, stop in pairwise(edges)]).reshape(-1, rows.shape[1])


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
