"""Images on a small disk: refused before, and told in words when it fills up meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.cli import page_images
from holdstill.errors import PreflightError
from holdstill.page.job_records import JobKind, JobState, Order, Packing
from holdstill.system.clocks import SystemClock
from support import keeping, loop, page_jobs, plain_board, programs

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(300)


@pytest.mark.parametrize(
    ("mebibytes", "problem"),
    [
        (16, "nothing was begun"),
        (22, "No space left on device"),  # it holds the contents, but not the tables beside them
    ],
)
def test_an_image_that_fills_the_disk_fails_in_words_and_leaves_the_disk_as_it_was(
    tmp_path: Path, mebibytes: int, problem: str
) -> None:
    store = plain_board.captured(tmp_path).store
    capture = next((store / "boards/pier-3/captures").iterdir()).name
    disk = tmp_path / "disk.img"
    # The files of the capture are 17 MiB that no packer makes smaller.
    loop.blank_image(disk, size=mebibytes << 20)
    programs.run("mkfs.ext4", "-q", "-m", "0", disk)
    order = Order(
        kind=JobKind.IMAGE, board="pier-3", capture=capture, size=plain_board.SIZE,
        packing=Packing.XZ,
    )  # fmt: skip

    with loop.mounted(disk, tmp_path / "work", options="loop") as work:
        work.chmod(0o700)
        settings = keeping.no_limits(store)
        with page_images.opened(store, work, settings, SystemClock(), days=7) as pages:
            queue = pages.queue
            assert queue is not None
            told = structs.replace(order, room=1 << 30)
            with pytest.raises(PreflightError, match="has room for"):
                queue.add(told)
            before = queue._free()

            job = queue.add(order)  # as if others had taken the room since it was looked for
            page_jobs.until(lambda: queue.job(job.id).status.state.has_ended)
            ended = queue.job(job.id)

            assert ended.status.state is JobState.FAILED
            assert ended.outcome is not None
            assert problem in ended.outcome.problem
            assert "room" in ended.outcome.hint
            left = {each.name for each in work.glob("*/*")}
            assert left <= {"order.json", "status.json", "progress.json", "outcome.json", "log"}
            assert queue._free() > before - (1 << 20)
