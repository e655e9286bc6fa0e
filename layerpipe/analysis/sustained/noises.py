"""Breaths, plosives and sibilance of a voice that are louder than at the same place of its double.

Two voices at once should breathe and hiss as one: what only one of them has, or has louder, is heard at its side.
Levels are relative to the loud moments of each take, so that a soft take is not blamed. Limits: common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from layerpipe.analysis.sustained.compare import LeadComparison
from layerpipe.analysis.sustained.features import HOP_S, SustainedFeatures
from layerpipe.analysis.sustained.phrases import find_phrases, runs
from layerpipe.core.sound import FloatArray

NoiseKind = Literal["breath", "plosive", "sibilance"]


@dataclass(frozen=True)
class NoiseLimits:
    """What counts as one of these noises, and when it is louder than its double's."""

    louder_db: float = 6.0  # than in the other take, each relative to its own loud moments
    near_s: float = 0.12  # the same noise of the double is this near
    phrase_near_s: float = 1.5  # a phrase that says where its surroundings are in the other take is this near
    aperiodic: float = 0.5  # a lower periodicity is noise
    sibilance_bands: int = 7  # the highest mel bands: from 4.5 kHz on
    sibilance_share: float = 0.5  # of the power in them
    sibilance_db: float = -22.0  # softer sibilance is not worth telling
    sibilance_s: tuple[float, float] = (0.03, 0.4)
    plosive_db: float = -22.0  # below 60 Hz
    plosive_rise_db: float = 12.0  # over the usual there
    plosive_s: tuple[float, float] = (0.02, 0.25)
    breath_db: float = -38.0
    breath_over_floor_db: float = 8.0  # over what the rests usually have
    breath_s: tuple[float, float] = (0.12, 1.2)


NOISES = NoiseLimits()


@dataclass(frozen=True)
class LouderNoise:
    """A noise that is louder than in the other take.

    Attributes
    ----------
    kind : {"breath", "plosive", "sibilance"}
    at_s : float
        When it begins, in seconds of the take.
    level_db : float
        Relative to the loud moments of the take.
    louder_db : float
        Than at the same place of the other take.
    """

    kind: NoiseKind
    at_s: float
    level_db: float
    louder_db: float


def louder_noises(take: SustainedFeatures, other: SustainedFeatures, found: LeadComparison, *,
                  take_is_lead: bool) -> list[LouderNoise]:
    """Noises of a voice that are louder than at the same place of another take of the part.

    Parameters
    ----------
    take, other : SustainedFeatures
        One of them is the lead.
    found : LeadComparison
        Of the one that is not the lead.
    take_is_lead : bool
        Whether `take` is the lead.

    Returns
    -------
    list of LouderNoise
        In order of kind and time; none where it is not known how the takes lie.
    """
    told: list[LouderNoise] = []
    mine, theirs = _noise_levels(take), _noise_levels(other)
    sign = 1 if take_is_lead else -1
    near = round(NOISES.near_s / HOP_S)
    for kind, (level_db, active, (shortest_s, longest_s)) in mine.items():
        for start, stop in runs(active):
            if not shortest_s <= (stop - start) * HOP_S <= longest_s:
                continue
            late_ms = _late_ms(found, start * HOP_S, take_is_lead=take_is_lead)
            if late_ms is None:
                continue
            lag = round(sign * late_ms / 1000 / HOP_S)
            their_db = theirs[kind][0][max(start + lag - near, 0) : max(stop + lag + near, 0)]
            if not len(their_db):
                continue
            loudest_db = float(level_db[start:stop].max())
            louder_db = loudest_db - float(their_db.max())
            if louder_db > NOISES.louder_db:
                told.append(LouderNoise(kind, start * HOP_S, loudest_db, louder_db))
    return told


def _late_ms(found: LeadComparison, at_s: float, *, take_is_lead: bool) -> float | None:
    """How much later the double is near a moment, by its nearest phrase that is sure; None where none is near."""
    sure = [one for one in found.phrases if one.is_sure]
    if not sure:
        return None
    back_s = [one.late_ms / 1000 if take_is_lead else 0.0 for one in sure]
    away_s = [max(one.from_s - by_s - at_s, at_s - one.to_s + by_s, 0.0)
              for one, by_s in zip(sure, back_s, strict=True)]
    nearest = int(np.argmin(away_s))
    return sure[nearest].late_ms if away_s[nearest] < NOISES.phrase_near_s else None


def _noise_levels(
    features: SustainedFeatures,
) -> dict[NoiseKind, tuple[FloatArray, npt.NDArray[np.bool_], tuple[float, float]]]:
    """Level of each kind of noise, where it counts as one, and how long it may be."""
    loud_db = features.loud_db
    level_db = features.level_db.astype(np.float64) - loud_db
    noisy = features.periodicity < NOISES.aperiodic
    mel = features.mel.astype(np.float64)
    high = mel[:, -NOISES.sibilance_bands :].sum(axis=1) / (mel.sum(axis=1) + 1e-20)
    hiss_db = level_db + 10 * np.log10(high + 1e-6)
    low_db = features.low_db.astype(np.float64) - loud_db
    usual_db = float(np.median(low_db)) if len(low_db) else 0.0
    resting = np.ones(features.frames, bool)
    for phrase in find_phrases(features):
        resting[phrase.start : phrase.stop] = False
    floor_db = float(np.percentile(level_db[resting], 20)) if resting.any() else 0.0
    breath_db = np.where(resting & noisy, level_db, -120.0)
    return {
        "breath": (breath_db, breath_db > max(NOISES.breath_db, floor_db + NOISES.breath_over_floor_db),
                   NOISES.breath_s),
        "plosive": (low_db, low_db > max(NOISES.plosive_db, usual_db + NOISES.plosive_rise_db), NOISES.plosive_s),
        "sibilance": (hiss_db, (high > NOISES.sibilance_share) & (hiss_db > NOISES.sibilance_db), NOISES.sibilance_s)}
