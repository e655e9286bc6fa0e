"""Findings about how a take is put together: where its files begin, its microphones, the joints of its comp."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from layerpipe.analysis.takes_compared.comp_joints import JointEvidence, joint_words
from layerpipe.analysis.takes_compared.mics import MicDistance
from layerpipe.outputs.check.finding import Finding
from layerpipe.recipe.model.recipe import TIME_REFERENCE, Check
from layerpipe.render.takes.open_takes import OpenTake
from layerpipe.render.takes.passes import CompJoint, OpenMic, OpenPass

ALIGNED_MS = 0.05
"""Two microphones this near are aligned: their first comb-filter notch is at 10 kHz."""


def placing_findings(take: OpenTake) -> list[Finding]:
    """Files that begin before the song by their time stamps, and files of one take at different rates."""
    found, rate_hz = [], take.source.rate_hz
    for one in take.passes:
        for mic in one.mics:
            before_s = -mic.place.frames / rate_hz
            if one.one.starts == TIME_REFERENCE and before_s > 0:
                found.append(Finding(
                    "placing", f"{mic.facts.path.name} begins {before_s:.3f} s before the song by its time stamp; that "
                    "part is not heard", "set an earlier [song] time_reference_s if it should be",
                    details={"before_s": before_s, "file": mic.facts.path.name}))
    mics = [mic for one in take.passes for mic in one.mics]
    if len({mic.facts.rate_hz for mic in mics}) > 1:
        converted = dict.fromkeys(f"{mic.facts.path.name} ({mic.facts.rate_hz} Hz)" for mic in mics
                                  if mic.rate_converted_from)
        found.append(Finding("sample_rate", f"its files have different sample rates; converted to {rate_hz} Hz: "
                             + ", ".join(converted), "better export them at one rate",
                             details={"rates_hz": sorted({mic.facts.rate_hz for mic in mics})}))
    return found


def mic_finding(one: OpenPass, number: int, distance: MicDistance | None, location: list[Any]) -> Finding | None:
    """Microphone `number` (from 0) of a pass against the first; None if they are aligned.

    `distance` is measured with the shifts and polarities of the recipe; `location` is the microphone's in the recipe.
    """
    mic, name = one.mics[number].mic, _mic_name(one, number)
    if distance is None:
        return Finding("mics", f"{name} is not the same performance as {_mic_name(one, 0)}, or more than 50 ms away",
                       "microphones of one take are added up; make another take or pass of it",
                       details={"location": location})
    late = abs(distance.delay_ms) > ALIGNED_MS
    if not late and not distance.is_inverted:
        return None
    shift_ms = round(mic.shift_ms - distance.delay_ms, 3) + 0.0 if late else mic.shift_ms
    inverted = mic.invert_polarity != distance.is_inverted
    words = [f"{abs(distance.delay_ms):.3f} ms {'later' if distance.delay_ms > 0 else 'earlier'}"] if late else []
    words += ["with inverted polarity"] if distance.is_inverted else []
    advice = [f"shift_ms = {shift_ms:g}"] if late else []
    advice += [f"invert_polarity = {str(inverted).lower()}"] if distance.is_inverted else []
    return Finding("mics", f"{name} is {' and '.join(words)} against {_mic_name(one, 0)}: together they sound hollow",
                   f"set {', '.join(advice)} (--write does)",
                   details={"location": location, "delay_ms": distance.delay_ms, "inverted": distance.is_inverted,
                            "agreement": distance.agreement, "shift_ms": shift_ms, "invert_polarity": inverted})


def joint_findings(take: OpenTake, joint: CompJoint, heard: JointEvidence, limits: Check, starts_s: float,
                   place_of: Callable[[float], str]) -> list[Finding]:
    """What is audible at a joint; `starts_s` is where in the song the checked sound begins."""
    at_s = joint.stop / take.source.rate_hz
    before, after = (take.passes[number].one.name for number in (joint.before, joint.after))
    where = f"edit point at {place_of(at_s - starts_s)}, pass {before} to {after}"
    advice = {"attack": f"move the edit point to {heard.better_s:.3f} (seconds)",
              "level_db": "change passes between sections, or use a pass as loud",
              "tuning_cents": "use a pass in the same tuning"}
    return [Finding("comp", f"{where}: {words}", advice[kind], at_s=at_s - starts_s, details={
        kind: getattr(heard, kind), **({"better_s": heard.better_s} if kind == "attack" else {})})
        for kind, words in joint_words(heard, limits).items()]


def _mic_name(one: OpenPass, number: int) -> str:
    """A microphone by its file, and its channel where that is needed."""
    mic: OpenMic = one.mics[number]
    return mic.facts.path.name + (f" channel {mic.mic.channel}" if mic.mic.channel else "")
