"""Listening that may be remembered: who listens to a sound asks through an `Ask`, which may know the answer already.

A listener is a function of a sound, and of what it is asked, that always gives the same answer.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, TypeVar

T = TypeVar("T")


class Ask(Protocol):
    """Listens, or remembers."""

    def __call__(self, listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
        """Answer of a listener.

        Parameters
        ----------
        listener : function
            Of a module, with the type of its answer declared.
        sound : Sound
            Or another source of sound that says what it is made of.
        asked
            Other sounds, numbers, text, arrays and frozen dataclasses of them: what the answer depends on.
        aside
            What the answer does not depend on: functions that receive progress, and what is already known of the sound.
        """
        ...


def listen_anew(listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
    """Listen without remembering; an `Ask`."""
    return listener(sound, *asked, **aside)
