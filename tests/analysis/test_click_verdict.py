"""The verdict on a click: which evidence is one, close to every limit on both sides.

The limits are of our own making (planted clicks and clean takes), so these numbers are, too: they keep a limit from
moving unseen.
"""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from layerpipe.analysis.defects.clicks.verdict import ClickEvidence, ClickLimits, Residual, judge

PLAIN = ClickEvidence(
    at_s=1.0, width_s=1 / 6000, level_rise=1.0, new_sound=((1.0, 0.0),) * 5, over_loudest=2.0,
    residual=Residual(over_chance=3.0, over_loudest=4.0, amplitude_over_rms=12.0, amplitude_over_highest=3.0,
                      ringing=1.0),
    peak=0.01, over_db=15.0, mid_over_loudest=1.0, spread=0.1, ringing_left=1.0, onset_confidence=0.0)
CLEAR = {"over_chance": 1.04, "over_loudest": 2.0, "amplitude_over_rms": 5.0, "amplitude_over_highest": 1.2}
"""Stands out as a whole, but not as a single sample."""
TICK = {"over_chance": 0.6, "over_loudest": 1.2, "amplitude_over_rms": 6.2, "amplitude_over_highest": 1.5}
"""Stands out as a single sample only."""
DULL = {"ringing": 9.0, "amplitude_over_highest": 1.5}
"""Among ringing strings, and not a single sample."""
CERTAIN = {"over_loudest": 12.0, "over_db": 6.0}
IN_A_STRUM = {"level_rise": 9.0, "before_prediction": 16.5, "over_loudest": 27.0, "over_db": 22.0}


def rising(index: int, rise: float, left: float) -> dict[str, object]:
    sounds = [(1.0, 0.0)] * 5
    sounds[index] = (rise, left)
    return {"new_sound": tuple(sounds)}


CASES: list[tuple[str, dict[str, object], dict[str, object]]] = [
    ("level before", {"level_rise": 2.7}, {"level_rise": 3.3}),
    ("mid after", rising(0, 1.65, 0.5), rising(0, 1.95, 0.5)),
    ("upper after", rising(1, 1.33, 0.5), rising(1, 1.6, 0.5)),
    ("high after", rising(2, 1.3, 0.5), rising(2, 1.5, 0.5)),
    ("high 12 ms after", rising(3, 1.45, 0.5), rising(3, 1.75, 0.5)),
    ("high 30 ms after", rising(4, 1.25, 0.5), rising(4, 1.45, 0.5)),
    ("left behind", rising(2, 3.0, 0.18), rising(2, 3.0, 0.22)),
    ("alone before prediction", {"over_loudest": 0.44}, {"over_loudest": 0.36}),
    ("peak", {"over_db": 9.2}, {"over_db": 7.8}),
    ("clear: peak", CLEAR | {"over_db": 13.2}, CLEAR | {"over_db": 11.6}),
    ("clear: over chance", CLEAR, CLEAR | {"over_chance": 0.86}),
    ("clear: over the loudest", CLEAR, CLEAR | {"over_loudest": 1.7}),
    ("clear: in the mids", CLEAR | {"mid_over_loudest": 0.55}, CLEAR | {"mid_over_loudest": 0.45}),
    ("clear, not in the mids", CLEAR | {"mid_over_loudest": 0.1, "over_chance": 1.35},
     CLEAR | {"mid_over_loudest": 0.1, "over_chance": 1.15}),
    ("clear and long", CLEAR | {"over_loudest": 2.3, "width_s": 0.001}, CLEAR | {"width_s": 0.001}),
    ("clear: how short", CLEAR | {"width_s": 0.00034}, CLEAR | {"width_s": 0.0004}),
    ("tick: over noise", TICK, TICK | {"amplitude_over_rms": 5.6}),
    ("tick: over the highest", TICK, TICK | {"amplitude_over_highest": 1.3}),
    ("tick, not in the mids", TICK | {"amplitude_over_rms": 6.9, "mid_over_loudest": 0.1},
     TICK | {"mid_over_loudest": 0.1}),
    ("among ringing strings", DULL | {"ringing": 3.6}, DULL | {"ringing": 4.4}),
    ("alone among ringing strings", DULL | {"over_loudest": 6.4}, DULL | {"over_loudest": 5.4}),
    ("tick among ringing strings", DULL | {"amplitude_over_rms": 7.9, "amplitude_over_highest": 2.4},
     DULL | {"amplitude_over_rms": 7.9, "amplitude_over_highest": 2.0}),
    ("soft tick among ringing strings", DULL | {"amplitude_over_rms": 7.9, "amplitude_over_highest": 2.4},
     DULL | {"amplitude_over_rms": 6.7, "amplitude_over_highest": 2.4}),
    ("certain: peak", CERTAIN, CERTAIN | {"over_db": 5.0}),
    ("certain: over the loudest", CERTAIN, CERTAIN | {"over_loudest": 10.0}),
    ("spread", {"spread": 0.45}, {"spread": 0.55}),
    ("stopped strings", {"ringing_left": 0.33}, {"ringing_left": 0.27}),
    ("alone while strings stop", {"ringing_left": 0.1, "over_loudest": 6.0},
     {"ringing_left": 0.1, "over_loudest": 5.0}),
    ("tick while strings stop", {"ringing_left": 0.1, "over_loudest": 6.0, "amplitude_over_highest": 1.8},
     {"ringing_left": 0.1, "over_loudest": 6.0, "amplitude_over_highest": 1.5}),
    ("an onset here", {"onset_confidence": 0.6}, {"onset_confidence": 0.7}),
    ("an onset, but in a gap", {"onset_confidence": 0.9, "in_a_gap": True}, {"onset_confidence": 0.9}),
    ("a fairly certain onset, but alone", {"onset_confidence": 0.8, "over_loudest": 9.9},
     {"onset_confidence": 0.8, "over_loudest": 8.1}),
    ("a certain onset, though alone", {"onset_confidence": 0.85, "over_loudest": 10.0},
     {"onset_confidence": 0.97, "over_loudest": 10.0}),
    ("an onset, but too far alone", {"onset_confidence": 0.99, "over_loudest": 13.0, "over_db": 22.0},
     {"onset_confidence": 0.99, "over_loudest": 11.0, "over_db": 22.0}),
    ("in a strum: before prediction", IN_A_STRUM, IN_A_STRUM | {"before_prediction": 13.5}),
    ("in a strum: over the loudest", IN_A_STRUM, IN_A_STRUM | {"over_loudest": 23.0}),
    ("an onset, but too loud", {"onset_confidence": 0.99, "over_loudest": 13.0, "over_db": 21.5},
     {"onset_confidence": 0.99, "over_loudest": 13.0, "over_db": 18.5}),
]
"""What is a click, and what is none because of one small change."""


def evidence(changes: dict[str, object]) -> ClickEvidence:
    """The plain click, changed; `over_loudest` is that of the residual unless it is below 1."""
    of_residual = {field.name for field in fields(Residual)}
    inner = {name: value for name, value in changes.items() if name in of_residual and not (
        name == "over_loudest" and isinstance(value, float) and value < 1)}
    outer = {{"before_prediction": "over_loudest"}.get(name, name): value for name, value in changes.items()
             if name not in inner}
    assert PLAIN.residual is not None
    return replace(PLAIN, residual=replace(PLAIN.residual, **inner), **outer)  # type: ignore[arg-type]


@pytest.mark.parametrize(("click", "other"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_small_change_makes_a_click_none(click, other):
    assert judge(evidence(click), ClickLimits()).is_defect is True
    verdict = judge(evidence(other), ClickLimits())
    assert verdict.is_defect is False
    assert verdict.reason


LIMITS = [field.name for field in fields(ClickLimits) if field.name != "new_sound"]


@pytest.mark.parametrize("factor", [0.8, 1.25])
@pytest.mark.parametrize("name", LIMITS)
def test_no_limit_moves_by_a_fifth_unseen(name, factor):
    moved = replace(ClickLimits(), **{name: factor * getattr(ClickLimits(), name)})
    assert any(judge(evidence(click), moved).is_defect is not True or judge(evidence(other), moved).is_defect
               for _, click, other in CASES)


def test_what_is_missing_is_asked_for_only_if_it_decides():
    unmeasured = replace(PLAIN, residual=None)
    assert judge(unmeasured, ClickLimits()).is_defect is None
    assert judge(replace(unmeasured, level_rise=9.0), ClickLimits()).is_defect is False
    assert judge(replace(PLAIN, onset_confidence=None), ClickLimits()).is_defect is None
    assert judge(replace(PLAIN, onset_confidence=None, in_a_gap=True), ClickLimits()).is_defect is True
