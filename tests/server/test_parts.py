"""The server's parts alone: the comments file, the address, the counters, the watching of files."""

from __future__ import annotations

import datetime
import errno
import threading
import tomllib

import pytest

from layerpipe.core.errors import OutputError
from layerpipe.core.toml_bounds import Bounds
from layerpipe.outputs.artist_page import Answer, ChosenLevel
from layerpipe.server.comments import CommentsFile, CommentsFull, comments_path
from layerpipe.server.limits import Buckets
from layerpipe.server.network import checked_address, listen, local_address, netloc
from layerpipe.server.watch import SavedFiles

WHEN = datetime.datetime(2031, 5, 4, 17, 30, tzinfo=datetime.UTC)
ANSWER = Answer("Lantern", "0" * 16, (ChosenLevel("verse", "octave", -9.0, -12.0),),
                {"last.chorus": 'more "air" \\ \u3042 \U0001f3b8'})


def comments_file(path, most=100):
    return CommentsFile(path, most=most, now=lambda: WHEN)


def test_answers_are_kept_in_readable_toml_beside_the_recipe(tmp_path):
    path = comments_path(tmp_path / "song.toml")
    assert path == tmp_path / "song.comments.toml"
    comments = comments_file(path)
    assert not path.exists()
    comments.add("Mari \u00fc", "line one", ANSWER)
    comments.add("Mari \u00fc", "line two", ANSWER)
    comments.set_state(1, "written")
    content = tomllib.loads(path.read_text("utf-8"))
    assert content["format"] == "layerpipe comments 1"
    assert [(one["number"], one["from"], one["state"], one["answer"]) for one in content["answer"]] == [
        (1, "Mari \u00fc", "written", "line one"), (2, "Mari \u00fc", "waiting", "line two")]
    assert content["answer"][0]["received"] == WHEN
    assert content["answer"][1]["comments"] == ANSWER.comments
    assert [one.number for one in comments_file(path).waiting()] == [2]


def test_an_answer_that_waits_already_is_kept_once_and_a_decided_one_again(tmp_path):
    comments = comments_file(tmp_path / "song.comments.toml")
    assert [comments.add("A", "line", ANSWER)[1] for _ in range(2)] == [True, False]
    comments.set_state(1, "declined")
    assert comments.add("A", "line", ANSWER)[0].number == 2


@pytest.mark.parametrize("again", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 5))])
def test_many_writers_lose_nothing(tmp_path, again):
    path = tmp_path / "song.comments.toml"
    files = [comments_file(path) for _ in range(4)]
    threads = [threading.Thread(target=lambda n=n: [files[n].add(f"{n}", f"{k}", ANSWER) for k in range(10)])
               for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = tomllib.loads(path.read_text("utf-8"))["answer"]
    assert {(one["from"], one["answer"]) for one in kept} == {(f"{n}", f"{k}") for n in range(4) for k in range(10)}
    assert sorted(one["number"] for one in kept) == list(range(1, 41))


def test_a_full_file_takes_no_more(tmp_path):
    comments = comments_file(tmp_path / "song.comments.toml", most=1)
    comments.add("A", "1", ANSWER)
    with pytest.raises(CommentsFull, match="holds 1 answers"):
        comments.add("A", "2", ANSWER)


def test_answers_that_could_not_be_read_again_are_not_kept(tmp_path, monkeypatch):
    monkeypatch.setattr("layerpipe.server.comments.BOUNDS", Bounds(values=50))
    comments = comments_file(tmp_path / "song.comments.toml")
    comments.add("A", "1", ANSWER)
    with pytest.raises(CommentsFull, match="as much as it may"):
        comments.add("A", "2", Answer("Lantern", "0" * 16, (), {f"{n}": "" for n in range(60)}))
    assert [one.line for one in comments.waiting()] == ["1"]


@pytest.mark.parametrize("other", [
    b"my own notes", b'format = "layerpipe comments 2"', b"\xff",
    b'format = "layerpipe comments 1"\n[[answer]]\nnumber = "x"',
    b'format = "layerpipe comments 1"\na = ' + b"9" * 5_000,
    b'format = "layerpipe comments 1"\na = ' + b"[" * 5_000,
    b'format = "layerpipe comments 1"\n' + b"a." * 5_000 + b"a = 1",
])
def test_another_file_of_that_name_is_left_as_it_is(tmp_path, other):
    path = tmp_path / "song.comments.toml"
    path.write_bytes(other)
    with pytest.raises(OutputError, match="left as it is"):
        comments_file(path)
    assert path.read_bytes() == other


@pytest.mark.parametrize("host", ["", "example.com", "0.0.0.0", "::", "224.0.0.1", "127.0.0.1:80"])
def test_only_one_address_of_this_machine_can_be_bound(host):
    with pytest.raises(OutputError, match="--host"):
        checked_address(host)


def test_a_port_in_use_is_refused_and_the_usual_one_is_replaced():
    with listen("127.0.0.1", 0) as first:
        port = first.getsockname()[1]
        assert first.getsockname()[0] == "127.0.0.1"
        with pytest.raises(OutputError, match=f"127.0.0.1:{port}"):
            listen("127.0.0.1", port)
    with listen("127.0.0.1") as one, listen("127.0.0.1") as other:
        assert one.getsockname()[1] != other.getsockname()[1]
    # 192.0.2.0/24 is for documentation (RFC 5737), no machine has it.
    with pytest.raises(OutputError, match="cannot serve at"):
        listen("192.0.2.1", 0)


class Probe:
    """A socket whose own address is known."""

    def __init__(self, own):
        self.own = own

    def __enter__(self):
        return self

    def __exit__(self, *failure):
        pass

    def connect(self, address):
        if self.own is None:
            raise OSError(errno.ENETUNREACH, "Network is unreachable")

    def getsockname(self):
        return self.own, 1


# RFC 1918 (private IPv4 addresses); 8.8.8.8 is a public one.
@pytest.mark.parametrize(("own", "refusal"), [
    ("192.168.178.45", None), ("10.1.2.3", None), ("172.16.0.9", None), ("8.8.8.8", "public"), (None, "in no network")])
def test_the_local_address_must_be_private(monkeypatch, own, refusal):
    monkeypatch.setattr("layerpipe.server.network.socket.socket", lambda *kind: Probe(own))
    if refusal is None:
        assert local_address() == own
    else:
        with pytest.raises(OutputError, match=refusal):
            local_address()


# RFC 3986, 3.2.2: an IPv6 address is written in brackets; RFC 9110, 7.2: the usual port may be left out.
@pytest.mark.parametrize(("host", "port", "written"), [
    ("127.0.0.1", 8737, "127.0.0.1:8737"), ("::1", 8737, "[::1]:8737"), ("10.0.0.2", 80, "10.0.0.2")])
def test_host_and_port_are_written_as_in_an_address(host, port, written):
    assert netloc(host, port) == written


def test_a_bucket_allows_a_burst_then_a_rate_and_forgets_the_oldest():
    now = [0.0]
    buckets = Buckets(3, 0.5, clock=lambda: now[0], most=2)
    assert [buckets.take("a") for _ in range(4)] == [True, True, True, False]
    now[0] = 2.0
    assert [buckets.take("a") for _ in range(2)] == [True, False]
    now[0] = 1000.0
    assert [buckets.take("a") for _ in range(4)] == [True, True, True, False]
    assert all(buckets.take(address) for address in "bc")
    assert buckets.take("a")


def in_a_moment(work):
    timer = threading.Timer(0.7, work)
    timer.start()
    return timer


@pytest.mark.slow
def test_saving_by_writing_or_by_replacing_is_noticed(tmp_path):
    path, other = tmp_path / "song.toml", tmp_path / "other.txt"
    path.write_text("one")

    def replace():
        new = tmp_path / "new"
        new.write_text("three")
        new.replace(path)

    for save in (lambda: path.write_text("two!"), replace, path.unlink, lambda: path.write_text("back")):
        saved = SavedFiles([path])
        other.write_text("not watched")
        timer = in_a_moment(save)
        assert saved.wait(threading.Event())
        timer.join()
        assert saved.have_changed()


def test_a_change_before_the_waiting_and_a_request_to_stop_end_it(tmp_path):
    path = tmp_path / "song.toml"
    path.write_text("one")
    saved = SavedFiles([path, tmp_path / "nowhere" / "take.wav"])
    path.write_text("two!")
    assert saved.wait(threading.Event())
    stop = threading.Event()
    timer = in_a_moment(stop.set)
    assert not SavedFiles([path]).wait(stop)
    timer.join()
