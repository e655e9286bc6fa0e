"""Findings about one take or two, and the verdict they add up to.

Places are seconds from the start of the take's own sound, levels dBFS. Every number behind a finding is in its details.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal[
    "clipping", "click", "rumble", "hum", "noise_floor", "dc", "dropout", "late_start", "early_end", "sample_rate",
    "bit_depth", "channels", "band_limit", "tuning", "strings", "copy", "imbalance", "high_pass",
    "mics", "placing", "comp", "offset", "wrong_notes", "talk", "repeat", "metronome", "breath", "plosive", "sibilance",
]
Verdict = Literal["OK", "review", "re-record"]
ORDER: dict[Verdict, int] = {"re-record": 0, "review": 1, "OK": 2}


@dataclass(frozen=True)
class Finding:
    """One fault, what will become of it, and what to do."""

    kind: Kind
    text: str
    advice: str
    verdict: Verdict = "review"
    at_s: float | None = None
    level_db: float | None = None
    hz: float | None = None
    details: dict[str, Any] = field(default_factory=dict)


def verdict_of(findings: Sequence[Finding]) -> Verdict:
    """The worst of them; "OK" if there are none."""
    return min((finding.verdict for finding in findings), key=ORDER.__getitem__, default="OK")


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Findings by verdict, then in order of time."""
    return sorted(findings, key=lambda f: (ORDER[f.verdict], f.kind, -1.0 if f.at_s is None else f.at_s))
