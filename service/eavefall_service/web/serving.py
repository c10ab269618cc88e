"""The HTTP server's own configuration: limits of time and size before any route is asked, and at the end."""

from __future__ import annotations

import contextlib
import ctypes
import sys
from asyncio import TimerHandle, Transport
from typing import Any, Final, cast

import uvicorn
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from eavefall_service.web import limits

# malloc.h of glibc
_M_MMAP_THRESHOLD: Final = -3
_M_ARENA_MAX: Final = -8


def server_config(app: Any, host: str, port: int, trusted_proxy: str = "") -> uvicorn.Config:
    """How the service is run.

    Parameters
    ----------
    trusted_proxy : str
        Address of the reverse proxy whose ``X-Forwarded-For`` is believed; empty believes nobody, since
        any client can send that header.
    """
    return uvicorn.Config(
        app,
        host=host,
        port=port,
        http=LimitedHttp,
        access_log=False,  # the addresses of homeowners' links are secrets; the routes are logged instead
        log_config=None,
        server_header=False,
        log_level="info",
        proxy_headers=bool(trusted_proxy),
        forwarded_allow_ips=trusted_proxy,
        timeout_graceful_shutdown=limits.SHUTDOWN_S,
    )


def give_memory_back() -> None:
    """Let freed memory go back to the system (glibc, mallopt(3)); elsewhere this does nothing.

    Otherwise each of some forty threads keeps a heap of its own, and the size from which memory is mapped by
    itself grows with the largest photo that was freed.
    """
    with contextlib.suppress(OSError, AttributeError):
        libc = ctypes.CDLL("libc.so.6")
        libc.mallopt(_M_ARENA_MAX, 2)
        libc.mallopt(_M_MMAP_THRESHOLD, 1 << 20)


def trim_memory() -> None:
    """Give back what lies free between what is used (glibc, malloc_trim(3)); elsewhere this does nothing."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL("libc.so.6").malloc_trim(0)


def take_short_turns() -> None:
    """Change threads ten times as often as Python does by itself, so that pages do not wait for drawings."""
    sys.setswitchinterval(limits.SWITCH_S)


class LimitedHttp(HttpToolsProtocol):
    """A connection whose requests must start soon, and end when they were answered.

    The server behind it waits for ever for the rest of a header, and reads on in a body that was refused.
    """

    _start_by: TimerHandle | None = None
    _linger: TimerHandle | None = None
    _header_bytes = 0
    _in_body = False

    def connection_made(self, transport: Transport) -> None:  # type: ignore[override]
        """A client is there; its first request has to come within the limit."""
        super().connection_made(transport)
        self._wait_for_header()

    def data_received(self, data: bytes) -> None:
        """Bytes of a header or a body."""
        # The rest of a body that was refused is no header of the next request.
        if (
            self._start_by is None
            and not self._in_body
            and (self.cycle is None or self.cycle.response_complete)
        ):
            self._wait_for_header()  # the next request on a kept connection
        if self._start_by is not None:
            self._header_bytes += len(data)
        super().data_received(data)
        if self._start_by is not None and self._header_bytes > limits.HEADER_BYTES:
            self.transport.close()

    def on_headers_complete(self) -> None:
        """The header is there; what follows is the body, which the routes' own limits watch over."""
        self._stop_waiting()
        self._in_body = True
        super().on_headers_complete()

    def on_response_complete(self) -> None:
        """The answer is out; a client that still sends the body gets a moment to read it."""
        unread = self.cycle is not None and self.cycle.more_body
        super().on_response_complete()
        if unread and not self.transport.is_closing():
            self._linger = self.loop.call_later(limits.LINGER_S, self.transport.close)

    def on_message_complete(self) -> None:
        """The whole body is there after all: the connection may carry the next request."""
        self._in_body = False
        if self._linger is not None:
            self._linger.cancel()
            self._linger = None
        super().on_message_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """The client is gone."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait_for_header(self) -> None:
        self._header_bytes = 0
        self._start_by = self.loop.call_later(limits.HEADER_S, cast(Any, self.transport).close)

    def _stop_waiting(self) -> None:
        if self._start_by is not None:
            self._start_by.cancel()
            self._start_by = None
