"""The server while it runs: in a thread, with limits on connections, and stopped when its time is over."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections import Counter
from collections.abc import Callable
from typing import Any

from layerpipe.core.errors import OutputError
from layerpipe.server.door import App
from layerpipe.server.limits import ServerLimits

_START_S = _END_S = 60.0
"""Much longer than either takes on a loaded machine."""
_HEAD_BYTES = 16 << 10
"""Largest head of a request; a browser's has about one KB."""
_CUT_SHORT = tuple(f"ASGI callable returned without {what} response." for what in ("starting", "completing"))
"""What the web server says of a response that was not made or taken in time (`ServerLimits.response_s`)."""


class RunningServer:
    """Serves an app until it is closed or its time is over; use as a context manager.

    Parameters
    ----------
    app : ASGI app
    listener : socket
        Bound and listening; closed with the server.
    limits : ServerLimits
    on_problem : function of str
        Called with what went wrong in the server, one line each.
    """

    def __init__(self, app: App, listener: socket.socket, limits: ServerLimits,
                 on_problem: Callable[[str], None]) -> None:
        import uvicorn

        _send_log_to(on_problem)
        self._listener = listener
        self._server = uvicorn.Server(uvicorn.Config(
            app, http=_guarded_protocol(limits), ws="none", lifespan="off", log_config=None, log_level="error",
            access_log=False, server_header=False, date_header=False, proxy_headers=False, loop="asyncio",
            limit_concurrency=limits.connections, timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=_HEAD_BYTES))
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listener]}, name="server",
                                        daemon=True)
        self._end = threading.Timer(limits.lifetime_s, self._stop)
        self._end.daemon = True

    @property
    def is_running(self) -> bool:
        """Whether it still answers."""
        return self._thread.is_alive() and not self._server.should_exit

    def __enter__(self) -> RunningServer:
        self._thread.start()
        self._end.start()
        waiting = threading.Event()
        for _ in range(round(_START_S / 0.02)):
            if self._server.started:
                return self
            waiting.wait(0.02)
        self.close()
        raise OutputError("the server did not start")

    def __exit__(self, *failure: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop; connections get a second to finish."""
        self._end.cancel()
        self._stop()
        self._thread.join(_END_S)
        self._listener.close()

    def _stop(self) -> None:
        self._server.should_exit = True


class _ToTerminal(logging.Handler):
    """Hands each message on as one line; a traceback helps nobody at a mixing desk."""

    def __init__(self, on_problem: Callable[[str], None]) -> None:
        super().__init__(logging.ERROR)
        self._on_problem = on_problem

    def emit(self, record: logging.LogRecord) -> None:
        """One message."""
        if record.getMessage() in _CUT_SHORT:
            return
        mistake = record.exc_info[1] if record.exc_info else None
        reason = f" ({type(mistake).__name__}: {mistake})" if mistake else ""
        self._on_problem(f"the server made a mistake: {record.getMessage().splitlines()[0]}{reason}")


def _send_log_to(on_problem: Callable[[str], None]) -> None:
    """Messages of the web server go to one place only."""
    for name in ("uvicorn", "uvicorn.error", "asyncio"):
        log = logging.getLogger(name)
        log.propagate = False
        log.handlers = [] if name == "uvicorn.error" else [_ToTerminal(on_problem)]
    logging.getLogger("uvicorn.error").handlers = [_ToTerminal(on_problem)]


def _guarded_protocol(limits: ServerLimits) -> type[asyncio.Protocol]:
    """The web server's protocol, which also closes connections that ask for nothing and counts those of an address."""
    import h11
    from uvicorn.protocols.http.h11_impl import H11Protocol

    open_of: Counter[str] = Counter()

    class GuardedProtocol(H11Protocol):
        """Asks every so often whether a request has been finished since."""

        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._address = self.client[0] if self.client else ""
            self._seen: object = None
            self._was_closing = False
            open_of[self._address] += 1
            self._look: asyncio.TimerHandle = self.loop.call_later(limits.idle_s, self._close_if_idle)
            if open_of[self._address] > limits.connections_per_address:
                transport.abort()

        def connection_lost(self, exc: Exception | None) -> None:
            self._look.cancel()
            open_of[self._address] -= 1
            if open_of[self._address] <= 0:
                del open_of[self._address]
            super().connection_lost(exc)

        def _close_if_idle(self) -> None:
            """Close if no request has arrived since the last look and none is being answered.

            Closing waits for the client to take what was sent: not longer than until the next look.
            """
            if self._was_closing or (self.conn.their_state is h11.IDLE and self._seen is self.cycle):
                self.transport.abort()
                return
            self._seen, self._was_closing = self.cycle, self.transport.is_closing()
            self._look = self.loop.call_later(limits.idle_s, self._close_if_idle)

    return GuardedProtocol
