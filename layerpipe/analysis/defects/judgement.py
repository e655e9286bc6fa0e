"""What a detector's `judge` returns: a decision about evidence, with the reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Judgement:
    """Whether evidence is a defect (None: more has to be measured first), and why."""

    is_defect: bool | None
    reason: str
