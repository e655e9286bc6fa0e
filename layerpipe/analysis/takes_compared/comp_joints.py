"""Joints of a comp: where two passes can be joined, and whether a joint is audible.

A joint is inaudible where each attack is heard once and whole, and where both passes are as loud and in tune with each
other. Both passes are compared over the same few seconds of the song, so that the music itself makes no difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from layerpipe.analysis.defects.pitch.low_band import LowBandMeter
from layerpipe.analysis.defects.pitch.tuning import Tuning, cents_between, tuning_of
from layerpipe.analysis.onsets.detect import find_onsets
from layerpipe.core.sound import FloatArray, Sound
from layerpipe.dsp.filters import run_sections
from layerpipe.dsp.loudness.bs1770 import HOP_STEPS, STEPS_PER_S, step_start
from layerpipe.dsp.loudness.k_weighting import k_weighting
from layerpipe.recipe.model.recipe import Check
from layerpipe.render.takes.placing import Place, PlacedSound


@dataclass(frozen=True)
class JointSettings:
    """What belongs to a joint."""

    around_s: float = 8.0
    """On either side: enough notes for a tuning; the level of a section hardly changes in it."""
    context_s: float = 3.0
    """On either side of the joint for its onsets: what the detector needs to know the level around."""
    one_strum_s: float = 0.08
    """Onsets of two passes this near to each other are one strum; loose ones are 30 ms apart."""
    before_s: float = 0.004
    """A joint ends this long before an attack: the detector is right within 3 ms."""
    near_s: float = 0.25
    """A joint is moved this far at most; in a slow song that is half a beat."""


JOINT = JointSettings()


@dataclass(frozen=True)
class JointEvidence:
    """What is heard at a joint; seconds of the song.

    Attributes
    ----------
    level_db : float or None
        How much louder the incoming pass is there; None where one of them is silent.
    tuning_cents : float or None
        How much sharper the incoming pass is there; None where too little sounds.
    attack : {"", "doubled", "missing", "cut"}
        What happens to the strum at the joint; empty if it is heard once and whole.
    better_s : float
        Where the joint is better; where it is, if it is good.
    """

    level_db: float | None
    tuning_cents: float | None
    attack: str
    better_s: float


def joint_words(heard: JointEvidence, limits: Check) -> dict[str, str]:
    """What is audible at a joint, by the name of the evidence; empty if nothing is."""
    found = {}
    if heard.attack:
        found["attack"] = {"doubled": "the strum is heard twice", "missing": "the strum is missing",
                           "cut": "the crossfade is in the middle of an attack"}[heard.attack]
    if heard.level_db is not None and abs(heard.level_db) > limits.comp_level_db:
        found["level_db"] = f"the level steps by {heard.level_db:+.1f} dB"
    if heard.tuning_cents is not None and abs(heard.tuning_cents) > limits.comp_tuning_cents:
        found["tuning_cents"] = f"the tuning steps by {heard.tuning_cents:+.1f} cents"
    return found


def joint_place(outgoing_s: Sequence[float], incoming_s: Sequence[float], at_s: float) -> float:
    """The place nearest to `at_s` where a joint neither doubles nor cuts an attack: just before a strum of both passes.

    Parameters
    ----------
    outgoing_s, incoming_s : sequences of float
        Onsets of both passes, in seconds of the song.
    at_s : float

    Returns
    -------
    float
        `at_s` itself where no strum is near.
    """
    places = []
    reach_s = JOINT.near_s + JOINT.one_strum_s + JOINT.before_s
    for onset_s in (one for one in incoming_s if abs(one - at_s) <= reach_s):
        near = [other for other in outgoing_s if abs(other - onset_s) <= JOINT.one_strum_s]
        places.append(min([onset_s, *near]) - JOINT.before_s)
    near_places = [place for place in places if abs(place - at_s) <= JOINT.near_s]
    return min(near_places, key=lambda place: abs(place - at_s), default=at_s)


def judge_attack(outgoing_s: Sequence[float], incoming_s: Sequence[float], stop_s: float, crossfade_s: float) -> str:
    """What happens to the strum at a joint whose crossfade ends at `stop_s`: "", "doubled", "missing" or "cut"."""
    for onset_s in incoming_s:
        for other_s in outgoing_s:
            if abs(other_s - onset_s) <= JOINT.one_strum_s:
                if other_s < stop_s - crossfade_s / 2 and onset_s >= stop_s:
                    return "doubled"
                if other_s >= stop_s and onset_s < stop_s - crossfade_s:
                    return "missing"
        if stop_s - crossfade_s <= onset_s < stop_s:
            return "cut"
    return "cut" if any(stop_s - crossfade_s <= other_s < stop_s for other_s in outgoing_s) else ""


def measure_joint(outgoing: Sound, incoming: Sound, stop: int, crossfade_frames: int, a4_hz: float) -> JointEvidence:
    """Listen to two passes around a joint.

    Parameters
    ----------
    outgoing, incoming : Sound
        At their places in the song, with their moves.
    stop, crossfade_frames : int
        Frame of the song where the crossfade ends, and its length.
    a4_hz : float
        Pitch of the A above middle C.
    """
    rate_hz = outgoing.rate_hz
    found = [_around(sound, stop, round(JOINT.around_s * rate_hz)) for sound in (outgoing, incoming)]
    sounds = [np.ascontiguousarray(sound.read(0, sound.frames)) for sound, _ in found]
    levels = [_level_db(one, rate_hz) for one in sounds]
    tunings = [_tuning(one, rate_hz, a4_hz) for one in sounds]
    onsets = []
    for sound in (outgoing, incoming):
        near, start = _around(sound, stop, round(JOINT.context_s * rate_hz))
        onsets.append([onset.at_s + start / rate_hz for onset in find_onsets(near)])
    stop_s, crossfade_s = stop / rate_hz, crossfade_frames / rate_hz
    attack = judge_attack(onsets[0], onsets[1], stop_s, crossfade_s)
    return JointEvidence(
        None if levels[0] is None or levels[1] is None else levels[1] - levels[0],
        None if tunings[0] is None or tunings[1] is None else cents_between(tunings[0].cents, tunings[1].cents),
        attack, joint_place(onsets[0], onsets[1], stop_s) if attack else stop_s)


def _around(sound: Sound, at: int, reach: int) -> tuple[Sound, int]:
    """The sound around a frame, and the frame at which that begins."""
    start, stop = max(at - reach, 0), min(at + reach, sound.frames)
    return PlacedSound(sound, stop - start, Place(-start, 0.0)), start


def _tuning(sound: FloatArray, rate_hz: int, a4_hz: float) -> Tuning | None:
    """Tuning of a few seconds."""
    low = LowBandMeter(rate_hz)
    low.add(sound)
    return tuning_of(low.end(), a4_hz)


def _level_db(sound: FloatArray, rate_hz: int) -> float | None:
    """K-weighted level of the louder half of the whole 100 ms; None in silence."""
    weighted, _ = run_sections(k_weighting(rate_hz), sound, None)
    edges = [step_start(step, rate_hz) for step in range(0, len(sound) * STEPS_PER_S // rate_hz + 1, HOP_STEPS)]
    energy = np.sort([float(weighted[start:stop] @ weighted[start:stop]) for start, stop in pairwise(edges)])
    loud = float(np.mean(energy[len(energy) // 2 :])) if len(energy) else 0.0
    return 10 * math.log10(loud) if loud > 1e-12 else None
