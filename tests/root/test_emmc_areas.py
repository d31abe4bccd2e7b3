"""An area read while somebody writes to it, and written where only what differs is written.

Loop devices stand for the areas: what a write is, and that it is counted, is the kernel's say.
"""

from __future__ import annotations

import os
import random
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from holdstill.board.boot_areas import BoardArea
from holdstill.board.write_counter import WriteCounter
from holdstill.disks import emmc_area_check, emmc_area_writer
from holdstill.disks.emmc_areas import EmmcArea
from holdstill.errors import TargetFailedError, TargetRefusedError, VerificationError
from holdstill.model import pieces
from holdstill.model.finding import FindingKind
from holdstill.workflow import capture_areas
from holdstill.workflow.capture_areas import WatchedArea
from support import emmc, loop

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.pieces import Part, PieceList
    from holdstill.workflow.attachments import PiecedFile

MIB, PIECE = loop.MIB, pieces.PIECE
LOADER = random.Random(1).randbytes(PIECE + 512) + bytes(2 * PIECE)  # noqa: S311  repeatable
LOADER += random.Random(2).randbytes(PIECE - 512) + bytes(PIECE)  # noqa: S311  repeatable


@contextmanager
def area_with(folder: Path, data: bytes) -> Iterator[tuple[EmmcArea, loop.LoopDisk]]:
    """Hold an area on a loop device; `force_ro` is a file of ours."""
    with emmc.areas(folder / "areas", {"boot0": data}) as found:
        disk = found["boot0"]
        number = disk.device.stat().st_rdev
        home = folder / "home"
        home.mkdir()
        (home / "force_ro").write_text("1\n")
        about = (os.major(number), os.minor(number))
        yield EmmcArea("boot0", disk.device, about, len(data), home), disk


def listed(data: bytes) -> PieceList:
    return pieces.of_reader(len(data), PIECE, lambda at, length: data[at : at + length])


def parts(data: bytes) -> Iterator[tuple[Part, bytes]]:
    for part in listed(data).parts():
        if part.digest:
            yield part, data[part.offset : part.offset + part.length]


# ---- writing ------------------------------------------------------------------------------------


def test_an_area_is_written_while_its_guard_is_off_and_no_longer(tmp_path: Path) -> None:
    old = random.Random(3).randbytes(len(LOADER) + PIECE)  # noqa: S311  repeatable
    with area_with(tmp_path, old) as (area, disk):
        guards = []

        def watched() -> Iterator[tuple[Part, bytes]]:
            for one in parts(LOADER):
                guards.append((area.home / "force_ro").read_text())
                yield one

        emmc_area_writer.write(area, size=len(LOADER), pieces=watched())
        emmc_area_check.check(area, listed(LOADER))

        assert guards == ["0\n"] * 3
        assert (area.home / "force_ro").read_text() == "1\n"
        assert emmc.flush(disk) == LOADER + old[len(LOADER) :]


def test_what_is_there_already_is_not_written_again(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        counter = WriteCounter(area.device)

        emmc_area_writer.write(area, size=len(LOADER), pieces=parts(LOADER))

        assert not counter.has_grown


def test_the_guard_is_on_again_after_a_damaged_piece(tmp_path: Path) -> None:
    def damaged() -> Iterator[tuple[Part, bytes]]:
        yield from [next(parts(LOADER))]
        raise VerificationError("a piece of boot0.bin is damaged")

    with area_with(tmp_path, bytes(len(LOADER))) as (area, _):
        with pytest.raises(VerificationError, match="damaged"):
            emmc_area_writer.write(area, size=len(LOADER), pieces=damaged())

        assert (area.home / "force_ro").read_text() == "1\n"


def test_another_area_a_smaller_one_and_one_in_use_are_left_alone(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, disk):
        other = EmmcArea("boot0", area.device, (179, 8), area.size, area.home)
        for wrong, size in ((other, len(LOADER)), (area, len(LOADER) + 512)):
            with pytest.raises(TargetRefusedError, match="another area"):
                emmc_area_writer.write(wrong, size=size, pieces=iter(()))
        claim = os.open(area.device, os.O_RDONLY | os.O_EXCL)
        try:
            while_claimed = area.is_in_use
            with pytest.raises(TargetFailedError, match="busy"):
                emmc_area_writer.write(area, size=len(LOADER), pieces=iter(()))
        finally:
            os.close(claim)

        assert [while_claimed, area.is_in_use] == [True, False]
        assert emmc.flush(disk) == LOADER
        assert (area.home / "force_ro").read_text() == "1\n"


def test_what_is_not_given_back_is_told_by_its_place(tmp_path: Path) -> None:
    flipped = LOADER[:PIECE] + bytes([LOADER[PIECE] ^ 1]) + LOADER[PIECE + 1 :]
    with (
        area_with(tmp_path, flipped) as (area, _),
        pytest.raises(VerificationError, match="from byte 65,536 on"),
    ):
        emmc_area_check.check(area, listed(LOADER))


# ---- reading ------------------------------------------------------------------------------------


class Sent:
    """Takes what is sent; writes to the device meanwhile, so many times."""

    def __init__(self, device: Path, *, writes: int = 0, fails: bool = False) -> None:
        self._device, self._writes, self._fails = device, writes, fails
        self.lists: list[PieceList] = []

    def __call__(self, file: PiecedFile) -> None:
        self.lists.append(file.listed)
        if len(self.lists) <= self._writes:
            write(self._device, len(self.lists))
        if self._fails:
            raise VerificationError("boot0.bin did not arrive as it was sent")


def write(device: Path, number: int) -> None:
    with device.open("r+b") as file:
        file.write(f"update {number}".encode())


def watched(area: EmmcArea) -> tuple[WatchedArea, ...]:
    return (WatchedArea(BoardArea(1, area), WriteCounter(area.device)),)


def test_an_area_that_nobody_writes_to_is_sent_once(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        send = Sent(area.device)

        done = capture_areas.upload(watched(area), send)

    assert send.lists == [listed(LOADER)]
    assert done.files["boot0.bin"].listed == listed(LOADER)
    assert (done.findings, done.warnings) == ([], [])


@pytest.mark.parametrize("data", [bytes(MIB), b"\xff" * (MIB + 512)], ids=["zeros", "erased"])
def test_an_area_that_nobody_ever_wrote_to_is_not_sent(tmp_path: Path, data: bytes) -> None:
    with area_with(tmp_path, data) as (area, _):
        send = Sent(area.device)

        assert capture_areas.upload(watched(area), send).files == {}
        assert send.lists == []


def test_what_was_written_since_the_pause_began_is_taken_and_told(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        since = watched(area)
        write(area.device, 1)
        send = Sent(area.device)

        done = capture_areas.upload(since, send)

    assert done.files["boot0.bin"].listed == listed(b"update 1" + LOADER[8:])
    assert len(send.lists) == 1
    (warning,) = done.warnings
    assert f"{area.device} was written to while" in warning


def test_what_is_written_while_it_is_sent_is_read_again(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        send = Sent(area.device, writes=1)

        done = capture_areas.upload(watched(area), send)

    assert [one == listed(LOADER) for one in send.lists] == [True, False]
    assert done.files["boot0.bin"].listed == listed(b"update 1" + LOADER[8:])
    assert len(done.warnings) == 1


def test_an_area_that_is_never_left_alone_is_missing(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        done = capture_areas.upload(watched(area), Sent(area.device, writes=9))

    assert done.files == {}
    (finding,) = done.findings
    assert (finding.kind, finding.what) == (FindingKind.MISSING, str(area.device))
    assert "written to whenever it was read" in finding.why


def test_an_area_that_does_not_arrive_ends_the_capture(tmp_path: Path) -> None:
    with (
        area_with(tmp_path, LOADER) as (area, _),
        pytest.raises(VerificationError, match="did not arrive"),
    ):
        capture_areas.upload(watched(area), Sent(area.device, fails=True))


def test_an_area_that_cannot_be_read_is_missing(tmp_path: Path) -> None:
    with area_with(tmp_path, LOADER) as (area, _):
        since = watched(area)
        longer = EmmcArea(area.area, area.device, area.number, area.size + MIB, area.home)
        found = (WatchedArea(BoardArea(1, longer), since[0].counter),)

        done = capture_areas.upload(found, Sent(area.device))

    assert done.files == {}
    assert [finding.what for finding in done.findings] == [str(area.device)]
