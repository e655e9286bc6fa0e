"""The lowest notes that are really heard, and whether the layer's strings could have given them.

A note is heard where a partial stands within 35 cents of a note of the tempered scale, in at least two windows in a
row and in a fair share of those that sound. An octave set has nothing under its lowest string; a regular set whose
lowest notes are a whole octave up has the wrong strings on or is not played on its lows. Notes are MIDI numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.defects.low_band import LowFrames
from layerpipe.core.sound import FloatArray

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
IN_TUNE_CENTS = 35.0
WEAKEST_DB = -38.0
"""A fundamental further under the loudest partial of its window is no proof of a string."""
LEAST_SHARE = 0.06
SHARPEST_BODY = 0.6
"""A body or a room peaks less than this, as a share of a steady tone's sharpness; a string that rings peaks more."""
FEWEST_WINDOWS = 8
IMPLIED_SHARE = 0.05
COMB_HZ, COMB_SHARE = 4.5, 0.25


@dataclass(frozen=True)
class LowNotes:
    """The lowest note heard, its share of the sounding windows, and the shares of every note, lowest first."""

    lowest: int
    share: float
    shares: dict[int, float]
    windows: int
    implied: int | None
    """A still lower note whose upper partials are heard, though not its fundamental."""


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


def _in_a_comb(rows: FloatArray) -> npt.NDArray[np.bool_]:
    """Which partials have a near neighbour almost as strong: a body struck over and over shows a comb of lines."""
    comb = np.zeros(len(rows), dtype=bool)
    for shift in (1, 2):
        near = (rows[shift:, 0] == rows[:-shift, 0]) & (rows[shift:, 1] - rows[:-shift, 1] < COMB_HZ)
        ratio = rows[shift:, 2] / rows[:-shift, 2]
        comb[:-shift] |= near & (ratio > COMB_SHARE)
        comb[shift:] |= near & (ratio < 1 / COMB_SHARE)
    return comb


def lowest_notes(low: LowFrames, a4_hz: float, tuning_cents: float, hum_hz: list[float]) -> LowNotes | None:
    """Say which low notes are heard; None where too little sounds.

    Parameters
    ----------
    low : LowFrames
    a4_hz, tuning_cents : float
        The take's own tuning.
    hum_hz : list of float
        Lines of the mains, which are no notes.
    """
    rows = low.partials
    if not len(rows):
        return None
    loud = float(np.percentile(low.power, 95)) * 10 ** (-25 / 10)
    sounding = low.listed & (low.power > loud)
    windows = int(np.count_nonzero(sounding))
    rows = rows[sounding[rows[:, 0].astype(int)]]
    if windows < FEWEST_WINDOWS or not len(rows):
        return None
    top = np.zeros(len(low.power))
    np.maximum.at(top, rows[:, 0].astype(int), rows[:, 2])
    level = 20 * np.log10(rows[:, 2] / top[rows[:, 0].astype(int)])
    note = 69 + 12 * np.log2(rows[:, 1] / a4_hz) - tuning_cents / 100
    kept = (rows[:, 3] > SHARPEST_BODY) & (level > WEAKEST_DB) & (np.abs(note - np.rint(note)) < IN_TUNE_CENTS / 100)
    kept &= ~_in_a_comb(rows)
    for line in hum_hz:
        kept &= np.abs(rows[:, 1] - line) > 1.2
    seen: dict[int, float] = {}
    for number in np.unique(np.rint(note[kept]).astype(int)):
        at = np.unique(rows[kept & (np.rint(note) == number), 0])
        lasting = np.count_nonzero(np.diff(at) == 1)
        if lasting / windows >= LEAST_SHARE:
            seen[int(number)] = lasting / windows
    if not seen:
        return None
    return LowNotes(min(seen), seen[min(seen)], seen, windows, _implied(rows, note, windows, min(seen)))


def _implied(rows: FloatArray, note: FloatArray, windows: int, lowest: int) -> int | None:
    """The lowest note under `lowest` whose fifth partial is heard: 14 cents flat of any note, it is nobody else's."""
    for number in range(lowest - 12, lowest):
        fifth = np.abs(note - (number + 12 * np.log2(5))) < 0.05
        if len(np.unique(rows[fifth, 0])) > IMPLIED_SHARE * windows:
            return number
    return None
