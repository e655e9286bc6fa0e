"""The lowest notes that are played, and whether the layer's strings can have given them.

A note counts where a partial is within 35 cents of a note of the tempered scale, in two windows in a row and in a fair
share of those that sound. An octave set has nothing under its lowest string; a regular set whose lowest notes are an
octave too high has the wrong strings on, or is not played on its low strings. Notes are MIDI numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.judgement import Judgement
from layerpipe.analysis.defects.pitch.low_band import LowBand
from layerpipe.core.sound import FloatArray

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@dataclass(frozen=True)
class LowNoteLimits:
    """When a low note counts as played, and when the strings are wrong."""

    quietest_window_db: float = -25.0
    """Under the loud windows; in quieter ones a room or a body may be louder than the strings."""
    in_tune_cents: float = 35.0
    """A partial further off is not the fundamental of any note."""
    weakest_db: float = -38.0
    """A fundamental further under the loudest partial of its window does not prove a string."""
    share: float = 0.06
    """Of the sounding windows."""
    sharpness: float = 0.6
    """Share of a steady tone's. A body or a room peaks less sharply; a ringing string more."""
    windows: int = 8
    """Fewer tell nothing."""
    implied_share: float = 0.05
    """Of the windows with a fifth partial, from which a note is played although its fundamental is weak."""
    comb_hz: float = 4.5
    comb_share: float = 0.25
    """A neighbour this near and this strong: a body struck again and again has such a comb of lines."""
    hum_hz: float = 1.2
    """Partials this near to a line of the mains are hum."""
    octave: tuple[int, int] = (12, 15)
    """Semitones above the lowest string between which the lowest note suggests an octave set."""
    windows_to_miss: int = 40
    """14 s of sound; in less, a part may not touch its low strings."""


@dataclass(frozen=True)
class LowNotes:
    """The lowest note played, and the share of the sounding windows of every low note."""

    lowest: int
    shares: dict[int, float]
    windows: int
    implied: int | None
    """A still lower note whose upper partials sound, though not its fundamental."""


def judge(evidence: LowNotes | None, lowest_string: int, wrong_share: float) -> Judgement:
    """Decide whether other strings were on than the layer's.

    Parameters
    ----------
    evidence : LowNotes or None
    lowest_string : int
        MIDI number of the layer's lowest string.
    wrong_share : float
        Share of the time with notes below it from which the strings are wrong.
    """
    limits = LowNoteLimits()
    if evidence is None:
        return Judgement(False, "too little sounds")
    if sum(share for note, share in evidence.shares.items() if note < lowest_string) > wrong_share:
        return Judgement(True, "notes below the lowest string")
    low, high = limits.octave
    if (low <= evidence.lowest - lowest_string <= high and evidence.windows >= limits.windows_to_miss
            and evidence.implied is None):
        return Judgement(True, "nothing in the lowest octave")
    return Judgement(False, "the strings fit")


def number_of(name: str) -> int:
    """MIDI number of a note name such as "E2", "F#3" or "Bb2" (C4 is 60)."""
    step = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[name[0]]
    sharp = name.count("#") - name[1:].count("b")
    return 12 * (int(name[-1]) + 1) + step + sharp


def name_of(number: int) -> str:
    """Note name of a MIDI number."""
    return f"{NAMES[number % 12]}{number // 12 - 1}"


def hz_of(number: float, a4_hz: float) -> float:
    """Frequency of a MIDI number."""
    return float(a4_hz * 2 ** ((number - 69) / 12))


def lowest_notes(low: LowBand, a4_hz: float, tuning_cents: float, hum_hz: Sequence[float]) -> LowNotes | None:
    """Find the low notes that are played; None where too little sounds.

    Parameters
    ----------
    low : LowBand
    a4_hz, tuning_cents : float
        The take's own tuning.
    hum_hz : sequence of float
        Lines of the mains, which are no notes.
    """
    limits, rows = LowNoteLimits(), low.partials
    if not len(rows):
        return None
    loud = float(np.percentile(low.power, 95)) * 10 ** (limits.quietest_window_db / 10)
    sounding = low.listed & (low.power > loud)
    windows = int(np.count_nonzero(sounding))
    rows = rows[sounding[rows[:, 0].astype(int)]]
    if windows < limits.windows or not len(rows):
        return None
    top = np.zeros(len(low.power))
    np.maximum.at(top, rows[:, 0].astype(int), rows[:, 2])
    level = 20 * np.log10(rows[:, 2] / top[rows[:, 0].astype(int)])
    note = 69 + 12 * np.log2(rows[:, 1] / a4_hz) - tuning_cents / 100
    kept = ((rows[:, 3] > limits.sharpness) & (level > limits.weakest_db)
            & (np.abs(note - np.rint(note)) < limits.in_tune_cents / 100) & ~_in_a_comb(rows, limits))
    for line in hum_hz:
        kept &= np.abs(rows[:, 1] - line) > limits.hum_hz
    shares: dict[int, float] = {}
    for number in np.unique(np.rint(note[kept]).astype(int)):
        at = np.unique(rows[kept & (np.rint(note) == number), 0])
        lasting = np.count_nonzero(np.diff(at) == 1)
        if lasting / windows >= limits.share:
            shares[int(number)] = lasting / windows
    if not shares:
        return None
    return LowNotes(min(shares), shares, windows, _implied(rows, note, windows, min(shares), limits))


def _in_a_comb(rows: FloatArray, limits: LowNoteLimits) -> npt.NDArray[np.bool_]:
    """Which partials have a near neighbour almost as strong."""
    comb = np.zeros(len(rows), dtype=bool)
    for shift in (1, 2):
        near = (rows[shift:, 0] == rows[:-shift, 0]) & (rows[shift:, 1] - rows[:-shift, 1] < limits.comb_hz)
        ratio = rows[shift:, 2] / rows[:-shift, 2]
        comb[:-shift] |= near & (ratio > limits.comb_share)
        comb[shift:] |= near & (ratio < 1 / limits.comb_share)
    return comb


def _implied(rows: FloatArray, note: FloatArray, windows: int, lowest: int, limits: LowNoteLimits) -> int | None:
    """The lowest note under `lowest` whose fifth partial sounds: 14 cents flat of any note, so it is nobody else's."""
    for number in range(lowest - 12, lowest):
        fifth = np.abs(note - (number + 12 * np.log2(5))) < 0.05
        if len(np.unique(rows[fifth, 0])) > limits.implied_share * windows:
            return number
    return None
