from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MIB = 1 << 20


@contextmanager
def opened_pair(folder: Path) -> Iterator[tuple[int, int]]:
    for name in ("source", "target"):
        (folder / name).touch()
    with (
        files.opened(folder / "source", os.O_RDWR) as source,
        files.opened(folder / "target", os.O_RDWR) as target,
    ):
        yield source, target


def test_a_copy_is_hashed_and_its_holes_stay_holes(tmp_path: Path) -> None:
    with opened_pair(tmp_path) as (source, target):
        os.ftruncate(source, 64 * MIB)
        os.pwrite(source, b"loader", 40 * MIB)
        os.ftruncate(target, 80 * MIB)

        digest = sparse_copy.copy(source, target, size=64 * MIB, target_at=8 * MIB)

        whole = bytes(40 * MIB) + b"loader" + bytes(24 * MIB - 6)
        assert digest == hashlib.sha256(whole).digest()
        assert os.pread(target, 6, 48 * MIB) == b"loader"
        assert os.fstat(target).st_blocks * 512 <= 2 * MIB


def test_zeroes_of_the_source_wipe_what_the_target_had(tmp_path: Path) -> None:
    with opened_pair(tmp_path) as (source, target):
        os.ftruncate(source, 3 * MIB)
        os.pwrite(target, b"\xff" * (5 * MIB), 0)

        sparse_copy.copy(source, target, size=3 * MIB, target_at=MIB)

        assert os.pread(target, 6 * MIB, 0) == b"\xff" * MIB + bytes(3 * MIB) + b"\xff" * MIB


def test_a_source_that_ends_early_is_no_copy(tmp_path: Path) -> None:
    with opened_pair(tmp_path) as (source, target):
        os.pwrite(source, b"short", 0)

        with pytest.raises(EOFError, match="byte 5 of 6"):
            sparse_copy.copy(source, target, size=6)


@given(
    pieces=st.lists(st.sampled_from([b"\0" * 5000, b"x" * 3, b"\0" * MIB, b"tide" * 1000])),
    old=st.binary(max_size=2000),
    at=st.integers(0, 3000),
)
def test_any_bytes_arrive_over_any_bytes(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes], old: bytes, at: int
) -> None:
    content = b"".join(pieces)
    with opened_pair(tmp_path_factory.mktemp("splice")) as (source, target):
        files.write_all(source, content)
        files.write_all(target, old)
        os.ftruncate(target, max(len(old), at + len(content)))

        digest = sparse_copy.copy(source, target, size=len(content), target_at=at)

        whole = bytearray(old.ljust(at + len(content), b"\0"))
        whole[at : at + len(content)] = content
        assert os.pread(target, len(whole) + 1, 0) == bytes(whole)
        assert digest == hashlib.sha256(content).digest()
