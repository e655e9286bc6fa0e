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

from layerpipe.core.sound import Float32Array, FloatArray

IntArray = npt.NDArray[np.int64]
OTHER_LAG_S = 0.08
"""Chains that end this far apart say different things."""
_ROWS_AT_ONCE = 1024


@dataclass(frozen=True)
class Events:
    """Onsets of a take as they are compared.

    Attributes
    ----------
    time_s : np.ndarray [shape=(onsets,)]
        Rising.
    level_db : np.ndarray [shape=(onsets,)]
        Loudness of each, dBFS; only differences inside a take count.
    chroma : np.ndarray [shape=(onsets, 12), float32]
        Shares of energy, C first; a row of zeros where nothing is known.
    confidence : np.ndarray [shape=(onsets,)]
        0 to 1: how sure it is that there is an onset.
    """

    time_s: FloatArray
    level_db: FloatArray
    chroma: Float32Array
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
    skip: int = 9
    """Onsets that may be left out between two pairs, in each take: a layer may pause for a bar or two while another
    plays. A chain does not pass over a longer rest."""
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
    near = _Near.of(one.time_s, other.time_s, most_lag_s)
    if not near.width:
        return nothing
    total, came_from = _chains(one, other, near, paid)
    # Onsets after the last pair are left out as well, but not those beyond the other take's end.
    ends, blocks = total, [np.arange(at, min(at + _ROWS_AT_ONCE, count)) for at in range(0, count, _ROWS_AT_ONCE)]
    for here in blocks:
        ends[here] -= paid.left_out * 0.5 * np.minimum(count - 1 - here[:, None], width - 1 - near.columns(here))
    at, k = divmod(int(np.argmax(ends)), near.width)
    last_lag_s, best = one.time_s[at] - other.time_s[near.first[at] + k], float(ends[at, k])
    second = max(float(np.max(ends[here], where=np.abs(
        one.time_s[here, None] - other.time_s[near.columns(here)] - last_lag_s) > OTHER_LAG_S, initial=-np.inf))
        for here in blocks)
    rows, columns = [at], [int(near.first[at]) + k]
    while step := int(came_from[at, k]):
        back, across = divmod(step - 1, paid.skip + 1)
        at, column = at - back - 1, columns[-1] - across - 1
        k = column - int(near.first[at])
        rows.append(at)
        columns.append(column)
    mine, theirs = np.array(rows[::-1]), np.array(columns[::-1])
    return Matched(mine, theirs, one.time_s[mine] - other.time_s[theirs], best / len(mine),
                   min(best - second, paid.jump))


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
    mine, theirs = (_centred(take.chroma.sum(axis=0, dtype=np.float64)[None, :]) for take in (one, other))
    keys = [key for key in range(-MOST_SEMITONES, MOST_SEMITONES + 1) if key]
    alike = [float(np.sum(np.roll(mine, -key, axis=1) * theirs)) for key in keys]
    least = best.score + TRANSPOSED_GAIN
    for at in np.argsort(alike)[::-1][:KEYS_TRIED]:
        turned = replace(one, chroma=np.roll(one.chroma, -keys[at], axis=1))
        found = match_onsets(turned, other, most_lag_s=most_lag_s, prices=prices)
        if found.score > max(best.score, least):
            best, semitones = found, keys[at]
    return best, semitones


@dataclass(frozen=True)
class _Near:
    """The pairs that are near enough: of each onset of one take, onsets `first` to `stop` of the other.

    Arrays over them have the shape (onsets of one, width): memory grows with the song, not with its square.
    """

    first: IntArray
    stop: IntArray
    width: int
    """Most onsets that are near one; 0 if none is."""
    others: int
    """Onsets of the other take."""

    @classmethod
    def of(cls, one_s: FloatArray, other_s: FloatArray, most_lag_s: float) -> _Near:
        """Those of rising times."""
        first = np.searchsorted(other_s, one_s - most_lag_s, "left")
        stop = np.maximum(np.searchsorted(other_s, one_s + most_lag_s, "right"), first)
        return cls(first, stop, int((stop - first).max()), len(other_s))

    def columns(self, rows: IntArray) -> IntArray:
        """Onset of the other take at each place of some rows; where there is none, the nearest there is."""
        columns: IntArray = np.minimum(self.first[rows, None] + np.arange(self.width), self.others - 1)
        return columns


def _centred(rows: FloatArray | Float32Array) -> FloatArray:
    """Pitch classes so that their product is a correlation; zeros stay zeros."""
    rows = rows.astype(np.float64)
    known = rows.sum(axis=1, keepdims=True) > 0
    apart = (rows - rows.mean(axis=1, keepdims=True)) * known
    size = np.linalg.norm(apart, axis=1, keepdims=True)
    centred: FloatArray = apart / np.where(size > 0, size, 1)
    return centred


def _chains(one: Events, other: Events, near: _Near, paid: MatchPrices) -> tuple[FloatArray, npt.NDArray[np.int16]]:
    """Worth of the best chain that ends with each pair (-inf: no pair), and how far back the pair before it is.

    1 + rows between * (skip + 1) + columns between; 0 at the beginning of a chain.
    """
    count, reach = len(one.time_s), paid.skip + 1
    total = np.full((count, near.width), -np.inf)
    came_from = np.zeros((count, near.width), np.int16)
    harmonies, accents = (_centred(one.chroma), _centred(other.chroma)), [
        take.level_db - np.median(take.level_db) for take in (one, other)]
    # The last rows, the nearest first, bordered by pairs that are not there, so that every pair has as many before it.
    recent = np.full((reach, len(other.time_s) + reach), -np.inf)
    bordered_s = np.concatenate([np.full(reach, other.time_s[0]), other.time_s])
    rows_s = np.concatenate([np.full(reach, one.time_s[0]), one.time_s])
    left_out = paid.left_out * (np.arange(reach)[:, None] + np.arange(reach))
    for i in range(count):
        low, high = int(near.first[i]), int(near.stop[i])
        row = np.full(recent.shape[1], -np.inf)
        if low < high:
            lag_s = one.time_s[i] - other.time_s[low:high]
            accent = np.clip(1 - np.abs(accents[0][i] - accents[1][low:high]) / paid.accent_width_db, -1, 1)
            worth = (1 + paid.harmony * (harmonies[1][low:high] @ harmonies[0][i]) + paid.accent * accent
                     - paid.distance_s * np.abs(lag_s))
            # Of every pair those before it, shape (pairs, rows back, columns back), the nearest first.
            inside = slice(low, high + reach - 1)
            before, before_s = (np.lib.stride_tricks.sliding_window_view(whole[:, inside], reach, axis=1)[
                :, :, ::-1].transpose(1, 0, 2) for whole in (recent, bordered_s[None]))
            passed_s = rows_s[i + reach - 1 - np.arange(reach)]
            change = np.abs(lag_s[:, None, None] - (passed_s[:, None] - before_s)) / (
                paid.jitter_s + paid.drift * (one.time_s[i] - passed_s))[:, None]
            gained = (before - np.minimum(0.5 * change**2, paid.jump) - left_out).reshape(high - low, -1)
            first = gained.argmax(axis=1)
            best = gained[np.arange(high - low), first]
            begin = -paid.left_out * 0.5 * np.minimum(i, np.arange(low, high))
            follows = best > begin
            came_from[i, : high - low] = np.where(follows, first + 1, 0)
            total[i, : high - low] = row[low + reach : high + reach] = np.where(follows, best, begin) + worth
        recent = np.concatenate([row[None], recent[:-1]])
    return total, came_from
