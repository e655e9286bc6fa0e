"""The report of a check: findings of takes and pairs, and verdicts, worst first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from layerpipe.analysis.checked_take import CheckedTake
from layerpipe.outputs.check.finding import ORDER, Finding, Verdict, verdict_of, worst_first
from layerpipe.outputs.check.take_findings import findings_of
from layerpipe.outputs.check.two_takes import TwoTakes, fit_together


@dataclass(frozen=True)
class TakeReport:
    """One take, its findings worst first, and its verdict."""

    take: CheckedTake
    verdict: Verdict
    findings: list[Finding]


@dataclass(frozen=True)
class Report:
    """All takes and pairs, in the order of the recipe."""

    takes: list[TakeReport]
    pairs: list[TwoTakes]

    @property
    def worst_first(self) -> list[TakeReport]:
        """Takes by verdict; the order of the recipe within one."""
        return sorted(self.takes, key=lambda report: ORDER[report.verdict])

    @property
    def has_rerecord(self) -> bool:
        """Whether any take is to be re-recorded."""
        return any(report.verdict == "re-record" for report in self.takes)


def make_report(takes: Sequence[CheckedTake], pairs: Sequence[TwoTakes], more: dict[int, list[Finding]]) -> Report:
    """Collect the findings about each take; `more` has findings by the index of the take."""
    odd = fit_together(takes)
    reports = []
    for index, take in enumerate(takes):
        found = findings_of(take) + odd.get(index, []) + more.get(index, [])
        for pair in pairs:
            found += pair.of_one if pair.one is take else []
            found += pair.of_other if pair.other is take else []
        found = worst_first(found)
        reports.append(TakeReport(take, verdict_of(found), found))
    return Report(reports, list(pairs))
