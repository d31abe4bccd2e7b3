"""Where a system names what it mounts and unlocks: fstab(5) and crypttab(5). Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass

MAY_FAIL = frozenset({"nofail", "noauto", "x-systemd.automount"})
"""Options of an entry without which a system starts as well (systemd.mount(5))."""
BY = {
    "by-uuid": "UUID",
    "by-partuuid": "PARTUUID",
    "by-label": "LABEL",
    "by-partlabel": "PARTLABEL",
}
"""The folders below /dev/disk, and what fstab(5) calls the names in them."""
_DEVICE = re.compile(r"/dev/(?:mmcblk\d+p|nvme\d+n\d+p|(?:sd|vd|hd|xvd)[a-z]+)(\d+)")
_QUOTES = "\"'"
_OCTAL = re.compile(r"\\([0-7]{3})")
_HEX = re.compile(r"\\x([0-9a-fA-F]{2})")


@dataclass(frozen=True)
class FstabEntry:
    """A line of fstab(5)."""

    spec: str
    point: str
    kind: str
    options: tuple[str, ...]

    @property
    def may_fail(self) -> bool:
        """Whether the system starts without it."""
        return bool(MAY_FAIL & set(self.options))


@dataclass(frozen=True)
class CrypttabEntry:
    """A line of crypttab(5): the mapping that is made, and the device that it is made of.

    Attributes:
        key: the third field, for most a key file; "" where there is none.
    """

    name: str
    spec: str
    options: tuple[str, ...]
    key: str = ""

    @property
    def may_fail(self) -> bool:
        """Whether the system starts without it."""
        return bool(MAY_FAIL & set(self.options))


def parse_fstab(text: str) -> list[FstabEntry]:
    """Understand fstab(5)."""
    return [
        FstabEntry(fields[0], fields[1], fields[2], _options(fields, ("defaults",)))
        for fields in _lines(text, least=3)
    ]


def parse_crypttab(text: str) -> list[CrypttabEntry]:
    """Understand crypttab(5)."""
    return [
        CrypttabEntry(fields[0], fields[1], _options(fields, ()), "".join(fields[2:3]))
        for fields in _lines(text, least=2)
    ]


def _lines(text: str, *, least: int) -> list[list[str]]:
    """Return the fields of each line that has so many, without comments, unescaped."""
    found = []
    for line in text.splitlines():
        fields = [_OCTAL.sub(lambda code: chr(int(code[1], 8)), word) for word in line.split()]
        if len(fields) >= least and not fields[0].startswith("#"):
            found.append(fields)
    return found


def _options(fields: list[str], usual: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(fields[3].split(",")) if len(fields) > 3 else usual


def normal_spec(spec: str) -> str:
    """Write /dev/disk/by-uuid/x as UUID=x, and so on."""
    head, _, value = spec.rpartition("/")
    kind = BY.get(head.removeprefix("/dev/disk/"), "") if head.startswith("/dev/disk/") else ""
    plain = _HEX.sub(lambda match: chr(int(match[1], 16)), value)
    return f"{kind}={plain}" if kind else spec


def partition_slot(spec: str) -> int | None:
    """Return the number of the partition that a device's name ends in; None for other names."""
    match = _DEVICE.fullmatch(spec)
    return int(match[1]) if match else None


def folded(name: str) -> str:
    """Write a UUID in lower case; a label as it is."""
    kind, _, value = name.partition("=")
    return f"{kind}={value.strip(_QUOTES).lower()}" if kind.endswith("UUID") else (
        f"{kind}={value.strip(_QUOTES)}" if value else name
    )  # fmt: skip
