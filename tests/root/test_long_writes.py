"""Calls that are writing to a file for seconds, while it is captured.

Such a call has set the file's times when it began, so no time stamp tells of what it writes later.
The witness is a whole read of the frozen file, in the same freeze.
"""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

import pytest

from holdstill.system import files
from support import boards, long_write, loop, programs, slow_disk, witnessed
from support.boards import holdstill
from support.witnessed import digest

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)
SECONDS = 3
MIB = 1 << 20


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_what_one_call_writes_all_through_a_capture_is_in_it_as_it_was_frozen(
    tmp_path: Path, kind: str
) -> None:
    program = long_write.compiled(tmp_path)
    with (
        boards.running(tmp_path, kind=kind) as board,
        boards.kept(tmp_path, board) as kept,
    ):
        file = board.root / "srv" / "log.bin"
        file.parent.mkdir()
        file.write_bytes(os.urandom(long_write.SIZE))
        holdstill("capture", "--settings", kept.settings)

        with long_write.writing(program, file, seconds=SECONDS):
            _, frozen = witnessed.captured(kept.settings, file)

        holdstill("get", "pier-3", "/srv", "--to", tmp_path / "again", "--store", kept.store)
        assert digest(tmp_path / "again" / file.name) == frozen
        assert file.read_bytes() == long_write.CONTENT


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_an_asynchronous_write_that_is_under_way_all_through_the_rounds_is_in_it_as_frozen(
    tmp_path: Path, kind: str
) -> None:
    program = slow_disk.compiled(tmp_path)
    with (
        boards.running(tmp_path, kind=kind) as board,
        boards.kept(tmp_path, board, more="pause: {ceiling: 10.0}\n") as kept,
    ):
        file = board.root / "srv" / "table.bin"
        file.parent.mkdir()
        file.write_bytes(os.urandom(1 << 20))
        os.sync()
        holdstill("capture", "--settings", kept.settings)

        with slow_disk.writing(program, file, board.disk.device, seconds=4):
            # It sets the times now. Only what was set since the look began is doubted anyway.
            time.sleep(0.3)
            report, frozen = witnessed.captured(kept.settings, file)

        holdstill("get", "pier-3", "/srv", "--to", tmp_path / "again", "--store", kept.store)
        assert digest(tmp_path / "again" / file.name) == frozen
        if kind != "btrfs":  # whose sync waits for it, as does its reader
            assert report["frozen_ms"] > 500  # the freeze waited for it, so it was under way


@pytest.mark.parametrize("options", ["rw", "ro"])
@pytest.mark.parametrize("kind", ["ext4", "btrfs"])  # xfs itself lets readers wait
def test_who_waits_for_writers_reads_all_that_they_wrote_and_changes_nothing(
    tmp_path: Path, kind: str, options: str
) -> None:
    program = long_write.compiled(tmp_path)
    image = loop.partitioned_image(tmp_path / "image", size=300 * MIB, script=boards.MBR)
    with loop.attached(image) as disk:
        programs.run(f"mkfs.{kind}", "-q", disk.partition(2))
        with (
            loop.mounted(disk.partition(2), tmp_path / "at", kind=kind) as at,
            loop.mounted(at, tmp_path / "seen", options=f"bind,{options}") as seen,
        ):
            (at / "file").write_bytes(bytes(long_write.SIZE))
            with (
                (seen / "file").open("rb", buffering=0) as opened,
                long_write.writing(program, at / "file", seconds=SECONDS) as writer,
            ):
                begun = os.fstat(opened.fileno()).st_ctime_ns
                assert os.pread(opened.fileno(), 1, long_write.SIZE - 1) == b"\0"
                assert writer.poll() is None

                files.wait_for_writers(opened.fileno())

                assert os.pread(opened.fileno(), long_write.SIZE, 0) == long_write.CONTENT
                status = os.fstat(opened.fileno())
                assert status.st_ctime_ns == begun
                assert os.listxattr(opened.fileno()) == []
