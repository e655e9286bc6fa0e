"""The command as a user types it, in the process of the test."""

from __future__ import annotations

from typing import Any

from click.testing import CliRunner, Result

from layerpipe.cli import COMMANDS, program


def run_command(*words: object, **settings: Any) -> Result:
    """Run one command line; the exit code and what was printed. As the command itself, it builds no other command."""
    typed = [str(word) for word in words]
    return CliRunner().invoke(program([word for word in typed[:1] if word in COMMANDS] or COMMANDS), typed, **settings)
