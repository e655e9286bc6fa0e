"""What the server answers, and what it refuses: over real sockets on the loopback."""

from __future__ import annotations

import dataclasses
import json
import re
import socket
from contextlib import suppress
from http.client import HTTPConnection

import psutil
import pytest

from layerpipe.outputs.artist_page.answers.reader import read_answer
from layerpipe.server.limits import ServerLimits
from tests.server.conftest import GENEROUS, SECRET
from tests.support.hostile import ask, requests
from tests.support.waiting import PATIENCE_S, wait_until

BODY = b'layerpipe levels 2: page 0123456789abcdef; "Lantern on the Pier"; "verse" "octave" -9 dB was off'


def good_line() -> str:
    """An answer as the page writes it. The check code is CRC-16 as in `binascii.crc_hqx` (CCITT)."""
    import binascii

    return f"{BODY.decode()} (check {binascii.crc_hqx(BODY, 0xFFFF):04x})"


def get(served, path, method="GET", body=None, **headers):
    """Status, headers and body of one request."""
    connection = HTTPConnection("127.0.0.1", served.port, timeout=PATIENCE_S)
    connection.request(method, path, body, headers)
    response = connection.getresponse()
    found = response.status, {name.lower(): value for name, value in response.getheaders()}, response.read()
    connection.close()
    return found


def post(served, content, path=f"/{SECRET}/answer", **headers):
    body = content if isinstance(content, bytes) else json.dumps(content).encode()
    return get(served, path, "POST", body, **{"Content-Type": "application/json"} | headers)


def sounds_of(served):
    page = served.pages.newest.page.decode()
    return sorted(set(re.findall(r"sound/[0-9a-f]{32}\.flac", page)))


def test_every_response_carries_headers_that_keep_it_to_itself(serve):
    served = serve()
    for path in (f"/{SECRET}/", f"/{SECRET}/version", f"/{SECRET}/{sounds_of(served)[0]}", "/", f"/{SECRET}/none"):
        _, headers, _ = get(served, path)
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert not {"set-cookie", "server", "date", "access-control-allow-origin"} & headers.keys()
    assert "no-store" in get(served, f"/{SECRET}/")[1]["cache-control"]
    assert "private" in get(served, f"/{SECRET}/{sounds_of(served)[0]}")[1]["cache-control"]


def test_without_the_whole_secret_everything_looks_the_same(serve):
    served = serve()
    found = {get(served, path)[::2] for path in (
        "/", "/version", "/answer", f"/{SECRET}", f"/{SECRET[:-1]}/", f"/{SECRET.lower()}/", f"//{SECRET}/",
        f"/{SECRET}x/version", f"/{sounds_of(served)[0]}", "/%2e%2e/", f"/x/../{SECRET}/")}
    assert found == {(404, b"not found\n")}
    assert len(SECRET) * 6 >= 128


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "", "127.0.0.1:1"])
def test_another_host_name_is_refused(serve, host):
    assert get(serve(), f"/{SECRET}/", Host=host)[0] == 421


def test_only_get_and_one_post_are_answered(serve):
    served = serve()
    for method in ("HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"):
        assert get(served, f"/{SECRET}/", method)[0] == 405
    for path in ("", "version", sounds_of(served)[0]):
        assert post(served, {}, f"/{SECRET}/{path}")[0] == 405
    assert get(served, f"/{SECRET}/answer")[0] == 405


@pytest.mark.parametrize(("content", "status"), [
    (b"", 400), (b"{", 400), (b"[" * 8000, 400), (b"null", 400), ({"answer": "x"}, 400),
    ({"name": 1, "answer": "x"}, 400),
    ({"name": "", "answer": "x"}, 400), ({"name": "", "answer": "layerpipe levels 2: nonsense"}, 400),
    ({"name": "", "answer": good_line() + "\n" + good_line()}, 400), ({"name": "n" * 61, "answer": good_line()}, 400),
    ({"name": "", "answer": good_line()[:-3] + "00)"}, 400), ({"name": "", "answer": "x" * 9000}, 413),
    ({"name": "", "answer": good_line(), "more": ""}, 400),
])
def test_what_is_no_answer_is_refused_and_not_kept(serve, content, status):
    served = serve()
    found, _, body = post(served, content)
    assert found == status
    assert json.loads(body)["problem"]
    assert not served.comments.path.exists()


def test_an_answer_from_another_site_is_refused(serve):
    served = serve()
    content = {"name": "", "answer": good_line()}
    assert post(served, content, Origin="http://evil.example")[0] == 403
    assert post(served, content, **{"Content-Type": "text/plain"})[0] == 415
    assert not served.comments.path.exists()
    assert post(served, content, Origin=served.base)[0] == 200
    assert served.comments.waiting()[0].line == good_line()


def test_a_name_cannot_steer_the_terminal(serve):
    served = serve()
    assert post(served, {"name": " \x1b[2J\u202eMari\nsol ", "answer": good_line()})[0] == 200
    assert served.events.get(timeout=PATIENCE_S).sender == "[2J Mari sol"


def test_too_many_requests_are_refused_until_time_has_passed(serve):
    served = serve(dataclasses.replace(GENEROUS, requests_burst=20, requests_per_s=1e-6))
    statuses = [get(served, f"/{SECRET}/version")[0] for _ in range(25)]
    assert statuses == [200] * 20 + [429] * 5


def test_too_many_answers_are_refused_but_the_page_still_works(serve):
    served = serve(dataclasses.replace(GENEROUS, answers_burst=3, answers_per_s=1e-6))
    assert [post(served, {"name": str(n), "answer": good_line()})[0] for n in range(5)] == [200, 200, 200, 429, 429]
    assert get(served, f"/{SECRET}/")[0] == 200
    assert len(served.comments.waiting()) == 3


def test_no_more_answers_are_kept_than_allowed(serve):
    served = serve(dataclasses.replace(GENEROUS, most_answers=2))
    assert [post(served, {"name": str(n), "answer": good_line()})[0] for n in range(3)] == [200, 200, 507]
    assert "move the file away" in served.problems[0]


def test_an_answer_that_cannot_be_kept_is_not_called_kept(serve):
    served = serve()
    served.comments.path.mkdir()
    status, _, body = post(served, {"name": "", "answer": good_line()})
    assert (status, json.loads(body)) == (503, {"problem": "the answer could not be kept"})
    assert "could not be kept" in served.problems[0]


def slow_clients(served, starts, count):
    """Connections that begin a request and never end it; some may be dropped before their beginning is sent."""
    connections = []
    for n in range(count):
        connections.append(socket.create_connection(("127.0.0.1", served.port), timeout=PATIENCE_S))
        with suppress(BrokenPipeError, ConnectionResetError):
            connections[-1].sendall(starts[n % len(starts)])
    return connections


def received_until_dropped(connection):
    """What a client that waits is sent before the server drops it."""
    received = b""
    with connection, suppress(ConnectionResetError):
        while piece := connection.recv(1 << 16):
            received += piece
    return received


BEGINNINGS = (b"", b"GET", f"GET /{SECRET}/ HTTP/1.1\r\nHost: ".encode())


def body_that_never_ends(served):
    """The beginning of an answer."""
    return (f"POST /{SECRET}/answer HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nContent-Type: application/json\r\n"
            "Content-Length: 500\r\n\r\n{").encode()


def test_others_do_not_wait_for_slow_clients(serve):
    served = serve(dataclasses.replace(GENEROUS, idle_s=600, body_s=600, response_s=600))
    slow = slow_clients(served, (*BEGINNINGS, body_that_never_ends(served)), 40)
    assert get(served, f"/{SECRET}/")[0] == 200
    for connection in slow:
        connection.close()


def test_silent_clients_are_dropped(serve):
    served = serve(dataclasses.replace(GENEROUS, idle_s=0.2))
    assert {received_until_dropped(connection) for connection in slow_clients(served, BEGINNINGS, 12)} == {b""}


def test_an_answer_that_does_not_arrive_is_refused(serve):
    served = serve(dataclasses.replace(GENEROUS, body_s=0.2))
    for connection in slow_clients(served, [body_that_never_ends(served)], 10):
        assert received_until_dropped(connection).startswith(b"HTTP/1.1 408")


def test_a_client_that_takes_nothing_is_dropped(serve):
    # On a loaded machine a short time may be over before anything was sent.
    for response_s in (0.3, 3.0, 30.0):
        served = serve(dataclasses.replace(GENEROUS, response_s=response_s, idle_s=0.3))
        path = served.folder / sounds_of(served)[0].removeprefix("sound/")
        # Larger than what the systems of both sides hold for a connection.
        path.write_bytes(bytes(30 << 20))
        connection = socket.socket()
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        connection.settimeout(60)
        connection.connect(("127.0.0.1", served.port))
        asked = f"GET /{SECRET}/sound/{path.name} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n"
        connection.sendall(asked.encode())
        if connection.recv(12) == b"HTTP/1.1 200":
            break
        connection.close()
    # It is dropped while it takes nothing; what the server had handed to the system before still arrives.
    wait_until(lambda: not served.server._server.server_state.connections)
    assert len(received_until_dropped(connection)) < 30 << 20


def test_one_address_cannot_take_all_connections(serve):
    served = serve(dataclasses.replace(GENEROUS, connections_per_address=10, idle_s=600))
    held = [socket.create_connection(("127.0.0.1", served.port), timeout=PATIENCE_S) for _ in range(30)]
    # The first ten stay; the server drops the others.
    assert [received_until_dropped(connection) for connection in held[10:]] == [b""] * 20
    for connection in held[:10]:
        connection.setblocking(False)
        with pytest.raises(BlockingIOError):
            connection.recv(1)
        connection.close()

    def is_answered():
        with suppress(ConnectionError):
            return get(served, f"/{SECRET}/")[0] == 200

    wait_until(is_answered)


def test_the_server_stops_when_its_time_is_over(serve):
    served = serve(dataclasses.replace(GENEROUS, lifetime_s=0.5))
    wait_until(lambda: not served.server.is_running)
    served.server.close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", served.port), timeout=PATIENCE_S)
    assert ServerLimits().lifetime_s == 12 * 3600


@pytest.mark.parametrize("count", [500, pytest.param(10_000, marks=pytest.mark.slow)])
def test_hostile_requests_get_nothing(serve, tmp_path, count, capfd):
    served = serve()
    marker = "the marker of a file nobody may see"
    for place in (tmp_path / "secret.txt", served.folder / "secret.txt", served.folder.parent / "secret.txt"):
        place.write_text(marker)
    known = ["", "version", *sounds_of(served)[:2]]
    before = sorted(path.name for path in served.folder.iterdir())
    memory = psutil.Process().memory_info().rss
    statuses: dict[bytes, int] = {}
    for raw in requests(count, secret=SECRET, host=f"127.0.0.1:{served.port}", known=known):
        answer = ask(served.port, raw)
        assert marker.encode() not in answer
        assert b"Traceback" not in answer
        assert b"root:" not in answer
        status = answer[9:12]
        statuses[status] = statuses.get(status, 0) + 1
    assert not {status for status in statuses if status.startswith(b"5")}
    assert statuses[b"200"] > 0
    assert statuses[b"404"] > 0
    assert served.problems == []
    assert get(served, f"/{SECRET}/version")[2] == b'{"version":1}'
    assert sorted(path.name for path in served.folder.iterdir()) == before
    assert not served.comments.path.exists()
    assert psutil.Process().memory_info().rss - memory < 50 << 20
    assert capfd.readouterr() == ("", "")


def test_the_line_of_these_tests_is_an_answer():
    assert read_answer(good_line()).levels[0].level_db == -9
