"""What a pass is like in every part of the song: onsets, tuning, level and faults; and two passes beside each other.

Seconds count from the start of the song, ms are later when positive, cents are sharp when positive.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.choose.spans import Span, span_at, span_of_bar
from layerpipe.analysis.defects import copies
from layerpipe.analysis.defects.noise_and_hum import judge_hum
from layerpipe.analysis.defects.pitch.low_band import SETTINGS, LowBand
from layerpipe.analysis.defects.pitch.tuning import cents_between, tuning_of
from layerpipe.analysis.defects.repeats import Repeat, find_repeats
from layerpipe.analysis.takes_compared.mics import measure_mics
from layerpipe.analysis.timing.grid.aligned import AlignedOnsets, AlignedTake, IntArray
from layerpipe.analysis.timing.tightness import differences_ms, pair_onsets
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.core.units import frames_of_s
from layerpipe.render.takes.placing import Place, PlacedSound


@dataclass(frozen=True)
class MeasureSettings:
    """How figures are taken."""

    most_ms: float = 60.0
    """A difference counts as this at most: a missed onset is no loose playing (ours)."""
    fewest: int = 4
    """Onsets of a part; fewer have no spread (as in timing)."""
    normal: float = math.sqrt(math.pi / 2)
    """Standard deviation over mean absolute deviation of a normal distribution: less disturbed by outliers than the
    square, and less by chance than the median."""
    copy_within_ms: float = 1.0
    """The detector errs in the same way on the same wave; on two performances by up to 3 ms, beside what hands do."""
    copy_share: float = 0.3
    """Of onsets that far from the usual distance: more, and the waves are compared. Doubles that are 3 ms apart have
    0.26, looser ones less; copies nearly 1."""
    copy_share_of_part: float = 0.6
    """The same in one part, where chance counts for more."""
    click_beside_s: float = 0.05
    """A drop-out clicks at its edges; it is one fault."""
    click_over_db: tuple[float, float] = (10.0, 20.0)
    """Above 3 kHz, over what sounds around: up to the first a click is masked, from the second it counts in full
    (common practice, no source)."""
    mic_correlation: tuple[float, float] = (0.3, 0.998)
    """Between these, two passes may be one performance through two microphones (the limits of check)."""


MEASURE = MeasureSettings()


@dataclass(frozen=True)
class PassFault:
    """A fault that cannot be mended; `at_s` is None where it is everywhere."""

    kind: str
    at_s: float | None
    audible: float = 1.0
    """0 to 1: how much it counts."""


@dataclass(frozen=True)
class PartMeasures:
    """A pass in one part of the song; None where too little is played."""

    onsets: int
    spread_ms: float | None
    """Against the grid, without its average offset."""
    offset_ms: float | None
    cents: float | None
    level_db: float | None
    faults: tuple[PassFault, ...]


@dataclass(frozen=True)
class MeasuredPass:
    """A pass, listened to."""

    name: str
    checked: CheckedTake
    sound: Sound
    """At its place in the song, with its moves."""
    aligned: AlignedTake
    parts: tuple[PartMeasures, ...]
    faults: tuple[PassFault, ...]
    repeats: tuple[Repeat, ...]
    """Pasted sections, in seconds of the song."""

    @property
    def cents(self) -> float | None:
        """Tuning of the whole pass."""
        return None if self.checked.tuning is None else self.checked.tuning.cents


@dataclass(frozen=True)
class PairPart:
    """Two passes in one part; the second less the first."""

    apart_ms: float | None
    """Estimated standard deviation of the distance of their onsets, a constant one included."""
    cents: float | None
    level_db: float | None
    same_performance: bool
    """A copy, be it of this part only."""


@dataclass(frozen=True)
class PairMeasures:
    """Two passes of two takes."""

    parts: tuple[PairPart, ...]
    apart_ms: float | None
    cents: float | None
    brightness_db: float | None
    same_performance: bool
    correlation: float | None
    """At one offset; None where the onsets alone show that they are two performances."""


def measure_pass(name: str, checked: CheckedTake, sound: Sound, aligned: AlignedTake,
                 spans: tuple[Span, ...]) -> MeasuredPass:
    """Measure a pass part by part."""
    faults = _faults(checked)
    by_part: list[list[PassFault]] = [[] for _ in spans]
    for fault in faults:
        if fault.kind == "click" and fault.at_s is not None and not spans[0].start_s <= fault.at_s < spans[-1].stop_s:
            # Before the first bar and after the last one a fade removes it.
            continue
        for part in range(len(spans)) if fault.at_s is None else (span_at(spans, fault.at_s),):
            by_part[part].append(fault)
    onsets, within = aligned.onsets, _spans_of(aligned.onsets, spans)
    cents = checked.ask(cents_of_parts, checked.measured.low, checked.a4_hz, checked.starts_s, spans)
    parts = []
    for part, span in enumerate(spans):
        inside = within == part
        rows = np.flatnonzero(inside & onsets.is_reliable)
        enough = len(rows) >= MEASURE.fewest
        parts.append(PartMeasures(
            int(np.count_nonzero(inside)), deviation_ms(onsets.deviation_ms[rows]) if enough else None,
            float(np.median(onsets.offset_ms[rows])) if enough else None,
            _cents(checked, cents[part]), _level_db(checked, span, part == 0, part == len(spans) - 1),
            tuple(by_part[part])))
    starts_s = checked.starts_s
    repeats = tuple(Repeat(starts_s + one.start_s, starts_s + one.stop_s, starts_s + one.of_s)
                    for one in checked.ask(find_repeats, checked.sound, power=lambda: checked.steps.mid_power))
    return MeasuredPass(name, checked, sound, aligned, tuple(parts), tuple(faults), repeats)


def compare_passes(one: MeasuredPass, other: MeasuredPass, spans: tuple[Span, ...]) -> PairMeasures:
    """Compare two passes of two takes, part by part."""
    mine, its = pair_onsets(one.aligned, other.aligned)
    late_ms = differences_ms(other.aligned.onsets, its, one.aligned.onsets, mine)
    within = _spans_of(one.aligned.onsets, spans)[mine]
    apart = [late_ms[within == part] for part in range(len(spans))]
    everything = np.concatenate(apart)
    same, correlation = _same_performance(one, other, everything)
    parts = tuple(PairPart(deviation_ms(found) if len(found) >= MEASURE.fewest else None,
                           _tuned_apart(a.cents, b.cents), _difference(a.level_db, b.level_db),
                           (same and not _differ(found, MEASURE.copy_share)) or _same_part(one, other, found, span))
                  for found, a, b, span in zip(apart, one.parts, other.parts, spans, strict=True))
    return PairMeasures(parts, deviation_ms(everything) if len(everything) >= MEASURE.fewest else None,
                        _tuned_apart(one.cents, other.cents),
                        _difference(one.checked.brightness_db, other.checked.brightness_db),
                        all(part.same_performance for part in parts), correlation)


def deviation_ms(values: Sequence[float] | FloatArray) -> float:
    """Standard deviation from zero, estimated from the mean size of the values, each of which counts up to a limit."""
    return float(MEASURE.normal * np.mean(np.minimum(np.abs(values), MEASURE.most_ms))) if len(values) else 0.0


def _spans_of(onsets: AlignedOnsets, spans: tuple[Span, ...]) -> IntArray:
    """The part of the song in which each onset is."""
    return np.array([span_of_bar(spans, bar) if known else span_at(spans, at_s) for bar, known, at_s in zip(
        onsets.points.bar.tolist(), onsets.points.known.tolist(), onsets.heard_s.tolist(), strict=True)], np.int64)


def _faults(checked: CheckedTake) -> list[PassFault]:
    """Clipping, drop-outs, clicks and hum; each with its place in the song."""
    rate_hz, starts_s = checked.measured.rate_hz, checked.starts_s
    if checked.is_silent:
        return [PassFault("silence", None)]
    found = [PassFault("drop-out", starts_s + dropout.place.start / rate_hz) for dropout in checked.dropouts]
    at_s = [fault.at_s for fault in found if fault.at_s is not None]
    low_db, high_db = MEASURE.click_over_db
    for click in checked.clicks:
        if all(abs(starts_s + click.at_s - other) > MEASURE.click_beside_s for other in at_s):
            audible = float(np.clip((click.over_db - low_db) / (high_db - low_db), 0.0, 1.0))
            found.append(PassFault("click", starts_s + click.at_s, audible))
    if checked.clipping is not None:
        found += [PassFault("clipping", starts_s + place / rate_hz) for place in checked.clipping.places]
    limits = checked.limits
    if judge_hum(checked.hum, checked.lufs, limits.hum_under_lu, limits.hum_dbfs).is_defect:
        found.append(PassFault("hum", None))
    return found


def cents_of_parts(low: LowBand, a4_hz: float, starts_s: float, spans: tuple[Span, ...]) -> list[float | None]:
    """Tuning in every part; None where too little sounds. `starts_s` is where in the song the low band begins."""
    middles_s = starts_s + np.arange(len(low.power)) * SETTINGS.hop_s + SETTINGS.window_s / 2
    parts = np.array([span_at(spans, at_s) for at_s in middles_s], dtype=np.int64)
    found = [tuning_of(_windows(low, parts == part), a4_hz) if (parts == part).any() else None
             for part in range(len(spans))]
    return [None if one is None else one.cents for one in found]


def _cents(checked: CheckedTake, cents: float | None) -> float | None:
    """Tuning in one part; that of the whole pass where too little sounds."""
    return checked.tuning.cents if cents is None and checked.tuning is not None else cents


def _windows(low: LowBand, inside: np.ndarray) -> LowBand:
    """The partials of some of the windows, which are numbered anew."""
    numbers = np.cumsum(inside) - 1
    window = low.partials[:, 0].astype(np.int64)
    partials = low.partials[inside[window]].copy() if len(window) else low.partials
    if len(partials):
        partials[:, 0] = numbers[window[inside[window]]]
    return replace(low, partials=partials, listed=low.listed[inside], power=low.power[inside])


def _level_db(checked: CheckedTake, span: Span, is_first: bool, is_last: bool) -> float | None:
    """K-weighted level of the louder half of a part; None in silence."""
    energy = checked.k_energy
    first = 0 if is_first else max(round((span.start_s - checked.starts_s) * 10), 0)
    last = len(energy) if is_last else max(round((span.stop_s - checked.starts_s) * 10), 0)
    inside = np.sort(energy[first:last])
    loud = float(np.mean(inside[len(inside) // 2 :])) if len(inside) else 0.0
    return 10 * math.log10(loud) if loud > 1e-12 else None


def _same_performance(one: MeasuredPass, other: MeasuredPass, late_ms: FloatArray) -> tuple[bool, float | None]:
    """Whether two passes are one performance, and how well their waves correlate.

    The distance of the onsets comes first, because it costs nothing; the waves are compared where it is constant, or
    where there are too few onsets to know.
    """
    if one.checked.is_silent or other.checked.is_silent:
        return False, None
    if _differ(late_ms, MEASURE.copy_share):
        return False, None
    ask = one.checked.ask
    similar = ask(copies.measure_similarity, one.checked.sound, _beside(one, other), steps=one.checked.steps)
    if similar is None:
        return False, None
    correlation = abs(similar.correlation)
    is_same = copies.judge(similar, one.checked.limits.copy_correlation).is_defect is True
    if not is_same and MEASURE.mic_correlation[0] < correlation < MEASURE.mic_correlation[1]:
        is_same = ask(measure_mics, one.sound, other.sound) is not None
    return is_same, correlation


def _same_part(one: MeasuredPass, other: MeasuredPass, late_ms: FloatArray, span: Span) -> bool:
    """Whether one part of two passes is one performance, because it was pasted from one into the other."""
    if len(late_ms) < MEASURE.fewest or _differ(late_ms, MEASURE.copy_share_of_part):
        return False
    starts_s = one.checked.starts_s
    similar = copies.measure_similarity(one.checked.sound, _beside(one, other), (
        span.start_s - starts_s, span.stop_s - starts_s), steps=one.checked.steps)
    return copies.judge(similar, one.checked.limits.copy_correlation).is_defect is True


def _differ(late_ms: FloatArray, share: float) -> bool:
    """Whether enough onsets are compared, and fewer than this share at one distance, as they are on the same wave."""
    if len(late_ms) < MEASURE.fewest:
        return False
    return float(np.mean(np.abs(late_ms - np.median(late_ms)) <= MEASURE.copy_within_ms)) < share


def _beside(one: MeasuredPass, other: MeasuredPass) -> Sound:
    """The other pass, from where the first begins."""
    start = frames_of_s(one.checked.starts_s, one.sound.rate_hz)
    return PlacedSound(other.sound, one.checked.sound.frames, Place(-start, 0.0))


def _tuned_apart(one: float | None, other: float | None) -> float | None:
    """Cents from one to the other."""
    return None if one is None or other is None else cents_between(one, other)


def _difference(one: float | None, other: float | None) -> float | None:
    """Other less one, where both are known."""
    return None if one is None or other is None else other - one
