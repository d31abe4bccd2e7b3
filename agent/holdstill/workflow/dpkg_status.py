"""The packages that a Debian system has, from dpkg's status file.

The file is paragraphs of `Field: value` lines (Debian Policy Manual, chapter 5.1); the third word
of Status is the package's state (dpkg(1), "Package states").
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

STATUS = b"var/lib/dpkg/status"
"""Its path on the root file system."""
LIMIT = 16 << 20
"""Bytes that we are willing to read; a desktop's has about 5 MB."""
PACKAGES_MOST = 20_000
"""Packages that we are willing to tell; a desktop has about 3,000 (from memory)."""
_ABSENT = frozenset({"not-installed", "config-files"})
_WANTED = frozenset({"package", "status", "architecture", "version"})


def installed(content: bytes) -> dict[str, str] | None:
    """Return the version of every package that is there, by `name:architecture`.

    None where they are more than any system has: whoever wrote that wants the memory of a reader.

    Packages that are half there, such as unpacked ones, count; what only left its configuration
    behind does not. Any bytes are taken: what is no paragraph of a package is passed over.
    """
    found: dict[str, str] = {}
    for paragraph in _paragraphs(io.BytesIO(content)):
        state = paragraph.get("status", "").split()[-1:]
        name, version = paragraph.get("package", ""), paragraph.get("version", "")
        if name and version and state and state[0] not in _ABSENT:
            found[f"{name}:{paragraph.get('architecture', '')}"] = version
            if len(found) > PACKAGES_MOST:
                return None
    return found


def _paragraphs(lines: Iterable[bytes]) -> Iterator[dict[str, str]]:
    fields: dict[str, str] = {}
    for line in lines:
        if not line.strip():
            yield fields
            fields = {}
            continue
        name, colon, value = line.partition(b":")
        key = name.decode("ascii", errors="replace").lower()
        if colon and key in _WANTED:  # a line that goes on the one before begins with a blank
            fields[key] = value.strip().decode(errors="backslashreplace")
    yield fields
