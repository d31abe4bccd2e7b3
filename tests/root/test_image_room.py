"""A disk that is too small for an image is known before the image is begun."""

from __future__ import annotations

import json
import tempfile
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from support import boards, command_line, loop, plain_board, programs
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(300)
MIB = 1 << 20
REFUSED, TARGET_FAILED = 10, 11
UNPACKED = {".zst": ("zstd", "-dcq"), ".xz": ("xz", "-dc"), ".zip": ("unzip", "-p")}
BOOT_CODE = b"\xfa\xeb\xfe"
"""Code of a first sector: no interrupts, and a loop; enough for an emulator to begin with."""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store with a capture of 17 MiB that nothing makes smaller, of a card of 160 MiB."""
    return plain_board.captured(tmp_path_factory.mktemp("room")).store


@contextmanager
def disk_of(folder: Path, size: int) -> Iterator[Path]:
    image = loop.blank_image(folder / "disk.img", size=size)
    programs.run("mkfs.ext4", "-q", "-m", "0", "-O", "^has_journal", image)
    with loop.mounted(image, folder / "work", options="loop") as work:
        yield work


def free_mib(work: Path) -> int:
    blocks, size = map(int, programs.run("stat", "-f", "-c", "%f %S", work).split())
    return blocks * size // MIB


@pytest.mark.parametrize("name", ["pier-3.img", "pier-3.img.zst"])
def test_no_image_is_begun_where_there_is_no_room_for_it(
    store: Path, tmp_path: Path, name: str
) -> None:
    with disk_of(tmp_path, 16 * MIB) as work:
        words = ("rebuild", "pier-3", work / name, "--store", store)
        done = command_line.attempt(*words)
        planned = command_line.attempt(*words, "--dry-run")

        assert [each.name for each in work.iterdir()] == ["lost+found"]
    for each in (done, planned):
        told = each.stderr.decode()
        assert each.returncode == REFUSED, told
        assert f"{work} has" in told
        assert "nothing was begun" in told


def test_no_room_where_a_file_system_is_prepared_is_told_with_another_place(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with disk_of(tmp_path, MIB // 2) as work:
        monkeypatch.setenv("TMPDIR", str(work))
        monkeypatch.setattr(tempfile, "tempdir", None)  # where that is remembered
        done = command_line.attempt("rebuild", "pier-3", tmp_path / "pier-3.img", "--store", store)

    told = done.stderr.decode()
    assert done.returncode == TARGET_FAILED, told
    assert f"{work}, where it is prepared, has " in told
    assert "TMPDIR chooses another place" in told
    assert not (tmp_path / "pier-3.img").exists()


def test_a_rehearsal_without_room_is_told_where_else_it_could_be(tmp_path: Path) -> None:
    def has_boot_code(root: Path) -> None:
        with (root.parent / "card.img").open("r+b") as card:
            card.write(BOOT_CODE)

    board = tmp_path / "board"
    board.mkdir()
    store = plain_board.captured(board, has_boot_code).store
    with disk_of(tmp_path, 16 * MIB) as work:
        done = command_line.attempt(
            "rehearse", "pier-3", "--store", store, "--scratch", work, "--log", tmp_path / "log"
        )
    told = done.stderr.decode()
    assert done.returncode == REFUSED, told
    assert "nothing was begun" in told
    assert "--scratch DIR" in told
    assert "card itself" not in told


def test_an_image_that_is_larger_than_the_disk_is_made_if_its_contents_have_room(
    store: Path, tmp_path: Path
) -> None:
    """The card of 160 MiB takes of a disk what is in it: stat(1) counts the blocks."""
    with disk_of(tmp_path, 60 * MIB) as work:
        target = work / "pier-3.img"
        said = json.loads(
            holdstill(
                "rebuild", "pier-3", target, "--store", store, "--dry-run", "--json",
                accepted=[0, boards.NO_KERNEL],
            )
        )  # fmt: skip
        holdstill("rebuild", "pier-3", target, "--store", store, accepted=[0, boards.NO_KERNEL])
        taken = int(programs.run("stat", "-c", "%b", target)) * 512

        assert target.stat().st_size == plain_board.SIZE > 60 * MIB
        # What was told at the least is there, and not much more than that.
        assert 17 * MIB < said["plan"]["least_bytes"] <= taken < 40 * MIB


@pytest.mark.parametrize("packing", [".zst", ".xz", ".zip"])
def test_a_packed_image_takes_no_room_for_itself_twice(
    store: Path, tmp_path: Path, packing: str
) -> None:
    """What is packed of the draft is given back; 17 MiB of the board's files cannot be packed."""
    with disk_of(tmp_path, 32 * MIB) as work:
        target = work / f"pier-3.img{packing}"
        holdstill("rebuild", "pier-3", target, "--store", store, accepted=[0, boards.NO_KERNEL])
        taken = int(programs.run("stat", "-c", "%b", target)) * 512

        assert taken > 17 * MIB
        assert sorted(each.name for each in work.iterdir()) == [
            "lost+found", target.name, f"{target.name}.sha256",
        ]  # fmt: skip
        plain = tmp_path / "pier-3.img"
        plain.write_bytes(programs.run(*UNPACKED[packing], target))
    # Another program's reading: debugfs(8) of e2fsprogs, and what the board had.
    large = programs.run("debugfs", "-R", "cat /large", f"{plain}?offset={plain_board.ROOT_AT}")
    assert large == (store.parent / "root/large").read_bytes()


def test_what_a_killed_run_has_left_counts_as_room(store: Path, tmp_path: Path) -> None:
    with disk_of(tmp_path, 60 * MIB) as work:
        draft = work / ".pier-3.img.draft"
        draft.write_bytes(b"x" * (free_mib(work) - 2) * MIB)

        holdstill(
            "rebuild", "pier-3", work / "pier-3.img", "--store", store,
            accepted=[0, boards.NO_KERNEL],
        )  # fmt: skip


def test_the_checksum_beside_an_image_is_named(store: Path, tmp_path: Path) -> None:
    target = tmp_path / "pier-3.img.zst"

    said = holdstill("rebuild", "pier-3", target, "--store", store, accepted=[0, boards.NO_KERNEL])

    assert f"{target}.sha256".encode() in said
    (listed,) = target.with_name(f"{target.name}.sha256").read_text("ascii").splitlines()
    assert programs.run("sha256sum", target).decode().split()[0] == listed.split()[0]
