"""What was accepted on a review page: read as strictly as from the command line, then handed to the terminal."""

from __future__ import annotations

import json
import queue
from dataclasses import dataclass

from layerpipe.outputs.artist_page import AnswerError
from layerpipe.outputs.review.line import read_line


@dataclass(frozen=True)
class AcceptedLine:
    """The line of a review page, and who sent it."""

    line: str
    address: str


class ReviewInbox:
    """Takes lines from the server's threads and hands them to the terminal, one after the other.

    Parameters
    ----------
    events : queue of objects
        Gets every `AcceptedLine`.
    """

    def __init__(self, events: queue.SimpleQueue[object]) -> None:
        self._events = events

    def take(self, body: bytes, address: str) -> None:
        """Read JSON (RFC 8259) with `line`, and hand that over.

        Raises
        ------
        AnswerError
            If the page could not have sent it.
        """
        try:
            content = json.loads(body.decode("utf-8"))
        except (ValueError, RecursionError) as refusal:
            raise AnswerError("the answer is not JSON") from refusal
        if not isinstance(content, dict) or content.keys() != {"line"} or not isinstance(content["line"], str):
            raise AnswerError("the answer must hold a line")
        read_line(content["line"])
        self._events.put(AcceptedLine(content["line"], address))
