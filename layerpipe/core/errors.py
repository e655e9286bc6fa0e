"""Errors meant for the reader: one base class, one subclass per kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


class LayerpipeError(Exception):
    """Any error meant for the reader; `exit_code` is the exit code of the command line."""

    exit_code = 2


class ParameterError(LayerpipeError, ValueError):
    """A number outside its range; the message names the parameter."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with one place of one file."""

    file: Path
    where: str
    problem: str
    line: int | None = None

    def __str__(self) -> str:
        place = f"line {self.line}, " if self.line else ""
        return f"{place}{self.where}: {self.problem}" if self.where else f"{place}{self.problem}"


class FaultsError(LayerpipeError):
    """Several faults reported at once, grouped by file."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__(_message(self.faults))


class RecipeError(FaultsError):
    """The recipe has a fault; exit code 2."""

    exit_code = 2


class AudioError(FaultsError):
    """An audio file is missing, damaged or not what the recipe needs; exit code 1."""

    exit_code = 1


class OutputError(LayerpipeError):
    """An output could not be written, or would have overwritten something else; exit code 1."""

    exit_code = 1


def _message(faults: Sequence[Fault]) -> str:
    """One line per fault, under the name of its file."""
    lines = []
    for file in dict.fromkeys(fault.file for fault in faults):
        of_file = [fault for fault in faults if fault.file == file]
        lines.append(f"{file}: {len(of_file)} fault{'s' if len(of_file) > 1 else ''}")
        lines += [f"  {fault}" for fault in of_file]
    return "\n".join(lines)


class DamagedFile(LayerpipeError):  # noqa: N818 - not an error of the reader: the content is computed again
    """A cached file does not hold what was written into it."""

    exit_code = 1
