from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import open_files

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextmanager
def directory(path: Path) -> Iterator[int]:
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield handle
    finally:
        os.close(handle)


def listed(processes: Path, file: Path, flags: int) -> None:
    """List a file as open in one more process, as proc(5) has it."""
    process = processes / str(71 + len(list(processes.iterdir())))
    (process / "fdinfo").mkdir(parents=True)
    (process / "fd").mkdir()
    (process / "fd/5").symlink_to(file)
    text = f"pos:\t0\nflags:\t{flags | 0o100000:#o}\nmnt_id:\t9\nino:\t{file.stat().st_ino}\n"
    (process / "fdinfo/5").write_text(text.replace("0o", "0"), encoding="ascii")


@pytest.mark.parametrize(
    ("flags", "is_found"),
    [
        (os.O_WRONLY | os.O_DIRECT, True),
        (os.O_RDWR | os.O_DIRECT, True),
        (os.O_RDONLY | os.O_DIRECT, False),
        (os.O_RDWR, False),
    ],
)
def test_writes_may_be_under_way_to_what_is_open_for_them_past_the_page_cache(
    tmp_path: Path, flags: int, *, is_found: bool
) -> None:
    file, processes = tmp_path / "table", tmp_path / "proc"
    file.touch()
    (processes / "self").mkdir(parents=True)
    listed(processes, file, flags)

    with directory(tmp_path) as root:
        found = open_files.written_directly(root, file.stat().st_ctime_ns, processes)

    assert found == ({file.stat().st_ino} if is_found else set())


def test_none_is_under_way_to_what_was_changed_long_ago_or_is_on_another_file_system(
    tmp_path: Path, elsewhere: Path
) -> None:
    file, far, processes = tmp_path / "table", elsewhere / "table", tmp_path / "proc"
    file.touch()
    far.touch()
    processes.mkdir()
    listed(processes, far, os.O_WRONLY | os.O_DIRECT)
    listed(processes, file, os.O_WRONLY | os.O_DIRECT)
    changed, second = file.stat().st_ctime_ns, 10**9

    with directory(tmp_path) as root:
        looks = [
            open_files.written_directly(root, changed + age * second, processes)
            for age in (0, open_files.UNDER_WAY - 1, open_files.UNDER_WAY + 1)
        ]

    assert looks == [{file.stat().st_ino}, {file.stat().st_ino}, set()]


@pytest.fixture
def elsewhere(tmp_path: Path) -> Iterator[Path]:
    folder = Path("/dev/shm") / f"hs-open-{os.getpid()}"  # noqa: S108
    folder.mkdir()
    assert folder.stat().st_dev != tmp_path.stat().st_dev
    yield folder
    (folder / "table").unlink()
    folder.rmdir()
