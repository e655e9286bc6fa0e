"""What a check says: findings about one take or a pair, and the verdict they add up to.

Places are seconds from the start of the file, levels dBFS. Every number behind a finding travels with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal[
    "clipping", "click", "rumble", "hum", "noise_floor", "dc", "dropout", "late_start", "early_end", "sample_rate",
    "bit_depth", "channels", "band_limit", "tuning", "strings", "copy", "lopsided", "high_pass",
]
Verdict = Literal["fine", "look", "record again"]
ORDER: dict[Verdict, int] = {"record again": 0, "look": 1, "fine": 2}


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong, what will become of it and what to do."""

    kind: Kind
    text: str
    advice: str
    verdict: Verdict = "look"
    at_s: float | None = None
    level_db: float | None = None
    hz: float | None = None
    numbers: dict[str, Any] = field(default_factory=dict)


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """The worst of them; "fine" where there is none."""
    return min((finding.verdict for finding in findings), key=ORDER.__getitem__, default="fine")


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Findings by verdict, then in order of time."""
    return sorted(findings, key=lambda f: (ORDER[f.verdict], f.kind, -1.0 if f.at_s is None else f.at_s))
