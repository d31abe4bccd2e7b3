import errno
import os
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from holdstill.system import read_ahead
from holdstill.system.read_ahead import opened_ahead


def opener(folder: Path) -> Callable[[str], int]:
    return lambda name: os.open(folder / name, os.O_RDONLY)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.fixture
def names(tmp_path: Path) -> list[str]:
    found = [f"{number:03}" for number in range(3 * read_ahead.FILES)]
    for name in found:
        (tmp_path / name).write_text(name, encoding="ascii")
    return found


def test_every_file_comes_once_in_order_and_is_closed(tmp_path: Path, names: list[str]) -> None:
    before, most, read = open_files(), 0, []

    for name, file in opened_ahead(names, opener(tmp_path), len):
        assert isinstance(file, int)
        read.append((name, os.read(file, 9).decode()))
        most = max(most, open_files() - before)

    assert read == [(name, name) for name in names]
    assert open_files() == before
    assert 2 <= most <= read_ahead.FILES + 1


def test_no_more_bytes_are_asked_for_ahead_than_may_be(tmp_path: Path, names: list[str]) -> None:
    before, most = open_files(), 0

    for _ in opened_ahead(names, opener(tmp_path), lambda _: read_ahead.BYTES // 4):
        most = max(most, open_files() - before)

    assert most == 5


def test_what_cannot_be_opened_comes_with_the_reason(tmp_path: Path, names: list[str]) -> None:
    (tmp_path / names[1]).unlink()

    found = dict(opened_ahead(names[:3], opener(tmp_path), len))

    reason = found[names[1]]
    assert isinstance(reason, OSError)
    assert reason.errno == errno.ENOENT
    assert isinstance(found[names[0]], int)
    assert isinstance(found[names[2]], int)


def test_whoever_stops_early_leaves_nothing_open(tmp_path: Path, names: list[str]) -> None:
    before = open_files()

    with closing(opened_ahead(names, opener(tmp_path), len)) as ahead:
        next(ahead)
        assert open_files() > before + 1

    assert open_files() == before
