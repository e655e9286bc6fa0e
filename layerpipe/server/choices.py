"""Answers that arrive at the server: read as strictly as those from a file, kept, then handed to the terminal."""

from __future__ import annotations

import json
import queue
import unicodedata
from dataclasses import dataclass

from layerpipe.core.text import one_line
from layerpipe.outputs.artist_page import Answer, AnswerError, read_answer
from layerpipe.outputs.artist_page.answers.answer import FORMAT
from layerpipe.server.comments import CommentsFile

LONGEST_SENDER = 60


@dataclass(frozen=True)
class Choice:
    """An answer that somebody sent.

    Attributes
    ----------
    number : int
        In the comments file.
    sender : str
        As they call themselves, may be empty; safe to print.
    address : str
    answer : Answer
    """

    number: int
    sender: str
    address: str
    answer: Answer


def read_posted(body: bytes) -> tuple[str, str, Answer]:
    """Read what the page posts: JSON (RFC 8259) with `name` and `answer`.

    Parameters
    ----------
    body : bytes

    Returns
    -------
    tuple of str, str, Answer
        The sender's name, the line, and what it says.

    Raises
    ------
    AnswerError
        If the page could not have sent it.
    """
    try:
        content = json.loads(body.decode("utf-8"))
    except (ValueError, RecursionError) as refusal:
        raise AnswerError("the answer is not JSON") from refusal
    if not isinstance(content, dict) or content.keys() != {"name", "answer"} or not all(
            isinstance(text, str) for text in content.values()):
        raise AnswerError("the answer must hold a name and an answer")
    sender = unicodedata.normalize("NFC", one_line(content["name"]))
    line = content["answer"]
    if len(sender) > LONGEST_SENDER:
        raise AnswerError(f"the answer has a name of more than {LONGEST_SENDER} characters")
    if not line.startswith(f"{FORMAT}: ") or not line.isprintable():
        raise AnswerError("the answer is not one line as the page writes it")
    return sender, line, read_answer(line)


class Inbox:
    """Takes answers from the server's threads and hands them to the terminal, one after the other.

    Parameters
    ----------
    comments : CommentsFile
    events : queue of objects
        Gets every new `Choice`.
    """

    def __init__(self, comments: CommentsFile, events: queue.SimpleQueue[object]) -> None:
        self._comments, self._events = comments, events

    def take(self, body: bytes, address: str) -> None:
        """Read, keep, hand over.

        Raises
        ------
        AnswerError
            If it is no answer of the page.
        OutputError
            If it cannot be kept; then nothing is handed over.
        """
        sender, line, answer = read_posted(body)
        kept, is_new = self._comments.add(sender, line, answer)
        if is_new:
            self._events.put(Choice(kept.number, sender, address, answer))
