"""The servers of the web tests, and a browser's eye for the record."""

from __future__ import annotations

from ..web.conftest import own_server, server_process  # noqa: F401  (fixtures)
