"""What can become of a bounce and of each file of it."""

from __future__ import annotations

from dataclasses import dataclass, field

AS_BOUNCED, CHANGED, MISSING, FOREIGN = "as bounced", "changed", "missing", "foreign"


@dataclass(frozen=True)
class FileVerdict:
    """What became of one file; problems are in words."""

    file: str
    verdict: str
    first_different_frame: int | None = None
    largest_difference_dbfs: float | None = None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class SumVerdict:
    """Whether the layers add up to the blend; None where files are missing or cannot be read."""

    agrees: bool | None
    first_different_frame: int | None = None
    largest_difference_dbfs: float | None = None


@dataclass(frozen=True)
class SourceVerdict:
    """Whether a take still is the file that was bounced."""

    layer: str
    take: str
    file: str
    verdict: str


@dataclass(frozen=True)
class Verified:
    """All that was found out about a bounce."""

    verdict: str
    files: tuple[FileVerdict, ...]
    sum: SumVerdict
    sources: tuple[SourceVerdict, ...] | None = None
    again: tuple[FileVerdict, ...] | None = None
    remarks: tuple[str, ...] = field(default=())
