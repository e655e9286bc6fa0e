"""Findings between takes: two that are no double, unbalanced, or out of tune with each other; takes that do not fit."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects import copies
from layerpipe.analysis.defects.pitch import tuning
from layerpipe.analysis.takes_compared.mics import MicDistance, measure_mics
from layerpipe.audio_files.resample import ConvertedSound
from layerpipe.core.sound import Sound
from layerpipe.outputs.check.finding import Finding, Kind
from layerpipe.outputs.check.kind_words import WORDS

EXACT_COPY, MIC_CORRELATION = 0.998, 0.3
"""Correlations below 1.4 kHz: above the first two takes are one file, below the second not even one performance."""


@dataclass(frozen=True)
class TwoTakes:
    """Two takes and what is true of them together."""

    one: CheckedTake
    other: CheckedTake
    tuning_difference_cents: float | None
    similarity: copies.Similarity | None
    same_performance: bool
    loudness_difference_lu: float | None
    brightness_difference_db: float | None
    findings: list[Finding]
    of_one: list[Finding]
    of_other: list[Finding]


def compare_takes(one: CheckedTake, other: CheckedTake, *, doubles: bool = True) -> TwoTakes:
    """Compare two takes; unless they are meant as `doubles` of each other, only a copy is looked for."""
    limits = one.limits
    silent = one.is_silent or other.is_silent
    similar = None if silent else one.ask(
        copies.measure_similarity, one.sound, _at_rate(other, one.measured.rate_hz), steps=one.steps)
    mics = None
    if similar is not None and MIC_CORRELATION < abs(similar.correlation) < EXACT_COPY:
        mics = one.ask(measure_mics, one.sound, _at_rate(other, one.measured.rate_hz))
    same = mics is not None or copies.judge(similar, limits.copy_correlation).is_defect is True
    cents = None
    if one.tuning is not None and other.tuning is not None:
        # Takes of one recipe are read next to each other already.
        cents = tuning.cents_between(one.tuning.cents, other.tuning.cents)
    louder = _difference(_loudness(one), _loudness(other))
    brighter = _difference(one.brightness_db, other.brightness_db)
    pair: list[Finding] = []
    first: list[Finding] = []
    second: list[Finding] = []
    if same and similar is not None:
        found = _copy(one, other, similar) if mics is None else _second_mic(one, other, mics)
        pair.append(found)
        second.append(found)
    if doubles:
        verdict = tuning.judge(cents, limits.tuning_cents)
        if verdict.is_defect:
            pair.append(Finding("tuning", f"{other.name} is {verdict.reason} of {one.name}",
                                "tune, then re-record the one further off", details={"difference_cents": cents}))
        pair += _imbalance(one, other, louder, brighter)
        for take, double, findings in ((one, other, first), (other, one, second)):
            timing = _late_or_short(take, double)
            findings += timing
            pair += timing
    return TwoTakes(one, other, cents, similar, same, louder, brighter, pair, first, second)


def tuned_beside_each_other(takes: Sequence[CheckedTake]) -> list[CheckedTake]:
    """The takes with their tunings read next to each other: -50 cents beside -47 is not +50.

    The reading nearest to equal temperament is the one the others are read next to.
    """
    known = [take.tuning.cents for take in takes if take.tuning is not None]
    return [replace(take, tuned_beside=min(known, key=abs)) for take in takes] if known else list(takes)


def fit_together(takes: Sequence[CheckedTake]) -> dict[int, list[Finding]]:
    """Rates, depths, channels and lengths that differ from those of most takes, by the take's index."""
    found: dict[int, list[Finding]] = {}
    known = [(index, take) for index, take in enumerate(takes) if take.facts is not None]
    if len(known) < 2:
        return found

    def differs(kind: Kind, values: dict[int, object], say: str, advice: str) -> None:
        usual, count = Counter(values.values()).most_common(1)[0]
        for index, value in values.items():
            if value != usual:
                found.setdefault(index, []).append(Finding(
                    kind, say.format(value=value, usual=usual, count=count, all=len(values)),
                    advice, details={"found": value, "usual": usual}))

    facts = {index: take.facts for index, take in known if take.facts is not None}
    differs("sample_rate", {k: f.rate_hz for k, f in facts.items()},
            "{value} Hz, but {count} of {all} takes have {usual} Hz", "it will be converted; better export it again at "
            "the session's rate")
    differs("bit_depth", {k: "float" if f.bits is None else f"{f.bits} bit" for k, f in facts.items()},
            "{value}, but {count} of {all} takes are {usual}", "export it again at the session's depth")
    differs("channels", {k: f.channels for k, f in facts.items()},
            "{value} channel(s), but {count} of {all} takes have {usual}", "check that the right channel is named")
    lengths = {k: f.seconds for k, f in facts.items()}
    usual_s = float(np.median(list(lengths.values())))
    for index, seconds in lengths.items():
        if takes[index].starts_s > 0:
            # An overdub is as long as it has to be.
            continue
        if usual_s - seconds > max(takes[index].limits.early_end_s, 0.05 * usual_s) and len(lengths) > 2:
            found.setdefault(index, []).append(Finding(
                "early_end", f"the file is {seconds:.1f} s long, most are {usual_s:.1f} s",
                "check that all of it was exported", at_s=seconds,
                details={"length_s": seconds, "usual_s": usual_s}))
    return found


def between_layers(takes: Sequence[CheckedTake]) -> dict[int, list[Finding]]:
    """Takes that are out of tune with the other layers, by index."""
    found: dict[int, list[Finding]] = {}
    for index, take in enumerate(takes):
        rest = [other.tuning.cents for other in takes if other.layer != take.layer and other.tuning is not None]
        if take.tuning is None or not rest:
            continue
        off = tuning.cents_between(float(np.median(rest)), take.tuning.cents)
        verdict = tuning.judge(off, take.limits.tuning_cents)
        if verdict.is_defect:
            found[index] = [Finding("tuning", f"{verdict.reason} of the other layers",
                                   "tune, then re-record the layer further off", details={"difference_cents": off})]
    return found


def _at_rate(take: CheckedTake, rate_hz: int) -> Sound:
    """The take's sound at a rate."""
    if take.measured.rate_hz == rate_hz:
        return take.sound
    return ConvertedSound(take.sound, take.measured.frames, take.measured.rate_hz, rate_hz, channels=1)


def _loudness(take: CheckedTake) -> float | None:
    """Loudness after the take's gain."""
    return None if take.lufs is None or not math.isfinite(take.lufs) else take.lufs + take.gain_db


def _difference(one: float | None, other: float | None) -> float | None:
    """Other less one, where both are known."""
    return None if one is None or other is None else other - one


def _copy(one: CheckedTake, other: CheckedTake, similar: copies.Similarity) -> Finding:
    """Two takes that are one performance."""
    shift = f"{1000 * abs(similar.offset_s):.1f} ms {'later' if similar.offset_s > 0 else 'earlier'}, " \
        if abs(similar.offset_s) > 0.0002 else ""
    inverted = "with inverted polarity, " if similar.correlation < 0 else ""
    return Finding(
        "copy", f"{other.name} is the same performance as {one.name}: {shift}{inverted}{similar.gain_db:+.1f} dB, "
        f"correlation {abs(similar.correlation):.3f}; a copy does not widen the image", "record the part a second time",
        "re-record", details={"of": one.name, "offset_s": similar.offset_s, "gain_db": similar.gain_db,
                              "polarity": -1 if similar.correlation < 0 else 1, "correlation": similar.correlation})


def _second_mic(one: CheckedTake, other: CheckedTake, distance: MicDistance) -> Finding:
    """Two takes that are one performance through two microphones."""
    late_ms = distance.delay_ms + 1000 * (other.starts_s - one.starts_s)
    inverted = (distance.is_inverted != one.invert_polarity) != other.invert_polarity
    words = f"{abs(late_ms):.3f} ms {'later' if late_ms > 0 else 'earlier'}"
    polarity = ", invert_polarity = true" if distance.is_inverted else ""
    return Finding(
        "mics", f"{other.name} is the same performance as {one.name}, through another microphone: {words}"
        f"{' and with inverted polarity' if inverted else ''}; it widens the image less than a double does",
        f"make one take of both with mics, this one with shift_ms = {round(-distance.delay_ms, 3) + 0.0:g}"
        f"{polarity}, or line it up (--write does)",
        details={"of": one.name, "delay_ms": late_ms, "inverted": inverted, "agreement": distance.agreement})


def _imbalance(one: CheckedTake, other: CheckedTake, louder: float | None, brighter: float | None) -> list[Finding]:
    """Takes that pull the stereo image to one side."""
    limits, found = one.limits, []
    if louder is not None and abs(louder) > limits.imbalance_lu:
        name = other.name if louder > 0 else one.name
        found.append(Finding("imbalance", f"{name} is {abs(louder):.1f} LU louder: the stereo image pulls to that side",
                             "set gain_db, or re-record the weaker one as loud",
                             details={"loudness_difference_lu": louder}))
    if brighter is not None and abs(brighter) > limits.imbalance_brightness_db:
        name = other.name if brighter > 0 else one.name
        found.append(Finding(
            "imbalance", f"{name} is {abs(brighter):.1f} dB brighter (2 to 8 kHz relative to the body)",
            WORDS[one.kind.kind].same_sound,
            details={"brightness_difference_db": brighter}))
    return found


def _late_or_short(take: CheckedTake, double: CheckedTake) -> list[Finding]:
    """Whether a take starts later than its double, or ends earlier."""
    mine, its, limits = take.span_s, double.span_s, take.limits
    if mine is None or its is None:
        return []
    found = []
    late, early = mine[0] + take.starts_s - its[0] - double.starts_s, its[1] + double.starts_s - mine[1] - take.starts_s
    if take.starts_s > its[0] + double.starts_s + limits.late_start_s:
        # Its file begins later on purpose: an overdub is neither late nor has to last as long.
        return []
    if late > limits.late_start_s:
        found.append(Finding("late_start", f"{take.name} starts {late:.2f} s later than {double.name}, at "
                             f"{take.place_of(mine[0])}", "was the first bar missed? Play it again from the top",
                             at_s=mine[0], details={"late_s": late}))
    if early > limits.early_end_s:
        found.append(Finding("early_end", f"{take.name} ends {early:.2f} s earlier than {double.name}, at "
                             f"{take.place_of(mine[1])}", "let the last chord ring; re-record the ending",
                             at_s=mine[1], details={"early_s": early}))
    return found
