"""Requests that nobody means well with: seeded, as raw bytes for a socket."""

from __future__ import annotations

import json
import random
import socket
from collections.abc import Iterator

NAMES = ("../song.comments.toml", "..%2f..%2fsecret.txt", "%2e%2e/secret.txt", "....//secret.txt", "/etc/passwd",
         "sound/../../secret.txt", "sound/..%2f..%2fsecret.txt", "sound/%2e%2e%5csecret.txt", "sound/", "sound",
         "sound/secret.txt", "version/", "answer", "answer/", "sound/%00.flac", "sound/con.flac", "static/",
         ".git/config", "sound/" + "0" * 32 + ".flac", "sound/" + "a" * 5000, "%", "%ff%fe",
         "\u00e9".encode().decode("latin-1"), "", "?x=1", "#", "*",
         "sound//etc/passwd", "recipes/lantern.toml", "favicon.ico", "robots.txt")
METHODS = ("GET", "GET", "GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PATCH", "get",
           "G\tT", "")
VERSIONS = ("HTTP/1.1", "HTTP/1.1", "HTTP/1.1", "HTTP/1.0", "HTTP/2", "HTTP/9.9", "", "HTP/1.1")
LINE = 'layerpipe levels 2: page 0123456789abcdef; "Lantern on the Pier"; "verse" "octave" -9 dB was off (check 0000)'


def requests(count: int, *, secret: str, host: str, known: list[str], seed: int = 5) -> Iterator[bytes]:
    """Make requests.

    Parameters
    ----------
    count : int
    secret : str
        The first part of good paths; half of the requests know it.
    host : str
        What a good Host header says.
    known : list of str
        Good paths after the secret.
    seed : int
    """
    rng = random.Random(seed)
    for _ in range(count):
        first = rng.choice([secret, secret, secret[:-1], secret.swapcase(), "", ".", secret + "/" + secret, "%2e"])
        name = rng.choice([*NAMES, *known])
        method, version = rng.choice(METHODS), rng.choice(VERSIONS)
        headers = [("Host", rng.choice([host, host, host, host, "evil.example", "", f"{host}, {host}", "127.0.0.1"]))]
        body = b""
        if method == "POST" or rng.random() < 0.1:
            method = "POST"
            name = rng.choice(["answer", "answer", name])
            body = _body(rng)
            headers.append(("Content-Type", rng.choice(["application/json", "application/json", "text/plain", "*/*"])))
            headers.append(rng.choice([("Content-Length", str(len(body))), ("Content-Length", str(len(body))),
                                       ("Content-Length", "-1"), ("Content-Length", "99999999999999999999"),
                                       ("Content-Length", str(max(0, len(body) - 1))),
                                       ("Transfer-Encoding", "chunked")]))
        for _ in range(rng.randrange(3)):
            headers.append(rng.choice([
                ("Range", "bytes=0-"), ("Range", "bytes=" + ",".join(f"{n}-" for n in range(200))),
                ("Range", "bytes=9-2"), ("Range", "lines=1"), ("If-Range", '"x"'), ("Cookie", "a=b"), ("Host", host),
                ("Origin", "http://evil.example"), ("X-Forwarded-For", "10.0.0.1"),
                ("X-Forwarded-Host", "evil.example"), ("Upgrade", "websocket"),
                ("Connection", "upgrade"), ("Expect", "100-continue"), ("X", "y" * 20_000),
                ("Accept-Encoding", "gzip, br"), ("If-Modified-Since", "never"), ("A b", "c"), ("", ""),
                ("Content-Length", "5"), ("Transfer-Encoding", "gzip, chunked")]))
        head = f"{method} /{first}/{name} {version}\r\n" + "".join(f"{key}: {value}\r\n" for key, value in headers)
        raw = head.encode("latin-1") + b"\r\n" + body
        if rng.random() < 0.1:
            at = rng.randrange(len(raw))
            raw = raw[:at] + rng.randbytes(rng.randrange(1, 9)) + raw[at + 1 :]
        if rng.random() < 0.1:
            raw = raw[: rng.randrange(1, len(raw))]
        yield raw


def _body(rng: random.Random) -> bytes:
    """What might be posted in place of an answer."""
    texts = [LINE, "", "x" * 9000, "layerpipe levels 2: " + "\\u" * 500, LINE.replace("0000", "beef"), LINE + "\n",
             "layerpipe levels 2: page 0123456789abcdef; " + '"a";' * 900, "\x1b[2J", "\u202e" * 50,
             'format = "layerpipe levels 2"\n' + "[[a]]\n" * 500, "/etc/passwd", "../lantern.toml"]
    name = rng.choice(["A", "\x1b]0;x\x07", "n" * 61, "\u202eA"])
    return rng.choice([
        json.dumps({"name": name, "answer": rng.choice(texts)}).encode(), b"{" * 4000, b"[" * 8000, b"\xff\xfe\x00",
        b"null", b'{"name": 1, "answer": 2}', b'{"name": "", "answer": "", "x": 1}',
        b'{"name":"a","name":"b","answer":"c"}', b"1e999999", b"9" * 8000, b"", rng.randbytes(300),
        b"5\r\nabcde\r\n0\r\n\r\n", b"ffffffff\r\n" + b"a" * 100])


def ask(port: int, raw: bytes, *, seconds: float = 60.0) -> bytes:
    """Send bytes, close that side, read what comes back."""
    with socket.create_connection(("127.0.0.1", port), timeout=seconds) as connection:
        try:
            connection.sendall(raw)
            connection.shutdown(socket.SHUT_WR)
            answer = b""
            while piece := connection.recv(65536):
                answer += piece
        except (ConnectionResetError, BrokenPipeError):
            # The server may close before it has read everything.
            return b""
        return answer
