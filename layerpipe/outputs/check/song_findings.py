"""Findings of a take against the other takes of its song: it is misplaced, or plays other notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.analysis.defects.repeats import find_repeats
from layerpipe.analysis.takes_compared.checked_takes import compare_checked
from layerpipe.analysis.takes_compared.entrances import late_entrance_s
from layerpipe.analysis.takes_compared.notes.compared import WrongNotes
from layerpipe.analysis.takes_compared.song_offsets import TakePlace
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.kind_words import WORDS
from layerpipe.outputs.check.sustained_findings import check_sustained
from layerpipe.outputs.check.two_takes import TwoTakes, between_layers
from layerpipe.recipe.tempo_map import TempoMap

SAME_LATENESS_S = 0.25
"""A start that is late by as much as the whole take is, within this, is not reported a second time."""


def compare_all(takes: Sequence[CheckedTake], muted: Sequence[bool], pairs: Sequence[TwoTakes],
                tempo_map: TempoMap | None) -> tuple[dict[int, list[Finding]], list[TwoTakes]]:
    """Findings of each take against all others.

    Parameters
    ----------
    takes : sequence of CheckedTake
    muted : sequence of bool
        Nothing is compared with a muted take.
    pairs : sequence of TwoTakes
    tempo_map : TempoMap, optional

    Returns
    -------
    more : dict of list of Finding
        By the index of the take: out of tune with other layers, misplaced, other notes, talk, pasted sections.
    pairs : list of TwoTakes
        The same, without late starts and early ends that only repeat that a take is misplaced as a whole.
    """
    more = between_layers(takes)
    for n, take in enumerate(takes):
        more[n] = [*more.get(n, []), *_talk(take), *_repeats(take), *metronome_findings(take)]
    if len(takes) < 2:
        return more, list(pairs)
    places, wrong = compare_checked(takes, muted, tempo_map)
    sustained = check_sustained(takes, muted, tempo_map)
    places = [sustained.places.get(n, place) for n, place in enumerate(places)]
    for n, found in sustained.findings.items():
        more[n] += found
    titles = [take.title for take in takes]
    copied = {id(take) for pair in pairs if pair.same_performance for take in (pair.one, pair.other)}
    for n, place in enumerate(places):
        # A copy, or a second microphone, is reported as one, with its delay.
        if place.kind not in ("none", "unknown") and id(takes[n]) not in copied:
            more[n].append(_offset(place, titles))
    index = {id(take): n for n, take in enumerate(takes)}
    for pair in pairs:
        n, k = index[id(pair.one)], index[id(pair.other)]
        if pair.one.layer != pair.other.layer or pair.same_performance:
            continue
        for mine, other, found in ((n, k, pair.of_one), (k, n, pair.of_other)):
            if all(finding.kind != "late_start" for finding in found):
                more[mine] += _late_entrance(takes[mine], takes[other], _later_s(mine, other, places))
    for one in wrong:
        more[int(one.take)].append(_wrong_notes(one, takes[int(one.take)], titles, tempo_map))
    lateness_s = {id(take): (place.offset_ms or 0.0) / 1000 for take, place in zip(takes, places, strict=True)
                  if place.kind in ("offset", "beat", "bar")}
    return more, [_without_repeats(pair, lateness_s) for pair in pairs]


def _without_repeats(pair: TwoTakes, lateness_s: dict[int, float]) -> TwoTakes:
    """A pair without findings that only repeat that one of its takes is misplaced."""
    late_s = lateness_s.get(id(pair.one), 0.0) - lateness_s.get(id(pair.other), 0.0)
    repeated = []
    for sign, findings in ((1, pair.of_one), (-1, pair.of_other)):
        repeated += [finding for finding in findings if late_s and (
            (finding.kind == "late_start" and abs(finding.details["late_s"] - sign * late_s) < SAME_LATENESS_S)
            or (finding.kind == "early_end" and abs(finding.details["early_s"] + sign * late_s) < SAME_LATENESS_S))]

    def kept(findings: Sequence[Finding]) -> list[Finding]:
        return [finding for finding in findings if finding not in repeated]

    return replace(pair, findings=kept(pair.findings), of_one=kept(pair.of_one), of_other=kept(pair.of_other))


def _offset(place: TakePlace, titles: Sequence[str]) -> Finding:
    """A misplaced take."""
    against = [titles[int(other)] for other in place.against]
    text = f"{place.words} against {' and '.join(against)}"
    if not place.decided:
        text += ("; nothing shows which of them has the right tempo" if place.kind in ("drift", "wobble") else
                 "; nothing shows which of them is misplaced")
    if place.kind in ("drift", "wobble"):
        advice = "layerpipe timing moves phrases if few moves suffice; otherwise re-record to the click"
    elif place.shift_ms is not None:
        advice = f"shift_ms = {place.shift_ms:g} moves the whole take; layerpipe timing --write writes it"
    else:
        advice = "set shift_ms or starts of the one that is misplaced"
    return Finding("offset", text, advice, details={
        "offset_ms": place.offset_ms, "error_ms": place.error_ms, "kind": place.kind, "whole": place.whole,
        "shift_ms": place.shift_ms, "drift_ms_per_min": place.drift_ms_per_min, "decided": place.decided,
        "against": against, "confidence": place.confidence})


def _wrong_notes(one: WrongNotes, take: CheckedTake, titles: Sequence[str], tempo_map: TempoMap | None) -> Finding:
    """Other notes than in the other takes."""
    against = [titles[int(other)] for other in one.against]
    has_bars = tempo_map is not None and tempo_map.has_grid
    where = f"in {'bars' if has_bars else 'four-second windows'} {_ranges(one.bars)}"
    by, words = "" if one.semitones is None else _interval(one.semitones), WORDS[take.kind.kind]
    if one.what == "all":
        text = f"everything is {by} than in {' and '.join(against)}"
        advice = words.other_key
    elif one.what == "string":
        text = f"{words.one_string} is {by} than in {' and '.join(against)}, {where}"
        advice = words.tune_string
    else:
        text = f"other notes than in {' and '.join(against)}, {where}" + (f": {by}" if by else "")
        advice = "check the chords there, then re-record these bars"
    if not one.decided:
        text += "; nothing shows which of them is right"
    at_s = None
    if has_bars and tempo_map is not None and one.bars and one.what != "all":
        at_s = max(tempo_map.downbeat_s(one.bars[0]) - take.starts_s, 0.0)
    return Finding("wrong_notes", text, advice, "re-record" if one.decided else "review", at_s, details={
        "semitones": one.semitones, "bars": list(one.bars), "what": one.what, "against": against,
        "decided": one.decided, "confidence": one.confidence})


def _talk(take: CheckedTake) -> list[Finding]:
    """What sounds before bar 1 and is not the song; it never condemns a take."""
    spans = take.talk_s
    if not spans:
        return []
    (first_s, _), (_, last_s) = spans[0], spans[-1]
    return [Finding("talk", f"talking or a count-in before bar 1, {take.place_of(first_s)} to {take.place_of(last_s)}",
                    "nothing has to be done to the playing; it is in the bounce unless you cut it", "OK", first_s,
                    details={"spans_s": [[round(start, 2), round(stop, 2)] for start, stop in spans]})]


def _repeats(take: CheckedTake) -> list[Finding]:
    """Sections that were pasted; that may be meant, so it never condemns a take."""
    return [Finding("repeat", f"{take.place_of(one.start_s)} to {take.place_of(one.stop_s)} is a copy of what begins "
                    f"at {take.place_of(one.of_s)}", "nothing has to be done if it was pasted on purpose", "OK",
                    one.start_s, details={"start_s": one.start_s, "stop_s": one.stop_s, "of_s": one.of_s})
            for one in take.ask(find_repeats, take.sound, power=lambda: take.steps.mid_power)]


def _later_s(n: int, k: int, places: Sequence[TakePlace]) -> float:
    """How much later one take is than another as a whole."""
    mine_ms = places[n].offset_ms or 0.0
    return (mine_ms if str(k) in places[n].against else mine_ms - (places[k].offset_ms or 0.0)) / 1000


def _late_entrance(take: CheckedTake, double: CheckedTake, offset_s: float) -> list[Finding]:
    """A first entrance that is late while the rest is in place."""
    found = late_entrance_s(take, double, offset_s)
    if found is None:
        return []
    late_s, at_s = found
    return [Finding("late_start", f"the first entrance, at {take.place_of(at_s)}, is {late_s:.2f} s later than in "
                    f"{double.title}; the rest is in place", "move it with a move in the recipe, or re-record the "
                    "beginning", at_s=at_s, details={"late_s": late_s})]


def metronome_findings(take: CheckedTake) -> list[Finding]:
    """A click track, or its bleed from headphones."""
    found = take.heard.metronome
    if found is None:
        return []
    per_minute = 60 / found.apart_s
    return [Finding(
        "metronome", f"metronome in the take, {found.level_db:.0f} dBFS, {per_minute:.4g} ticks a minute, worst at "
        f"{take.place_of(found.worst_s)}", "turn the click down in the headphones or wear closed ones; re-record what "
        "stands alone", "review", found.worst_s, found.level_db,
        details={"ticks_per_minute": round(per_minute, 4), "ticks": found.ticks, "first_s": round(found.first_s, 4)})]


def _interval(semitones: int) -> str:
    """2 semitones higher."""
    size = abs(semitones)
    return f"{size} semitone{'s' if size > 1 else ''} {'higher' if semitones > 0 else 'lower'}"


def _ranges(numbers: Sequence[int]) -> str:
    """Numbers as ranges: 3 to 6, 9."""
    starts = [n for before, n in pairwise([-9, *numbers]) if n != before + 1]
    ends = [n for n, after in pairwise([*numbers, numbers[-1] + 9]) if after != n + 1] if numbers else []
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in zip(starts, ends, strict=True))
