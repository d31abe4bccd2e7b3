"""A store on a real disk that is too small, or loses bytes."""

from __future__ import annotations

import hashlib
import itertools
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LinkError, PreflightError, VerificationError
from holdstill.keeper import ballast, board_captures, thin
from holdstill.keeper import store as stores
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import names
from holdstill.model.settings import Retention
from holdstill.verify import store_check
from support import keeping, loop, programs
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from io import RawIOBase

    from holdstill.keeper.local import LocalKeeper
    from holdstill.model.pieces import Part

pytestmark = pytest.mark.timeout(120)
MIB = 1 << 20


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    with loop.ext4_volume(tmp_path, size=48 * MIB, mkfs=("-m", "0")) as mounted:
        yield mounted


@pytest.fixture
def board(volume: Path) -> Iterator[Board[LocalKeeper]]:
    """A board with one capture in a store on that volume."""
    clock = FakeClock()
    store = keeping.make_store(volume / "boathouse", clock=clock, disk=StoreDisk())
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    board.files = {b"srv/%d" % n: b"%d" % n * 1000 for n in range(50)}
    board.capture()
    yield board
    board.keeper.close()  # its lock lies on the volume


def fill(volume: Path) -> Path:
    """Write until not a byte more goes in, nor a name."""
    filler = volume / "filler"
    filler.mkdir()
    with (filler / "bytes").open("wb", buffering=0) as file:
        for chunk in (b"x" * MIB, b"x" * 4096, b"x"):
            with pytest.raises(OSError, match="No space left"):
                pour(file, chunk)
    return filler


def pour(file: RawIOBase, chunk: bytes) -> None:
    while True:
        file.write(chunk)


def test_c11_host_disk_full_stops_a_sealing_and_harms_no_capture(
    board: Board[LocalKeeper], volume: Path
) -> None:
    root = volume / "boathouse"
    shelf = board_captures.BoardCaptures(stores.open_store(root), PIER_3, FakeSignatures())
    before = keeping.snapshot(shelf.folder)
    board.files |= {b"srv/new/%03d" % n: b"n%d" % n for n in range(300)}
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    filler = fill(volume)

    with pytest.raises(PreflightError, match="0 B are free, there is room for 0 B"):
        board.keeper.seal(data, board.signed(data))

    assert keeping.snapshot(shelf.folder) == before
    assert [brief.faults for brief in shelf.briefs()] == [()]
    (filler / "bytes").unlink()
    assert board.keeper.seal(data, board.signed(data)).name
    assert [brief.faults for brief in shelf.briefs()] == [(), ()]


def test_thinning_makes_room_on_a_disk_that_is_full_to_its_last_byte(
    board: Board[LocalKeeper], volume: Path
) -> None:
    """The ballast is gone already, as after the first time."""
    store = stores.open_store(volume / "boathouse")
    for _ in range(3):
        board.files[b"srv/reading"] = os.urandom(200_000)
        board.capture()
        board.keeper.close()
    names_before = [brief.name for brief in board.keeper.captures()]
    keeping.show_latest(store, clock=board.clock)
    fill(volume)
    rule = Retention(days=0, weeks=0, months=0, years=0, at_least=1)

    with ballast.given_up_if_needed(store):
        verdicts = thin.delete_captures(
            store, PIER_3, rule, clock=board.clock, runner=FakeSignatures()
        )
        swept = keeping.collect(store, board.clock)

    assert [verdict.is_kept for verdict in verdicts] == [False] * 3 + [True]
    assert swept.complaints == ()
    assert [brief.name for brief in board.keeper.captures()] == names_before[-1:]
    assert store.free()[0] > 400_000


def use_up_inodes(folder: Path) -> Path:
    """Make empty files in a new folder until the file system takes no more."""
    folder.mkdir()
    with suppress(OSError):
        for number in itertools.count():
            (folder / str(number)).touch()
    return folder


def test_a_disk_without_inodes_stops_a_sealing_and_harms_no_capture(tmp_path: Path) -> None:
    with loop.ext4_volume(tmp_path, size=48 * MIB, mkfs=("-N", "640")) as volume:
        clock = FakeClock()
        store = keeping.make_store(volume / "boathouse", clock=clock, disk=StoreDisk())
        board = Board(keeping.keeper_of(store, clock=clock), clock=clock, files={b"f": b"x"})
        board.capture()
        begun = board.keeper.begin()
        board.files[b"g"] = b"y"
        board.deliver(begun)
        data = board.attach(begun)
        filler = use_up_inodes(volume / "filler")

        with pytest.raises(LinkError, match="disk is full"):
            board.keeper.seal(data, board.signed(data))

        shutil.rmtree(filler)
        assert [brief.faults for brief in board.keeper.captures()] == [()]
        assert board.keeper.seal(data, board.signed(data)).name


def first_byte(file: Path, image: Path, *, at: int = 0) -> int:
    """Return where a file's bytes lie on the medium, by another program's word."""
    block = int(
        programs.run("debugfs", "-R", f"bmap <{file.stat().st_ino}> {at}", image).split()[-1]
    )
    return block * int(programs.run("stat", "-f", "-c", "%S", file))


def test_c10_read_error_of_a_real_medium_stops_the_run_and_harms_no_capture(
    board: Board[LocalKeeper], volume: Path, tmp_path: Path
) -> None:
    """The medium ends before it should: what lies behind is an I/O error to the kernel."""
    image = tmp_path / "volume.img"
    shelf = board_captures.BoardCaptures(
        stores.open_store(volume / "boathouse"), PIER_3, FakeSignatures()
    )
    before = keeping.snapshot(shelf.folder)
    begun = board.keeper.begin()
    content = os.urandom(8 * MIB)
    digest = hashlib.sha256(content).hexdigest()
    keeping.put({digest: content}, begun.folders[0])
    staged = Path(begun.folders[0])
    os.sync()
    size, half = image.stat().st_size, first_byte(staged / digest, image, at=1024)

    os.truncate(image, half)
    try:
        with pytest.raises(VerificationError, match="does not give back") as caught:
            board.keeper.ingest([digest])
    finally:
        os.truncate(image, size)

    assert caught.value.exit_code == 7
    assert "Input/output error" in str(caught.value)
    assert "kernel's log" in caught.value.hint
    assert not shelf.store.contents.has(names.check_digest(digest))
    assert keeping.snapshot(shelf.folder) == before
    assert board.keeper.ingest([digest]).bad == (digest,)  # half of it is zeros by now
    assert board.capture().name


def spoil_below(file: Path, volume: Path) -> None:
    """Spoil a block of a file in the image behind its disk; what memory holds of it is right."""
    content = file.read_bytes()
    os.sync()
    image = volume.with_name("volume.img")
    block = int(programs.run("debugfs", "-R", f"bmap <{file.stat().st_ino}> 100", image))
    size = int(programs.run("stat", "-f", "-c", "%S", volume))
    with image.open("r+b") as below:
        below.seek(block * size)
        below.write(b"\0" * size)
        os.fsync(below.fileno())
    assert file.read_bytes() == content
    programs.run("blockdev", "--flushbufs", next(iter(loop.loops_of(image))))


def test_i7_bytes_that_never_reached_the_medium_are_found_when_banked(
    board: Board[LocalKeeper], volume: Path
) -> None:
    begun = board.keeper.begin()
    content = os.urandom(8 * MIB)
    digest = hashlib.sha256(content).hexdigest()
    keeping.put({digest: content}, begun.folders[0])
    spoil_below(Path(begun.folders[0], digest), volume)

    banked = board.keeper.ingest([digest])

    assert banked.bad == (digest,)


class OneContent:
    """A source that has one content."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def open(self, digest: bytes) -> int:
        assert digest.hex() == self.path.name
        return os.open(self.path, os.O_RDONLY)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        yield from parts


def test_bytes_that_the_medium_has_lost_are_found_when_read_again(volume: Path) -> None:
    content = os.urandom(MIB)
    digest = hashlib.sha256(content)
    path = volume / digest.hexdigest()
    path.write_bytes(content)
    source = OneContent(path)
    before = store_check.problem(source, digest.digest(), MIB)
    spoil_below(path, volume)

    found = store_check.problem(source, digest.digest(), MIB)

    assert (before, found) == ("", "its bytes are not what its name says")
