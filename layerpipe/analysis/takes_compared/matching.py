"""Which onsets of two takes are the same notes of the music, wherever the takes lie against each other.

All pairs of onsets up to some seconds apart are candidates. A pair is worth more the more the harmony after both onsets
and their accents agree; a chain of pairs, in order in both takes, pays for onsets it leaves out and for every change of
the distance between the takes. The best chain is found exactly, by dynamic programming over the pairs (as in dynamic
time warping: Sakoe and Chiba, IEEE Trans. ASSP 26(1), 1978; onsets take the place of frames).
Times are seconds, later is positive: a lag is the time in `one` less the time in `other`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from layerpipe.core.sound import FloatArray

IntArray = npt.NDArray[np.int64]
OTHER_LAG_S = 0.08
"""Chains that end this far apart say different things."""


@dataclass(frozen=True)
class Events:
    """Onsets of a take as they are compared.

    Attributes
    ----------
    time_s : np.ndarray [shape=(onsets,)]
        Rising.
    level_db : np.ndarray [shape=(onsets,)]
        Loudness of each, dBFS; only differences inside a take count.
    chroma : np.ndarray [shape=(onsets, 12)]
        Shares of energy, C first; a row of zeros where nothing is known.
    confidence : np.ndarray [shape=(onsets,)]
        0 to 1: how sure it is that there is an onset.
    """

    time_s: FloatArray
    level_db: FloatArray
    chroma: FloatArray
    confidence: FloatArray


@dataclass(frozen=True)
class MatchPrices:
    """What a chain of pairs gains and pays; one unit is a pair of onsets that agree in nothing but their order."""

    harmony: float = 1.6
    """For equal pitch classes; as much is lost for opposite ones. Chords decide between places that sound alike."""
    accent: float = 0.3
    """For equal accents; players accent alike, but not much."""
    accent_width_db: float = 8.0
    """Accents this far apart agree no more."""
    left_out: float = 0.45
    """For an onset without a partner. Two left out cost less than a pair at a wrong place brings."""
    jitter_s: float = 0.012
    """Change of the lag from pair to pair that players make anyway: the scatter of plucked doubles, own measurement."""
    drift: float = 0.02
    """Change of the lag for each second that passes which is still drift: the fastest that a take is asked for."""
    jump: float = 8.0
    """Most that a change of the lag costs. At 3, chains went over to the neighbouring eighth and back in songs whose
    chords stay for a bar; at 14 they stayed at a wrong lag (own measurement, 735 pairs of takes)."""
    skip: int = 3
    """Onsets that may be left out between two pairs, in each take; a longer rest is a jump."""
    distance_s: float = 0.04
    """For each second of lag: of two places that fit equally, the nearer one is meant."""


@dataclass(frozen=True)
class Matched:
    """Pairs of onsets, in order: indices into both takes, and how well the chain fits."""

    one: IntArray
    other: IntArray
    lag_s: FloatArray
    score: float
    """Mean worth of a pair after all prices, no unit; about 2 for doubles of one part, below 0.5 for strangers."""
    margin: float
    """By how much the chain is worth more than the best one that ends at another lag; no more than a jump costs."""


def match_onsets(one: Events, other: Events, *, most_lag_s: float, prices: MatchPrices | None = None) -> Matched:
    """Find which onsets of two takes belong together.

    Parameters
    ----------
    one, other : Events
    most_lag_s : float
        How far apart a pair may be.
    prices : MatchPrices, optional

    Returns
    -------
    Matched
        Empty where either take has no onsets, or none of them are near enough.
    """
    paid = prices or MatchPrices()
    count, width = len(one.time_s), len(other.time_s)
    nothing = Matched(*(np.zeros(0, np.int64),) * 2, np.zeros(0), 0.0, 0.0)
    if not count or not width:
        return nothing
    lag_s = one.time_s[:, None] - other.time_s[None, :]
    worth = _worth(one, other, lag_s, paid)
    possible = np.abs(lag_s) <= most_lag_s
    if not possible.any():
        return nothing
    total, came_from = _chains(worth, lag_s, possible, one.time_s, paid)
    # Onsets after the last pair are left out as well, but not those beyond the other take's end.
    ends = total - paid.left_out * 0.5 * np.minimum(count - 1 - np.arange(count)[:, None],
                                                    width - 1 - np.arange(width)[None, :])
    last = int(np.argmax(ends))
    rows, columns = [], []
    while last >= 0:
        i, j = divmod(last, width)
        rows.append(i)
        columns.append(j)
        last = int(came_from[i, j])
    mine, theirs = np.array(rows[::-1]), np.array(columns[::-1])
    apart = np.abs(lag_s - lag_s[mine[-1], theirs[-1]]) > OTHER_LAG_S
    margin = min(float(ends.max() - ends[apart].max(initial=-np.inf)), paid.jump)
    return Matched(mine, theirs, lag_s[mine, theirs], float(ends.max() / len(mine)), margin)


TRANSPOSED_BELOW, TRANSPOSED_GAIN = 1.9, 0.25
"""Doubles of one key reach about 2: below the first, other keys are tried, and one must be better by the second."""
KEYS_TRIED, MOST_SEMITONES = 2, 5


def match_transposed(one: Events, other: Events, *, most_lag_s: float,
                     prices: MatchPrices | None = None) -> tuple[Matched, int]:
    """Find which onsets of two takes belong together, even if one of them is played in another key.

    Parameters
    ----------
    one, other : Events
    most_lag_s : float
        How far apart a pair may be.
    prices : MatchPrices, optional

    Returns
    -------
    (Matched, int)
        And by how many semitones `one` is higher, folded into an octave, -5 to 5; 0 for takes of one key.
    """
    best, semitones = match_onsets(one, other, most_lag_s=most_lag_s, prices=prices), 0
    if best.score >= TRANSPOSED_BELOW or not len(best.one):
        return best, 0
    mine, theirs = _centred(one.chroma.sum(axis=0)[None, :]), _centred(other.chroma.sum(axis=0)[None, :])
    keys = [key for key in range(-MOST_SEMITONES, MOST_SEMITONES + 1) if key]
    alike = [float(np.sum(np.roll(mine, -key, axis=1) * theirs)) for key in keys]
    least = best.score + TRANSPOSED_GAIN
    for at in np.argsort(alike)[::-1][:KEYS_TRIED]:
        turned = replace(one, chroma=np.roll(one.chroma, -keys[at], axis=1))
        found = match_onsets(turned, other, most_lag_s=most_lag_s, prices=prices)
        if found.score > max(best.score, least):
            best, semitones = found, keys[at]
    return best, semitones


def _worth(one: Events, other: Events, lag_s: FloatArray, paid: MatchPrices) -> FloatArray:
    """What each pair brings, shape (onsets of one, onsets of other)."""
    harmony = _centred(one.chroma) @ _centred(other.chroma).T
    accents = np.abs((one.level_db - np.median(one.level_db))[:, None]
                     - (other.level_db - np.median(other.level_db))[None, :])
    accent = np.clip(1 - accents / paid.accent_width_db, -1, 1)
    worth: FloatArray = 1 + paid.harmony * harmony + paid.accent * accent - paid.distance_s * np.abs(lag_s)
    return worth


def _centred(rows: FloatArray) -> FloatArray:
    """Pitch classes so that their product is a correlation; zeros stay zeros."""
    known = rows.sum(axis=1, keepdims=True) > 0
    apart = (rows - rows.mean(axis=1, keepdims=True)) * known
    size = np.linalg.norm(apart, axis=1, keepdims=True)
    centred: FloatArray = apart / np.where(size > 0, size, 1)
    return centred


def _chains(worth: FloatArray, lag_s: FloatArray, possible: npt.NDArray[np.bool_], time_s: FloatArray,
            paid: MatchPrices) -> tuple[FloatArray, IntArray]:
    """Worth of the best chain that ends with each pair, and the pair before it (-1 at the beginning of a chain)."""
    count, width = worth.shape
    reach = paid.skip + 1
    # Bordered by pairs that are not there, so that every pair has as many before it.
    total, bordered_s = np.full((count + reach, width + reach), -np.inf), np.zeros((count + reach, width + reach))
    bordered_s[reach:, reach:] = lag_s
    came_from = np.full((count, width), -1, np.int64)
    begin = -paid.left_out * 0.5 * np.minimum(np.arange(count)[:, None], np.arange(width)[None, :])
    passed_s = time_s[:, None] - np.concatenate([np.full(reach, time_s[0]), time_s])[
        np.arange(count)[:, None] + reach - np.arange(1, reach + 1)]
    allowed_s = paid.jitter_s + paid.drift * passed_s
    left_out = paid.left_out * (np.arange(reach)[:, None] + np.arange(reach))
    # Of every pair those before it, shape (rows back, columns back), the nearest first.
    before, before_s = (np.lib.stride_tricks.sliding_window_view(one, (reach, reach))[:, :, ::-1, ::-1]
                        for one in (total, bordered_s))
    for i in range(count):
        columns = np.flatnonzero(possible[i])
        if not len(columns):
            continue
        low, high = int(columns[0]), int(columns[-1]) + 1
        change = np.abs(lag_s[i, low:high, None, None] - before_s[i, low:high]) / allowed_s[i, :, None]
        gained = before[i, low:high] - np.minimum(0.5 * change**2, paid.jump) - left_out
        gained = gained.reshape(high - low, -1)
        first = gained.argmax(axis=1)
        best = gained[np.arange(high - low), first]
        follows = best > begin[i, low:high]
        back, across = first // reach + 1, first % reach + 1
        came_from[i, low:high] = np.where(follows, (i - back) * width + np.arange(low, high) - across, -1)
        best = np.where(follows, best, begin[i, low:high])
        total[i + reach, low + reach : high + reach] = np.where(possible[i, low:high], best + worth[i, low:high],
                                                                -np.inf)
    return total[reach:, reach:], came_from
