"""How much of what happens in a take was detected: the share of its rises in level that begin with an onset.

Where strings are plucked, nearly every rise of the level follows an onset. A dense distorted guitar or a voice rises
and falls between the few onsets that are detected; a verdict on its timing would be a guess.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.core.sound import FloatArray, Sound


@dataclass(frozen=True)
class RiseSettings:
    """Which rises count, and which onset explains them."""

    step_s: float = 0.01
    """Levels are those of two steps; a rise is the difference of two that do not overlap."""
    under_loud_db: float = 40.0
    """Below the loud moments; rises under that are noise."""
    before_s: float = 0.03
    after_s: float = 0.05
    """A rise this long before or after an onset belongs to it: a strum passes the strings in up to 45 ms."""
    block_s: float = 30.0
    piece_s: float = 1.0
    """Read at a time; a block is a number of them."""
    at_once: int = 1 << 15
    """Rises: of a long take they would need much memory."""


RISES = RiseSettings()


def explained_share(level_db: FloatArray, onsets_s: FloatArray) -> float | None:
    """Share of the rises of a take that its onsets explain, beyond what as many onsets anywhere would.

    Parameters
    ----------
    level_db : np.ndarray [shape=(levels,)]
        By `two_step_levels`.
    onsets_s : np.ndarray [shape=(onsets,)]
        Seconds, in order.

    Returns
    -------
    float or None
        1 if nothing rises but at onsets, 0 (or a little less) if onsets are where they are by chance. None for
        a silent take.
    """
    if len(level_db) < 3 or level_db.max() < -100.0:
        return None
    least_db = np.percentile(level_db, 95) - RISES.under_loud_db
    rise_db = level_db[2:] - level_db[:-2]
    np.maximum(rise_db, 0.0, out=rise_db)
    rise_db[level_db[2:] < least_db] = 0.0
    if not rise_db.any():
        return None
    if not len(onsets_s):
        return 0.0
    near, onsets = np.zeros(len(rise_db), np.bool_), np.asarray(onsets_s)
    for first in range(0, len(near), RISES.at_once):
        # Level n is that of steps n and n + 1, so rise n is at the beginning of step n + 2.
        at_s = (np.arange(first, min(first + RISES.at_once, len(near))) + 2) * RISES.step_s
        after = np.clip(np.searchsorted(onsets, at_s), 1, max(len(onsets) - 1, 1))
        since_s, until_s = at_s - onsets[after - 1], onsets[np.minimum(after, len(onsets) - 1)] - at_s
        near[first : first + RISES.at_once] = (
            (since_s >= -RISES.before_s) & (since_s <= RISES.after_s)
            | (until_s >= -RISES.after_s) & (until_s <= RISES.before_s))
    by_chance = float(near.mean())
    share = float(rise_db[near].sum() / rise_db.sum())
    return (share - by_chance) / max(1 - by_chance, 1e-9)


def explained_by(sound: Sound, span: tuple[int, int], *, onsets_s: FloatArray) -> float | None:
    """`explained_share` of a take by the onsets that were detected between two frames of it."""
    return explained_share(two_step_levels(sound), onsets_s)


def two_step_levels(sound: Sound) -> FloatArray:
    """Level in dB of every two steps, of the first difference: it weighs the attacks of strings above their basses.

    The first difference of each block is not known.
    """
    step = round(RISES.step_s * sound.rate_hz)
    piece, block = (step * round(seconds / RISES.step_s) for seconds in (RISES.piece_s, RISES.block_s))
    power, last = np.empty(sound.frames // piece * (piece // step) + sound.frames % piece // step), 0.0
    for start in range(0, sound.frames, piece):
        samples = sound.read(start, min(start + piece, sound.frames))
        changes = np.diff(samples, prepend=last)
        last = samples[-1]
        if start % block == 0:
            changes[0] = changes[1] if start and len(changes) > 1 else 0.0
        whole = len(changes) // step
        first = start // step
        power[first : first + whole] = np.mean(changes[: whole * step].reshape(whole, step) ** 2, axis=1)
    # In place, block by block: of a long take these are many.
    level: FloatArray = power[:-1]
    for first in range(0, len(level), RISES.at_once):
        level[first : first + RISES.at_once] += power[first + 1 : first + RISES.at_once + 1]
    level /= 2
    level += 1e-13
    np.log10(level, out=level)
    level *= 10
    return level
