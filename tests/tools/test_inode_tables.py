"""Inode tables read past the kernel, checked against debugfs(8)."""

from __future__ import annotations

import errno
import os
import re
from typing import TYPE_CHECKING

import pytest

from holdstill.board.inode_tables import InodeTables
from holdstill.errors import LayoutError, VerificationError
from holdstill.system import byte_source
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.system.byte_source import ByteSource

KINDS = {
    "as-mkfs-makes-it": (),
    "small-inodes": ("-I", "128", "-O", "^metadata_csum"),
    "meta-groups": ("-O", "meta_bg,^resize_inode", "-g", "1024", "-b", "1024"),
    "every-group-apart": ("-O", "^flex_bg,^64bit,^metadata_csum,uninit_bg"),
    "clusters": ("-O", "bigalloc", "-C", "16384"),
    "large-inodes": ("-I", "1024"),
    "projects": ("-O", "project"),
    "projects-and-large-inodes": ("-O", "project", "-I", "1024"),
}


def image(folder: Path, mkfs: tuple[str, ...]) -> Path:
    tree = folder / "tree"
    tree.mkdir()
    for number in range(300):
        (tree / f"{number}").write_bytes(b"1.42 m")
    os.setxattr(tree / "7", "user.a", b"1")
    os.setxattr(tree / "8", "user.large", bytes(900))
    made = loop.blank_image(folder / "i", size=64 << 20)
    programs.run("mke2fs", "-q", "-F", "-t", "ext4", "-d", tree, *mkfs, made)
    programs.run("debugfs", "-w", "-R", "set_inode_field /9 ctime 20380119031500", made)
    programs.run("debugfs", "-w", "-R", "set_inode_field /10 generation 0xfedcba98", made)
    programs.run("debugfs", "-w", "-R", "set_inode_field /11 flags 0x80050", made)
    if "project" in mkfs:
        programs.run("debugfs", "-w", "-R", "set_inode_field /150 projid 0x7edcba98", made)
    return made


class Told:
    """What debugfs says of a file."""

    def __init__(self, made: Path, name: str) -> None:
        self.text = programs.run("debugfs", "-R", f"stat /{name}", made).decode()
        self.number = int(self._find(r"Inode: (\d+)"))
        self.generation = int(self._find(r"Generation: (\d+)"))
        self.flags = int(self._find(r"Flags: 0x([0-9a-f]+)"), 16)
        self.links = int(self._find(r"Links: (\d+)"))
        self.project = int(self._find(r"Project: +(\d+)")) if "Project:" in self.text else 0
        seconds = re.search(r"ctime: 0x([0-9a-f]+)(?::([0-9a-f]+))?", self.text)
        assert seconds is not None
        extra = int(seconds[2] or "0", 16)
        low = int(seconds[1], 16)
        signed = low - (1 << 32) if low & 1 << 31 else low
        self.ctime_ns = (signed + ((extra & 3) << 32)) * 1_000_000_000 + (extra >> 2)

    def _find(self, pattern: str) -> str:
        match = re.search(pattern, self.text)
        assert match is not None
        return match[1]


@pytest.mark.parametrize("kind", KINDS)
def test_facts_agree_with_debugfs(tmp_path: Path, kind: str) -> None:
    made = image(tmp_path, KINDS[kind])

    with byte_source.opened(made) as source:
        tables = InodeTables(source)
        for name in ("0", "7", "8", "9", "10", "11", "150", "299"):
            told = Told(made, name)
            facts = tables.facts(told.number)

            assert facts is not None
            assert facts.mode == 0o100644
            assert facts.links == told.links
            assert facts.flags == told.flags
            assert facts.generation == told.generation
            assert facts.project == told.project
            assert bool(facts.project) == (name == "150" and "project" in KINDS[kind])
            assert facts.ctime_ns == told.ctime_ns
            assert facts.has_xattrs or name not in {"7", "8"}
            assert not facts.has_xattrs or name in {"7", "8"}


@pytest.mark.parametrize("kind", KINDS)
def test_the_tables_hold_every_inode_that_is_in_use(tmp_path: Path, kind: str) -> None:
    made = image(tmp_path, KINDS[kind])

    with byte_source.opened(made) as source:
        covered = {
            times.first + slot
            for times in InodeTables(source).times()
            for slot in range(len(times.seconds) // 4)
        }

    assert {Told(made, str(number)).number for number in (0, 100, 200, 299)} <= covered


def test_there_are_no_facts_about_inodes_that_do_not_exist(tmp_path: Path) -> None:
    made = image(tmp_path, ())

    with byte_source.opened(made) as source:
        tables = InodeTables(source)

        assert tables.facts(0) is None
        assert tables.facts(tables.superblock.inodes) is None  # never used
        assert tables.facts(tables.superblock.inodes + 1) is None


def test_what_is_no_ext4_is_refused(tmp_path: Path) -> None:
    blank = loop.blank_image(tmp_path / "blank", size=1 << 20)
    tiny = loop.blank_image(tmp_path / "tiny", size=100)

    for path in (blank, tiny):
        with byte_source.opened(path) as source, pytest.raises(VerificationError):
            InodeTables(source)


def test_an_external_journal_is_refused(tmp_path: Path) -> None:
    journal = loop.blank_image(tmp_path / "journal", size=16 << 20)
    programs.run("mke2fs", "-q", "-F", "-O", "journal_dev", journal)

    with byte_source.opened(journal) as source, pytest.raises((LayoutError, VerificationError)):
        InodeTables(source)


class BrokenCard:
    """A card that gives back nothing from some byte on; this machine has no real one."""

    def __init__(self, source: ByteSource, first_bad: int) -> None:
        self._source = source
        self._first_bad = first_bad
        self.size = source.size

    def read(self, offset: int, length: int) -> bytes:
        if offset + length > self._first_bad:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return self._source.read(offset, length)


def test_a_read_error_in_the_tables_is_told_for_what_it_is(tmp_path: Path) -> None:
    made = image(tmp_path, ())

    with byte_source.opened(made) as source:
        first_table = InodeTables(source)._groups[0].table
        tables = InodeTables(BrokenCard(source, first_table + 4096))

        with pytest.raises(VerificationError, match="cannot be read") as raised:
            list(tables.times())

    assert "dying" in raised.value.hint
