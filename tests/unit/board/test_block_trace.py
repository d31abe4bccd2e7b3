"""Why there is no trace, as a value; what it tells of real disks is tested as root."""

from __future__ import annotations

import errno
import os
from contextlib import AbstractContextManager

import pytest

from holdstill.board import block_trace
from holdstill.board.traced_disk import NoTrace, Untraced
from support.keeping import FakeClock


class Refusing(AbstractContextManager[int]):
    """A tracefs that cannot be opened."""

    def __init__(self, error: OSError) -> None:
        self._error = error

    def __enter__(self) -> int:
        raise self._error

    def __exit__(self, *_: object) -> None:
        """Nothing was opened."""


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.ENODEV, NoTrace.NO_TRACEFS),
        (errno.ENOSYS, NoTrace.NO_TRACEFS),
        (errno.EPERM, NoTrace.REFUSED),
        (errno.EACCES, NoTrace.REFUSED),
        (errno.EIO, NoTrace.UNREADABLE),
    ],
)
def test_why_there_is_no_trace(number: int, why: NoTrace) -> None:
    refusing = Refusing(OSError(number, os.strerror(number)))

    with block_trace.started([], FakeClock(), opened=lambda: refusing) as trace:
        assert isinstance(trace, Untraced)
        assert trace.why is why
        assert os.strerror(number) in str(trace)
