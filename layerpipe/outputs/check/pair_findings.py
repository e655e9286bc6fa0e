"""What is wrong between takes: a pair that is no double, lopsided, out of tune with itself; takes that do not fit."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layerpipe.analysis.checked_take import TakeHeard
from layerpipe.analysis.defects.copies import Similarity, similarity
from layerpipe.audio_files.resample import ConvertedSound
from layerpipe.core.sound import Sound
from layerpipe.outputs.check.finding import Finding, Kind

BRIGHT_HZ, DARK_HZ = (2000.0, 8000.0), (150.0, 1500.0)


@dataclass(frozen=True)
class Pair:
    """Two takes of one layer and what is true of them together."""

    one: TakeHeard
    other: TakeHeard
    tuning_difference_cents: float | None
    like: Similarity | None
    same_performance: bool
    loudness_difference_lu: float | None
    brightness_difference_db: float | None
    findings: list[Finding]
    of_one: list[Finding]
    of_other: list[Finding]


def judge_pair(one: TakeHeard, other: TakeHeard, *, doubles: bool = True) -> Pair:
    """Compare two takes.

    Parameters
    ----------
    one, other : TakeHeard
    doubles : bool
        Whether they are meant as each other's doubles; if not, only a copy is looked for.
    """
    limits = one.limits
    silent = one.is_silent or other.is_silent
    like = None if silent else similarity(one.sound, _at_rate(other, one.heard.rate_hz), one.heard)
    same = like is not None and abs(like.correlation) > limits.copy_correlation and like.agreeing >= max(
        1, round(0.6 * like.stretches))
    cents = None
    if one.tuning is not None and other.tuning is not None:
        cents = (other.tuning.cents - one.tuning.cents + 50) % 100 - 50
    louder = _difference(_loudness(one), _loudness(other))
    brighter = _difference(_brightness(one), _brightness(other))
    pair: list[Finding] = []
    first: list[Finding] = []
    second: list[Finding] = []
    if same and like is not None:
        found = _copy(one, other, like)
        pair.append(found)
        second.append(found)
    if doubles:
        if cents is not None and abs(cents) > limits.tuning_cents:
            pair.append(Finding(
                "tuning", f"{other.name} is {abs(cents):.1f} cents {'sharp' if cents > 0 else 'flat'} of {one.name}",
                "play the worse one again, in tune", "look", None, None, None, {"difference_cents": cents}))
        pair += _lopsided(one, other, louder, brighter)
        for late, early, told in ((one, other, first), (other, one, second)):
            found_late = _late_or_short(late, early)
            told += found_late
            pair += found_late
    return Pair(one, other, cents, like, same, louder, brighter, pair, first, second)


def fit_together(takes: Sequence[TakeHeard]) -> dict[int, list[Finding]]:
    """Rates, depths, channels and lengths that differ from those of most takes, by the take's index."""
    told: dict[int, list[Finding]] = {}
    known = [(index, take) for index, take in enumerate(takes) if take.facts is not None]
    if len(known) < 2:
        return told

    def differs(kind: Kind, values: dict[int, object], say: str, advice: str) -> None:
        usual, count = Counter(values.values()).most_common(1)[0]
        for index, value in values.items():
            if value != usual:
                told.setdefault(index, []).append(Finding(
                    kind, say.format(value=value, usual=usual, count=count, all=len(values)),
                    advice, "look", None, None, None, {"found": value, "usual": usual}))

    facts = {index: take.facts for index, take in known if take.facts is not None}
    differs("sample_rate", {k: f.rate_hz for k, f in facts.items()},
            "{value} Hz, where {count} of {all} takes have {usual} Hz", "it will be converted; better export it again "
            "at the session's rate")
    differs("bit_depth", {k: "float" if f.bits is None else f"{f.bits} bit" for k, f in facts.items()},
            "{value}, where {count} of {all} takes are {usual}", "export it again at the session's depth")
    differs("channels", {k: f.channels for k, f in facts.items()},
            "{value} channel(s), where {count} of {all} takes have {usual}", "see that the right channel is named")
    lengths = {k: f.seconds for k, f in facts.items()}
    usual_s = float(np.median(list(lengths.values())))
    for index, seconds in lengths.items():
        if usual_s - seconds > max(takes[index].limits.early_end_s, 0.05 * usual_s) and len(lengths) > 2:
            told.setdefault(index, []).append(Finding(
                "early_end", f"the file is {seconds:.1f} s long, where most are {usual_s:.1f} s",
                "check that all of it was exported", "look", seconds,
                None, None, {"length_s": seconds, "usual_s": usual_s}))
    return told


def between_layers(takes: Sequence[TakeHeard]) -> dict[int, list[Finding]]:
    """Takes whose tuning is off that of the other layers, by index."""
    told: dict[int, list[Finding]] = {}
    for index, take in enumerate(takes):
        rest = [other.tuning.cents for other in takes if other.layer != take.layer and other.tuning is not None]
        if take.tuning is None or not rest:
            continue
        off = (take.tuning.cents - float(np.median(rest)) + 50) % 100 - 50
        if abs(off) > take.limits.tuning_cents:
            told[index] = [Finding(
                "tuning", f"{abs(off):.1f} cents {'sharp' if off > 0 else 'flat'} of the other layers",
                "play the layer that is further off again, in tune",
                "look", None, None, None, {"difference_cents": off})]
    return told


def _at_rate(take: TakeHeard, rate_hz: int) -> Sound:
    """The take's sound at a rate."""
    if take.heard.rate_hz == rate_hz:
        return take.sound
    return ConvertedSound(take.sound, take.heard.frames, take.heard.rate_hz, rate_hz, channels=1)


def _loudness(take: TakeHeard) -> float | None:
    """Loudness after the take's gain."""
    return None if take.lufs is None or not math.isfinite(take.lufs) else take.lufs + take.gain_db


def _brightness(take: TakeHeard) -> float | None:
    """How far 2 to 8 kHz lie over 150 Hz to 1.5 kHz, in dB."""
    hz, density = take.density
    width = np.gradient(hz)
    bright, dark = (float((density * width)[(hz > low) & (hz < high)].sum()) for low, high in (BRIGHT_HZ, DARK_HZ))
    return 10 * math.log10(bright / dark) if bright > 0 and dark > 0 else None


def _difference(one: float | None, other: float | None) -> float | None:
    """Other less one, where both are known."""
    return None if one is None or other is None else other - one


def _copy(one: TakeHeard, other: TakeHeard, like: Similarity) -> Finding:
    """The words for a pair that is one performance."""
    shift = f"{1000 * abs(like.offset_s):.1f} ms {'later' if like.offset_s > 0 else 'earlier'}, " \
        if abs(like.offset_s) > 0.0002 else ""
    flipped = "with flipped polarity, " if like.correlation < 0 else ""
    return Finding(
        "copy", f"{other.name} is the same performance as {one.name}: {shift}{flipped}{like.gain_db:+.1f} dB, "
        f"correlation {abs(like.correlation):.3f}; a copy does not widen", "play the part a second time",
        "record again", None, None, None, {"of": one.name, "offset_s": like.offset_s, "gain_db": like.gain_db,
                           "polarity": -1 if like.correlation < 0 else 1, "correlation": like.correlation})


def _lopsided(one: TakeHeard, other: TakeHeard, louder: float | None, brighter: float | None) -> list[Finding]:
    """The words for a pair that leans."""
    limits, told = one.limits, []
    if louder is not None and abs(louder) > limits.imbalance_lu:
        name = other.name if louder > 0 else one.name
        told.append(Finding("lopsided", f"{name} is {abs(louder):.1f} LU louder: the pair leans to it",
                            "set gain_db, or play the weaker one again as hard", "look", None, None, None,
                            {"loudness_difference_lu": louder}))
    if brighter is not None and abs(brighter) > limits.imbalance_brightness_db:
        name = other.name if brighter > 0 else one.name
        told.append(Finding("lopsided", f"{name} is {abs(brighter):.1f} dB brighter (2 to 8 kHz against the body)",
                            "same strings, same pick, same microphone place for both", "look", None, None, None,
                            {"brightness_difference_db": brighter}))
    return told


def _late_or_short(take: TakeHeard, partner: TakeHeard) -> list[Finding]:
    """Whether a take comes in after its partner, or is over before it."""
    mine, theirs, limits = take.span_s, partner.span_s, take.limits
    if mine is None or theirs is None:
        return []
    told = []
    late, early = mine[0] - theirs[0], theirs[1] - mine[1]
    if late > limits.late_start_s:
        told.append(Finding("late_start", f"{take.name} begins {late:.2f} s after {partner.name}, at "
                            f"{take.place_of(mine[0])}", "was the first bar missed? Play it again from the top",
                            "look", mine[0], None, None, {"late_s": late}))
    if early > limits.early_end_s:
        told.append(Finding("early_end", f"{take.name} is over {early:.2f} s before {partner.name}, at "
                            f"{take.place_of(mine[1])}", "let the last chord ring, and play the end again", "look",
                            mine[1], None, None, {"early_s": early}))
    return told
