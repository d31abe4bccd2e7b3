"""The state files of a board's nights: one small file on the card, one in memory."""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import BusyError
from holdstill.model.nightly_state import DaemonStatus, NightlyState
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NIGHTS, LIVE = "nights.json", "nightly.json"
LOCK = "nightly.lock"


class NightlyStateFile:
    """The file that survives a power cut; it is written a few times a night, cards wear."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / NIGHTS

    def load(self) -> NightlyState:
        """Return what was written last; an empty state if there is none, or it is damaged."""
        try:
            return msgspec.json.decode(self._path.read_bytes(), type=NightlyState)
        except (FileNotFoundError, msgspec.MsgspecError):
            return NightlyState()

    def save(self, state: NightlyState) -> None:
        """Write it down."""
        self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        files.publish(self._path, msgspec.json.encode(state))


class LiveStatusFile:
    """The file in memory: what the daemon is doing; gone with the next boot."""

    def __init__(self, directory: Path) -> None:
        self._path = directory / LIVE

    def read(self) -> DaemonStatus | None:
        """Return what was shown last in this boot, None for nothing."""
        try:
            return msgspec.json.decode(self._path.read_bytes(), type=DaemonStatus)
        except (FileNotFoundError, msgspec.MsgspecError):
            return None

    def show(self, live: DaemonStatus) -> None:
        """Show something else from now on."""
        files.publish(self._path, msgspec.json.encode(live))


@contextmanager
def held(directory: Path) -> Iterator[None]:
    """Hold the lock of this board's one daemon; the kernel releases it when we die.

    Raises:
        BusyError: there is another.
    """
    with files.opened_for_writing(directory / LOCK) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BusyError(
                "`holdstill nightly` is at work on this board already",
                hint="see `systemctl status holdstill-nightly`",
            ) from error
        yield


def is_held(directory: Path) -> bool:
    """Whether a daemon is at work."""
    try:
        with files.opened(directory / LOCK, os.O_RDONLY | os.O_NOFOLLOW) as handle:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except BlockingIOError:
        return True
    return False
