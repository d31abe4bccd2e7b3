"""Old ids of disks, partitions and file systems, and the new ones that replace them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True)
class RewrittenText:
    """A file with new ids.

    Attributes:
        content: the whole file.
        replaced: old and new of what was replaced, each once, as it was written there.
    """

    content: bytes
    replaced: tuple[tuple[str, str], ...]


class IdMap:
    """Old ids and their new ones, found as whole words in any text."""

    def __init__(
        self, pairs: Mapping[str, str], *, devices: Mapping[str, str] | None = None
    ) -> None:
        """Prepare; devices are names of device nodes, whose case means something."""
        self._devices = dict(devices or {})
        self._new = {old.lower(): new for old, new in (*pairs.items(), *self._devices.items())}
        longest_first = sorted(self._new, key=len, reverse=True)
        words = "|".join(re.escape(old) for old in longest_first) or r"(?!)"
        text = rf"(?<![0-9A-Za-z-])(?:{words})(?![0-9A-Za-z-])"
        self._pattern = re.compile(text.encode(), re.IGNORECASE)

    def replace(self, content: bytes) -> RewrittenText:
        """Put new ids in the place of old ones, in upper or lower case as these were."""
        replaced: dict[str, str] = {}

        def new(match: re.Match[bytes]) -> bytes:
            old = match[0].decode()
            replaced[old] = self._like(old)
            return replaced[old].encode()

        return RewrittenText(self._pattern.sub(new, content), tuple(replaced.items()))

    def _like(self, old: str) -> str:
        if old in self._devices:
            return self._devices[old]
        new = self._new[old.lower()]
        if old.islower():
            return new.lower()
        return new.upper() if old.isupper() else new
