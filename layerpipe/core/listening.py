"""Listening that may be remembered: who listens to a sound asks through an `Ask`, which may know the answer already.

A listener is a function of a sound, and of what it is asked, that always gives the same answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple, Protocol, TypeVar

from layerpipe.core.process import worker_threads
from layerpipe.core.sound import OnProgress

T = TypeVar("T")


class Question(NamedTuple):
    """What a listener is to be asked; see `Ask`."""

    listener: Callable[..., Any]
    sound: Any
    asked: tuple[Any, ...] = ()
    aside: Mapping[str, Any] = {}


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
            A listener with an argument `ask` is given an `Ask` for parts of its answer, which may be known.
        """
        ...

    def together(self, questions: Sequence[Question], on_progress: OnProgress = ...) -> list[Any]:
        """Answers to several questions, in their order; listeners work side by side.

        Parameters
        ----------
        questions : sequence of Question
            Each about a sound that has `frames` and `rate_hz`.
        on_progress : function of a share
            Receives the share of the work done since its last call.
        """
        ...


class ListenAnew:
    """Listens without remembering; an `Ask`."""

    def __call__(self, listener: Callable[..., T], sound: Any, /, *asked: Any, **aside: Any) -> T:
        return listener(sound, *asked, **aside)

    def together(self, questions: Sequence[Question], on_progress: OnProgress = lambda share: None) -> list[Any]:
        def answer(one: Question) -> Any:
            found = one.listener(one.sound, *one.asked, **one.aside)
            on_progress(1 / len(questions))
            return found

        with ThreadPoolExecutor(max(1, min(len(questions), worker_threads()))) as pool:
            return list(pool.map(answer, questions))


listen_anew = ListenAnew()
"""Listens without remembering; an `Ask`."""
