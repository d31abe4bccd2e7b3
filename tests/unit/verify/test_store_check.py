"""Reading a store again: every content once, and what is wrong named with all that it hits."""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import HoldstillError, MachineError, VerificationError
from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Disk, Raw, TableLabel
from holdstill.model.manifest import CapturedPart, Grade
from holdstill.model.names import BoardName, CaptureName
from holdstill.records import assembled, capture_contents, index_file
from holdstill.verify import store_check, verified_cache
from holdstill.verify.store_check import Pace, StoreReport
from support import cards, keeping

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.pieces import Part, PieceList

PIER_3 = BoardName("pier-3")


@dataclass
class Clock:
    """Stands until somebody sleeps."""

    seconds: float = 0.0
    day: int = 25

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        return datetime(2026, 11, self.day, tzinfo=UTC)

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
    entries = []
    for name, content in files.items():
        digest = hashlib.sha256(content)
        (folder / digest.hexdigest()).write_bytes(content)
        entries.append(
            Entry(b"", name.encode(), EntryType.FILE, 0o644, size=len(content),
                  digest=digest.digest())
        )  # fmt: skip
    return indexed(folder, number, *entries)


def indexed(folder: Path, number: int, *entries: Entry) -> Capture:
    path = folder / f"{number}.sqlite"
    with index_file.created(path) as index:
        index.put(2, Entry(b"", b"", EntryType.DIRECTORY, 0o755), seq=number)
        for entry in entries:
            index.put(2, entry, seq=number)
    for name, body in keeping.pieces_of(path.read_bytes()).items():
        (folder / name).write_bytes(body)
    manifest = msgspec.structs.replace(
        cards.manifest_of(Disk(size=64 << 20, label=TableLabel.DOS), {}),
        index=keeping.attachment("index.sqlite", path.read_bytes()),
    )
    return Capture(folder, CaptureName(number, "20261125T021503Z"), manifest)


def large_file(folder: Path) -> tuple[Entry, PieceList]:
    """Return the entry and the list of a file that is kept in pieces, which are in the folder."""
    body = os.urandom(pieces.PIECED_FROM)
    listed = pieces.of_reader(
        len(body), pieces.PIECE, lambda start, count: body[start : start + count]
    )
    for part in listed.parts():
        piece = body[part.offset : part.offset + part.length]
        (folder / part.digest.hex()).write_bytes(piece)
    large = Entry(b"", b"large", EntryType.FILE, 0o644, size=len(body), digest=listed.digest())
    (folder / large.digest.hex()).write_bytes(listed.encode())
    return large, listed


def needed(*captures: Capture) -> list[bytes]:
    """Return the contents that each capture needs, one after the other."""
    return [digest for c in captures for digest, _ in capture_contents.needed(c)]


def check(*captures: Capture, within: float = 0.0, pace: Pace | None = None) -> StoreReport:
    now = Clock().now().timestamp()
    path = captures[0].folder / "verified"
    with verified_cache.opened(path, since=now - within, until=now) as memory:
        return store_check.check_captures(captures, memory=memory, pace=pace or Pace(0, Clock()))


def test_a_content_that_two_captures_share_is_read_once(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same", b=b"new"), capture(tmp_path, 1, a=b"same")

    report = check(new, old)

    every = needed(new, old)
    assert report.contents == len(set(every))
    assert len(set(every)) < len(every)
    assert report.skipped == 0  # nothing was left out: it was met twice
    assert report.is_good
    assert len(report.captures) == 2


def test_a_flipped_byte_is_named_with_every_capture_and_path_that_it_hits(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same", b=b"good"), capture(tmp_path, 1, c=b"same")
    bad = hashlib.sha256(b"same").hexdigest()
    (tmp_path / bad).write_bytes(b"sAme")

    report = check(new, old)

    assert [damage.digest for damage in report.damages] == [bad]
    assert [hit.rpartition(" ")[2] for hit in report.damages[0].hits] == ["2:/a", "2:/c"]
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
    made, sound = capture(tmp_path, 2, a=b"a"), capture(tmp_path, 1, b=b"b")
    other = hashlib.sha256(b"no list at all").hexdigest()
    (tmp_path / other).write_bytes(b"no list at all")
    index = msgspec.structs.replace(made.made.index, sha256=other)
    broken = replace(made, made=msgspec.structs.replace(made.made, index=index))

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
    assert report.damaged == (f"pier-3/{only.name}",)
    assert (report.faults, report.captures) == ((), ())


def with_all(folder: Path) -> Capture:
    """A capture that has everything a manifest can name."""
    plain, gap, raw = (
        capture(folder, 1, a=b"reading"),
        keeping.gap_of(b"boot code" * 4000),
        b"raw" * 9000,
    )
    for content in (gap, raw):
        for name, body in keeping.pieces_of(content).items():
            (folder / name).write_bytes(body)
    manifest = msgspec.structs.replace(
        plain.made,
        gap=keeping.attachment("gap.bin", gap),
        raws=(keeping.attachment("raw-3.bin", raw),),
    )
    return replace(plain, made=manifest)


def flipped(path: Path) -> None:
    body = path.read_bytes()
    path.write_bytes(bytes([body[0] ^ 1]) + body[1:])


@pytest.mark.parametrize("spoil", [flipped, os.unlink, lambda path: path.write_bytes(b"")])
@pytest.mark.parametrize("what", ["index.sqlite", "gap.bin", "raw-3.bin"])
@pytest.mark.parametrize("which", ["list", "piece"])
def test_h13_everything_that_a_rebuild_needs_is_read_and_named(
    tmp_path: Path, what: str, which: str, spoil: Callable[[Path], None]
) -> None:
    only = with_all(tmp_path)
    (item,) = (x for x in capture_contents.attachments(only.made) if x.name == what)
    piece = next(assembled.read_list(only, item).pieces())[0].hex()
    bad = item.sha256 if which == "list" else piece
    assert check(only).is_good
    spoil(tmp_path / bad)

    report = check(only)

    (damage,) = report.damages
    named = what if which == "piece" else f"the list of {what}"
    assert (damage.digest, damage.hits) == (bad, (f"pier-3/{only.name}: {named}",))
    assert report.damaged == (f"pier-3/{only.name}",)
    assert (report.faults, report.captures) == ((), ())


def test_a_gap_that_is_no_gap_file_is_found_though_its_bytes_are_those_that_were_sealed(
    tmp_path: Path,
) -> None:
    only = with_all(tmp_path)
    for name, body in keeping.pieces_of(b"thief's gap").items():
        (tmp_path / name).write_bytes(body)
    gap = keeping.attachment("gap.bin", b"thief's gap")
    odd = replace(only, made=msgspec.structs.replace(only.made, gap=gap))

    report = check(odd)

    assert report.faults == (f"pier-3/{only.name}: gap.bin: not a boot gap file",)
    assert (report.damages, report.captures) == ((), ())


def test_h24_a_damaged_gap_does_not_keep_the_files_from_being_read(tmp_path: Path) -> None:
    only = with_all(tmp_path)
    assert only.made.gap is not None
    (tmp_path / only.made.gap.sha256).unlink()
    (tmp_path / hashlib.sha256(b"reading").hexdigest()).unlink()

    hits = [hit for damage in check(only).damages for hit in damage.hits]

    assert sorted(hit.partition(": ")[2] for hit in hits) == ["2:/a", "the list of gap.bin"]


@dataclass(frozen=True)
class Locked(Capture):
    """A capture with contents that this user may not read."""

    error: int = errno.EACCES

    def open(self, digest: bytes) -> int:
        if digest == hashlib.sha256(b"private").digest():
            raise OSError(self.error, os.strerror(self.error), digest.hex())
        return super().open(digest)


@dataclass(frozen=True)
class Huge(Capture):
    """A capture with a list of which this machine cannot hold as much as it is."""

    def open(self, digest: bytes) -> int:
        if digest == hashlib.sha256(b"private").digest():
            raise MemoryError
        return super().open(digest)


def test_what_takes_more_memory_than_there_is_is_that_captures_trouble(tmp_path: Path) -> None:
    made, sound = capture(tmp_path, 2, a=b"private"), capture(tmp_path, 1, b=b"b")

    report = check(Huge(made.folder, made.name, made.made), sound)

    name = f"pier-3/{made.name}"
    assert report.unread == (f"{name}: there is not enough memory to read what it needs",)
    assert (report.not_read, report.captures) == ((name,), (f"pier-3/{sound.name}",))


@pytest.mark.parametrize("error", [errno.EACCES, errno.EMFILE, errno.ESTALE, errno.ENOMEM])
def test_h11_what_this_user_or_machine_cannot_read_is_no_damage(
    tmp_path: Path, error: int
) -> None:
    made, sound = capture(tmp_path, 2, a=b"private"), capture(tmp_path, 1, b=b"b")
    locked = Locked(made.folder, made.name, made.made, error=error)

    report = check(locked, sound)

    assert (report.damages, report.faults, report.damaged) == ((), (), ())
    digest = hashlib.sha256(b"private").hexdigest()
    (text,) = report.unread
    assert text.startswith(f"pier-3/{made.name}: ")
    assert text.endswith(f"{os.strerror(error)}: '{digest}'")
    assert report.captures == (f"pier-3/{sound.name}",)
    assert not report.is_good


def test_what_cannot_be_read_hides_no_damage_of_the_same_capture(tmp_path: Path) -> None:
    files = {f"f{number}": b"good %d" % number for number in range(12)}
    made = capture(tmp_path, 2, private=b"private", **files)
    for number in (0, 5, 11):
        (tmp_path / hashlib.sha256(b"good %d" % number).hexdigest()).write_bytes(b"bad")

    report = check(Locked(made.folder, made.name, made.made))

    name = f"pier-3/{made.name}"
    assert len(report.damages) == 3
    assert (report.damaged, report.not_read, report.captures) == ((name,), (name,), ())


def test_a_large_file_of_two_captures_is_as_old_for_both_as_its_oldest_piece(
    tmp_path: Path,
) -> None:
    large, listed = large_file(tmp_path)
    captures = [indexed(tmp_path, 2, large), indexed(tmp_path, 1, large)]
    oldest = next(listed.pieces())[0]
    with verified_cache.opened(tmp_path / "verified", since=0, until=1e12) as memory:
        memory.note(oldest, 1000.0)
        memory.keep()

    report = check(*captures, within=1e10)

    assert set(report.read_since.values()) == {"1970-01-01T00:16:40Z"}
    assert len(report.read_since) == 2


@pytest.mark.parametrize("spoilt", ["list", "piece"])
def test_h13_a_large_file_is_damaged_with_its_list_and_with_any_piece(
    tmp_path: Path, spoilt: str
) -> None:
    large, listed = large_file(tmp_path)
    made = indexed(tmp_path, 1, large)
    bad = large.digest if spoilt == "list" else next(listed.pieces())[0]
    (tmp_path / bad.hex()).write_bytes(b"bad")

    report = check(made)

    assert [damage.hits for damage in report.damages] == [(f"pier-3/{made.name}: 2:/large",)]
    assert report.damaged == (f"pier-3/{made.name}",)


def test_h11_an_io_error_of_the_disk_is_damage(tmp_path: Path) -> None:
    made = capture(tmp_path, 1, a=b"private")

    report = check(Locked(made.folder, made.name, made.made, error=errno.EIO))

    assert len(report.damages) == 1
    assert report.unread == ()


def test_m5_what_vanished_with_a_thinned_capture_is_no_damage(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"a"), capture(tmp_path, 1, b=b"b")
    (tmp_path / hashlib.sha256(b"b").hexdigest()).unlink()
    now = Clock().now().timestamp()

    with verified_cache.opened(tmp_path / "verified", since=now, until=now) as memory:
        report = store_check.check_captures(
            [new, old], memory=memory, pace=Pace(0, Clock()), is_kept=lambda c: c is not old
        )

    assert report.is_good
    assert report.captures == (f"pier-3/{new.name}",)
    assert report.gone == (f"pier-3/{old.name}",)


def test_m5_what_a_kept_capture_needs_is_damage_whoever_else_was_thinned(tmp_path: Path) -> None:
    new, old = capture(tmp_path, 2, a=b"same"), capture(tmp_path, 1, b=b"same")
    (tmp_path / hashlib.sha256(b"same").hexdigest()).unlink()
    now = Clock().now().timestamp()

    with verified_cache.opened(tmp_path / "verified", since=now, until=now) as memory:
        report = store_check.check_captures(
            [new, old], memory=memory, pace=Pace(0, Clock()), is_kept=lambda c: c is new
        )

    (damage,) = report.damages
    assert damage.hits == (f"pier-3/{new.name}: 2:/a",)
    assert report.damaged == (f"pier-3/{new.name}",)


def test_a_run_that_was_cut_off_goes_on_where_it_was(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"a", b=b"b")
    check(only)

    again = check(only, within=86_400)

    files = {hashlib.sha256(b"a").digest(), hashlib.sha256(b"b").digest()}
    beside = set(needed(only)) - files  # the index, which has to be read to know the others
    assert (again.contents, again.skipped) == (len(beside), len(files))


@dataclass(frozen=True)
class PowerCut(Capture):
    """A capture in whose reading everything ends."""

    def manifest(self) -> Manifest:
        raise KeyboardInterrupt


def test_what_was_read_before_a_run_was_cut_off_is_remembered(tmp_path: Path) -> None:
    first, second = capture(tmp_path, 1, a=b"a"), capture(tmp_path, 2, b=b"b")
    with pytest.raises(KeyboardInterrupt):
        check(first, PowerCut(second.folder, second.name, second.made))

    again = check(first, within=86_400)

    assert again.skipped == 1


def test_a_capture_was_read_when_its_content_was_that_was_read_the_longest_ago(
    tmp_path: Path,
) -> None:
    old, new = capture(tmp_path, 1, a=b"a"), capture(tmp_path, 2, a=b"a", b=b"b")
    newest = capture(tmp_path, 3, c=b"c")
    check(old, pace=Pace(0, Clock(day=24)))

    found = check(newest, new, within=2 * 86_400)

    assert found.skipped >= 1
    assert found.read_since == {
        f"pier-3/{newest.name}": "2026-11-25T00:00:00Z",
        f"pier-3/{new.name}": "2026-11-24T00:00:00Z",
    }


def test_what_an_earlier_run_found_good_is_counted_once_however_often_it_is_met(
    tmp_path: Path,
) -> None:
    new, old = capture(tmp_path, 2, a=b"same"), capture(tmp_path, 1, b=b"same")
    check(new, old)

    assert check(new, old, within=86_400).skipped == 1


@pytest.mark.parametrize(("rate", "seconds"), [(0, 0), (1, 1000), (100, 10), (1000, 1)])
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


@pytest.mark.parametrize("damage", ["gone", "empty", "longer"])
def test_what_was_found_good_lately_is_still_looked_for(tmp_path: Path, damage: str) -> None:
    """Only reading it is saved."""
    only = capture(tmp_path, 1, a=b"a body")
    check(only)
    path = tmp_path / hashlib.sha256(b"a body").hexdigest()
    match damage:
        case "gone":
            path.unlink()
        case "empty":
            path.write_bytes(b"")
        case _:
            path.write_bytes(b"a body and more")

    found = check(only, within=86_400)

    assert [bad.digest for bad in found.damages] == [path.name]
    assert found.captures == ()


def test_a_path_is_named_as_it_was_on_the_board() -> None:
    manifest = cards.manifest_of(Disk(size=64 << 20, label=TableLabel.DOS), {})
    parts = tuple(
        CapturedPart(number=number, grade=Grade.READ_ONLY, file_system=Raw(), mount=mount)
        for number, mount in ((1, "/boot/firmware"), (2, "/"), (3, ""))
    )
    manifest = msgspec.structs.replace(manifest, parts=parts)

    assert store_check.on_board(manifest, 1, b"config.txt") == "/boot/firmware/config.txt"
    assert store_check.on_board(manifest, 2, b"etc/fstab") == "/etc/fstab"
    assert store_check.on_board(manifest, 3, b"data") == "3:/data"


# errno(3): each says something about this machine, this user or the way, and not about the bytes.
OURS = [
    errno.EACCES, errno.EPERM, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EINTR,
    errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.ETIMEDOUT, errno.ESTALE,
    errno.ENOTCONN, errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.EAGAIN,
]  # fmt: skip


@pytest.mark.parametrize(
    ("number", "is_ours"),
    [*((number, True) for number in OURS),
     *((number, False) for number in (errno.EIO, errno.ENOENT, errno.EUCLEAN, errno.ENODATA))],
)  # fmt: skip
def test_errors_of_this_machine_are_told_from_those_of_the_bytes(
    number: int, *, is_ours: bool
) -> None:
    wrapped = VerificationError("it cannot be read")
    wrapped.__cause__ = OSError(number, "no")

    assert store_check._is_ours(OSError(number, "no")) is is_ours
    assert store_check._is_ours(wrapped) is is_ours


# sqlite.org/rescode.html: 10 IOERR, 7 NOMEM, 13 FULL, 14 CANTOPEN, 6410 IOERR_GETTEMPPATH; the
# others are 11 CORRUPT and 26 NOTADB.
@pytest.mark.parametrize(
    ("code", "is_ours"),
    [(10, True), (7, True), (13, True), (14, True), (6410, True), (11, False), (26, False),
     (None, False)],
)  # fmt: skip
def test_a_database_that_found_no_room_is_not_damaged(code: int | None, *, is_ours: bool) -> None:
    wrapped, cause = VerificationError("not sound"), sqlite3.OperationalError("no")
    if code is not None:
        cause.sqlite_errorcode = code
    wrapped.__cause__ = cause

    assert store_check._is_ours(wrapped) is is_ours


def test_what_this_machine_could_not_do_is_its_own_and_nothing_else_of_ours_is() -> None:
    assert store_check._is_ours(MachineError("no memory"))
    assert not store_check._is_ours(HoldstillError("anything"))


@dataclass(frozen=True)
class Refusing(Capture):
    """A capture of whose contents some cannot be opened, each for a reason of its own."""

    reasons: tuple[tuple[bytes, int], ...] = ()

    def open(self, digest: bytes) -> int:
        for content, number in self.reasons:
            if digest == hashlib.sha256(content).digest():
                raise OSError(number, os.strerror(number))
        return super().open(digest)


def refusing(made: Capture, **reasons: int) -> Refusing:
    pairs = tuple((content.encode(), number) for content, number in reasons.items())
    return Refusing(made.folder, made.name, made.made, reasons=pairs)


@pytest.mark.parametrize(
    ("count", "more"), [(1, ""), (2, " (and 1 content more)"), (3, " (and 2 contents more)")]
)
def test_of_several_troubles_one_is_told_and_the_others_counted(
    tmp_path: Path, count: int, more: str
) -> None:
    names = "abc"[:count]
    made = capture(tmp_path, 1, **{name: name.encode() for name in names})

    (text,) = check(refusing(made, **dict.fromkeys(names, errno.EACCES))).unread

    assert text == f"pier-3/{made.name}: [Errno 13] Permission denied{more}"


def test_the_worst_of_several_troubles_is_told_first() -> None:
    ours, theirs = OSError(errno.EACCES, "not allowed"), VerificationError("not what\n it was")
    made = Capture.__new__(Capture)
    object.__setattr__(made, "name", CaptureName(1, "20261125T021503Z"))

    failure = store_check._Failure(made, (ours, theirs))

    assert not failure.is_ours
    assert failure.sentence.endswith(": not what it was (and 1 content more)")
    assert store_check._Failure(made, (ours, ours)).is_ours


def test_a_capture_that_was_thinned_meanwhile_is_not_told_as_unread(tmp_path: Path) -> None:
    made, other = capture(tmp_path, 2, a=b"a"), capture(tmp_path, 1, b=b"b")
    both = [refusing(made, a=errno.EACCES), refusing(other, b=errno.EACCES)]
    now = Clock().now().timestamp()
    with verified_cache.opened(tmp_path / "verified", since=now, until=now) as memory:
        report = store_check.check_captures(
            both, memory=memory, pace=Pace(0, Clock()), is_kept=lambda c: c.name == other.name
        )
        none = store_check.check_captures(
            both, memory=memory, pace=Pace(0, Clock()), is_kept=lambda _: False
        )

    assert report.gone == (f"pier-3/{made.name}",)
    assert report.not_read == (f"pier-3/{other.name}",)
    assert len(report.unread) == 1
    assert none.gone == tuple(sorted([f"pier-3/{made.name}", f"pier-3/{other.name}"]))
    assert (none.unread, none.not_read, none.is_good) == ((), (), True)


def test_progress_is_told_in_bytes_that_were_read_and_nothing_else_counts(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"a" * 1000)
    told: list[int] = []
    now = Clock().now().timestamp()
    with verified_cache.opened(tmp_path / "verified", since=now, until=now) as memory:
        report = store_check.check_captures(
            [only], memory=memory, pace=Pace(0, Clock()), progress=told.append
        )

    sizes = [size for _, size in capture_contents.needed(only)]
    assert told[-1] == report.bytes == sum(sizes)
    assert [after - before for before, after in zip([0, *told], told, strict=False)] == sizes
    assert report.contents == len(sizes)


def test_five_paths_of_a_damaged_content_are_named(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, **{f"f{number}": b"same" for number in range(7)})
    (tmp_path / hashlib.sha256(b"same").hexdigest()).write_bytes(b"sAme")

    (damage,) = check(only).damages

    assert damage.hits == tuple(f"pier-3/{only.name}: 2:/f{number}" for number in range(5))


def test_a_piece_that_two_large_files_share_is_told_once_for_each_capture(tmp_path: Path) -> None:
    large, listed = large_file(tmp_path)
    digests = [part.digest for part in listed.parts()]
    digests[1] = digests[0]
    other = pieces.build(listed.size, listed.piece, digests)
    (tmp_path / other.digest().hex()).write_bytes(other.encode())
    twin = large._replace(name=b"twin", digest=other.digest())
    made = indexed(tmp_path, 1, large, twin)
    (tmp_path / digests[0].hex()).write_bytes(b"bad")

    (damage,) = check(made).damages

    assert damage.hits == tuple(f"pier-3/{made.name}: 2:/{name}" for name in ("large", "twin"))


def test_what_is_in_the_place_of_a_content_is_no_content(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"gone", b=b"empty")
    path = tmp_path / hashlib.sha256(b"gone").hexdigest()
    path.unlink()
    path.mkdir()

    (damage,) = check(only).damages

    assert damage.problem == "something else is in the place of its file"


def test_one_content_is_judged_by_size_and_bytes(tmp_path: Path) -> None:
    only = capture(tmp_path, 1, a=b"good", b=b"bad")
    good, bad = (hashlib.sha256(name).digest() for name in (b"good", b"bad"))
    (tmp_path / bad.hex()).write_bytes(b"BAD")

    assert store_check.problem(only, good, 4) == store_check.file_problem(only, good, 4) == ""
    assert store_check.problem(only, good, 5) == "it has 4 bytes, not 5"
    assert store_check.file_problem(only, bad, 3) == "its bytes are not what its name says"
    assert store_check.problem(only, b"?" * 32, 3).startswith("it is not there: 3f3f")
    with pytest.raises(PermissionError):
        store_check.problem(refusing(only, good=errno.EACCES), good, 4)


def test_a_large_file_is_judged_by_its_list_and_each_piece(tmp_path: Path) -> None:
    large, listed = large_file(tmp_path)
    made = indexed(tmp_path, 1, large)
    *_, last = listed.pieces()

    assert store_check.file_problem(made, large.digest, large.size) == ""
    body = (tmp_path / last[0].hex()).read_bytes()
    (tmp_path / last[0].hex()).write_bytes(body[:-1])
    assert store_check.file_problem(made, large.digest, large.size) == (
        f"it has {len(body) - 1} bytes, not {len(body)}"
    )
    (tmp_path / large.digest.hex()).unlink()
    assert store_check.file_problem(made, large.digest, large.size).startswith(
        "it cannot be read:"
    )


def test_the_list_of_a_large_file_is_read_once_for_all_captures_that_have_it(
    tmp_path: Path,
) -> None:
    large, listed = large_file(tmp_path)
    new, old = indexed(tmp_path, 2, large), indexed(tmp_path, 1, large)

    report = check(new, old)

    assert report.is_good
    assert report.contents == len(set(needed(new, old)))
    sizes = {digest: size for made in (new, old) for digest, size in capture_contents.needed(made)}
    assert report.bytes == sum(sizes.values())
    assert len(listed.records) == 32 * 256


def test_a_large_file_that_could_not_be_read_is_unread_for_the_next_capture_too(
    tmp_path: Path,
) -> None:
    large, listed = large_file(tmp_path)
    piece = next(listed.pieces())[0]
    body = (tmp_path / piece.hex()).read_bytes()
    both = [
        Refusing(made.folder, made.name, made.made, reasons=((body, errno.EACCES),))
        for made in (indexed(tmp_path, 2, large), indexed(tmp_path, 1, large))
    ]

    report = check(*both)

    assert report.not_read == tuple(f"pier-3/{made.name}" for made in both)
    assert report.captures == ()


@pytest.mark.parametrize("lacking", ["damages", "faults", "unread"])
def test_a_report_is_good_if_nothing_was_found_and_all_was_read(lacking: str) -> None:
    plain = StoreReport(contents=0, bytes=0, skipped=0, captures=(), read_since={}, damaged=(),
                        damages=())  # fmt: skip

    assert plain.is_good
    assert not msgspec.structs.replace(plain, **{lacking: ("something",)}).is_good
