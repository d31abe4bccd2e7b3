"""A watch tells, without holding anything, whether a file is still that very file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import inode_watch
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.inode_watch import InodeWatch


def watched(watch: InodeWatch, path: Path) -> int:
    with path.open("rb") as file:
        return watch.watch(file.fileno())


def test_what_is_written_renamed_and_linked_lives_and_what_is_deleted_does_not(
    tmp_path: Path,
) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.write_bytes(b"1.42 m")
    other.write_bytes(b"1.43 m")
    with inode_watch.opened() as watch:
        numbers = [watched(watch, path) for path in (one, other)]
        one.write_bytes(b"1.44 m")
        (tmp_path / "second name").hardlink_to(one)
        one.unlink()
        (tmp_path / "second name").rename(one)
        assert [watch.lives(number) for number in numbers] == [True, True]

        other.rename(one)

        assert [watch.lives(number) for number in numbers] == [False, True]


def test_nothing_of_a_file_system_lives_that_was_unmounted_and_is_mounted_again(
    tmp_path: Path,
) -> None:
    image = loop.partitioned_image(
        tmp_path / "card.img", size=64 << 20, script="label: dos\nstart=2048, type=83\n"
    )
    with loop.attached(image) as disk, inode_watch.opened() as watch:
        programs.run("mkfs.ext4", "-q", "-F", disk.partition(1))
        with loop.mounted(disk.partition(1), tmp_path / "at") as at:
            (at / "readings").write_bytes(b"1.42 m")
            number = watched(watch, at / "readings")
            assert watch.lives(number)
        with loop.mounted(disk.partition(1), tmp_path / "at"):
            assert not watch.lives(number)
