"""What every request passes first: method, host, rate, and the path of this run that nobody can guess.

Whatever is wrong with a path gets the same answer, so that nothing can be learned by trying. Every response carries
headers that keep it inside its page (W3C Content Security Policy Level 3, Fetch; RFC 9110, RFC 9111).
"""

from __future__ import annotations

import asyncio
import hmac
import time
from collections.abc import Callable, Collection
from typing import Any

from layerpipe.server.limits import Buckets, ServerLimits

Scope = dict[str, Any]
Receive = Callable[[], Any]
Send = Callable[[dict[str, Any]], Any]
App = Callable[[Scope, Receive, Send], Any]

HEADERS = (
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-robots-tag", b"noindex, nofollow"),
)
"""Of every response that has none of the same name."""
_METHODS = ("GET", "POST")


class Door:
    """Wraps the app of a run.

    Parameters
    ----------
    app : ASGI app
        Gets paths without the secret.
    secret : str
        First part of every path.
    hosts : collection of str
        What the Host header may say.
    limits : ServerLimits
    clock : function
        Seconds; never goes back.
    """

    def __init__(self, app: App, *, secret: str, hosts: Collection[str], limits: ServerLimits,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self._app, self._limits = app, limits
        self._secret = secret.encode()
        self._hosts = {host.casefold().encode() for host in hosts}
        self._origins = {b"http://" + host for host in self._hosts}
        self._requests = Buckets(limits.requests_burst, limits.requests_per_s, clock=clock)
        self._answers = Buckets(limits.answers_burst, limits.answers_per_s, clock=clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return

        async def send_guarded(message: dict[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in message["headers"]}
                kept = [header for header in HEADERS if header[0] not in own]
                if b"cache-control" not in own:
                    kept.append((b"cache-control", b"no-store"))
                message = message | {"headers": [*message["headers"], *kept]}
            await send(message)

        inside = self._path_inside(scope)
        refusal = self._refusal(scope, inside)
        if refusal is not None:
            await _refuse(*refusal, send_guarded)
            return
        scope = scope | {"path": inside, "raw_path": inside.encode("utf-8", "surrogatepass"), "query_string": b""}
        try:
            async with asyncio.timeout(self._limits.response_s):
                await self._app(scope, receive, send_guarded)
        except TimeoutError:
            # The server closes a connection whose response was not finished.
            return

    def _path_inside(self, scope: Scope) -> str:
        """The path after the secret; empty if that is wrong."""
        first, slash, rest = scope["path"].removeprefix("/").partition("/")
        known = hmac.compare_digest(first.encode("utf-8", "surrogatepass"), self._secret)
        return slash + rest if known else ""

    def _refusal(self, scope: Scope, inside: str) -> tuple[int, str] | None:
        """Status and words for a request that goes no further."""
        address = scope["client"][0] if scope.get("client") else ""
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        hosts = [value.lower() for name, value in headers if name == b"host"]
        if not self._requests.take(address):
            return 429, "too many requests"
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return 421, "this server has another name"
        if scope["method"] not in _METHODS:
            return 405, "not allowed"
        if not inside:
            return 404, "not found"
        if scope["method"] == "POST":
            origins = [value.lower() for name, value in headers if name == b"origin"]
            if any(origin not in self._origins for origin in origins):
                return 403, "not from this page"
            if not self._answers.take(address):
                return 429, "too many answers"
        return None


async def _refuse(status: int, words: str, send: Send) -> None:
    """A plain refusal that closes the connection."""
    body = f"{words}\n".encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()),
               (b"connection", b"close")]
    if status == 405:
        headers.append((b"allow", ", ".join(_METHODS).encode()))
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
