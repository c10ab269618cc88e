"""What a server is told at its start; nothing changes afterwards."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from eavefall_model.advice import OfficeSettings
from eavefall_model.errors import ServiceError
from eavefall_model.language import mark

LOOPBACK_SECRET: Final = "for this computer only, never on a network"
_SECRET_LETTERS: Final = 32
_SECRET_HINT: Final = (
    "Set EAVEFALL_SECRET to a random text, for example from `python -c 'import secrets; "
    "print(secrets.token_urlsafe(32))'`, and keep it the same between starts."
)


@dataclass(frozen=True)
class Settings:
    """Settings of one server.

    Attributes
    ----------
    data : Path
        The data directory.
    host, port
        Where to listen.
    public_url : str
        How browsers reach the server, such as ``https://surveys.example``, or ``https://example/surveys``
        where it shares the host with others; empty on loopback.
    secret : str
        Key of the hashes under which sign-ins and links are kept.
    office : str
        Name shown to homeowners.
    answers : OfficeSettings
        Rules, guards and prices that answers rest on; surveys are answered anew when they have changed.

    Raises
    ------
    ServiceError
        ``secret-weak`` off loopback without a secret of one's own, ``public-url-missing`` off loopback
        without a full public address.
    """

    data: Path
    host: str = "127.0.0.1"
    port: int = 8337
    public_url: str = ""
    secret: str = LOOPBACK_SECRET
    office: str = mark("our office")
    answers: OfficeSettings = field(default_factory=OfficeSettings)

    def __post_init__(self) -> None:
        if self.on_loopback and not self.public_url:
            return
        if len(self.secret) < _SECRET_LETTERS or self.secret == LOOPBACK_SECRET:
            raise ServiceError(
                "secret-weak",
                f"The server would be reachable from outside this computer with a secret anyone can guess "
                f"(it needs at least {_SECRET_LETTERS} letters of your own).",
                _SECRET_HINT,
            )
        if (
            urlsplit(self.public_url).scheme not in ("http", "https")
            or not urlsplit(self.public_url).hostname
        ):
            raise ServiceError(
                "public-url-missing",
                "The server would be reachable from outside this computer but does not know its own address.",
                "Give --public-url https://... as people type it.",
            )

    @property
    def on_loopback(self) -> bool:
        """Whether only this computer can reach the server."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def base_url(self) -> str:
        """Start of every full address, without a final slash."""
        return self.public_url.rstrip("/") or f"http://{self.host}:{self.port}"

    @property
    def base_path(self) -> str:
        """Where the site starts on its host, such as ``/eavefall``; empty at the top."""
        return urlsplit(self.base_url).path

    @property
    def origin(self) -> str:
        """Scheme, host and port, as browsers say it."""
        return "{0.scheme}://{0.netloc}".format(urlsplit(self.base_url))

    @property
    def secure_cookies(self) -> bool:
        """Whether cookies may only travel over HTTPS."""
        return self.base_url.startswith("https://")

    @property
    def hosts(self) -> frozenset[str]:
        """Host names under which the server answers."""
        names = {"localhost", "127.0.0.1", "[::1]", self.host}
        if self.public_url:
            names.add(urlsplit(self.public_url).hostname or "")
        return frozenset(names - {"0.0.0.0", "::"})
