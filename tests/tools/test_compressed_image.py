"""Packed images, judged by the programs that unpack and check them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import TargetRefusedError
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from support import programs

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
SIZE = 256 * MIB
UNPACK = {
    ".zst": ("zstd", "--decompress", "--stdout"),
    ".xz": ("xz", "--decompress", "--stdout"),
    ".zip": ("unzip", "-p"),  # Info-ZIP's
}


class DeliberateError(Exception):
    """What a test raises inside a block."""


def make(path: Path, content: bytes, *, existing: Existing = Existing.KEEP) -> None:
    with compressed_image.claimed_image(path, size=SIZE, existing=existing) as image:
        os.pwrite(image.handle, content, 200 * MIB)


@pytest.mark.parametrize("suffix", compressed_image.SUFFIXES)
def test_a_packed_image_is_unpacked_by_its_program_to_the_image(
    tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"pier-3.img{suffix}"

    make(path, b"tide gauge" * 1000)

    unpacked = programs.run(*UNPACK[suffix], path)
    assert unpacked == bytes(200 * MIB) + (b"tide gauge" * 1000).ljust(56 * MIB, b"\0")
    assert path.stat().st_size < 2 * MIB


@pytest.mark.parametrize("suffix", compressed_image.SUFFIXES)
def test_the_checksum_beside_it_is_right_and_nothing_else_is_left(
    tmp_path: Path, suffix: str
) -> None:
    path = tmp_path / f"pier-3.img{suffix}"

    make(path, os.urandom(MIB))

    said = programs.run(
        "env", f"--chdir={tmp_path}", "sha256sum", "--check", f"{path.name}.sha256"
    )
    assert said == f"{path.name}: OK\n".encode()
    assert sorted(each.name for each in tmp_path.iterdir()) == [path.name, f"{path.name}.sha256"]


def test_a_plain_image_is_not_packed(tmp_path: Path) -> None:
    make(tmp_path / "pier-3.img", b"card")

    assert (tmp_path / "pier-3.img").stat().st_size == SIZE
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("name", ["pier-3.img.zst", "pier-3.img.zst.sha256"])
def test_what_is_there_is_left_alone(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(b"precious")

    with pytest.raises(TargetRefusedError, match="exists and is left alone"):
        make(tmp_path / "pier-3.img.zst", b"card")

    assert (tmp_path / name).read_bytes() == b"precious"
    assert len(list(tmp_path.iterdir())) == 1


def test_both_files_are_replaced_when_that_was_said(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img.zst"
    make(path, b"yesterday")
    old = compressed_image.checksum_path(path).read_bytes()

    make(path, b"today", existing=Existing.REPLACE)

    assert compressed_image.checksum_path(path).read_bytes() != old
    programs.run("env", f"--chdir={tmp_path}", "sha256sum", "--check", f"{path.name}.sha256")


def test_a_failure_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img.zst"
    make(path, b"yesterday")
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}

    with (
        pytest.raises(DeliberateError),
        compressed_image.claimed_image(path, size=SIZE, existing=Existing.REPLACE),
    ):
        raise DeliberateError

    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize(("gib", "version"), [(1, 20), (5, 45)])
def test_a_long_image_is_in_an_archive_of_the_long_kind(
    tmp_path: Path, gib: int, version: int
) -> None:
    path = tmp_path / "card.img.zip"
    with compressed_image.claimed_image(path, size=gib << 30) as image:
        os.pwrite(image.handle, b"the end", (gib << 30) - 7)

    # APPNOTE 4.3.7 and 4.4.3.2: 2.0 can deflate, 4.5 has ZIP64; bit 3 would be a data descriptor.
    head = path.read_bytes()[:8]
    assert int.from_bytes(head[4:6], "little") == version
    assert not int.from_bytes(head[6:8], "little") & 1 << 3
    programs.run("unzip", "-tq", path, timeout=170)
    unpacked = f"unzip -p {path} | tail -c 7"
    assert programs.run("sh", "-c", unpacked, timeout=170) == b"the end"
