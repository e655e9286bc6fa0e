"""What plays in a take: plucked or struck strings, whose notes decay, or a voice, a bowed string or a wind, which hold.

Two questions, each a logistic regression on a few measurements. Does the sound last? Plucked notes rise faster than
they fall, decay between onsets and keep their pitch. If it lasts: a voice slides most in pitch and changes its vowels,
a wind holds its pitch best. Fitted to 63 takes: the sampled instruments that are marked as tuned on, plain and in a
room, the project's own strums, one singer and two spoken voices; `tests.bench.bench_kinds` says how it does on others.
Plucked and struck are not told apart: both are compared by onsets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from layerpipe.analysis.sustained.features import HOP_S, SustainedFeatures
from layerpipe.core.sound import FloatArray
from layerpipe.recipe.model.takes import Kind

LASTING: tuple[Kind, ...] = ("voice", "bowed", "wind")


@dataclass(frozen=True)
class KindModel:
    """The two regressions; weights by measurement, in the order of `KindEvidence`."""

    under_loud_db: float = 25.0  # softer moments are not looked at: they are rests, rooms and noise
    shortest_s: float = 8.0  # a take that sounds for less shows too few notes
    note_frames: tuple[int, ...] = (32, 16)  # pitch motion is measured in notes this long; where there are none, as in
    # speech, in shorter ones
    fewest_short: int = 6  # chords show one or two by chance
    least_odds: float = 0.8  # below it, a take counts as plucked: what is heard of plucked strings must not change
    lasts: tuple[float, ...] = (1.112, 9.292, 3.737, -12.195, -1.308, -0.998)
    lasts_base: float = -5.6
    which: tuple[tuple[float, ...], ...] = ((2.179, -0.320, 1.952), (0.585, 1.119, -2.760), (-2.764, -0.799, 0.808))
    which_base: tuple[float, ...] = (-5.163, 2.826, 2.337)


KIND_MODEL = KindModel()


@dataclass(frozen=True)
class HeardKind:
    """What plays in a layer.

    Attributes
    ----------
    kind : {"plucked", "struck", "voice", "bowed", "wind"}
    is_heard : bool
        Whether it was found by listening; otherwise the recipe says so.
    odds : float
        0 to 1, of what was heard.
    """

    kind: Kind
    is_heard: bool = False
    odds: float = 1.0

    @property
    def is_sustained(self) -> bool:
        """Whether takes are compared by phrases."""
        return self.kind in LASTING

    @property
    def words(self) -> str:
        """"heard as bowed", or "bowed" if the recipe says so."""
        return f"heard as {self.kind}" if self.is_heard else self.kind


UNHEARD = HeardKind("plucked")


def recognise(takes: Sequence[SustainedFeatures]) -> HeardKind:
    """Find out what plays in the takes of one layer.

    Parameters
    ----------
    takes : sequence of SustainedFeatures
        Of excerpts of some seconds.

    Returns
    -------
    HeardKind
        "plucked" unless the sound plainly lasts.
    """
    rows = [row for features in takes if (row := kind_evidence(features)) is not None]
    if not rows:
        return HeardKind("plucked", True, 0.5)
    evidence = np.mean(rows, axis=0)
    model = KIND_MODEL
    lasting = float(1 / (1 + np.exp(-(evidence[:6] @ np.array(model.lasts) + model.lasts_base))))
    if lasting < model.least_odds:
        return HeardKind("plucked", True, 1 - lasting)
    scores = np.array(model.which) @ evidence[6:] + np.array(model.which_base)
    odds = np.exp(scores - scores.max())
    best = int(np.argmax(odds))
    return HeardKind(LASTING[best], True, lasting * float(odds[best] / odds.sum()))


def kind_evidence(features: SustainedFeatures) -> FloatArray | None:
    """Measurements that tell kinds apart; None where too little sounds.

    Returns
    -------
    np.ndarray [shape=(9,)] or None
        For "does it last": slope of the level (10 dB/s), periodicity, log of the pitch motion inside notes (cents),
        share of the time that decays, steepest falls and rises of the level (10 dB in 30 ms). For "which": log of the
        mean step of the pitch (cents in 10 ms), third coefficient of the mel cepstrum (5 dB), its spread (2 dB).
    """
    level_db = features.level_db.astype(np.float64)
    sounding = level_db > features.loud_db - KIND_MODEL.under_loud_db
    if features.loud_db < -80.0 or np.count_nonzero(sounding) * HOP_S < KIND_MODEL.shortest_s:
        return None
    steps = level_db[3:] - level_db[:-3]
    steps = np.sort(np.where(np.maximum(level_db[3:], level_db[:-3]) > features.loud_db - KIND_MODEL.under_loud_db,
                             steps, 0.0))
    few = max(len(steps) // 50, 1)
    slopes = (level_db[10:] - level_db[:-10])[sounding[:-10] & sounding[10:]] / (10 * HOP_S)
    slope = float(np.median(slopes)) if len(slopes) else 0.0
    decays = float(np.mean((slopes < -3) & (slopes > -60))) if len(slopes) else 0.0
    cents = 1200 * np.log2(features.f0_hz.astype(np.float64))
    pitched = (features.periodicity > 0.8) & sounding
    moved = np.abs(np.diff(cents))[pitched[1:]]
    moved = moved[moved < 80]
    third, spread = _third_cepstrum(features, sounding)
    return np.array([
        np.clip(slope, -25, 10) / 10, np.median(features.periodicity[sounding]),
        np.log1p(_motion_in_notes(cents, pitched)), decays, np.clip(-steps[:few].mean(), 0, 15) / 10,
        np.clip(steps[-few:].mean(), 8, 25) / 10, np.log1p(moved.mean() if len(moved) > 20 else 0.0), third / 5,
        spread / 2])


def _motion_in_notes(cents: FloatArray, pitched: np.ndarray) -> float:
    """Median over notes of how far the pitch moves round a parabola: vibrato, slides."""
    breaks = ~pitched | (np.abs(np.diff(cents, prepend=cents[:1])) >= 60)
    edges = [0, *np.flatnonzero(breaks), len(cents)]
    notes = [(start if pitched[start : start + 1].any() else start + 1, stop) for start, stop in pairwise(edges)]
    for least, fewest in zip(KIND_MODEL.note_frames, (1, KIND_MODEL.fewest_short), strict=True):
        found = []
        for first, stop in notes:
            if stop - first >= least:
                t = np.arange(stop - first)
                found.append(float(np.std(cents[first:stop] - np.polyval(np.polyfit(t, cents[first:stop], 2), t))))
        if len(found) >= fewest:
            return float(np.median(found))
    return 0.0


def _third_cepstrum(features: SustainedFeatures, sounding: np.ndarray) -> tuple[float, float]:
    """Mean and spread over the frames of the third cosine of the mel spectrum in dB.

    Where the bands of a voice are strong differs from strings and winds, and it moves with vowels.
    """
    mel = 10 * np.log10(features.mel[sounding].astype(np.float64) + 1e-12)
    mel = np.maximum(mel, mel.max() - 70)
    bands = mel.shape[1]
    third = mel @ np.cos(np.pi * 3 * (np.arange(bands) + 0.5) / bands) * (2 / bands)
    return float(third.mean()), float(third.std())
