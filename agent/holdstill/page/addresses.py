"""By which addresses a page may be asked for: against DNS rebinding and foreign forms. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Self
from urllib.parse import urlsplit

from holdstill.errors import UsageError

_LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_PORTS = {"http": 80, "https": 443}
_HOST = re.compile(r"(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::[0-9]{1,5})?")
"""A name or an address, and a port (RFC 9110, 7.2); a name as hosts have it (RFC 1123, 2.1)."""


@dataclass(frozen=True)
class Addresses:
    """The addresses of a page.

    At the machine itself, or through a tunnel, it is loopback by any port: no other site can have
    a name of that. Any other address is given in full.

    Attributes:
        public: such as https://boathouse.example, where a reverse proxy answers; "" for none.
    """

    public: str = ""

    @classmethod
    def parse(cls, public: str) -> Self:
        """Read the address of a reverse proxy.

        Raises:
            UsageError: it is none.
        """
        host, scheme, rest = _host(public), urlsplit(public).scheme, urlsplit(public)
        if public and (host is None or scheme not in _PORTS or rest.path.strip("/") or rest.query):
            raise UsageError(
                f"{public!r} is not the address of a page",
                hint="give it as a browser shows it, without a path: https://boathouse.example",
            )
        return cls(public.rstrip("/"))

    @property
    def is_secure(self) -> bool:
        """Whether browsers come by TLS, so that the cookie may go by nothing else."""
        return self.public.startswith("https://")

    def is_ours(self, host: str) -> bool:
        """Return whether a Host header names this page."""
        found = _host(f"http://{host}") if _HOST.fullmatch(host) else None
        if found is None:
            return False
        scheme = urlsplit(self.public).scheme
        if self.public:
            return _host(f"{scheme}://{host}") == _host(self.public)
        return found[0] in _LOOPBACK

    def is_from_us(self, origin: str, host: str) -> bool:
        """Return whether an Origin header names this page, asked for by this Host."""
        return self.is_ours(host) and origin == (self.public or f"http://{host}")


def _host(address: str) -> tuple[str, int] | None:
    """Return name and port of an address; None if it has none, or something beside them."""
    try:
        parts = urlsplit(address)
        port = parts.port or _PORTS.get(parts.scheme, 0)
    except ValueError:
        return None
    if not parts.hostname or "@" in parts.netloc or parts.netloc != parts.netloc.strip():
        return None
    return parts.hostname, port
