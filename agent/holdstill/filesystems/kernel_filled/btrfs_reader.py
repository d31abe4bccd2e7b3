"""The subvolumes of a mounted btrfs, as its own tools tell of them.

Shares no code with what made them, nor with what captured them: `btrfs` of btrfs-progs is asked
(btrfs-subvolume(8)).
"""

from __future__ import annotations

import os
import re
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.process import Runner

_LINE = re.compile(rb"ID (\d+) gen \d+ top level \d+ path (.+)")
_DEFAULT = re.compile(rb"ID (\d+)\b")


@dataclass(frozen=True)
class ListedSubvolume:
    """What is told of one subvolume."""

    is_read_only: bool
    is_default: bool


def subvolumes(top: int, machine: Runner) -> dict[bytes, ListedSubvolume]:
    """Return the subvolumes of the file system whose top is open, by their paths from there.

    Raises:
        CommandError: btrfs(8) failed.
    """
    place = f"/proc/{os.getpid()}/fd/{top}"

    def asked(*words: str) -> bytes:
        return machine.run(Command.of("btrfs", "subvolume", *words, place))

    match = _DEFAULT.match(asked("get-default"))
    default = match[1] if match else b""
    read_only = {id_ for id_, _ in _listed(asked("list", "-r"))}
    return {
        path: ListedSubvolume(id_ in read_only, id_ == default)
        for id_, path in _listed(asked("list"))
    }


def _listed(text: bytes) -> Iterator[tuple[bytes, bytes]]:
    for line in text.splitlines():
        if match := _LINE.fullmatch(line):
            yield match[1], match[2]


@contextmanager
def opened(top: int, path: bytes) -> Iterator[int]:
    """Hold a subvolume open."""
    handle = files.open_beneath(top, path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield handle
    finally:
        os.close(handle)
