"""A review page's content without any listening: invented findings, voices of noise and tones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from layerpipe.outputs.review.encode import (
    ListeningLevels,
    encode_voice,
    equal_gains,
    levels_of,
    outlines_of,
)
from layerpipe.outputs.review.finding import MoveEdit, ReviewFinding, ShiftEdit, needed_by
from layerpipe.outputs.review.model import ReviewItem, ReviewSong
from layerpipe.outputs.review.place import ReviewPlace
from layerpipe.outputs.review.render import PlaceSounds, PlaceVoice

RATE_HZ = 48_000
PAGE_ID = "0123456789abcdef"


def made_sounds(seed: int, *, seconds: float = 1.0, changed: bool = True, blend: bool = True) -> PlaceSounds:
    """A take that is proposed later and softer, its double, and the rest; each is noise with an attack."""
    rng = np.random.default_rng([91, seed])
    frames = round(seconds * RATE_HZ)

    def strum(at: float, channels: int = 1) -> np.ndarray:
        t = np.arange(frames) / RATE_HZ - at
        shape = np.where(t > 0, np.exp(-3 * np.clip(t, 0, None)), 0.02)
        sound = rng.standard_normal((frames, channels)) * shape[:, None] * 0.1
        return sound[:, 0] if channels == 1 else sound

    recorded = strum(0.2)
    proposed = recorded.copy()
    proposed[frames // 5 : frames // 2] = 0.5 * strum(0.23)[frames // 5 : frames // 2]
    voices = {"take": PlaceVoice(recorded, proposed if changed else None, ((1.0, 0.0), (1.0, 0.0))),
              "double": PlaceVoice(strum(0.21), None, ((0.0, 0.9), (0.0, 0.9)))}
    if blend:
        voices["rest"] = PlaceVoice(strum(0.25, 2))
    ramp = np.linspace(0.5, 1.0, frames)
    return PlaceSounds(voices, (ramp, ramp), (1.0, 1.0), ("alone", "double", *(["blend"] if blend else [])), ("left",))


def made_item(number: int, finding: ReviewFinding, sounds: PlaceSounds, needs: int | None = None) -> ReviewItem:
    """A finding with its sound."""
    frames = len(sounds.voices["take"].recorded)
    place = ReviewPlace(0, frames, ((number + 1, frames // 5),), (frames // 5, frames // 2), (frames // 5, frames // 2))
    song_lufs = {"alone": -30.0, "double": -28.0, "blend": -27.0}
    diff = ("+[[layer.take.move]]", "+by_ms = 30.0") if finding.edit else ()
    return ReviewItem(finding, place, needs, diff,
                      {name: encode_voice(voice, f"{name} {number}", RATE_HZ, 16)
                       for name, voice in sounds.voices.items()},
                      sounds.alone, levels_of(sounds), equal_gains(sounds, RATE_HZ, song_lufs, LISTENING),
                      outlines_of(sounds), "left, its double", sounds.is_changed)


LISTENING = ListeningLevels(-20.0, -1.0)


def made_review(count: int = 5, *, sounds: PlaceSounds | None = None) -> ReviewSong:
    """A shift, a move that needs it, a fault without a proposal, then moves; `sounds` are those of every finding."""
    findings = []
    for n in range(count):
        edit = (ShiftEdit("regular", "right", 40.0, "late"), MoveEdit("regular", "right", 1.0, 2.0, 30.0, "early", 5.0),
                None)[min(n, 2)] if n < 3 else MoveEdit("regular", f"take {n}", 1.0, 2.0, 30.0, "early", 5.0)
        findings.append(ReviewFinding(
            "check" if edit is None else "timing", "click" if edit is None else "move",
            "re-record" if edit is None else "edit", 30.0, "regular", f"take {n}" if n > 2 else "right", f"bar {n + 1}",
            "a click <loud> & clear" if edit is None else f"{n} ms ahead of the left take", "listen closely", 1.0, 2.0,
            edit))
    needs = needed_by(findings)
    if sounds is not None:
        one = made_item(0, findings[0], sounds)
        items = [replace(one, finding=finding, needs=need, diff=one.diff if finding.edit else ())
                 for finding, need in zip(findings, needs, strict=True)]
    else:
        items = [made_item(n, finding, made_sounds(n, changed=finding.edit is not None), needs[n])
                 for n, finding in enumerate(findings)]
    return ReviewSong("Salt Road", "Ines Halloran", RATE_HZ, PAGE_ID, tuple(items))
