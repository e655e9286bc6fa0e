"""What a review page posts is read strictly and handed on once."""

from __future__ import annotations

import json
import queue

import pytest

from layerpipe.outputs.artist_page import AnswerError
from layerpipe.outputs.review.line import line_of
from layerpipe.server.accepted import AcceptedLine, ReviewInbox

LINE = line_of("0123456789abcdef", [1, 2])


def test_a_line_arrives_at_the_terminal():
    events = queue.SimpleQueue()
    ReviewInbox(events).take(json.dumps({"line": LINE}).encode(), "192.0.2.1")
    assert events.get_nowait() == AcceptedLine(LINE, "192.0.2.1")


@pytest.mark.parametrize("body", [
    b"", b"\xff", b"[" * 4000, b"null", b'{"line": 1}', json.dumps({"line": LINE, "more": ""}).encode(),
    json.dumps({"line": LINE[:-3]}).encode(), json.dumps({"line": LINE.replace("1-2", "1-9")}).encode(),
])
def test_everything_else_is_refused_and_nothing_handed_on(body):
    events = queue.SimpleQueue()
    with pytest.raises(AnswerError):
        ReviewInbox(events).take(body, "192.0.2.1")
    assert events.empty()
