"""What a server counts for whoever watches it, in the Prometheus text format by ``prometheus-client``.

Labels are routes as the code names them, never addresses as people typed them: those may hold links.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, start_http_server

from eavefall_model.errors import ServiceError

_METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "DELETE"})
_BUCKETS_S: Final = (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30)


class Metrics:
    """Counters of one server, in a registry of their own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._answers = Counter(
            "eavefall_answers", "Answers given.", ["method", "route", "status"], registry=self.registry
        )
        self._seconds = Histogram(
            "eavefall_answer_seconds", "Time until an answer was out.", ["route"],
            buckets=_BUCKETS_S, registry=self.registry,
        )  # fmt: skip
        self._open = Gauge("eavefall_requests_open", "Requests being answered.", registry=self.registry)

    def began(self) -> None:
        """A request is there."""
        self._open.inc()

    def answered(self, method: str, route: str, status: int, seconds: float) -> None:
        """It was answered, or its sender has gone."""
        self._open.dec()
        self._answers.labels(method if method in _METHODS else "other", route, str(status)).inc()
        self._seconds.labels(route).observe(seconds)

    def watch(self, name: str, words: str, value: Callable[[], float]) -> None:
        """A value that is looked up when somebody asks."""
        Gauge(f"eavefall_{name}", words, registry=self.registry).set_function(value)

    def watch_disk(self, folder: Path) -> None:
        """Free bytes where the data lie."""
        self.watch("free_disk_bytes", "Free disk space of the data.", lambda: shutil.disk_usage(folder).free)


def serve_metrics(metrics: Metrics, port: int) -> Callable[[], None]:
    """Answer ``/metrics`` on an address that only this computer reaches; returns what stops it.

    Raises
    ------
    ServiceError
        ``port-taken``.
    """
    try:
        server, thread = start_http_server(port, addr="127.0.0.1", registry=metrics.registry)
    except OSError as error:
        raise ServiceError(
            "port-taken", f"Port {port} cannot be used ({error.strerror}).", "Choose another --metrics-port."
        ) from error

    def stop() -> None:
        server.shutdown()
        server.server_close()
        thread.join()

    return stop
