"""Who a process runs as, and starting again as somebody else."""

from __future__ import annotations

import os
import pwd
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from holdstill.errors import CommandError
from holdstill.system import process
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import Path
    from typing import NoReturn

    from holdstill.system.process import Runner


@dataclass(frozen=True)
class User:
    """A user: the numbers, which the kernel knows, and what the system's list of users adds.

    Attributes:
        name: "" for a user who is in no list, as in a container.
        home: "" for one without a name.
    """

    uid: int
    gid: int
    name: str = ""
    home: str = ""

    @classmethod
    def owner_of(cls, path: Path) -> Self:
        """Return whom a file or directory belongs to; a symlink is not followed."""
        found = path.lstat()
        return cls._known(found.st_uid, found.st_gid)

    @classmethod
    def of_this_process(cls) -> Self:
        """Return whom this process runs as."""
        return cls._known(os.geteuid(), os.getegid())

    @classmethod
    def _known(cls, uid: int, gid: int) -> Self:
        try:
            known = pwd.getpwuid(uid)
        except KeyError:
            return cls(uid, gid)
        return cls(known.pw_uid, known.pw_gid, known.pw_name, known.pw_dir)

    @property
    def called(self) -> str:
        """The name, or the number as sudo(8) takes it."""
        return self.name or f"#{self.uid}"


def may_read(user: User, path: Path, runner: Runner) -> bool:
    """Return whether a user, in all of its groups, may read a file; only root can ask."""
    try:
        runner.run(Command.of(*become(user), "test", "-r", path))
    except CommandError:
        return False
    return True


def start_again_as(user: User) -> NoReturn:
    """Start this program again with the same command line, as this user and in its groups.

    A new process and not this one, for it might lack what the user may not read, such as parts of
    Python that are loaded only when needed. By setpriv(1), which has no settings that could forbid
    or change it.

    Raises:
        PreflightError: setpriv is not installed.
    """
    process.require("setpriv")
    called = {"HOME": user.home or "/", "USER": user.called, "LOGNAME": user.called}
    process.start_again(*become(user), environment=os.environ | called)


def become(user: User) -> tuple[str, ...]:
    """Return the words before a command that is to run as this user, in its groups."""
    groups = "--init-groups" if user.name else "--clear-groups"
    return (
        "setpriv", f"--reuid={user.uid}", f"--regid={user.gid}", groups, "--inh-caps=-all", "--",
    )  # fmt: skip
