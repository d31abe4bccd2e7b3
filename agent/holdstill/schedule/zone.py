"""The board's time zone, as its owner has set it; a changed setting is noticed."""

from __future__ import annotations

import os
from datetime import UTC, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

LOCALTIME = Path("/etc/localtime")


class LocalZone:
    """Reads localtime(5); it is UTC where there is none."""

    def __init__(self, path: Path = LOCALTIME) -> None:
        self._path = path
        self._read_from: tuple[int, int, str] | None = None
        self._zone: tzinfo = UTC

    def __call__(self) -> tzinfo:
        """Return the zone that is set now; the same object as long as it stays so."""
        found = self._identity()
        if found != self._read_from:
            self._read_from, self._zone = found, self._read()
        return self._zone

    def _identity(self) -> tuple[int, int, str] | None:
        try:
            status = self._path.stat()
        except OSError:
            return None
        return status.st_ino, status.st_mtime_ns, os.path.realpath(self._path)

    def _read(self) -> tzinfo:
        # By its bytes, not by its name: a small board may have lost the database of names.
        try:
            with self._path.open("rb") as file:
                return ZoneInfo.from_file(file, key="local time")
        except (OSError, ValueError):
            return UTC
