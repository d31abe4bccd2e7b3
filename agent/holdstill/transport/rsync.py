"""Bulk bytes travel by rsync, over OpenSSH or into a directory of this machine.

rsync gets a folder in memory that holds one symlink for each file, named as the file is to be
named at the other end, and follows them. So no file name of the board ever reaches a command
line, a list of names or the keeper's disk, and no option about owners, modes, times, specials
or recursion into real trees is needed at all:

- names are digests, so nothing can start with `#`, `;` or `-`;
- it does not descend (--dirs): a file that was replaced by a directory meanwhile stays one name;
- everything is compared by content (--ignore-times), never by size and whole seconds;
- an interrupted file is continued (--inplace), and the keeper's hash decides, so that
  it does not matter what rsync reports.

In place, rsync can use an older content for what stayed where it was or moved to the front; what
moved towards the end is sent again. That suits databases and logs, which is what large files
that change are.
"""

from __future__ import annotations

import os
import re
import select
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import (
    CommandError,
    ConnectionLostError,
    HoldstillError,
    LinkError,
    PreflightError,
    SecurityError,
)
from holdstill.system import process, work_folder
from holdstill.system.process import Command
from holdstill.transport import late_files, link_failure, openssh

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from holdstill.model.store_address import HostAddress
    from holdstill.system.clocks import Clock
    from holdstill.transport.identity import Identity
    from holdstill.transport.metered_line import MeteredLine
    from holdstill.transport.shared_connection import SharedConnection

PREFIX = "send-"
"""Of the folders of symlinks."""
PATIENCE = 120
"""Seconds without a byte until rsync gives up, at both ends."""
DAY = 24 * 3600.0
ATTEMPTS = 3
COMMON = (
    "rsync", "--inplace", "--partial", "--ignore-times", "--no-whole-file", "--dirs",
    "--chmod=F600", f"--timeout={PATIENCE}", "--stats", "--no-human-readable",
    "--info=progress2",
)  # fmt: skip
_INCOMPLETE = (23, 24)
"""rsync(1), EXIT VALUES: some files were not transferred. The keeper reports which."""
_LINK_FAILED = frozenset({10, 12, 30, 35, 255})
"""Socket, protocol stream, the two timeouts; and ssh's own failure."""
_STATS = re.compile(rb"^Total bytes (?:sent|received): ([0-9]+)$", re.MULTILINE)
_PROGRESS = re.compile(rb"([0-9]+) +[0-9]+%")
"""rsync(1), --info=progress2: bytes of all files so far, whole ones that were there included."""
LOOK_EVERY = 1.0
"""Seconds between two looks whether a transfer may go on."""
_REPORT = 8192
"""Bytes from the end of what rsync prints: the statistics are there."""


class TransferMode(Enum):
    """What kind of files a batch has, and so which way of sending suits it."""

    # Text, not tuples: Python 3.11.2, which is Debian 12's, makes object() of an empty tuple.
    PLAIN = ""
    """New files, and files with an older content or a broken-off part at the other end."""
    COMPRESSED = "--compress"
    """The same, of which a sample became smaller."""
    SPARSE = "--sparse --compress"
    """Files with holes: they stay holes there, and take next to nothing on the way."""

    @property
    def options(self) -> tuple[str, ...]:
        """Return the options of rsync for this mode."""
        return tuple(self.value.split())


@dataclass(frozen=True)
class TransferResult:
    """The statistics of a transfer. What arrived is reported by the keeper: rsync counts too much.

    wire_bytes: sent and received, as rsync counts them, in the attempt that succeeded.
    """

    wire_bytes: int


@dataclass(frozen=True)
class RsyncEndpoint:
    """How to reach the other end: over SSH, or not at all because it is here."""

    address: HostAddress | None = None
    identity: Identity | None = None
    line: MeteredLine | None = None
    shared: SharedConnection | None = None

    def remote(self, path: str) -> str:
        """Write a path there as rsync takes it."""
        if self.address is None:
            return path
        host = f"[{self.address.host}]" if ":" in self.address.host else self.address.host
        return f"{self.address.user}@{host}:{path}"

    def shell(self) -> tuple[str, ...]:
        """Return rsync's arguments for the SSH client, none for a directory."""
        if self.address is None or self.identity is None:
            return ()
        words = openssh.words(self.address, self.identity, self.line)
        options = self.shared.options() if self.shared else ()
        return ("--rsh", " ".join((*words, *options)))


@dataclass(frozen=True)
class RsyncTransfer:
    """Sends and fetches files.

    Attributes:
        way: how to reach the keeper.
        memory: a folder on a tmpfs for the symlinks.
        attempts: how often a broken link is tried, again from each time on that it has moved.
        check_time: raises NightOverError when a transfer may not go on.
    """

    way: RsyncEndpoint
    memory: Path
    clock: Clock
    attempts: int = ATTEMPTS
    pauses: tuple[float, ...] = field(default=(2.0, 10.0))
    check_time: Callable[[], None] = lambda: None

    def send(
        self,
        files: Mapping[str, Path],
        destination: str,
        *,
        shape: TransferMode = TransferMode.PLAIN,
    ) -> TransferResult:
        """Put files into a folder at the other end, under the names given.

        A link that breaks is tried again a few times, going on where it broke.

        Raises:
            LinkError: the link does not hold, or rsync cannot work.
            SecurityError: the host's key is not the pinned one.
        """
        sent = [self._send(group, destination, shape) for group in late_files.grouped(files)]
        return TransferResult(sum(result.wire_bytes for result in sent))

    def _send(
        self, group: late_files.Group, destination: str, shape: TransferMode
    ) -> TransferResult:
        with self._laid_out(group) as folder:
            words = (*COMMON, *shape.options, *self.way.shell(), "--copy-links")
            target = self.way.remote(destination.rstrip("/") + "/")
            command = Command.of(*words, "--", f"{folder}/", target, timeout=DAY,
                                 accepted=(0, *_INCOMPLETE))  # fmt: skip
            return self._persist(command)

    def fetch(self, source: str, target: Path) -> TransferResult:
        """Get one file, or the files in a folder (`source` ends in a slash), from there.

        Raises:
            LinkError: the link does not hold, or rsync cannot work.
            SecurityError: the host's key is not the pinned one.
        """
        words = (*COMMON, "--sparse", *self.way.shell())
        command = Command.of(*words, "--", self.way.remote(source), str(target), timeout=DAY)
        return self._persist(command)

    @contextmanager
    def _laid_out(self, group: late_files.Group) -> Iterator[Path]:
        """Make the folder of symlinks, or of copies."""
        with work_folder.made(self.memory, prefix=PREFIX) as folder:
            for name, path in group.files.items():
                if "/" in name or name in {"", ".", ".."}:
                    raise SecurityError(f"{name!r} cannot be sent under this name")
                here = f"{folder}/{name}"  # pathlib costs more than the call
                if group.is_late:
                    late_files.copy(path, Path(here))
                else:
                    os.symlink(path, here)  # noqa: PTH211  as above
            yield folder

    def _persist(self, command: Command) -> TransferResult:
        """Run rsync; when the link fails, again after a pause.

        A line that is cut again and again, and moves in between, is no failure.
        """
        attempt, furthest = 0, 0
        while attempt < self.attempts:
            said = _LastWords()
            try:
                with process.streaming(command) as output:
                    for _ in said.read(output.fileno()):
                        self.check_time()
                return read_stats(said.end)
            except CommandError as error:
                failure = self._explained(error)
                is_hopeless = not isinstance(failure, LinkError)  # another key, say, or no program
                if is_hopeless or error.status not in _LINK_FAILED:
                    raise failure from error
                if said.progress > furthest:
                    attempt, furthest = 0, said.progress
                if attempt == self.attempts - 1:
                    raise ConnectionLostError(
                        str(failure), hint=failure.hint, moved=furthest
                    ) from error
                self.clock.sleep(self.pauses[min(attempt, len(self.pauses) - 1)])
                attempt += 1
        raise LinkError("no attempt was made")

    def _explained(self, error: CommandError) -> HoldstillError:
        """Return in our words why rsync failed, and its own behind them."""
        if error.status == link_failure.NOT_FOUND and error.hint:  # it did not start at all
            return PreflightError("rsync is not installed on this machine", hint=error.hint)
        words = error.words.decode(errors="backslashreplace").strip()
        said = f"rsync ended with status {error.status}: {' / '.join(words.splitlines()[-4:])}"
        known = link_failure.of_words(words, self.way.address)
        line, address = self.way.line, self.way.address
        is_of_link = known is None or isinstance(known, LinkError)
        if is_of_link and line and address and line.failure is not None:
            return link_failure.of_exception(line.failure, address)
        if known is None:
            return LinkError(said, hint=link_failure.AGAIN)
        return known


class _LastWords:
    """What rsync prints while it runs, of which only the end counts."""

    def __init__(self) -> None:
        self.end = b""

    def read(self, handle: int) -> Iterator[None]:
        """Read until rsync has closed its output, with a break now and then."""
        is_open = True
        while is_open:
            yield
            if select.select([handle], [], [], LOOK_EVERY)[0]:
                chunk = os.read(handle, 1 << 16)
                self.end = (self.end + chunk)[-_REPORT:]
                is_open = bool(chunk)

    @property
    def progress(self) -> int:
        """How far it came, in bytes of the files."""
        return max((int(count) for count in _PROGRESS.findall(self.end)), default=0)


def read_stats(report: bytes) -> TransferResult:
    """Parse the statistics of `rsync --stats`; pure."""
    return TransferResult(sum(int(count) for count in _STATS.findall(report)))
