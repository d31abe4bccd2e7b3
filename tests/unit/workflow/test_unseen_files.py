"""What a capture could not look at is told, by its place on the board, once."""

from __future__ import annotations

import os
from pathlib import Path

from holdstill.board.layout import BoardPart
from holdstill.board.scan import ScanProblem
from holdstill.model.entries import LOCKED_NS, Entry, EntryType, Seen
from holdstill.model.finding import FindingKind
from holdstill.model.layout import Raw
from holdstill.records import index_file
from holdstill.system import files, fscrypt
from holdstill.workflow import unseen_files

HOME = BoardPart(3, Path("/dev/mmcblk0p3"), 0, 1 << 20, Raw(size=1 << 20), place="/home")
SPARE = BoardPart(4, Path("/dev/mmcblk0p4"), 0, 1 << 20, Raw(size=1 << 20))


def folder(path: bytes, *, ctime_ns: int) -> Entry:
    directory, _, name = path.rpartition(b"/")
    return Entry(directory, name, EntryType.DIRECTORY, seen=Seen(12, ctime_ns, 1))


def test_a_path_is_told_once_with_what_to_do() -> None:
    problems = [ScanProblem(b"ann/deep", "Input/output error")] * 3

    (found,) = unseen_files.findings(HOME, problems, [])

    assert found.kind is FindingKind.MISSING
    assert found.what == "/home/ann/deep"
    assert found.why == "Input/output error"
    assert "put /home/ann/deep into `exclude`" in found.hint


def test_what_is_described_all_the_same_is_no_loss() -> None:
    problems = [ScanProblem(b"boot", "a file system is mounted here", is_loss=False)]

    assert list(unseen_files.findings(HOME, problems, [])) == []


def test_of_a_partition_that_is_not_mounted_the_number_is_named() -> None:
    (found,) = unseen_files.findings(SPARE, [ScanProblem(b"x", "odd")], [])

    assert found.what == "4:/x"


def test_a_locked_folder_is_told() -> None:
    locked = [folder(b"ann/private", ctime_ns=LOCKED_NS)]

    (found,) = unseen_files.findings(HOME, [], locked)

    assert found.what == "/home/ann/private"
    assert "locked" in found.why
    assert found.hint.startswith("unlock it")


def test_of_very_many_the_rest_is_counted() -> None:
    problems = [ScanProblem(b"%03d" % number, "odd") for number in range(unseen_files.NAMED + 7)]

    *named, rest = unseen_files.findings(HOME, problems, [])

    assert len(named) == unseen_files.NAMED
    assert "7 more paths" in rest.why
    assert "/home/020" in rest.why


def test_the_index_knows_the_locked_folders_of_a_part(tmp_path: Path) -> None:
    with index_file.created(tmp_path / "index.sqlite") as index:
        index.put(3, folder(b"ann/open", ctime_ns=1), seq=1)
        index.put(3, folder(b"ann/private", ctime_ns=LOCKED_NS), seq=1)
        index.put(4, folder(b"other", ctime_ns=LOCKED_NS), seq=1)

        assert [one.path for one in index.locked(3)] == [b"ann/private"]


def test_a_folder_without_encryption_is_not_locked(tmp_path: Path) -> None:
    with files.opened(tmp_path, os.O_RDONLY | os.O_DIRECTORY) as here:
        assert not fscrypt.is_locked(here)
