"""What statx(2) tells is told as os.stat and os.fstat tell it."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path

import pytest

from holdstill.system import file_status, files, libc

WHOLE = ("st_mode", "st_ino", "st_dev", "st_nlink", "st_uid", "st_gid", "st_size", "st_blocks",
         "st_blksize", "st_rdev", "st_mtime_ns", "st_ctime_ns", "st_atime_ns")  # fmt: skip
AFTER_2038 = 2_209_032_000
"""2040-01-01 12:00 UTC: more than 31 bits have room for."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "file").write_bytes(b"content")
    os.utime(tmp_path / "file", ns=(AFTER_2038 * 10**9 + 7, AFTER_2038 * 10**9 + 123_456_789))
    (tmp_path / "before-1970").touch()
    os.utime(tmp_path / "before-1970", ns=(-1, -1_500_000_000))
    (tmp_path / "directory").mkdir()
    (tmp_path / "link").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as listener, files.opened(tmp_path, os.O_PATH) as handle:
        listener.bind(f"/proc/self/fd/{handle}/socket")
    return tmp_path


NAMES = ("file", "before-1970", "directory", "link", "pipe", "socket")


def told(status: os.stat_result) -> dict[str, object]:
    return {name: getattr(status, name) for name in WHOLE}


@pytest.mark.parametrize("name", NAMES)
def test_statx_tells_what_lstat_tells(folder: Path, name: str) -> None:
    wanted = (folder / name).lstat()
    with files.opened(folder, os.O_PATH) as handle:
        raw = libc.statx(handle, name.encode(), libc.AT_SYMLINK_NOFOLLOW)

    found = file_status.from_statx(raw)

    assert told(found) == told(wanted)
    assert tuple(found) == tuple(wanted)
    assert found.st_mtime == pytest.approx(wanted.st_mtime)


def test_a_device_has_its_number() -> None:
    with files.opened(Path("/dev"), os.O_PATH) as handle:
        raw = libc.statx(handle, b"null", libc.AT_SYMLINK_NOFOLLOW)

    # Linux Documentation/admin-guide/devices.txt: 1 char, 3 = /dev/null.
    assert file_status.from_statx(raw).st_rdev == os.makedev(1, 3)


def test_an_open_file_is_asked_about_without_a_name(folder: Path) -> None:
    with files.opened(folder / "file", os.O_RDONLY) as handle:
        found = file_status.from_statx(libc.statx(handle, b"", libc.AT_EMPTY_PATH))

        assert told(found) == told(os.fstat(handle))


def test_what_the_c_library_has_no_room_for_is_asked_of_the_kernel(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = (folder / "file").lstat()

    def no_room(*_: object, **__: object) -> os.stat_result:
        raise OSError(errno.EOVERFLOW, os.strerror(errno.EOVERFLOW))

    with files.opened(folder, os.O_PATH) as top, files.opened(folder / "file", os.O_PATH) as own:
        monkeypatch.setattr(os, "stat", no_room)
        monkeypatch.setattr(os, "fstat", no_room)
        found = file_status.of_name(top, b"file"), file_status.of_handle(own)
        monkeypatch.undo()

    assert [told(status) for status in found] == [told(wanted)] * 2
    assert found[0].st_mtime_ns // 10**9 == AFTER_2038


def test_other_errors_stay_what_they_are(folder: Path) -> None:
    with files.opened(folder, os.O_PATH) as handle, pytest.raises(FileNotFoundError):
        file_status.of_name(handle, b"nothing")


def test_an_error_of_statx_is_raised(folder: Path) -> None:
    with files.opened(folder, os.O_PATH) as handle, pytest.raises(FileNotFoundError):
        libc.statx(handle, b"nothing", 0)


@pytest.mark.parametrize("ns", [AFTER_2038 * 10**9 + 5, -1_500_000_000])
def test_times_are_set_of_links_too(folder: Path, ns: int) -> None:
    with files.opened(folder, os.O_RDONLY) as handle:
        file_status.set_modified(b"link", ns, directory=handle)
    file_status.set_modified(os.fsencode(folder / "file"), ns)

    assert [(folder / name).lstat().st_mtime_ns for name in ("link", "file")] == [ns, ns]


def test_what_cannot_be_looked_at_is_late_and_nothing_else(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not file_status.is_late(folder / "file")
    assert not file_status.is_late(folder / "nothing")

    def no_room(*_: object, **__: object) -> os.stat_result:
        raise OSError(errno.EOVERFLOW, os.strerror(errno.EOVERFLOW))

    with monkeypatch.context() as patched:
        patched.setattr(os, "stat", no_room)
        is_late = file_status.is_late(folder / "file")
    assert is_late
