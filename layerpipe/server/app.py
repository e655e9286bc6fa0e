"""What the server answers: the page, its sounds, the number of the newest version, and one kind of POST."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from typing import Protocol, cast

from layerpipe.core.errors import OutputError
from layerpipe.outputs.artist_page import AnswerError
from layerpipe.server.comments import CommentsFull
from layerpipe.server.door import App, Door
from layerpipe.server.limits import ServerLimits
from layerpipe.server.pages import SharedPages

_PAGE_POLICY = "frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
"""What a page cannot say itself; its own policy allows its one script, its style and its server."""


class TooLarge(Exception):  # noqa: N818 - never leaves this file
    """More was posted than an answer can hold."""


class AnswerTaker(Protocol):
    """Reads what was posted from an address and hands it on; raises AnswerError or OutputError."""

    def take(self, body: bytes, address: str, /) -> None:
        """Read and hand on."""
        ...


def make_app(pages: SharedPages, inbox: AnswerTaker, *, secret: str, hosts: Collection[str], limits: ServerLimits,
             on_problem: Callable[[str], None]) -> App:
    """Put the app of one run together.

    Parameters
    ----------
    pages : SharedPages
        Holds at least one version.
    inbox : AnswerTaker
    secret : str
        First part of every path.
    hosts : collection of str
        What the Host header may say.
    limits : ServerLimits
    on_problem : function of str
        Called with what the person at the terminal should know.

    Returns
    -------
    ASGI app
    """
    from starlette.concurrency import run_in_threadpool
    from starlette.requests import ClientDisconnect, Request
    from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
    from starlette.routing import Route, Router

    async def page(request: Request) -> Response:
        return Response(pages.newest.page, media_type="text/html; charset=utf-8",
                        headers={"content-security-policy": _PAGE_POLICY})

    async def version(request: Request) -> Response:
        return JSONResponse({"version": pages.newest.number})

    async def sound(request: Request) -> Response:
        found = await run_in_threadpool(pages.file, request.path_params["name"])
        if found is None:
            return PlainTextResponse("not found\n", 404)
        path, media_type = found
        return FileResponse(path, media_type=media_type,
                            headers={"cache-control": "private, max-age=43200, immutable"})

    async def answer(request: Request) -> Response:
        if request.headers.get("content-type", "").partition(";")[0].strip().casefold() != "application/json":
            return _problem("send JSON", 415)
        try:
            async with asyncio.timeout(limits.body_s):
                body = await _body(request)
            await run_in_threadpool(inbox.take, body, request.client.host if request.client else "")
        except (TimeoutError, ClientDisconnect):
            return _problem("the answer did not arrive in time", 408)
        except TooLarge:
            return _problem(f"more than {limits.most_post_bytes} bytes", 413)
        except AnswerError as refusal:
            return _problem(str(refusal), 400)
        except CommentsFull as refusal:
            on_problem(str(refusal))
            return _problem("no further answer can be kept", 507)
        except OutputError as refusal:
            on_problem(f"an answer could not be kept; the sender was told. {refusal}")
            return _problem("the answer could not be kept", 503)
        return JSONResponse({"kept": True})

    async def _body(request: Request) -> bytes:
        body = b""
        async for piece in request.stream():
            body += piece
            if len(body) > limits.most_post_bytes:
                raise TooLarge
        return body

    def _problem(words: str, status: int) -> Response:
        # What is left of the request is not read.
        return JSONResponse({"problem": words}, status, {"connection": "close"})

    router = Router([
        Route("/", page, methods=["GET"]),
        Route("/version", version, methods=["GET"]),
        Route("/sound/{name}", sound, methods=["GET"]),
        Route("/answer", answer, methods=["POST"]),
    ], redirect_slashes=False)
    return Door(cast(App, router), secret=secret, hosts=hosts, limits=limits)
