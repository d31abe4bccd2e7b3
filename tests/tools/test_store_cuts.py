"""Every operation on a store, cut at every call it makes to the disk.

For N = 1, 2, 3 ... (every day some of them) the N-th call fails, or the power goes, until the
operation gets through without the fault. After each, the invariants of a store are checked, a
whole capture is taken, and they are checked again. sqlite.org/testing.html describes the method.
"""

from __future__ import annotations

import errno
import functools
import hashlib
import itertools
import os
import shutil
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pytest

from holdstill.errors import HoldstillError, UsageError
from holdstill.keeper import board_captures, capture_notes, enrolment, thin, trash
from holdstill.keeper import store as stores
from holdstill.model.settings import Retention
from holdstill.records import assembled, manifest_file
from support import keeping
from support.faulty import FailingDisk, FaultyDisk, Loss, PowerCutDisk, PowerCutError
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures, QuickDisk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.keeper.store_disk import StoreDisk
    from holdstill.model.manifest import Manifest

T = TypeVar("T")
pytestmark = pytest.mark.timeout(300)
NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
FILES = {b"usr/a": b"A" * 40_000, b"usr/b": b"B", b"srv/c": b"C", b"srv/empty": b""}
CHANGED = FILES | {b"usr/a": b"A" * 40_000 + b"longer", b"srv/new": b"N"}


def board_of(store: Store, disk: StoreDisk, files: Mapping[bytes, bytes]) -> Board[LocalKeeper]:
    """Return the board, whose rsync tells a faulty disk what it wrote."""
    clock = FakeClock()
    clock.advance(86_400)

    def carry(sent: Mapping[str, bytes], folder: str) -> None:
        keeping.put(sent, folder)
        if isinstance(disk, FaultyDisk):
            for name in sent:
                disk.received(Path(folder, name))

    keeper = keeping.keeper_of(store, clock=clock)
    return Board(keeper, clock=clock, files=dict(files), carry=carry)


def capture(root: Path, disk: StoreDisk) -> str:
    """Take a whole capture; if a call of it fails, try that call once more."""
    board = board_of(stores.open_store(root, disk=disk), disk, CHANGED)
    with board.keeper as keeper:
        begun = _twice(keeper.begin)
        _twice(partial(board.deliver, begun))
        data = board.attach(begun)
        sealed = _twice(lambda: keeper.seal(data, board.signed(data)))
        if sealed.lacking:
            board.deliver(begun)
            sealed = keeper.seal(data, board.signed(data))
        assert sealed.name
        return sealed.name


def _twice(call: Callable[[], T]) -> T:
    try:
        return call()
    except HoldstillError:
        return call()


def thinning(root: Path, disk: StoreDisk) -> str:
    store = stores.open_store(root, disk=disk)
    clock = FakeClock()
    thin.delete_captures(store, PIER_3, NEWEST, clock=clock, runner=FakeSignatures())
    for held in store.contents.all():
        os.utime(held.path, times=(0, 0))
    keeping.collect(store, clock)
    return ""


def enrolling(root: Path, disk: StoreDisk) -> str:
    store = stores.open_store(root, disk=disk)
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=FakeClock(), limits=None)
    return ""


def pinning(root: Path, disk: StoreDisk) -> str:
    store = stores.open_store(root, disk=disk)
    name = board_captures.BoardCaptures(store, PIER_3, FakeSignatures()).briefs()[0].name
    capture_notes.pin(store, PIER_3, name, clock=FakeClock())
    return ""


DEEDS = {"capture": capture, "thin": thinning, "enrol": enrolling, "pin": pinning}
LEAST = {"capture": 36, "thin": 12, "enrol": 10, "pin": 2}
"""Calls that each is known to make: a loop that sees fewer tests nothing."""


@dataclass(frozen=True)
class Fault:
    name: str
    disk: Callable[[int], FaultyDisk]


FAULTS = [
    *(Fault(f"power-{loss.name.lower()}", partial(PowerCutDisk, loss=loss)) for loss in Loss),
    *(
        Fault(
            f"{errno.errorcode[number]}-{'once' if times == 1 else 'for-ever'}",
            partial(FailingDisk, number=number, times=times),
        )
        for number in (errno.ENOSPC, errno.EIO)
        for times in (1, 1 << 30)
    ),
]


@pytest.fixture(scope="module")
def memory() -> Iterator[Path]:
    """A folder in memory: thousands of stores are made and thrown away."""
    with tempfile.TemporaryDirectory(dir=keeping.MEMORY, prefix="cuts-") as name:
        yield Path(name)


@pytest.fixture(scope="module")
def prepared(memory: Path) -> Path:
    """A store with two captures of pier-3 and a run that was broken off."""
    root = memory / "prepared"
    store = keeping.make_store(root, clock=FakeClock())
    board = board_of(store, QuickDisk(), FILES)
    board.capture()
    board.clock.advance(3600)
    board.files[b"srv/c"] = b"C2"
    board.capture()
    begun = board.keeper.begin()
    keeping.put({hashlib.sha256(b"N").hexdigest(): b"N", "0" * 64: b"half"}, begun.folders[0])
    board.keeper.close()
    return root


def good_captures(root: Path) -> dict[str, dict[str, tuple[int, bytes]]]:
    """Return everything of every capture that is listed without a fault."""
    shelf = board_captures.BoardCaptures(stores.open_store(root), PIER_3, FakeSignatures())
    return {
        brief.name: keeping.snapshot(shelf.folder / brief.name)
        for brief in shelf.briefs()
        if not brief.faults
    }


def check_store(root: Path, *, allowed: tuple[str, ...] = ()) -> None:
    """Check I1, I2 and I7: what is listed is whole, and what is in content/ is as named."""
    store = stores.open_store(root)
    for held in store.contents.all():
        assert hashlib.sha256(held.path.read_bytes()).hexdigest() == held.digest, held.path
    for board in store.boards():
        assert enrolment.read(store, board).live_keys
    shelf = board_captures.BoardCaptures(store, PIER_3, FakeSignatures())
    for brief in shelf.briefs():
        assert set(brief.faults) <= set(allowed), brief
        check_capture(shelf.capture(brief.name))


@functools.cache
def decoded(data: bytes) -> Manifest:
    return manifest_file.decode(data)


def check_capture(capture: board_captures.StoredCapture) -> None:
    manifest = decoded(capture.manifest_bytes())
    assert manifest.gap is not None
    assert assembled.read(capture, manifest.gap, limit=100) == keeping.GAP
    with assembled.opened_index(capture) as opened:
        for entry in opened.entries(2):
            if entry.digest:
                with os.fdopen(capture.open(entry.digest), "rb") as content:
                    assert hashlib.sha256(content.read()).digest() == entry.digest


def check_after(root: Path, before: Mapping[str, object], *, may_go: bool, acked: str) -> None:
    """Check a store after a fault, finish what was cut off, and check again."""
    check_store(root, allowed=(board_captures.INTERRUPTED,))
    now = good_captures(root)
    for name, state in before.items():
        assert (may_go and name not in now) or now[name] == state, name
    if acked:
        assert acked in now
    again = capture(root, QuickDisk())
    check_store(root)
    assert again in good_captures(root)
    keeping.collect(stores.open_store(root, disk=QuickDisk()), FakeClock())
    store = stores.open_store(root)
    folder = store.board_folder(PIER_3)
    assert (list(trash.others(store)), trash.resting(store)) == ([], ())
    for place in (folder / "incoming", folder / "sealing"):
        assert list(place.iterdir()) == [], place
    check_store(root)


def cut(deed: Callable[[Path, StoreDisk], str], root: Path, disk: FaultyDisk) -> tuple[bool, str]:
    """Do something on a faulty disk; tell whether the fault came, and what was acknowledged."""
    acked = ""
    with suppress(PowerCutError, HoldstillError, OSError):
        acked = deed(root, disk)
    return disk.came, acked


COUNTS: dict[str, int] = {}
EVERY_DAY = {"capture": len(FAULTS), "thin": 3, "enrol": 3, "pin": 3}
"""Which calls are cut: each of a capture's by one of the faults, each third of the others'."""
STRIDES = [
    *((deed, stride) for deed, stride in EVERY_DAY.items()),
    *(pytest.param(deed, 1, marks=pytest.mark.slow) for deed in DEEDS),
]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
@pytest.mark.parametrize(("deed", "stride"), STRIDES)
def test_c11_read_error_c12_power_loss_host_c12_host_disk_full_c12_signal_at_any_call(
    prepared: Path, memory: Path, deed: str, fault: Fault, stride: int
) -> None:
    """Every day at some calls, at others for each fault."""
    before = good_captures(prepared)
    assert len(before) == 2
    for number in itertools.count(1 + FAULTS.index(fault) % stride, stride):
        root = keeping.copy_store(prepared, memory / str(number))
        disk = fault.disk(number)
        came, acked = cut(DEEDS[deed], root, disk)
        if came:
            check_after(root, before, may_go=deed == "thin", acked=acked)
        shutil.rmtree(root)
        if not came:
            break
    COUNTS[f"{deed} {fault.name} {stride}"] = number // stride
    assert number - 1 >= LEAST[deed]


@pytest.mark.parametrize("fault", FAULTS[:3], ids=lambda fault: fault.name)
def test_a_store_is_there_or_can_be_made_again(memory: Path, fault: Fault) -> None:
    for number in itertools.chain(range(1, 30), range(30, 300, 20)):
        root = memory / str(number)
        with suppress(PowerCutError, OSError):
            stores.create(root, clock=FakeClock(), disk=fault.disk(number))

        with suppress(UsageError):
            stores.open_store(root)
        made = keeping.make_store(root, clock=FakeClock())

        assert Board(keeping.keeper_of(made, clock=FakeClock()), files={b"f": b"x"}).capture().name
        shutil.rmtree(root)


@pytest.fixture(scope="module", autouse=True)
def tally() -> Iterator[None]:
    """Print how many points were cut, and insist that a full run had enough."""
    yield
    total = sum(COUNTS.values())
    print(f"\nfault points exercised: {total} in {len(COUNTS)} loops")  # noqa: T201
    if len(COUNTS) >= len(DEEDS) * len(FAULTS):
        assert total >= 150
