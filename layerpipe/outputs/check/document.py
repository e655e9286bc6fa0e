"""A check as a document: every verdict, every finding, and every number behind them."""

from __future__ import annotations

from typing import Any

from layerpipe.analysis.checked_take import TakeHeard
from layerpipe.core.units import db_of_gain
from layerpipe.outputs.check.finding import Finding
from layerpipe.outputs.check.pair_findings import Pair
from layerpipe.outputs.check.report import Report, TakeReport
from layerpipe.outputs.check.string_findings import corners_of


def document_of(report: Report) -> dict[str, Any]:
    """What `--json` prints: takes worst first, then pairs."""
    return {"takes": [_take(one) for one in report.worst_first], "pairs": [_pair(pair) for pair in report.pairs],
            "limits": report.takes[0].take.limits.model_dump() if report.takes else {}}


def _take(one: TakeReport) -> dict[str, Any]:
    """One take."""
    take = one.take
    tuning = take.tuning
    return {
        "layer": take.layer, "take": take.name, "file": take.file, "channel": take.channel, "verdict": one.verdict,
        "tuning_cents": None if tuning is None else tuning.cents,
        "faults": [finding_words(finding, take) for finding in one.findings],
        "measured": {
            "seconds": take.heard.seconds, "rate_hz": take.heard.rate_hz, "peak_dbfs": db_of_gain(take.heard.peak),
            "loudness_lufs": take.lufs,
            "tuning": None if tuning is None else {
                "cents": tuning.cents, "error_cents": tuning.error_cents, "agreement": tuning.agreement,
                "partials": tuning.partials, "drift_cents": tuning.drift_cents},
            "noise_dbfs": None if take.noise is None else take.noise.level_db,
            "noise_lufs": None if take.noise is None else take.noise.lufs,
            "gaps_s": [[start / take.heard.rate_hz, stop / take.heard.rate_hz] for start, stop in take.gaps[:100]],
            "playing_s": take.span_s, "bits_used": take.heard.bits_used, "high_passes": corners_of(take),
        },
    }


def finding_words(finding: Finding, take: TakeHeard) -> dict[str, Any]:
    """One finding of one take."""
    return {"kind": finding.kind, "at_s": finding.at_s, "level_db": finding.level_db, "hz": finding.hz,
            "text": finding.text, "advice": finding.advice, "verdict": finding.verdict,
            "place": None if finding.at_s is None else take.place_of(finding.at_s), "numbers": finding.numbers}


def _pair(pair: Pair) -> dict[str, Any]:
    """Two takes."""
    like = pair.like
    return {
        "layer": pair.one.layer, "takes": [pair.one.name, pair.other.name],
        "tuning_difference_cents": pair.tuning_difference_cents, "same_performance": pair.same_performance,
        "faults": [finding_words(finding, pair.one) for finding in pair.findings],
        "loudness_difference_lu": pair.loudness_difference_lu,
        "brightness_difference_db": pair.brightness_difference_db,
        "similarity": None if like is None else {
            "correlation": like.correlation, "offset_s": like.offset_s, "gain_db": like.gain_db,
            "agreeing_stretches": like.agreeing, "stretches": like.stretches},
    }
