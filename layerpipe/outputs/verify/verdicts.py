"""Verdicts about a bounce and each of its files."""

from __future__ import annotations

from dataclasses import dataclass

UNCHANGED, CHANGED, MISSING, EXTRA = "unchanged", "changed", "missing", "extra"


@dataclass(frozen=True)
class FileVerdict:
    """The verdict about one file; problems are in words."""

    file: str
    verdict: str
    first_different_frame: int | None = None
    largest_difference_dbfs: float | None = None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class SumVerdict:
    """Whether the layers sum to the blend; None if files are missing or cannot be read."""

    agrees: bool | None
    first_different_frame: int | None = None
    largest_difference_dbfs: float | None = None


@dataclass(frozen=True)
class SourceVerdict:
    """Whether a take's source is the file that was bounced."""

    layer: str
    take: str
    file: str
    verdict: str


@dataclass(frozen=True)
class Verified:
    """All that was found about a bounce; sources and rerender are None if they were not asked for."""

    verdict: str
    files: tuple[FileVerdict, ...]
    sum: SumVerdict
    sources: tuple[SourceVerdict, ...] | None = None
    rerender: tuple[FileVerdict, ...] | None = None
    remarks: tuple[str, ...] = ()
