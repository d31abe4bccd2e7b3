"""Reading a store again: every content once, and what is wrong named with all that it hits."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import VerificationError
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Disk, TableLabel
from holdstill.model.names import BoardName, CaptureName
from holdstill.records import assembled, capture_contents, index_file
from holdstill.verify import store_check
from holdstill.verify.store_check import Pace, StoreReport
from support import cards, keeping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.pieces import Part

PIER_3 = BoardName("pier-3")


@dataclass
class Clock:
    """

    from __future__ import annotationsStands until somebody sleeps."""

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
    made: Manifest
    board: BoardName = PIER_3

    def manifest(self) -> Manifest:
        return self.made

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        yield from parts

    def open(self, digest: bytes) -> int:
        path = self.folder / digest.hex()
        if not path.exists():
            raise VerificationError(f"{digest.hex()} is not in the store")
        return os.open(path, os.O_RDONLY)


def capture(folder: Path, number: int, **files: bytes) -> Capture:
    path = folder / f"{number}.sqlite"
    with index_file.created(path) as index:
        index.put(2, Entry(b"", b"", EntryType.DIRECTORY, 0o755), seq=number)
        for name, content in files.items():
            digest = hashlib.sha256(content)
            (folder / digest.hexdigest()).write_bytes(content)
            entry = Entry(b"", name.encode(), EntryType.FILE, 0o644, size=len(content),
                          digest=digest.digest())  # fmt: skip
            index.put(2, entry, seq=number)
    for name, body in keeping.pieces_of(path.read_bytes()).items():
        (folder / name).write_bytes(body)
    manifest = msgspec.structs.replace(
        cards.manifest_of(Disk(size=64 << 20, label=TableLabel.DOS), {}),
        index=keeping.attachment("index.sqlite", path.read_bytes()),
    )
    return Capture(folder, CaptureName(number, "20261125T021503Z"), manifest)


def needed(*captures: Capture) -> list[bytes]:
    """Return the contents that each capture needs, one after the other."""
    return [digest for c in captures for digest, _ in capture_contents.needed(c)]


def check(*captures: Capture, within: float = 0.0, pace: Pace | None = None) -> StoreReport:
    now = Clock().now().timestamp()
    with store_check.remembered(captures[0].folder / "verified", since=now - within) as memory:
        return store_check.check_captures(captures, memory=memory, pace=pace or Pace(0, Clock()))


def test_a_content_that_two_captures_share_is_read_once(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same", b=b"new"), capture(tmp_path, 1, a=b"same")

    report = check(new, old)

    every = needed(new, old)
    assert report.contents == len(set(every))
    assert report.skipped == len(every) - len(set(every)) >= 1
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
    (tmp_path / broken.made.index.sha256).write_bytes(b"no list at all")

    report = check(broken, sound)

    assert report.captures == (f"pier-3/{sound.name}",)
    assert str(broken.name) in report.faults[0]
    assert not report.is_good


def test_h13_a_damaged_piece_of_an_index_is_named_with_its_capture(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"a")
    piece = next(assembled.read_list(only, only.made.index).pieces())[0].hex()
    (tmp_path / piece).write_bytes(bytes((tmp_path / piece).stat().st_size))

    report = check(only)

    (damage,) = report.damages
    assert damage.digest == piece
    assert damage.hits == (f"pier-3/{only.name}: index.sqlite",)
    assert len(report.faults) == 1
    assert report.captures == ()


def test_a_run_that_was_cut_off_goes_on_where_it_was(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"a", b=b"b")
    check(only)

    again = check(only, within=86_400)

    assert (again.contents, again.skipped) == (0, len(needed(only)))


@pytest.mark.parametrize(("rate", "seconds"), [(0, 0), (100, 10), (1000, 1)])
def test_reading_keeps_to_its_pace(tmp_path: Path, rate: float, seconds: float) -> None:
    only = capture(tmp_path, 1, a=bytes(1000))
    clock = Clock()

    check(only, pace=Pace(rate, clock))

    beside = sum(size for digest, size in capture_contents.needed(only)
                 if digest != hashlib.sha256(bytes(1000)).digest())  # fmt: skip
    assert clock.seconds == pytest.approx(seconds * (1000 + beside) / 1000)


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
