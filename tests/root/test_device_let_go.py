"""After a capture nothing of it holds the device: what was captured is unmounted and free at once.

A service with a mount namespace of its own looks on, as udevd and logind do: what a capture mounts
comes to it, too, and would hold the device there when it is gone here (mount_namespaces(7)).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, older_kernel, programs
from support.boards import PROGRAM

if TYPE_CHECKING:
    from collections.abc import Iterator

OPEN_TREE = 428
"""Linux include/uapi/asm-generic/unistd.h: the same on every architecture."""
OLDER = (sys.executable, older_kernel.__file__, f"{OPEN_TREE},{older_kernel.FSOPEN}")


@contextmanager
def shared(folder: Path) -> Iterator[Path]:
    """Let what is mounted in a folder come to other namespaces, as systemd has it for all."""
    folder.mkdir()
    programs.run("mount", "--bind", folder, folder)
    try:
        programs.run("mount", "--make-private", folder)
        programs.run("mount", "--make-shared", folder)
        yield folder
    finally:
        programs.run("umount", folder)


@contextmanager
def service() -> Iterator[int]:
    """Run a service whose mounts follow ours, not ours its (systemd.exec(5), MountFlags=slave)."""
    words = ("unshare", "--mount", "--propagation", "slave")
    told = ("sh", "-c", "echo ready; read forever")
    with subprocess.Popen(
        [*words, *told], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield process.pid
        finally:
            process.kill()


def seen_by(pid: int, at: Path) -> list[str]:
    """Return the mounts at and below a place that a process sees."""
    table = Path(f"/proc/{pid}/mountinfo").read_text(encoding="utf-8")
    return [line for line in table.splitlines() if line.split()[4].startswith(f"{at}")]


@pytest.mark.parametrize("older", [(), OLDER], ids=["this kernel", "before 5.2"])
def test_what_was_captured_is_free_once_it_is_unmounted(
    tmp_path: Path, older: tuple[str, ...]
) -> None:
    image = loop.partitioned_image(tmp_path / "card.img", size=384 << 20, script=boards.MBR)
    with (
        loop.attached(image) as disk,
        shared(tmp_path / "mounts") as mounts,
        service() as other,
        boards.kept_nearby(tmp_path, mounts / "root") as kept,
    ):
        device = disk.partition(2)
        programs.run("mkfs.ext4", "-q", "-L", "rootfs", device)
        with loop.mounted(device, mounts / "root") as root:
            (root / "etc").mkdir()
            (root / "etc/fstab").write_text("LABEL=rootfs / ext4 defaults 0 1\n")
            assert seen_by(other, root)
            with loop.thaw_guard(root, seconds=60):
                words = ("capture", "--settings", kept.settings, "--json")
                said = programs.run(*older, *PROGRAM, *words, timeout=120)
            programs.run("umount", root)

            assert seen_by(other, root) == []
            # Refused while a file system or a holder of the kernel's is on it (open(2), O_EXCL).
            os.close(os.open(device, os.O_RDWR | os.O_EXCL))

    parts = {part["number"]: part["grade"] for part in json.loads(said)["parts"]}
    assert parts[2] == "point-in-time"
