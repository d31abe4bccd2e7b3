"""A board whose disk counts in sectors of 4096 bytes: captured, and rebuilt as image and disk.

sfdisk and e2fsck judge a device with such sectors; fsck.vfat its boot partition.
"""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from support import boards, loop, programs
from support.boards import holdstill
from support.loop import MIB, LoopDisk

pytestmark = pytest.mark.timeout(240)
DOS = """\
label: dos
label-id: 0x9a3c5d2e
start=1024, size=10240, type=c, bootable
start=11264, type=83
"""
GPT = """\
label: gpt
label-id: 6E1FB2A0-1111-4222-8333-444455556666
start=1024, size=10240, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, name=boot
start=11264, type=0FC63DAF-8483-4772-8E79-3D69D8477DE4, name=root
"""


@contextmanager
def attached(image: Path) -> Iterator[LoopDisk]:
    """Attach an image as a disk with large sectors."""
    words = ("--find", "--show", "--partscan", "--sector-size", "4096", image)
    device = Path(programs.run("losetup", *words).decode().strip())
    try:
        programs.run("udevadm", "settle") if Path("/run/udev").exists() else None
        yield LoopDisk(device, image)
    finally:
        programs.run("losetup", "--detach", device)


def table_of(device: Path) -> dict[str, object]:
    """Return what sfdisk reads, without the device's name."""
    table = json.loads(programs.run("sfdisk", "--json", device))["partitiontable"]
    rows = [{k: v for k, v in row.items() if k != "node"} for row in table.pop("partitions")]
    return {k: v for k, v in table.items() if k != "device"} | {"partitions": rows}


@pytest.mark.parametrize("script", [DOS, GPT], ids=["dos", "gpt"])
def test_it_comes_back_as_an_image_and_on_a_disk(tmp_path: Path, script: str) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=384 * MIB)
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept, attached(image) as disk:
        programs.run("sfdisk", "--quiet", disk.device, stdin=script.encode())
        programs.run("partx", "--update", disk.device)
        programs.run("mkfs.vfat", "-F", "32", "-S", "4096", "-s", "1", disk.partition(1))
        programs.run("mkfs.ext4", "-q", "-L", "rootfs", disk.partition(2))
        with (
            loop.mounted(disk.partition(2), tmp_path / "root") as at,
            loop.thaw_guard(at, seconds=20),
        ):
            (at / "etc").mkdir()
            (at / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n", encoding="ascii")
            (at / "readings").write_bytes(os.urandom(5 * MIB))
            holdstill("capture", "--settings", kept.settings)
        wanted = table_of(disk.device)
        made = tmp_path / "rebuilt.img"
        holdstill("rebuild", "pier-3", made, "--store", kept.store, accepted=[boards.NO_KERNEL])
        verdict = json.loads(
            holdstill("verify", "pier-3", "--card", made, "--store", kept.store, "--json")
        )
        with attached(loop.blank_image(tmp_path / "other.img", size=512 * MIB)) as other:
            words = ("rebuild", "pier-3", other.device, "--store", kept.store)
            token = str(512 * MIB)
            holdstill(*words, "--confirm", token, "--again", token, accepted=[boards.NO_KERNEL])
            judge(other)
            grown = table_of(other.device)

    assert (verdict["total"], verdict["unchecked"]) == (0, [])
    with attached(made) as rebuilt:
        assert table_of(rebuilt.device) == wanted
        judge(rebuilt)
    assert (grown["label"], grown["id"]) == (wanted["label"], wanted["id"])


def judge(disk: LoopDisk) -> None:
    programs.run("sfdisk", "--verify", disk.device)
    programs.run("partx", "--update", disk.device)
    programs.run("e2fsck", "-fn", disk.partition(2))
    programs.run("fsck.vfat", "-n", disk.partition(1))
