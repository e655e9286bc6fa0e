"""An artist's answer in the terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from layerpipe.cli.terminal import Terminal
    from layerpipe.outputs.artist_page.answers.answer import Answer


def say_answer(terminal: Terminal, answer: Answer) -> None:
    """Print the levels an answer asks for, its comments and its comparisons."""
    for chosen in answer.levels:
        terminal.say(f"{chosen.section}: {chosen.layer} {_level_words(chosen.level_db)}"
                     + ("" if chosen.level_db == chosen.was_db else f" (was {_level_words(chosen.was_db)})"))
    for texts, what in ((answer.comments, "comment"), (answer.comparisons, "compared blind")):
        for name, text in texts.items():
            terminal.say(f"{name}, {what}: {text}")


def _level_words(level_db: float) -> str:
    return "off" if level_db == -math.inf else f"{level_db:g} dB"
