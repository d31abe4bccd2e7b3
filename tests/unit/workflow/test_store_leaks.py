"""What leaks of an encrypted store: a keeper's disks as sysfs shows them, in a folder of our own.

Names and places as in a Debian 12 guest: /sys/block/dm-0/dm/uuid of a container that cryptsetup
opened begins with CRYPT-LUKS2-, that of a logical volume with LVM-.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import mounts
from holdstill.workflow import store_leaks

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
CONTAINER = "CRYPT-LUKS2-09d51ea3634d4111acdd1ddb86de7e40-store"
VOLUME = "LVM-lN8uhSmiwUTD83WqVqrZoAz6R6rLphMi4bwfculr0wuLQ75Fzg8cJq9wTN60ZzTv"


class Keeper:
    """A machine: disks, what is mounted, and what is swapped to."""

    def __init__(self, folder: Path) -> None:
        self.sys, self.swaps = folder / "sys", folder / "swaps"
        self.lines = [b"20 1 0:1 / / rw - ext4 /dev/sda1 rw"]
        self.swaps.write_text(HEAD)

    def device(self, number: str, name: str, *, uuid: str = "", below: str = "") -> None:
        home = self.sys / "block" / name
        home.mkdir(parents=True)
        (home / "dev").write_text(f"{number}\n")
        (self.sys / "dev/block").mkdir(parents=True, exist_ok=True)
        (self.sys / "dev/block" / number).symlink_to(home)
        if uuid:
            (home / "dm").mkdir()
            (home / "dm/uuid").write_text(f"{uuid}\n")
        if below:
            (home / "slaves").mkdir()
            (home / "slaves" / below).symlink_to(self.sys / "block" / below)

    def mounted(self, at: Path, number: str) -> None:
        at.mkdir(exist_ok=True)
        self.lines.append(b"30 20 %b / %b rw - ext4 /dev/x rw" % (number.encode(), bytes(at)))

    def remarks(self, store: Path, **environment: str) -> tuple[str, ...]:
        table = mounts.parse_mountinfo(b"\n".join(self.lines) + b"\n")
        return store_leaks.remarks(
            store, table, sys=self.sys, swaps=self.swaps, environment=environment
        )


@pytest.fixture
def keeper(tmp_path: Path) -> Keeper:
    """Return one with a disk, a container on that, and a volume in the container."""
    made = Keeper(tmp_path)
    made.device("8:0", "sda")
    made.device("254:0", "dm-0", uuid=CONTAINER, below="sda")
    made.device("254:1", "dm-1", uuid=VOLUME, below="dm-0")
    made.device("254:2", "dm-2", uuid=VOLUME, below="sda")
    for name, number in (("open", "8:0"), ("closed", "254:0"), ("inner", "254:1")):
        made.mounted(tmp_path / name, number)
    made.mounted(tmp_path / "plain-volume", "254:2")
    return made


def swap_in(keeper: Keeper, path: Path) -> None:
    path.touch()
    keeper.swaps.write_text(HEAD + f"{path}\tfile\t\t1024\t\t0\t\t-2\n")


@pytest.mark.parametrize("place", ["open", "plain-volume"])
def test_of_a_store_that_is_not_encrypted_nothing_is_said(
    keeper: Keeper, tmp_path: Path, place: str
) -> None:
    swap_in(keeper, tmp_path / "open/swap")

    assert keeper.remarks(tmp_path / place / "store", TMPDIR=f"{tmp_path / 'open'}") == ()


@pytest.mark.parametrize("place", ["closed", "inner"])
def test_swap_and_temporary_folders_on_an_open_disk_are_told_with_what_to_do(
    keeper: Keeper, tmp_path: Path, place: str
) -> None:
    swap_in(keeper, tmp_path / "open/swap")

    swap, folder = keeper.remarks(tmp_path / place / "store", TMPDIR=f"{tmp_path / 'open'}")

    assert f"swap on {tmp_path}/open/swap is not" in swap
    assert "swapoff" in swap
    assert f"{tmp_path}/open is not" in folder
    assert "TMPDIR" in folder


def test_what_is_encrypted_as_well_is_fine(keeper: Keeper, tmp_path: Path) -> None:
    swap_in(keeper, tmp_path / "closed/swap")

    assert keeper.remarks(tmp_path / "inner/store", TMPDIR=f"{tmp_path / 'closed'}") == ()


def test_swap_in_compressed_memory_is_no_disk(keeper: Keeper, tmp_path: Path) -> None:
    keeper.swaps.write_text(HEAD + "/dev/zram0 partition\t1024\t0\t100\n")

    assert keeper.remarks(tmp_path / "inner/store") == ()


def test_a_name_with_a_blank_is_read_as_the_kernel_writes_it(
    keeper: Keeper, tmp_path: Path
) -> None:
    path = tmp_path / "open" / "swap file"
    path.touch()
    words = str(path).replace(" ", "\\040")
    keeper.swaps.write_text(HEAD + f"{words}\tfile\t\t1024\t\t0\t\t-2\n")

    assert "swap file is not" in keeper.remarks(tmp_path / "inner/store")[0]


def test_a_swap_file_that_was_deleted_is_told_all_the_same(keeper: Keeper, tmp_path: Path) -> None:
    swap_in(keeper, tmp_path / "closed/swap")
    (tmp_path / "closed/swap").unlink()

    assert len(keeper.remarks(tmp_path / "inner/store")) == 1


def test_without_swap_support_there_is_none(keeper: Keeper, tmp_path: Path) -> None:
    keeper.swaps.unlink()

    assert keeper.remarks(tmp_path / "inner/store") == ()


def test_a_mapping_on_an_open_disk_beside_an_encrypted_one_is_open(
    keeper: Keeper, tmp_path: Path
) -> None:
    keeper.device("254:9", "dm-9", uuid=VOLUME, below="sda")
    (keeper.sys / "block/dm-9/slaves/dm-0").symlink_to(keeper.sys / "block/dm-0")
    keeper.mounted(tmp_path / "both", "254:9")
    swap_in(keeper, tmp_path / "open/swap")

    assert keeper.remarks(tmp_path / "both/store") == ()
