"""Whether a key file that crypttab names is captured: by real files, and by what is mounted."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
from holdstill.board.mounts import Mount
from holdstill.model import store_address, system_tables
from holdstill.model.layout import Disk, Ext4, Partition, TableLabel
from holdstill.model.manifest import Grade
from holdstill.model.paths import BoardPath
from holdstill.model.settings import BoardSettings
from holdstill.workflow import captured_keys
from holdstill.workflow.capture_method import CaptureMethod, MethodChoice
from holdstill.workflow.capture_scope import CaptureScope

if TYPE_CHECKING:
    from pathlib import Path

EXT4 = Ext4(uuid="e", block_size=4096, blocks=9, inode_size=256, inodes=9, features=())


def mount(root: Path, place: str, number: int) -> Mount:
    point = BoardPath(os.fsencode(root / place.lstrip("/")))
    return Mount((179, number), BoardPath(b"/"), point, "rw", "ext4", f"/dev/x{number}")


def scope(root: Path) -> CaptureScope:
    """Return a board with / and /home captured, /raw copied as it is, /run and /usb not at all."""
    places = {2: "/", 3: "/home", 4: "/raw"}
    disk = Disk(
        size=1 << 30, label=TableLabel.DOS,
        partitions=tuple(Partition(number=n, start=n << 13, size=9, type="83") for n in places),
    )  # fmt: skip
    parts = tuple(
        BoardPart(n, root / f"x{n}", 0, 1, EXT4, mount(root, place, n), place)
        for n, place in places.items()
    )
    ways = {2: CaptureMethod.FROZEN, 3: CaptureMethod.FROZEN, 4: CaptureMethod.RAW}
    return CaptureScope(
        BoardSettings(
            board="pier-3", keeper=store_address.parse("ssh://keeper@boathouse"), root=root,
            exclude=("/etc/secret",),
        ),
        BoardLayout((BoardDisk(root / "x", disk),), parts),
        {n: MethodChoice(way, Grade.POINT_IN_TIME, "") for n, way in ways.items()},
        tuple(mount(root, place, 9) for place in ("/", "/home", "/raw", "/run", "/home/usb")),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("path", "is_captured"),
    [
        ("/etc/key", True),
        ("/home/key", True),
        ("/etc/link", True),
        ("/etc/empty", False),
        ("/etc/none", False),
        ("/etc", False),
        ("/etc/secret/key", False),
        ("/run/key", False),
        ("/home/usb/key", False),
        ("/raw/key", False),
        ("/etc/outside", False),
    ],
)
def test_a_key_file_is_captured_where_files_are(
    path: str, *, is_captured: bool, tmp_path: Path
) -> None:
    root = tmp_path / "root"
    for place in ("etc/key", "home/key", "etc/secret/key", "run/key", "home/usb/key", "raw/key"):
        (root / place).parent.mkdir(parents=True, exist_ok=True)
        (root / place).write_bytes(b"0123")
    (root / "etc/empty").touch()
    (root / "etc/link").symlink_to("../home/key")
    (tmp_path / "elsewhere").write_bytes(b"0123")
    (root / "etc/outside").symlink_to(tmp_path / "elsewhere")
    lines = system_tables.parse_crypttab(f"data UUID=1 {path} luks\nother UUID=2 none luks\n")

    assert captured_keys.find(scope(root), lines) == (frozenset({path} if is_captured else ()))


def test_only_bytes_that_are_there_are_a_key(tmp_path: Path) -> None:
    (tmp_path / "key").write_bytes(b"0123")
    lines = system_tables.parse_crypttab("a 1 /key keyfile-offset=4\nb 2 /ke\\000y\n")

    assert captured_keys.find(scope(tmp_path), lines) == frozenset()
