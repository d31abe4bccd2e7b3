"""An f2fs is filled without its kernel driver, and read back by a reader of its blocks."""

import os
import struct
from pathlib import Path

import pytest

from holdstill.errors import TargetFailedError, TargetRefusedError
from holdstill.filesystems.kernel_filled import f2fs_sload, kernel_writer
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Other
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.system import loop_device
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import plan_rebuild
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from support import capture_folder, f2fs_images, loop, programs, readme_table
from support.contents import FolderContents, a_file, a_folder, in_order
from support.loop import MIB
from support.silence import Silent

pytestmark = [
    pytest.mark.timeout(240),
    pytest.mark.skipif(
        not loop_device.obstacle("f2fs", LocalRunner()), reason="this kernel mounts f2fs itself"
    ),
]
MACHINE = LocalRunner()
PARAMETERS = Other(type="f2fs", uuid="8b2d6a34-93f1-4b0e-8c55-0a1b2c3d4e5f", label="rootfs")
MOMENT = 1_234_567_890
SHORT_IDS = "owners and groups above 65535 become 65534, without set-uid and set-gid"
NOBODY = 0xFFFFFFFF
ACCESS_LIST = struct.pack(
    "<I" + "HHI" * 5, 2,
    0x01, 6, NOBODY, 0x02, 6, 1234, 0x04, 4, NOBODY, 0x10, 6, NOBODY, 0x20, 0, NOBODY,
)  # fmt: skip
"""user::rw- user:1234:rw- group::r-- mask::rw- other::---, as Linux' posix_acl_xattr.h has it."""


def tree(contents: FolderContents) -> list[Entry]:
    large = os.urandom(18 * MIB + 77)  # enough for a double level of node blocks
    plain = a_file(contents, b"etc/plain", b"tide table\n", mtime_ns=MOMENT * 10**9, mode=0o640)
    holes = b"start" + bytes(3 * MIB) + b"end"
    return in_order([
        a_folder(b"", mode=0o750)._replace(uid=70_007, gid=70_008),
        a_folder(b"etc", mode=0o1777)._replace(mtime_ns=1_000_000_000_987_654_321),
        plain._replace(link=5, uid=70_000, gid=80_000),
        plain._replace(link=5, uid=70_000, gid=80_000, directory=b"", name=b"same"),
        a_file(contents, b"large", large, mode=0o600),
        a_file(contents, b"holes", holes, mode=0o644)._replace(sparse=1),
        a_file(contents, b"empty", b"", mode=0o400, mtime_ns=-5 * 10**9),
        a_file(contents, b"late", b"", mode=0o400, mtime_ns=4_102_444_800 * 10**9),
        a_file(contents, b"owned", b"x", mode=0o644)._replace(uid=65_535, gid=65_535),
        a_file(contents, b"program", b"#!/bin/sh\n", mode=0o6755)._replace(
            xattrs={"security.capability": b"\1\0\0\2" + bytes(16), "user.note": b"tide"}
        ),
        a_file(contents, b"listed", b"x", mode=0o660)._replace(
            xattrs={"system.posix_acl_access": ACCESS_LIST}
        ),
        a_file(contents, b"almost-root", b"x", mode=0o6755)._replace(uid=65536, gid=65536),
        a_file(contents, b"fixed", b"x", mode=0o644, flags=0x10),
        a_file(contents, b"odd \xff\nname", b"1", mode=0o644),
        a_file(contents, b"n" * 255, b"2", mode=0o644),
        Entry(b"", b"far", EntryType.SYMLINK, 0o777, mtime_ns=10**18, target=b"x" * 900),
        Entry(b"", b"pipe", EntryType.FIFO, 0o620),
        Entry(b"", b"null", EntryType.CHARACTER, 0o666, rdev=os.makedev(1, 3)),
        *(a_file(contents, b"etc/%04d" % n, b"%d\n" % n * n, mode=0o644) for n in range(1500)),
    ])  # fmt: skip


def fill(
    image: Path, entries: list[Entry], contents: FolderContents, size: int
) -> kernel_writer.KernelFillResult:
    top = entries[0]
    kernel_writer.make(
        image, offset=MIB, size=size, parameters=PARAMETERS, machine=MACHINE,
        owner=(top.uid, top.gid),
    )  # fmt: skip
    return kernel_writer.populate(
        image, offset=MIB, size=size, parameters=PARAMETERS, entries=entries, again=entries,
        contents=contents, heads={}, machine=MACHINE,
    )  # fmt: skip


def alone(image: Path, *, skip: int) -> Path:
    """Return a file of what lies behind so many MiB of an image."""
    volume = image.with_name("alone")
    programs.run("dd", f"if={image}", f"of={volume}", "bs=1M", f"skip={skip}", "status=none")
    return volume


def test_what_its_tools_can_bring_is_there_and_the_rest_is_told(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = tree(contents)
    image = loop.blank_image(tmp_path / "image", size=150 * MIB + MIB)

    filled = fill(image, entries, contents, 150 * MIB)

    nodes = f2fs_images.read(alone(image, skip=1), tmp_path)
    kept = [e for e in entries if e.type in {1, 2, 7}]
    assert filled.entries == len(kept) == len(entries) - 2
    assert {entry.path for entry in kept} - set(nodes) == {b"etc/plain"}  # a second name
    for entry in kept:
        if entry.path == b"etc/plain":
            continue
        node = nodes[entry.path]
        changed = {b"": 0o755, b"listed": 0o640, b"almost-root": 0o755}
        wanted = changed.get(entry.path, entry.mode)
        assert node.mode == entry.type.format_bits | wanted, entry.path
        nobody = entry.path in {b"same", b"almost-root"}
        owner = (65534, 65534) if nobody else (entry.uid, entry.gid)
        assert (node.uid, node.gid) == owner, entry.path
        if entry.path:
            assert node.seconds == max(entry.mtime_ns, 0) // 10**9, entry.path
        assert (node.nanoseconds, node.has_xattrs, node.flags) == (0, False, 0)
        if entry.type is EntryType.SYMLINK:
            assert node.content == entry.target
        elif entry.digest:
            assert node.content == contents.body(entry)
    assert nodes[b"same"].links == 2
    assert filled.warnings == ()
    assert f2fs_sload.losses(entries).lines() == (
        "access control lists are not kept: 1 entries, such as /listed",
        "attributes in user. are not kept: 1 entries, such as /program",
        "capabilities of programs are not kept: 1 entries, such as /program",
        "fractions of a second of modification times are not kept: 1 entries, such as /etc",
        "holes are written out as zeros: 1 entries, such as /holes",
        "inode flags are not kept: 1 entries, such as /fixed",
        "modification times outside 1970 to 2106 become the nearest: 1 entries, such as /empty",
        "no character node can be made: 1 entries, such as /null",
        "no fifo node can be made: 1 entries, such as /pipe",
        f"{SHORT_IDS}: 3 entries, such as /almost-root, /same, /etc/plain",
        "the root directory's mode is 755, not 750: 1 entries, such as /",
        "the root directory's modification time is that of the rebuild: 1 entries, such as /",
    )


def word(holds: bool, yes: str = "yes") -> str:  # noqa: FBT001  a fact
    return yes if holds else "no"


def test_a_loaded_f2fs_keeps_what_the_table_says(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = {entry.path: entry for entry in tree(contents)}
    image = loop.blank_image(tmp_path / "image", size=150 * MIB + MIB)
    fill(image, list(entries.values()), contents, 150 * MIB)
    volume = alone(image, skip=1)
    there = f2fs_images.read(volume, tmp_path)

    def owner(path: bytes) -> bool:
        one, other_one = entries[path], there[path]
        return (one.uid, one.gid) == (other_one.uid, other_one.gid)

    def seconds(path: bytes) -> bool:
        return entries[path].mtime_ns // 10**9 == there[path].seconds

    ids = {f"LABEL={PARAMETERS.label}", f"UUID={PARAMETERS.uuid}"}
    exported = programs.run("blkid", "-p", "-o", "export", volume).decode()
    large = there[b"large"].content
    modes = there[b"etc"].mode & 0o7777, there[b"program"].mode & 0o7777
    whole = seconds(b"etc") and there[b"etc"].nanoseconds == 0
    found = {
        "names, any bytes": word({b"odd \xff\nname", b"n" * 255} <= set(there)),
        "contents": word(large == contents.body(entries[b"large"])),
        "holes": word(there[b"holes"].holes > 0),
        "symlinks": word(there[b"far"].content == entries[b"far"].target),
        "pipes, sockets, devices": word(bool({b"pipe", b"null"} & set(there))),
        "permissions, set-uid, sticky": word(modes == (0o1777, 0o6755)),
        "owner and group": word(owner(b"owned") and not owner(b"same"), "to 65535"),
        "hard links": word(there[b"same"].links == 2),
        "modification time": word(whole, "whole seconds"),
        "times before 1970 and after 2038": word(
            seconds(b"late") and not seconds(b"empty"), "1970 to 2106"
        ),
        "attributes: user, trusted, security": word(there[b"program"].has_xattrs),
        "capabilities of programs": word(there[b"program"].has_xattrs),
        "access control lists": word(there[b"listed"].has_xattrs),
        "flags that chattr sets (FAT: attributes)": word(there[b"fixed"].flags != 0),
        "label and UUID": word(ids <= set(exported.splitlines())),
    }
    column = readme_table.cells()["f2fs, loaded"]
    assert found == {row: cell for row, cell in column.items() if row in found}


def test_a_tree_that_is_too_large_is_an_error_and_no_loop_device_stays(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "content")
    entries = in_order([a_folder(b"", mode=0o755), a_file(contents, b"a", os.urandom(90 * MIB))])
    image = loop.blank_image(tmp_path / "image", size=80 * MIB + MIB)

    with pytest.raises(TargetFailedError, match="f2fs"):
        fill(image, entries, contents, 80 * MIB)

    assert str(image) not in programs.run("losetup", "--list").decode()


def test_without_room_to_lay_the_tree_out_it_is_refused() -> None:
    f2fs_sload.check_room(1, number=2)
    with pytest.raises(TargetRefusedError, match="partition 2 is f2fs"):
        f2fs_sload.check_room(1 << 60, number=2)


def test_a_rebuild_says_beforehand_and_afterwards_what_an_f2fs_loses(tmp_path: Path) -> None:
    image = tmp_path / "rebuilt.img"
    contents = FolderContents(tmp_path / "content")
    with capture_folder.captured(
        tmp_path, tree(contents), contents, parameters=PARAMETERS, size=200 * MIB
    ) as made:
        size = made.manifest.disk.size
        plan = plan_rebuild.plan_rebuild(made, size=size, options=PlanOptions(), machine=MACHINE)
        with compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target:
            means = RebuildDependencies(MACHINE, SystemClock(), Silent())
            report = workflow_rebuild.carry_out(target, plan, made, means)

    lost = "no fifo node can be made: 1 entries, such as /pipe"
    assert f"partition 1: {lost}" in plan.notes
    assert any("its contents are not read back" in note for note in plan.notes)
    assert report.notes.count(f"partition 1: {lost}") == 1
    assert any("not checked: partition 1: the files of a f2fs" in text for text in report.notes)
    assert report.checked_entries == 0
    volume = alone(image, skip=4)
    assert f2fs_images.read(volume, tmp_path)[b"same"].content == b"tide table\n"
    programs.run("fsck.f2fs", "--dry-run", volume)
