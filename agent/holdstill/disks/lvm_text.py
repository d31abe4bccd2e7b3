"""LVM's metadata as text: sections, numbers, strings and lists, read and written.

Source: lvm2, lib/format_text/format-text.c and libdm/libdm-config.c.
"""

from __future__ import annotations

import re
import zlib
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError

if TYPE_CHECKING:
    from collections.abc import Iterator

Value = int | str | list["int | str"]
Section = dict[str, "Value | Section"]

_CRC_START = 0xF597A6CF
DEPTH_MAX = 8
"""Sections in sections: LVM writes four."""
_TOKEN = re.compile(
    r"""(?P<skip>[\s,]+|\#[^\n]*)|(?P<string>"(?:[^"\\]|\\.)*")|(?P<number>-?\d+(?![\w.]))"""
    r"""|(?P<mark>[{}=\[\]])|(?P<name>[^\s{}=\[\]",\#]+)"""
)


def checksum(data: bytes) -> int:
    """Return LVM's CRC-32 (lvm2, lib/misc/crc.c)."""
    return zlib.crc32(data, _CRC_START ^ 0xFFFFFFFF) ^ 0xFFFFFFFF


def parse(text: str) -> Section:
    """Return what a metadata text says.

    Raises:
        LayoutError: it is none.
    """
    tokens = list(_tokens(text))
    found, end = _section(tokens, 0, 0)
    if end != len(tokens):
        raise LayoutError("LVM's metadata has a bracket too many")
    return found


def rendered(section: Section, indent: str = "") -> str:
    """Return the text of a section, as LVM reads it."""
    lines = []
    for name, value in section.items():
        if isinstance(value, dict):
            lines += [f"{indent}{name} {{", rendered(value, f"{indent}\t"), f"{indent}}}"]
        else:
            lines.append(f"{indent}{name} = {_word(value)}")
    return "\n".join(lines)


def _word(value: Value) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_word, value))}]"
    if isinstance(value, int):
        return str(value)
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _tokens(text: str) -> Iterator[tuple[str, str]]:
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            raise LayoutError(f"LVM's metadata cannot be read at character {at}")
        at = found.end()
        if found.lastgroup and found.lastgroup != "skip":
            yield found.lastgroup, found[0]


def _section(tokens: list[tuple[str, str]], at: int, depth: int) -> tuple[Section, int]:
    if depth > DEPTH_MAX:
        raise LayoutError("LVM's metadata has too many sections in sections")
    found: Section = {}
    while at < len(tokens) and tokens[at] != ("mark", "}"):
        (kind, name), mark = tokens[at], _at(tokens, at + 1)
        if kind not in {"name", "number"} or mark not in {("mark", "{"), ("mark", "=")}:
            raise LayoutError(f"LVM's metadata has {name[:40]!r} where a name belongs")
        if mark == ("mark", "{"):
            found[name], at = _section(tokens, at + 2, depth + 1)
            if _at(tokens, at) != ("mark", "}"):
                raise LayoutError("LVM's metadata ends in the middle of a section")
            at += 1
        else:
            found[name], at = _value(tokens, at + 2)
    return found, at


def _at(tokens: list[tuple[str, str]], at: int) -> tuple[str, str]:
    return tokens[at] if at < len(tokens) else ("end", "")


def _value(tokens: list[tuple[str, str]], at: int) -> tuple[Value, int]:
    if _at(tokens, at) != ("mark", "["):
        return _scalar(_at(tokens, at)), at + 1
    items: list[int | str] = []
    at += 1
    while _at(tokens, at) != ("mark", "]"):
        items.append(_scalar(_at(tokens, at)))
        at += 1
    return items, at + 1


def _scalar(token: tuple[str, str]) -> int | str:
    kind, text = token
    if kind == "number":
        return int(text)
    if kind == "string":
        return re.sub(r"\\(.)", r"\1", text[1:-1])
    raise LayoutError(f"LVM's metadata has {text[:40]!r} where a value belongs")
