"""A disk that is full where rsync writes: told as that, not as rsync's number."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LinkError
from holdstill.system.clocks import SystemClock
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "small").mkdir()
    programs.run("mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", tmp_path / "small")
    yield tmp_path / "small"
    programs.run("umount", tmp_path / "small")


def test_no_room_there_is_told_with_what_makes_room(small: Path, tmp_path: Path) -> None:
    (tmp_path / "large").write_bytes(b"x" * (4 << 20))
    bulk = RsyncTransfer(RsyncEndpoint(), memory=Path("/dev/shm"), clock=SystemClock())  # noqa: S108

    with pytest.raises(LinkError, match="there is no room where the data goes") as caught:
        bulk.send({"name": tmp_path / "large"}, str(small))

    assert "holdstill thin" in caught.value.hint
