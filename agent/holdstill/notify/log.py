"""The daemon's log: one line for each event, with a level for the journal."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model.foreign_text import printable, printable_lines
from holdstill.system.journald import JournalSocket

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import TextIO

ERROR, WARNING, INFO = 3, 4, 6
"""Of syslog(3); a line that begins with <3> gets that level in the journal (sd-daemon(3))."""


class LevelLog:
    """Writes lines to a stream; what has fields goes to the journal itself, if there is one."""

    def __init__(
        self,
        stream: TextIO,
        *,
        environment: Mapping[str, str] = os.environ,
        journal: JournalSocket | None = None,
    ) -> None:
        self._stream = stream
        self._journal = journal or JournalSocket()
        # systemd sets this for services whose output goes to the journal (systemd.exec(5)).
        self._has_levels = "JOURNAL_STREAM" in environment

    def info(self, text: str, **fields: str) -> None:
        """Log progress; fields are for programs that search the journal."""
        self._say(INFO, text, fields)

    def warning(self, text: str, **fields: str) -> None:
        """Log what should be checked some day."""
        self._say(WARNING, text, fields)

    def error(self, text: str, **fields: str) -> None:
        """Log what went wrong."""
        self._say(ERROR, text, fields)

    def _say(self, level: int, text: str, fields: Mapping[str, str]) -> None:
        if fields and self._has_levels and self._journal.send(_entry(level, text, fields)):
            return
        prefix = f"<{level}>" if self._has_levels else ""
        for line in printable_lines(text):
            self._stream.write(f"{prefix}{line}\n")
        self._stream.flush()


def _entry(level: int, text: str, fields: Mapping[str, str]) -> dict[str, str]:
    """Return the journal's fields: ours begin with HOLDSTILL_, and none of them is empty."""
    own = {
        f"HOLDSTILL_{name.upper()}": printable(value) for name, value in fields.items() if value
    }
    return {
        "MESSAGE": "\n".join(printable_lines(text)),
        "PRIORITY": str(level),
        "SYSLOG_IDENTIFIER": "holdstill",
    } | own
