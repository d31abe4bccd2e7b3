import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from holdstill.errors import VerificationError
from holdstill.model.entries import Entry, EntryType
from holdstill.model.names import BoardName, CaptureName
from holdstill.records import index_file
from holdstill.verify import store_check
from holdstill.verify.store_check import Pace, StoreReport

PIER_3 = BoardName("pier-3")


@dataclass
class Clock:
    """Stands until somebody sleeps."""

    seconds: float = 0.0

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        return datetime(2026, 11, 25, tzinfo=UTC)

    def sleep(self, seconds: float) -> None:
        self.seconds += seconds


@dataclass(frozen=True)
class Capture:
    """A capture of files by name, their bodies in a folder by digest."""

    folder: Path
    name: CaptureName
    board: BoardName = PIER_3

    @property
    def index_path(self) -> Path:
        return self.folder / f"{self.name}.sqlite"

    def open(self, digest: bytes) -> int:
        path = self.folder / digest.hex()
        if not path.exists():
            raise VerificationError(f"{digest.hex()} is not in the store")
        return os.open(path, os.O_RDONLY)


def capture(folder: Path, number: int, **files: bytes) -> Capture:
    made = Capture(folder, CaptureName(number, "20261125T021503Z"))
    with index_file.created(made.index_path) as index:
        index.put(2, Entry(b"", b"", EntryType.DIRECTORY, 0o755), seq=number)
        for name, content in files.items():
            digest = hashlib.sha256(content)
            (folder / digest.hexdigest()).write_bytes(content)
            entry = Entry(b"", name.encode(), EntryType.FILE, 0o644, size=len(content),
                          digest=digest.digest())  # fmt: skip
            index.put(2, entry, seq=number)
    return made


def check(*captures: Capture, within: float = 0.0, pace: Pace | None = None) -> StoreReport:
    now = Clock().now().timestamp()
    with store_check.remembered(captures[0].folder / "verified", since=now - within) as memory:
        return store_check.check_captures(captures, memory=memory, pace=pace or Pace(0, Clock()))


def test_a_content_that_two_captures_share_is_read_once(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same", b=b"new"), capture(tmp_path, 1, a=b"same")

    report = check(new, old)

    assert (report.contents, report.skipped) == (2, 1)
    assert report.is_good
    assert len(report.captures) == 2


def test_a_flipped_byte_is_named_with_every_capture_and_path_that_it_hits(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same", b=b"good"), capture(tmp_path, 1, c=b"same")
    bad = hashlib.sha256(b"same").hexdigest()
    (tmp_path / bad).write_bytes(b"sAme")

    report = check(new, old)

    assert [damage.digest for damage in report.damages] == [bad]
    assert [hit.rpartition(" ")[2] for hit in report.damages[0].hits] == ["/a", "/c"]
    assert report.captures == ()
    assert not report.is_good


def test_a_missing_content_and_one_of_another_size_are_damage(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"gone", b=b"short")
    (tmp_path / hashlib.sha256(b"gone").hexdigest()).unlink()
    (tmp_path / hashlib.sha256(b"short").hexdigest()).write_bytes(b"sho")

    problems = " ".join(damage.problem for damage in check(only).damages)

    assert "not there" in problems
    assert "3 bytes, not 5" in problems


def test_a_capture_that_cannot_be_read_does_not_keep_the_others_from_it(tmp_path: Path) -> None:
    broken, sound = capture(tmp_path, 2, a=b"a"), capture(tmp_path, 1, b=b"b")
    broken.index_path.write_bytes(b"no index at all")

    report = check(broken, sound)

    assert report.captures == (f"pier-3/{sound.name}",)
    assert str(broken.name) in report.faults[0]
    assert not report.is_good


def test_a_run_that_was_cut_off_goes_on_where_it_was(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"a", b=b"b")
    check(only)

    again = check(only, within=86_400)

    assert (again.contents, again.skipped) == (0, 2)


@pytest.mark.parametrize(("rate", "seconds"), [(0, 0), (100, 10), (1000, 1)])
def test_reading_keeps_to_its_pace(tmp_path: Path, rate: float, seconds: float) -> None:
    only = capture(tmp_path, 1, a=bytes(1000))
    clock = Clock()

    check(only, pace=Pace(rate, clock))

    assert clock.seconds == pytest.approx(seconds)


def test_reading_is_slowed_down_however_long_the_machine_has_run() -> None:
    clock = Clock(seconds=1_000_000.0)
    pace = Pace(100.0, clock)

    pace.after(50)
    pace.after(50)

    assert clock.seconds == 1_000_001.0


def test_a_check_leaves_no_descriptor_open(tmp_path: Path) -> None:
    made = capture(tmp_path, 1, **{f"f{n}": b"%d" % n for n in range(20)})
    (tmp_path / hashlib.sha256(b"3").hexdigest()).write_bytes(b"?")
    (tmp_path / hashlib.sha256(b"4").hexdigest()).write_bytes(b"too long")
    before = sorted(os.listdir("/proc/self/fd"))  # noqa: PTH208

    assert len(check(made).damages) == 2

    assert sorted(os.listdir("/proc/self/fd")) == before  # noqa: PTH208
