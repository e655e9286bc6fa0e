"""The JSON document of a check: every verdict, every finding, and every number behind them."""

from __future__ import annotations

from typing import Any

from msgspec import to_builtins

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.core.units import db_of_gain
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.report import Report, TakeReport
from layerpipe.outputs.check.string_findings import corners_of
from layerpipe.outputs.check.two_takes import TwoTakes


def document_of(report: Report) -> dict[str, Any]:
    """What `--json` prints: takes worst first, then pairs."""
    return {"takes": [_take(one) for one in report.worst_first], "pairs": [_pair(pair) for pair in report.pairs],
            "limits": to_builtins(report.takes[0].take.limits) if report.takes else {}}


def _take(one: TakeReport) -> dict[str, Any]:
    """One take."""
    take, measured, tuning = one.take, one.take.measured, one.take.tuning
    return {
        "layer": take.layer, "take": take.name, "file": take.file, "channel": take.channel, "verdict": one.verdict,
        "kind": take.kind.kind, "kind_heard": take.kind.is_heard,
        "tuning_cents": None if tuning is None else tuning.cents,
        "faults": [_finding(finding, take) for finding in one.findings],
        "measured": {
            "seconds": measured.seconds, "rate_hz": measured.rate_hz, "peak_dbfs": db_of_gain(measured.peak),
            "loudness_lufs": take.lufs,
            "tuning": None if tuning is None else {
                "cents": tuning.cents, "error_cents": tuning.error_cents, "agreement": tuning.agreement,
                "partials": tuning.partials, "drift_cents": tuning.drift_cents},
            "noise_dbfs": None if take.noise is None else take.noise.level_db,
            "noise_lufs": None if take.noise is None else take.noise.lufs,
            "gaps_s": [[start / measured.rate_hz, stop / measured.rate_hz] for start, stop in take.gaps[:100]],
            "playing_s": take.span_s, "bits_used": measured.bits_used, "high_passes": corners_of(take),
        },
    }


def _finding(finding: Finding, take: CheckedTake) -> dict[str, Any]:
    """One finding; places are those of the take."""
    details = finding.details
    named: dict[str, Any] = {key: details[key] for key in ("semitones", "bars", "offset_ms") if key in details}
    return {"kind": finding.kind, "at_s": finding.at_s, "level_db": finding.level_db, "hz": finding.hz,
            "text": finding.text, "advice": finding.advice, "verdict": finding.verdict,
            "place": None if finding.at_s is None else take.place_of(finding.at_s), "details": details,
            **named}


def _pair(pair: TwoTakes) -> dict[str, Any]:
    """Two takes compared."""
    similar = pair.similarity
    return {
        "layer": pair.one.layer, "takes": [pair.one.name, pair.other.name],
        "tuning_difference_cents": pair.tuning_difference_cents, "same_performance": pair.same_performance,
        "faults": [_finding(finding, pair.one) for finding in pair.findings],
        "loudness_difference_lu": pair.loudness_difference_lu,
        "brightness_difference_db": pair.brightness_difference_db,
        "similarity": None if similar is None else {
            "correlation": similar.correlation, "offset_s": similar.offset_s, "gain_db": similar.gain_db,
            "agreeing_stretches": similar.agreeing, "stretches": similar.stretches},
    }
