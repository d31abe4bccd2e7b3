"""One-time links: what a command prints, and a browser exchanges for a session.

Each is a file in a folder that only the page's user can read, named by the SHA-256 of its token:
the command that prints a link and the server that takes it are different processes. Whoever
removes the file has used the link, and only one can. The folder is in memory and does not survive
a restart of the machine, nor does the clock by which links end.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from holdstill.model.layout import Record
from holdstill.page.roles import Role
from holdstill.page.sessions import hashed, new_token
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.system.clocks import Clock

LASTS = 600.0
"""Seconds in which a link has to be used."""


class _Link(Record, frozen=True, kw_only=True):
    """What a link is good for, and until when by the clock that is never set."""

    role: Role
    ends: float


@dataclass(frozen=True)
class Links:
    """The links of one page, in a folder that nobody else can read."""

    folder: Path
    clock: Clock

    def make(self, role: Role) -> str:
        """Make a link; return its token.

        Raises:
            OSError: the folder is not there, or not this user's.
        """
        token = new_token()
        link = _Link(role=role, ends=self.clock.monotonic() + LASTS)
        files.publish(self.folder / hashed(token), msgspec.json.encode(link))
        return token

    def redeem(self, token: str) -> Role | None:
        """Use a link up; return the role that it gives, None for one that is not good."""
        self._clean()
        path = self.folder / hashed(token)
        try:
            link = msgspec.json.decode(files.read_regular(path), type=_Link)
            path.unlink()
        except (OSError, msgspec.MsgspecError):
            return None
        return link.role if link.ends > self.clock.monotonic() else None

    def _clean(self) -> None:
        """Remove the links that nobody has used in time."""
        for path in self.folder.iterdir():
            with suppress(OSError, msgspec.MsgspecError):
                link = msgspec.json.decode(files.read_regular(path), type=_Link)
                if link.ends <= self.clock.monotonic():
                    path.unlink(missing_ok=True)
