"""Files: published whole or not at all, holes not read, nothing followed."""

from __future__ import annotations

import hashlib
import os
import socket
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.system import clocks, files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import Path


def test_a_published_file_holds_all_of_the_new_content(tmp_path: Path) -> None:
    target = tmp_path / "manifest.yaml"
    files.publish(target, b"old")

    files.publish(target, b"new", mode=0o400)

    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o400
    assert [path.name for path in tmp_path.iterdir()] == ["manifest.yaml"]


def test_what_cannot_be_written_leaves_the_old_content(tmp_path: Path) -> None:
    target = tmp_path / "manifest.yaml"
    files.publish(target, b"old")
    (tmp_path / ".manifest.yaml.draft").mkdir()

    with pytest.raises(IsADirectoryError):
        files.publish(target, b"new")

    assert target.read_bytes() == b"old"


# FAULTS S07, S43: somebody who may write to the folder plants a link where the draft will be.
def test_s43_a_planted_symlink_is_not_written_through(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    (tmp_path / ".manifest.yaml.draft").symlink_to(victim)

    with pytest.raises(OSError, match="symbolic links"):
        files.publish(tmp_path / "manifest.yaml", b"new")

    assert victim.read_bytes() == b"precious"


def test_s41_a_symlink_is_not_hashed(tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"secret")
    (tmp_path / "link").symlink_to("secret")

    with pytest.raises(OSError, match="symbolic links"):
        files.hash_file(tmp_path / "link")


PIECES = st.lists(st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=9000)), max_size=5)


@given(pieces=PIECES, size=st.integers(0, 300_000))
def test_a_file_with_holes_has_the_digest_of_its_bytes(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[tuple[int, bytes]], size: int
) -> None:
    path = tmp_path_factory.mktemp("holes") / "file"
    with path.open("wb") as file:
        for block, data in pieces:
            file.seek(block * 8192)
            file.write(data)
        file.truncate(size)

    assert files.hash_file(path) == hashlib.sha256(path.read_bytes()).digest()


def test_only_data_is_named_in_a_file_with_holes(tmp_path: Path) -> None:
    path = tmp_path / "file"
    with path.open("wb") as file:
        file.seek(1 << 20)
        file.write(b"data")
        file.truncate(8 << 20)

    with files.opened(path) as handle:
        found = list(files.data_ranges(handle, 8 << 20))

    assert sum(end - start for start, end in found) <= 1 << 16
    assert all(start <= 1 << 20 < end for start, end in found)


def test_a_file_that_is_shorter_than_it_was_has_another_digest(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"short")

    with files.opened(path) as handle:
        digest = files.hash_open_file(handle, 6)

    assert digest != hashlib.sha256(b"short").digest()


def test_descriptors_are_closed_at_the_end_of_their_block(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.touch()

    with files.opened(path) as handle:
        os.fstat(handle)

    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(handle)


def test_a_command_is_words_and_shows_itself_as_a_person_would_type_it(tmp_path: Path) -> None:
    command = Command.of("cp", tmp_path / "a b", "; rm -rf /", timeout=5)

    assert command.argv == ("cp", f"{tmp_path}/a b", "; rm -rf /")
    assert str(command) == f"cp '{tmp_path}/a b' '; rm -rf /'"


def test_the_coarse_clock_is_never_ahead_of_the_fine_one() -> None:
    coarse = clocks.coarse_now_ns()
    fine = clocks.SystemClock().now()

    assert coarse <= fine.timestamp() * 1e9 + 1000
    assert fine.timestamp() * 1e9 - coarse < 1e9


@pytest.mark.parametrize("kind", ["pipe", "directory", "socket"])
def test_what_is_no_regular_file_is_told_and_holds_nobody_up(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "here"
    with socket.socket(socket.AF_UNIX) as server:
        if kind == "pipe":
            os.mkfifo(path)
        elif kind == "directory":
            path.mkdir()
        else:
            server.bind(str(path))

        with pytest.raises(OSError, match=r"(?i)regular|directory|device or address") as caught:
            files.read_regular(path)

    assert caught.value.filename in {str(path), path}


def test_a_regular_file_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "here").write_bytes(b"x" * 300_000)

    assert files.read_regular(tmp_path / "here") == b"x" * 300_000
