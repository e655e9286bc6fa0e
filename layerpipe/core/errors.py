"""Errors with a message for the user: one base class, and one class for each kind of refusal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct

from layerpipe.core.text import printable

MOST_SHOWN = 50
"""Faults that are printed; the others are counted."""


class LayerpipeError(Exception):
    """Any refusal meant for a reader; `exit_code` is what the command line answers with.

    Parameters
    ----------
    lines : str
        One or several; names and values from files in them are made printable here.
    """

    exit_code = 2

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(printable(line) for line in lines))


class ParameterError(LayerpipeError, ValueError):
    """A number outside its range, named by the kernel that refused it."""


class Fault(Struct, frozen=True):
    """One thing wrong with one place of one file."""

    file: Path
    where: str
    problem: str
    line: int | None = None

    def __str__(self) -> str:
        place = f"line {self.line}, " if self.line else ""
        return printable(f"{place}{self.where}: {self.problem}" if self.where else f"{place}{self.problem}")


class FaultsError(LayerpipeError):
    """Several faults at once, grouped by file.

    Parameters
    ----------
    faults : sequence of Fault
    more : int
        Further faults of the last file, found but not worded.
    """

    def __init__(self, faults: Sequence[Fault], more: int = 0) -> None:
        self.faults = tuple(faults)
        self.count = len(self.faults) + more
        super().__init__(*_message(self.faults, more))


class RecipeError(FaultsError):
    """The recipe asks for something that cannot be; exit code 2."""

    exit_code = 2


class AudioError(FaultsError):
    """A sound file is missing, damaged or not what the recipe needs; exit code 1."""

    exit_code = 1


class OutputError(LayerpipeError):
    """An output could not be written, or would have harmed something that is there; exit code 1."""

    exit_code = 1


def _message(faults: Sequence[Fault], more: int) -> list[str]:
    """The faults, one line each below their file, at most MOST_SHOWN."""
    files = list(dict.fromkeys(fault.file for fault in faults))
    lines, left = [], MOST_SHOWN
    for file in files:
        of_file = [fault for fault in faults if fault.file == file]
        count = len(of_file) + (more if file == files[-1] else 0)
        lines.append(f"{file}: {count} fault{'s' if count > 1 else ''}")
        lines += [f"  {fault}" for fault in of_file[:left]]
        left -= len(of_file[:left])
        if not left:
            break
    hidden = len(faults) + more - (MOST_SHOWN - left)
    return [*lines, f"  and {hidden} more"] if hidden else lines


class DamagedFile(LayerpipeError):  # noqa: N818 - it is not the reader's error: what was in it is measured again
    """A file that was kept to spare work does not hold what was written into it."""

    exit_code = 1
