"""What the daemon says to whoever reads its log: one line each, with a level for the journal."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.notify import letters

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import TextIO

ERROR, WARNING, INFO = 3, 4, 6
"""Of syslog(3); a line that begins with <3> gets that level in the journal (sd-daemon(3))."""


class Lines:
    """Writes lines to a stream."""

    def __init__(self, stream: TextIO, *, environment: Mapping[str, str] = os.environ) -> None:
        self._stream = stream
        # systemd sets this for services whose output goes to the journal (systemd.exec(5)).
        self._has_levels = "JOURNAL_STREAM" in environment

    def info(self, text: str) -> None:
        """Say what is going on."""
        self._say(INFO, text)

    def warning(self, text: str) -> None:
        """Say what somebody should look at one day."""
        self._say(WARNING, text)

    def error(self, text: str) -> None:
        """Say what went wrong."""
        self._say(ERROR, text)

    def _say(self, level: int, text: str) -> None:
        prefix = f"<{level}>" if self._has_levels else ""
        for line in text.splitlines() or [""]:
            self._stream.write(f"{prefix}{letters.printable(line)}\n")
        self._stream.flush()
