"""How well the notes of two takes agree, bar by bar, and whether one string of one of them is a semitone off.

Profiles (`note_profiles`) are averaged over each bar. Their correlation is the agreement of the bar.
A string that is off leaves a gap in the spectrum where its partials should be and puts them some steps beside: what one
take has more of than the other is then a copy of what it lacks, moved by a semitone. Takes of one layer are compared
partial by partial; takes of different layers, which may play an octave apart, folded into one octave.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.takes_compared.notes.profiles import (
    PART_ROWS,
    PER_SEMITONE,
    STEPS,
    Rows,
    TakeProfiles,
    parts_of,
)
from layerpipe.core.listening import Ask, listen_anew
from layerpipe.core.sound import FloatArray

OCTAVE = 12 * PER_SEMITONE
STRING_SEMITONES = (-2, -1, 1, 2)
NEUTRAL_STEPS = (-8, -7, -5, -4, 4, 5, 7, 8)
"""Steps that are no whole semitones; how much is found there by chance is taken away."""
QUIET_DB, LOUD_PERCENTILE = -25.0, 95.0
"""Moments this far below the loud ones are rests, rooms and noise: nothing is compared there."""
_BARS_AT_ONCE = 256


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


def find_lag(one: TakeProfiles, other: TakeProfiles, lags: tuple[int, int], *, ask: Ask = listen_anew) -> StepLag:
    """Lay two takes beside each other by their notes alone.

    Parameters
    ----------
    one, other : NoteProfiles or ProfilesInParts
    lags : (int, int)
        The least and the most steps by which `one` may be later.
    ask : Ask, optional
        Who listens to the parts.

    Returns
    -------
    StepLag
        Of lags that agree equally well, the one at which more of both takes lies beside each other.
    """
    mine, theirs = (_pitch_classes(take, ask) for take in (one, other))
    best, found = -np.inf, StepLag(0, 0)
    for steps in range(lags[0], lags[1] + 1):
        a, b = mine[max(steps, 0) :], theirs[max(-steps, 0) :]
        both = min(len(a), len(b))
        product = a[:both].T @ b[:both]
        for semitones in range(-5, 7):
            if (agreed := float(np.trace(np.roll(product, -PER_SEMITONE * semitones, axis=0)))) > best:
                best, found = agreed, StepLag(steps, semitones)
    return found


def compare_notes(one: TakeProfiles, other: TakeProfiles, matched: tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]],
                  bars: npt.NDArray[np.int64], semitones: int, doubles: bool, *, ask: Ask = listen_anew) -> PairNotes:
    """Compare the notes of two takes.

    Parameters
    ----------
    one, other : NoteProfiles or ProfilesInParts
    matched : (np.ndarray, np.ndarray)
        Which rows of both belong together.
    bars : np.ndarray [shape=(matched,)]
        In which bar each of these rows lies.
    semitones : int
        By how much `one` is known to be higher as a whole; taken away first.
    doubles : bool
        Whether both play the same part in the same octave.
    ask : Ask, optional
        Who listens to the parts.

    Returns
    -------
    PairNotes
    """
    heard = _is_heard(one, ask)[matched[0]] & _is_heard(other, ask)[matched[1]]
    mine, theirs, bars = matched[0][heard], matched[1][heard], bars[heard]
    numbers, counts = np.unique(bars, return_counts=True)
    order, edges = np.argsort(bars, kind="stable"), np.concatenate([[0], np.cumsum(counts)])
    found, (my_parts, their_parts) = [], (_Reader(take, ask) for take in (one, other))
    for at in range(0, max(len(numbers), 1), _BARS_AT_ONCE):
        here = edges[at : at + _BARS_AT_ONCE + 1]
        rows = order[here[0] : here[-1]]
        found.append(_compare_bars(
            _by_bar(np.roll(my_parts.read(mine[rows]), -PER_SEMITONE * semitones, axis=1), here - here[0]),
            _by_bar(their_parts.read(theirs[rows]), here - here[0]), doubles))
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

    # Added one by one, so that it does not depend on how many bars are compared at once.
    chance = sum(map(copied, NEUTRAL_STEPS)) / len(NEUTRAL_STEPS)
    moved = np.stack([100 * (copied(PER_SEMITONE * by) - chance) for by in STRING_SEMITONES], axis=1)
    return _agreement(mine, theirs), moved, higher


def _is_heard(take: TakeProfiles, ask: Ask) -> npt.NDArray[np.bool_]:
    """In which rows a take is not quiet."""
    power = np.concatenate([np.zeros(0), *(np.sum(rows.astype(np.float64) ** 4, axis=1)
                                           for rows in parts_of(take, ask))])
    loud = np.percentile(power, LOUD_PERCENTILE) if len(power) else 0.0
    heard: npt.NDArray[np.bool_] = power > loud * 10 ** (QUIET_DB / 10)
    return heard


def _pitch_classes(take: TakeProfiles, ask: Ask) -> FloatArray:
    """The rows folded and centred, those in which the take is quiet all zeros."""
    rows = np.concatenate([np.zeros((0, OCTAVE)), *(_centred(_folded(rows.astype(np.float64)))
                                                    for rows in parts_of(take, ask))])
    rows[~_is_heard(take, ask)] = 0
    return rows


class _Reader:
    """Rows of a take, read from place to place; the part that was read last is in memory."""

    def __init__(self, take: TakeProfiles, ask: Ask) -> None:
        self._take, self._ask = take, ask
        self._number, self._part = -1, np.zeros((0, STEPS), np.float32)

    def read(self, rows: npt.NDArray[np.int64]) -> Rows:
        """Some rows, in any order."""
        found = np.empty((len(rows), STEPS), np.float32)
        numbers = rows // PART_ROWS
        for number in np.unique(numbers).tolist():
            if number != self._number:
                self._number, self._part = number, self._take.part(number, self._ask)
            found[numbers == number] = self._part[rows[numbers == number] % PART_ROWS]
        return found


def _by_bar(rows: Rows, edges: npt.NDArray[np.int64]) -> FloatArray:
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
