from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.model import paths
from holdstill.model.boot import BootVerdict
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Disk, TableLabel
from holdstill.rebuild import bootcheck
from holdstill.rebuild.boot import system_folder
from holdstill.rebuild.boot.card import BootCard, BootVolume
from holdstill.rebuild.boot.system_folder import FolderTree
from holdstill.system.byte_source import OpenFile

if TYPE_CHECKING:
    from holdstill.rebuild.boot.report import BootReport


@dataclass(frozen=True)
class Tree:
    """Files by their paths, and the folders that they are in."""

    files: dict[bytes, bytes]

    def find(self, path: bytes) -> Entry | None:
        if path in self.files:
            return Entry(*paths.split(path), EntryType.FILE, size=len(self.files[path]))
        is_folder = not path or any(file.startswith(path + b"/") for file in self.files)
        return Entry(*paths.split(path), EntryType.DIRECTORY) if is_folder else None

    def children(self, path: bytes) -> list[Entry]:
        top = path + b"/" if path else b""
        inside = {f[len(top) :].split(b"/")[0] for f in self.files if f.startswith(top)}
        entries = (self.find(top + name) for name in sorted(inside))
        return [entry for entry in entries if entry]

    def read(self, path: bytes, *, limit: int) -> bytes:
        return self.files[path][:limit]


def system_in(folder: bytes) -> dict[bytes, bytes]:
    top = folder + b"/" if folder else b""
    return {
        top + b"etc/fstab": b"# none\n",
        top + b"usr/bin/true": b"\x7fELF",
        top + b"link": b"x",
    }


def card_of(files: dict[bytes, bytes], at: tuple[int, bytes] | None = None) -> BootCard:
    volume = BootVolume(number=2, kind="ext4", tree=Tree(files))
    disk = Disk(size=1 << 30, label=TableLabel.NONE)
    with Path("/dev/null").open("rb") as nothing:
        return BootCard(disk, (volume,), OpenFile(nothing.fileno(), size=0), at)


def systems(files: dict[bytes, bytes], at: tuple[int, bytes] | None = None) -> list[bytes]:
    card = card_of(files, at)
    return system_folder.systems(card, card.volumes[0])


@pytest.mark.parametrize("top", [b"", b"deploy/a", b"os/x/deploy/5f3.0"])
def test_a_system_is_found_where_it_is(top: bytes) -> None:
    beside = {b"home/pi/notes": b"", b"boot/loader": b""} if top else {}
    assert systems({**system_in(top), **beside}) == [top]


def test_a_system_at_the_top_is_the_one_whatever_is_below() -> None:
    assert systems({**system_in(b""), **system_in(b"srv/chroot")}) == [b""]


def test_of_several_below_each_is_told() -> None:
    assert systems({**system_in(b"deploy/a"), **system_in(b"deploy/b")}) == [
        b"deploy/a",
        b"deploy/b",
    ]


def test_what_a_capture_knows_counts() -> None:
    both = {**system_in(b"deploy/a"), **system_in(b"deploy/b")}
    assert systems(both, at=(2, b"deploy/b")) == [b"deploy/b"]
    assert systems(both, at=(3, b"deploy/b")) == [b"deploy/a", b"deploy/b"]


def test_the_search_for_systems_has_an_end() -> None:
    deep = b"/".join([b"d"] * (system_folder.DEEPEST + 1))
    many = {b"%06d/file" % n: b"" for n in range(system_folder.LOOKED_THROUGH)}
    assert systems(system_in(deep)) == []
    assert systems({**many, **system_in(b"z")}) == []


def test_a_folder_is_a_tree_with_paths_of_its_own() -> None:
    tree = FolderTree(Tree({**system_in(b"deploy/a"), b"other": b""}), b"deploy/a")

    found = tree.find(b"etc/fstab")
    assert found is not None
    assert (found.directory, found.name, found.path) == (b"etc", b"fstab", b"etc/fstab")
    top = tree.find(b"")
    assert top is not None
    assert (top.directory, top.name) == (b"", b"")
    assert [entry.path for entry in tree.children(b"")] == [b"etc", b"link", b"usr"]
    assert tree.find(b"other") is None
    assert tree.read(b"etc/fstab", limit=100) == b"# none\n"


def test_entering_the_top_changes_nothing() -> None:
    volume = card_of(system_in(b"")).volumes[0]
    assert system_folder.entered(volume, b"") is volume
    inside = system_folder.entered(card_of(system_in(b"a")).volumes[0], b"a")
    assert inside.text(b"etc/fstab") == "# none\n"


def verdict_of(*volumes: BootVolume, at: tuple[int, bytes] | None = None) -> BootReport:
    disk = Disk(size=1 << 30, label=TableLabel.NONE)
    with Path("/dev/zero").open("rb") as nothing:
        return bootcheck.judge(
            BootCard(disk, volumes, OpenFile(nothing.fileno(), size=1 << 20), at)
        )


def whole_system() -> Tree:
    return Tree({b"etc/fstab": b"", b"usr/bin/x": b"", b"dev/null": b"", b"sbin/init": b"\x7fELF"})


SLOTS = (
    BootVolume(number=2, kind="ext4", tree=whole_system()),
    BootVolume(number=3, kind="ext4", tree=whole_system()),
)


def test_of_two_slots_nobody_knows_which_is_started() -> None:
    report = verdict_of(*SLOTS)

    assert report.verdict is BootVerdict.UNKNOWN
    assert list(report.broken_links()) == []
    assert any("any of several: partition 2, partition 3" in line for line in report.lines())


def test_of_two_slots_a_capture_knows_which_is_the_one() -> None:
    lame = Tree(dict.fromkeys((b"etc/fstab", b"usr/bin/x", b"dev/null"), b""))
    slots = (SLOTS[0], BootVolume(number=3, kind="ext4", tree=lame))

    whole, without = (list(verdict_of(*slots, at=(n, b"")).broken_links()) for n in (2, 3))

    assert any("sbin/init on partition 2" in text for text in whole)  # not executable here
    assert any("leads to a program" in text for text in without)


@pytest.mark.parametrize("kind", ["crypto_LUKS", "LVM2_member", "squashfs", "btrfs"])
def test_what_nobody_can_look_into_is_not_said_to_lack_a_system(kind: str) -> None:
    report = verdict_of(BootVolume(number=1, kind="vfat"), BootVolume(number=2, kind=kind))

    assert (report.verdict, report.is_empty) == (BootVerdict.UNKNOWN, False)


@pytest.mark.parametrize("kind", ["", "swap"])
def test_a_card_with_nothing_on_it_does_not_boot(kind: str) -> None:
    report = verdict_of(BootVolume(number=1, kind="vfat"), BootVolume(number=2, kind=kind))

    assert report.verdict_of_card is BootVerdict.BROKEN
    assert list(report.broken_links()) == ["system: missing  root: no partition has a system"]
