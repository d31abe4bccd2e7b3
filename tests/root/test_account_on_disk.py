"""What boards may take of a small real disk: the rest stays free whatever they send.

The judges are statvfs(3), du(1) and df(1).
"""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.disks import boot_gap
from holdstill.keeper import enrolment, latest_tree
from holdstill.keeper import store as stores
from holdstill.keeper.account import Account, Spent
from holdstill.keeper.local import LocalKeeper
from holdstill.model.settings import KeeperSettings
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import judge_boot
from support import boathouse, keeping, loop, programs, unconfined

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.names import BoardName
    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(170)
MIB = 1 << 20
EVERY = 0.02
"""Seconds between two looks at the disk."""
WORDS = ("-dI", "--inplace", "--sparse", "--timeout=60")


@dataclass
class Least:
    """The least that was free on a disk."""

    bytes: int = 1 << 62
    inodes: int = 1 << 62
    looks: int = 0
    ended: threading.Event = field(default_factory=threading.Event)

    def watch(self, folder: Path) -> None:
        """Look until told to end."""
        while not self.ended.wait(EVERY):
            found = os.statvfs(folder)
            self.bytes = min(self.bytes, found.f_bavail * found.f_frsize)
            self.inodes = min(self.inodes, found.f_favail)
            self.looks += 1


@contextmanager
def sampled(folder: Path) -> Iterator[Least]:
    """Watch a disk beside the block."""
    least = Least()
    looking = threading.Thread(target=least.watch, args=(folder,))
    looking.start()
    try:
        yield least
    finally:
        least.ended.set()
        looking.join()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Boathouse]:
    """A keeper with default settings whose store is a disk of 800 MiB with 50,000 inodes."""
    with (
        loop.ext4_volume(tmp_path, size=800 * MIB, mkfs=("-m", "0", "-N", "50000")) as volume,
        boathouse.running(tmp_path) as house,
    ):
        house.store = stores.create(volume / "boathouse", clock=SystemClock())
        # As `boathouse.running` reads it: the defaults, which its own settings leave out.
        text = f"store: {house.store.root}\n"
        (volume / "keeper.yaml").write_text(text, "utf-8")
        yield house


@pytest.fixture
def pier_3(house: Boathouse) -> BoardName:
    return house.enrol("pier-3")


def settings_of(house: Boathouse) -> KeeperSettings:
    return KeeperSettings(store=house.store.root)


def account_of(house: Boathouse, board: BoardName) -> Account:
    enrolled = enrolment.read(house.store, board)
    return Account(house.store, enrolled, settings_of(house), clock=SystemClock())


@contextmanager
def signing_board(house: Boathouse, board: BoardName) -> Iterator[keeping.Board[LocalKeeper]]:
    """Hold a board that signs for real, at a keeper of the settings of its house."""
    with LocalKeeper(
        house.store, board, clock=SystemClock(), runner=LocalRunner(), settings=settings_of(house)
    ) as keeper:
        yield keeping.Board(
            keeper, name=board, gap=boot_gap.encode([]), sign=lambda data: house.sign(board, data)
        )


def pushed(
    house: Boathouse, board: BoardName, source: Path, place: str
) -> subprocess.Popen[bytes]:
    """Begin to send a folder by rsync."""
    shell = " ".join(house.ssh(board)[:-1])
    words = ("rsync", "-e", shell, *WORDS, f"{source}/", f"{house.server.host}:{place}/")
    return subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def sent(house: Boathouse, board: BoardName, source: Path, place: str) -> bytes:
    """Send a folder by rsync; return what was complained."""
    with pushed(house, board, source, place) as sending:
        _, said = sending.communicate(timeout=90)
    return said


def files_of(folder: Path, count: int, size: int, *, hole: int = 0, first: int = 0) -> Path:
    """Make files with names of contents, which are others for another first number."""
    folder.mkdir()
    for number in range(first, first + count):
        path = folder / hashlib.sha256(b"%d" % number).hexdigest()
        with path.open("wb") as file:
            file.write(os.urandom(size))
            if hole:
                file.truncate(hole)
    return folder


def stays_free(house: Boathouse, least: Least) -> None:
    """Fail if more was taken than may be, at any look."""
    assert least.looks >= 10
    assert least.bytes >= settings_of(house).min_free
    assert least.inodes >= settings_of(house).min_free_inodes


@pytest.mark.parametrize(
    ("count", "size", "hole"),
    [(3, 250 * MIB, 0), (60_000, 0, 0), (3, 250 * MIB, 255 * MIB)],
    ids=["h23_large", "h15_60_000_empty", "h23_sparse"],
)
def test_min_free_is_never_passed_by_a_flood_of_files(
    house: Boathouse, pier_3: BoardName, tmp_path: Path, count: int, size: int, hole: int
) -> None:
    source = files_of(tmp_path / "source", count, size, hole=hole)
    with house.keeper(pier_3) as keeper, sampled(house.store.root) as least:
        begun = keeper.begin()
        said = sent(house, pier_3, source, begun.folders[0])
        left = list((house.store.board_folder(pier_3) / begun.folders[0]).iterdir())
        keeper.abandon()

    stays_free(house, least)
    assert b"daily_share" in said
    assert left == []


def test_h4_h19_many_short_transfers_pass_no_limit_together(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    said = b""
    with house.keeper(pier_3) as keeper, sampled(house.store.root) as least:
        for number in range(12):
            # Of one name each time the part that is there would be gone on with.
            source = files_of(tmp_path / str(number), 1, 40 * MIB, first=number)
            begun = keeper.begin()
            said += sent(house, pier_3, source, begun.folders[0])
            keeper.abandon()

    stays_free(house, least)
    assert b"daily_share" in said


def test_h23_a_transfer_that_is_killed_again_and_again_passes_no_limit(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    source = files_of(tmp_path / "source", 1, 250 * MIB)
    with house.keeper(pier_3) as keeper, sampled(house.store.root) as least:
        begun = keeper.begin()
        for _ in range(8):
            with pushed(house, pier_3, source, begun.folders[0]) as sending:
                time.sleep(0.7)
                sending.send_signal(signal.SIGKILL)
        said = sent(house, pier_3, source, begun.folders[0])
        keeper.abandon()

    stays_free(house, least)
    assert said == b"" or b"daily_share" in said
    assert account_of(house, pier_3).balance().today.bytes >= 240 * MIB


def used(house: Boathouse) -> Spent:
    """Return what df says is used."""
    os.sync()
    words = ("df", "-B1", "--output=used,iused", house.store.root)
    taken, inodes = programs.run(*words).split()[-2:]
    return Spent(bytes=int(taken), inodes=int(inodes))


def test_h3_h15_the_account_is_what_du_and_df_say(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """Within 1 %: du counts what files have, df what the disk lost."""
    source = files_of(tmp_path / "source", 3000, 20_000)
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        before, spent = used(house), account_of(house, pier_3).balance().today
        said = sent(house, pier_3, source, begun.folders[0])
        taken = before.growth_to(used(house))
        charged = spent.growth_to(account_of(house, pier_3).balance().today)
        contents = house.store.board_folder(pier_3) / begun.folders[0]
        du = int(programs.run("du", "-B1", "-s", contents).split()[0])
        keeper.abandon()

    assert said == b""
    assert charged.bytes == pytest.approx(du, rel=0.01)
    assert charged.bytes == pytest.approx(taken.bytes, rel=0.01)
    assert charged.inodes == pytest.approx(taken.inodes, rel=0.01)


def test_h3_without_landlock_what_is_no_content_ends_the_transfer_and_nothing_stays(
    tmp_path: Path,
) -> None:
    """A kernel before 5.13 has none (Documentation/userspace-api/landlock.rst)."""
    clock = SystemClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=keeping.FakeClock(clock.now()))
    keeper = keeping.keeper_of(store, clock=clock)
    begun = keeper.begin()
    source = files_of(tmp_path / "source", 3, 5000)
    (source / "odd name").write_bytes(b"x")
    (source / "folder").mkdir()
    shell = f"{sys.executable} {unconfined.__file__} {store.root} pier-3"
    place = f"keeper:incoming/{begun.run}/contents-0/"

    done = programs.attempt("rsync", "-e", shell, *WORDS, f"{source}/", place, timeout=60)

    left = sorted(path.name for path in Path(begun.folders[0]).iterdir())
    keeper.close()
    assert done.returncode != 0
    assert b"which is no content of its own" in done.stderr
    assert left == []


def test_what_captures_of_an_unchanged_tree_cost_is_what_the_disk_says(
    house: Boathouse, pier_3: BoardName
) -> None:
    """Each has documents, a directory and lines in the ledger: du(1) and the account agree."""
    clock, runner = SystemClock(), LocalRunner()
    with signing_board(house, pier_3) as board:
        board.files = {b"a": b"x"}
        board.capture()
        spent, before = account_of(house, pier_3).balance().today, _taken(house.store.root)
        for _ in range(20):
            board.capture()
            judge_boot.note_newest(house.store, pier_3, runner, clock=clock)
        charged = spent.growth_to(account_of(house, pier_3).balance().today)
        after = _taken(house.store.root)

    assert charged.bytes == pytest.approx(after[0] - before[0], rel=0.01)
    assert charged.inodes == after[1] - before[1]


def test_what_a_tree_of_the_newest_capture_costs_is_what_the_disk_says(
    house: Boathouse, pier_3: BoardName
) -> None:
    """Long names, deep folders and a night's changes: du(1) and the account agree."""
    runner = LocalRunner()
    with signing_board(house, pier_3) as board:
        for night in range(3):
            board.files = {
                b"srv/%03d/%s-%05d" % (n % 300, b"reading" * 20, n + 4000 * night): b"1.42"
                for n in range(4000)
            } | {b"one/%s-%05d" % (b"name" * 40, n): b"1.42" for n in range(2000 * (night + 1))}
            board.capture()
            spent = account_of(house, pier_3).balance().today
            before = _taken(house.store.board_folder(pier_3))
            latest_tree.refresh(house.store, pier_3, runner, account_of(house, pier_3))
            charged = spent.growth_to(account_of(house, pier_3).balance().today)
            after = _taken(house.store.board_folder(pier_3))
            grown = (max(0, after[0] - before[0]), max(0, after[1] - before[1]))
            # What a night's removals give back is not given to the board.
            assert charged.bytes >= grown[0] * 0.99
            if not night:
                assert charged.bytes == pytest.approx(grown[0], rel=0.01)
                assert charged.inodes == pytest.approx(grown[1], rel=0.01)


def test_where_inodes_have_no_number_each_takes_room(tmp_path: Path) -> None:
    """btrfs makes inodes as it needs them, and tells statvfs(3) of none."""
    image = loop.blank_image(tmp_path / "volume.img", size=256 * MIB)
    programs.run("mkfs.btrfs", "-q", image)
    with loop.attached(image) as disk, loop.mounted(disk.device, tmp_path / "volume") as volume:
        found = os.statvfs(volume)
        free, inodes = stores.create(volume / "boathouse", clock=SystemClock()).free()

    assert (found.f_files, found.f_favail) == (0, 0)
    assert inodes == free // 4096


def _taken(folder: Path) -> tuple[int, int]:
    def of(*words: str) -> int:
        return int(programs.run("du", "-s", *words, folder).split()[0])

    return of("-B1"), of("--inodes")
