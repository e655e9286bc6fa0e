"""How much later each phrase of a sustained take is than the same phrase of the lead take of its layer.

Two sets of trains say it independently of each other: the changes of chroma and envelope propose, those of the
spectral envelope (rises of mel bands, "mel flux") verify. Changes of chroma for synchronising: Ewert, Mueller, Grosche,
"High resolution audio synchronization using chroma onset features", ICASSP 2009. Lags are ms and later is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.sustained.features import HOP_S, SustainedFeatures, log_mel_db
from layerpipe.analysis.sustained.phrases import Phrase, find_phrases
from layerpipe.core.sound import FloatArray


@dataclass(frozen=True)
class CompareLimits:
    """How trains are made and which lags are believed."""

    smooth_s: float = 0.035  # notes of two players begin 30 to 50 ms apart; the trains must still overlap
    coarse_s: float = 0.12  # for the lag of the whole take, in which phrases may lie apart
    loud_percentile: float = 95.0  # of the strongest chroma; only where something sounds
    level_range_db: float = 40.0
    chroma_log: float = 30.0
    chroma_weight: float = 2.0  # against the envelope: players agree more on notes than on swells
    around_s: float = 0.15  # before and after a phrase: its beginning and its end are changes too
    reach_s: float = 0.35  # how far a phrase may lie from the rest of its take
    whole_apart_s: float = 0.5  # another lag of the whole take this far away is a rival
    whole_likeness: float = 0.12  # least likeness of whole takes
    whole_margin: float = 1.25  # and how many times better than every rival
    likeness: float = 0.4  # least correlation of a phrase in both sets of trains
    agree_ms: float = 30.0  # the two sets must agree on the lag
    rival_share: float = 0.9  # another peak of a phrase as high as this share makes it doubtful
    rival_apart_ms: float = 60.0


COMPARE = CompareLimits()


@dataclass(frozen=True)
class PhraseLag:
    """Where a phrase of a take lies.

    Attributes
    ----------
    phrase : Phrase
        In frames of the take.
    late_ms : float
        How much later it is than in the lead, by chroma and envelope.
    verified_ms : float
        The same by the spectral envelope.
    likeness : float
        Correlation with the lead there, the lesser of both.
    is_sure : bool
        Whether both agree and nothing else fits as well.
    halves_ms : (float, float)
        How much later each half of it is, by both together. Of two phrases of which one is early and one late, so that
        no rest is left between them, they differ.
    """

    phrase: Phrase
    late_ms: float
    verified_ms: float
    likeness: float
    is_sure: bool
    halves_ms: tuple[float, float]

    @property
    def from_s(self) -> float:
        """When it begins."""
        return self.phrase.start * HOP_S

    @property
    def to_s(self) -> float:
        """When it ends."""
        return self.phrase.stop * HOP_S


@dataclass(frozen=True)
class LeadComparison:
    """A take against the lead: its phrases; and how much later it is as a whole, None if that is not known."""

    whole_ms: float | None
    phrases: tuple[PhraseLag, ...]


@dataclass(frozen=True)
class Trains:
    """What two takes are aligned by, one row a frame."""

    proposing: FloatArray
    verifying: FloatArray


def make_trains(features: SustainedFeatures, smooth_s: float) -> Trains:
    """Changes of a take's features, each set with a mean square of 1."""
    from scipy.ndimage import gaussian_filter1d

    def changes(values: FloatArray) -> FloatArray:
        moved: FloatArray = gaussian_filter1d(values, smooth_s / HOP_S, axis=0, order=1, mode="nearest")
        return np.asarray(moved / np.sqrt(np.mean(np.sum(moved**2, axis=1)) + 1e-20))

    level = features.level_db.astype(np.float64)
    sounding = level > features.loud_db - COMPARE.level_range_db
    level = np.maximum(level, features.loud_db - COMPARE.level_range_db)
    chroma = features.chroma.astype(np.float64)
    usual = np.percentile(chroma[sounding].max(axis=1), COMPARE.loud_percentile) + 1e-20
    rises = changes(log_mel_db(features.mel, COMPARE.level_range_db)).clip(min=0.0)
    return Trains(np.hstack([changes(level[:, None]),
                             COMPARE.chroma_weight * changes(np.log1p(COMPARE.chroma_log * chroma / usual))]),
                  rises)


def compare_with_lead(lead: SustainedFeatures, take: SustainedFeatures, *, most_lag_s: float) -> LeadComparison:
    """Find where each phrase of a take lies against the lead.

    Parameters
    ----------
    lead, take : SustainedFeatures
        Frame n of both is heard at the same moment.
    most_lag_s : float
        How far apart the takes may lie as a whole.

    Returns
    -------
    LeadComparison
    """
    phrases = find_phrases(take)
    if not phrases or not find_phrases(lead):
        return LeadComparison(None, ())
    whole = _whole_lag(make_trains(lead, COMPARE.coarse_s), make_trains(take, COMPARE.coarse_s), most_lag_s)
    if whole is None:
        return LeadComparison(None, ())
    fine = make_trains(lead, COMPARE.smooth_s), make_trains(take, COMPARE.smooth_s)
    found = tuple(_phrase_lag(*fine, phrase, whole) for phrase in phrases)
    sure = [one for one in found if one.is_sure]
    if not sure:
        return LeadComparison(None, found)
    weights = np.array([one.phrase.stop - one.phrase.start for one in sure])
    return LeadComparison(weighted_median(np.array([one.late_ms for one in sure]), weights), found)


def weighted_median(values: FloatArray, weights: FloatArray) -> float:
    """The value at which half of the weight is reached.

    Example
    -------
    >>> weighted_median(np.array([1.0, 2.0, 9.0]), np.array([1, 1, 5]))
    9.0
    """
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, reached[-1] / 2)])


def _whole_lag(lead: Trains, take: Trains, most_lag_s: float) -> int | None:
    """Lag of the whole take in frames, by both sets of trains; None if none is plainly the best."""
    import scipy.fft

    reach = round(most_lag_s / HOP_S)
    size = scipy.fft.next_fast_len(len(lead.proposing) + len(take.proposing) + reach)
    total = np.zeros(2 * reach + 1)
    for one, other in ((take.proposing, lead.proposing), (take.verifying, lead.verifying)):
        product = scipy.fft.rfft(one, size, axis=0) * np.conj(scipy.fft.rfft(other, size, axis=0))
        curve = scipy.fft.irfft(product.sum(axis=1), size)
        total += np.concatenate([curve[size - reach :], curve[: reach + 1]]) / np.sqrt(
            np.sum(one**2) * np.sum(other**2))
    best = int(np.argmax(total))
    far = np.abs(np.arange(len(total)) - best) > COMPARE.whole_apart_s / HOP_S
    rival = float(total[far].max(initial=0.0))
    is_plain = total[best] / 2 >= COMPARE.whole_likeness and total[best] >= COMPARE.whole_margin * rival
    return best - reach if is_plain else None


def likeness_curve(lead: FloatArray, take: FloatArray, span: tuple[int, int], lags: range) -> FloatArray:
    """Correlation of a span of the take with the lead, for every lag of the take in frames."""
    start, stop = span
    first, last = start - lags[-1], stop - lags[0]
    padded = np.zeros((last - first, lead.shape[1]))
    low, high = max(first, 0), min(last, len(lead))
    if low < high:
        padded[low - first : high - first] = lead[low:high]
    piece = take[start:stop]
    product = np.array([np.vdot(piece, padded[lags[-1] - lag : lags[-1] - lag + len(piece)]) for lag in lags])
    power = np.concatenate([[0.0], np.cumsum(np.sum(padded**2, axis=1))])
    theirs = np.array([power[lags[-1] - lag + len(piece)] - power[lags[-1] - lag] for lag in lags])
    curve: FloatArray = product / np.sqrt(np.sum(piece**2) * np.maximum(theirs, 0) + 1e-12)
    return curve


def _phrase_lag(lead: Trains, take: Trains, phrase: Phrase, whole: int) -> PhraseLag:
    """The lag of one phrase round that of the whole take."""
    reach, around = round(COMPARE.reach_s / HOP_S), round(COMPARE.around_s / HOP_S)
    lags = range(whole - reach, whole + reach + 1)
    span = max(phrase.start - around, 0), min(phrase.stop + around, len(take.proposing))
    proposed = likeness_curve(lead.proposing, take.proposing, span, lags)
    verified = likeness_curve(lead.verifying, take.verifying, span, lags)
    late_ms, verified_ms = (1000 * HOP_S * (lags[0] + _peak(curve)) for curve in (proposed, verified))
    likeness = float(min(proposed.max(), verified.max()))
    is_inside = min(np.argmax(proposed), np.argmax(proposed[::-1])) > 1
    is_sure = (likeness >= COMPARE.likeness and abs(late_ms - verified_ms) <= COMPARE.agree_ms and bool(is_inside)
               and not _has_rival(proposed) and not _has_rival(verified))
    middle = (span[0] + span[1]) // 2
    halves_ms = (_half_lag_ms(lead, take, (span[0], middle), lags), _half_lag_ms(lead, take, (middle, span[1]), lags))
    return PhraseLag(phrase, late_ms, verified_ms, likeness, is_sure, halves_ms)


def _half_lag_ms(lead: Trains, take: Trains, span: tuple[int, int], lags: range) -> float:
    """The lag of a part of a phrase, by both sets of trains together."""
    curve = likeness_curve(lead.proposing, take.proposing, span, lags) + likeness_curve(
        lead.verifying, take.verifying, span, lags)
    return 1000 * HOP_S * (lags[0] + _peak(curve))


def _has_rival(curve: FloatArray) -> bool:
    """Whether another peak is nearly as high."""
    best = int(np.argmax(curve))
    far = np.abs(np.arange(len(curve)) - best) * HOP_S * 1000 > COMPARE.rival_apart_ms
    middle = curve[1:-1]
    peaks = np.flatnonzero((middle >= curve[:-2]) & (middle >= curve[2:])) + 1
    return bool(np.any(far[peaks] & (curve[peaks] > COMPARE.rival_share * curve[best])))


def _peak(curve: FloatArray) -> float:
    """Where a curve is highest, between its points (parabola)."""
    best = int(np.argmax(curve))
    if not 0 < best < len(curve) - 1:
        return float(best)
    before, here, after = curve[best - 1 : best + 2]
    return best + float(0.5 * (before - after) / min(before - 2 * here + after, -1e-12))
