"""Which programs may be run as root because a settings file names them.

Any user who may write to a program, or to a directory on the path to it, decides what root
runs. So all of them must belong to root, and be writable by root only.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import SecurityError, UsageError
from holdstill.system.process import PLAIN_ENVIRONMENT

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator, Sequence

LINKS_MAX = 40
"""Symbolic links on the way to one program, as in the kernel."""
INTERPRETERS = frozenset({
    "ash", "awk", "bash", "busybox", "dash", "env", "ksh", "lua", "node", "perl", "php",
    "ruby", "sh", "zsh",
})  # fmt: skip
"""Programs whose arguments are programs; and every python."""


class LinkReader(Protocol):
    """What there is to see of files."""

    def lstat(self, path: Path) -> os.stat_result:
        """Describe a file without following it; OSError if there is none."""

    def readlink(self, path: Path) -> Path:
        """Read a symbolic link."""


class LocalFiles:
    """The files of this machine."""

    def lstat(self, path: Path) -> os.stat_result:
        """Describe a file without following it; OSError if there is none."""
        return path.lstat()

    def readlink(self, path: Path) -> Path:
        """Read a symbolic link."""
        return path.readlink()


@dataclass(frozen=True)
class _Step:
    path: Path
    found: os.stat_result


def check_command(words: Sequence[str], files: LinkReader | None = None) -> None:
    """Check every program that these words would run.

    Raises:
        UsageError: there is no such program.
        SecurityError: somebody else than root may decide what it does.
    """
    looking = files or LocalFiles()
    program = _find(words[0], looking)
    check_program(program, looking)
    if program.name in INTERPRETERS or program.name.startswith("python"):
        for word in words[1:]:
            # Relative arguments are no paths to a script: hooks run in /, where there are none.
            if word.startswith("/") and _is_file(Path(word), looking):
                check_program(Path(word), looking)


def _is_file(path: Path, files: LinkReader) -> bool:
    try:
        return not stat.S_ISDIR(files.lstat(path).st_mode)
    except OSError:
        return False


def _find(word: str, files: LinkReader) -> Path:
    if word.startswith("/"):
        return Path(word)
    if "/" in word:
        raise UsageError(f"{word} must be an absolute path, or a bare name")
    for directory in PLAIN_ENVIRONMENT["PATH"].split(":"):
        if _is_file(Path(directory, word), files):
            return Path(directory, word)
    raise UsageError(f"there is no program {word}", hint="install it, or give its whole path")


def check_program(path: Path, files: LinkReader) -> None:
    """Check one program, and everything on the way to it, links included.

    Raises:
        UsageError: there is no such program.
        SecurityError: somebody else than root may decide what it does.
    """
    try:
        steps = list(_walk(path, files))
    except OSError as error:
        raise UsageError(f"cannot find {path}: {error.strerror}") from error
    for step in steps:
        mode, owner = step.found.st_mode, step.found.st_uid
        what = f"{step.path}, on the way to {path}," if step.path != path else str(path)
        if owner != 0:
            raise SecurityError(
                f"refused to run {path}: {what} belongs to user {owner}, not to root",
                hint=f"`chown root {step.path}`, after making sure that what it holds is yours",
            )
        # A link's own mode means nothing; the directory that it is in was checked before it.
        if not stat.S_ISLNK(mode) and mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise SecurityError(
                f"refused to run {path}: others than root may write to {what.rstrip(',')}",
                hint=f"`chmod go-w {step.path}`, after making sure that what it holds is yours",
            )
    if not stat.S_ISREG(steps[-1].found.st_mode):
        raise SecurityError(f"{path} is no regular file")


def _walk(path: Path, files: LinkReader) -> Iterator[_Step]:
    """Yield every directory, link and file on the way, from / on."""
    here, names, links = Path("/"), list(path.parts[1:]), 0
    yield _Step(here, files.lstat(here))
    while names:
        name = names.pop(0)
        if name == "..":
            here = here.parent
            continue
        step = _Step(here / name, files.lstat(here / name))
        yield step
        if not stat.S_ISLNK(step.found.st_mode):
            here = step.path
            continue
        links += 1
        if links > LINKS_MAX:
            raise SecurityError(f"too many links on the way to {path}")
        target = files.readlink(step.path)
        names = [*target.parts[target.is_absolute() :], *names]
        here = Path("/") if target.is_absolute() else here
