"""The package in a Python of 32 bits, as boards with 32-bit systems on 64-bit kernels run it."""

from __future__ import annotations

import errno
import json
import os
import platform
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

import holdstill
from holdstill.system import loop_device
from holdstill.system.process import LocalRunner
from support import loop, programs
from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

ASKS = """
import json, os, struct, sys
from holdstill.system import io_priority, ioctl, libc

file, device = (os.open(path, os.O_RDONLY) for path in sys.argv[1:])
before = ioctl.inode_flags(file)
if not before & 0x30:  # of an immutable or append-only file nothing can be changed
    ioctl.set_inode_flags(file, before | 0x40)  # FS_NODUMP_FL of linux/fs.h
with io_priority.at(io_priority.IoPriority.LOW):
    served = libc.io_priority()
libc.kernel_minutes_west()
print(json.dumps({
    "bits": 8 * struct.calcsize("P"), "flags": before, "generation": ioctl.inode_generation(file),
    "size": ioctl.device_size(device), "extents": list(ioctl.fiemap(file)), "served": served,
}))
"""

ASKS_XFS = """
import json, os, sys
from holdstill.system import fsxattr, ioctl

file, folder = (os.open(path, os.O_RDONLY) for path in sys.argv[1:])
before = ioctl.fsxattr(file)
ioctl.set_fsxattr(file, before._replace(project=4294967294))
links = [os.lstat(name, dir_fd=folder).st_ino for name in sorted(os.listdir(folder))]
print(json.dumps({
    "before": list(before),
    "links": [fsxattr.project_of_unopened(folder, number) for number in links],
}))
"""


ASKS_LATE = """
import json, os, sys
from holdstill.system import file_status

folder = os.open(sys.argv[1], os.O_RDONLY)
try:
    os.stat(b"late", dir_fd=folder)
    error = 0
except OSError as trouble:
    error = trouble.errno
file = os.open(b"late", os.O_RDONLY, dir_fd=folder)
found = [file_status.of_name(folder, b"late"), file_status.of_handle(file)]
for name in (b"set", b"link"):
    file_status.set_modified(name, int(sys.argv[2]), directory=folder)
print(json.dumps({
    "error": error, "found": [[about.st_mtime_ns, about.st_size] for about in found],
}))
"""


class NarrowPython(NamedTuple):
    """A Python of 32 bits in a folder of its own, with its C library."""

    root: Path

    def asked(self, *words: str | Path, program: str = ASKS) -> dict[str, object]:
        """Run a program of ours; return the JSON that it prints."""
        libraries = ":".join(f"{self.root}/{place}/i386-linux-gnu" for place in ("usr/lib", "lib"))
        package = Path(holdstill.__file__).parents[1]
        loader = (self.root / "lib/ld-linux.so.2", "--library-path", libraries)
        variables = (f"PYTHONHOME={self.root}/usr", f"PYTHONPATH={package}")
        interpreter = self.root / "usr/bin/python3.11"
        said = programs.run("env", *variables, *loader, interpreter, "-B", "-c", program, *words)
        return dict(json.loads(said))


@pytest.fixture(scope="module")
def narrow(tmp_path_factory: pytest.TempPathFactory) -> NarrowPython:
    if platform.machine() != "x86_64":
        pytest.skip("the Python is one for x86")
    folder = tmp_path_factory.mktemp("narrow")
    sources = board.main_source(folder)
    # Unpacked only: nothing of it runs but the interpreter.
    made = ("--mode=root", "--variant=extract", "--architectures=i386")
    packages = "--include=python3-minimal,libpython3-stdlib"
    root = folder / "root"
    programs.run("mmdebstrap", *made, packages, "bookworm", root, sources, timeout=500)
    return NarrowPython(root)


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    with loop.ext4_volume(tmp_path) as at:
        yield at


def test_a_32_bit_python_reads_what_lsattr_and_blockdev_read(
    narrow: NarrowPython, volume: Path, tmp_path: Path
) -> None:
    path = volume / "seal"
    path.write_bytes(os.urandom(9000))
    os.sync()
    (device,) = loop.loops_of(tmp_path / "volume.img")
    programs.run("chattr", "+A", path)

    told = narrow.asked(path, device)

    flags = int(str(told["flags"]))
    assert told["bits"] == 32
    # linux/fs.h: FS_NOATIME_FL 0x80, and FS_EXTENT_FL 0x80000, which ext4 sets itself.
    assert flags & 0x800C0 == 0x80080
    generation, letters, _ = programs.run("lsattr", "-v", path).decode().split()
    assert told["generation"] == int(generation) != 0
    assert "d" in letters
    assert told["size"] == int(programs.run("blockdev", "--getsize64", device))
    # linux/ioprio.h: class 2, best effort, is above bit 13; level 7 is the last.
    assert told["served"] == 2 << 13 | 7


def test_immutable_and_append_only_are_seen(
    narrow: NarrowPython, volume: Path, tmp_path: Path
) -> None:
    path = volume / "kept"
    path.touch()
    (device,) = loop.loops_of(tmp_path / "volume.img")
    programs.run("chattr", "+ia", path)
    try:
        # linux/fs.h: FS_IMMUTABLE_FL 0x10, FS_APPEND_FL 0x20.
        assert int(str(narrow.asked(path, device)["flags"])) & 0x30 == 0x30
    finally:
        programs.run("chattr", "-ia", path)


def test_a_32_bit_python_reads_and_sets_times_after_2038(
    narrow: NarrowPython, tmp_path: Path
) -> None:
    late = 2_209_032_000_123_456_789  # in 2040
    for name in ("late", "set"):
        (tmp_path / name).write_bytes(b"late")
    (tmp_path / "link").symlink_to("nowhere")
    os.utime(tmp_path / "late", ns=(late, late))

    told = narrow.asked(tmp_path, str(late + 1), program=ASKS_LATE)

    # The trap: the C library of Debian 12 has times of 32 bits on i386, as on 32-bit Arm.
    assert told == {"error": errno.EOVERFLOW, "found": [[late, 4]] * 2}
    assert [(tmp_path / name).lstat().st_mtime_ns for name in ("set", "link")] == [late + 1] * 2


def test_a_32_bit_python_reads_and_sets_the_projects_of_an_xfs(
    narrow: NarrowPython, tmp_path: Path
) -> None:
    if loop_device.obstacle("xfs", LocalRunner()):
        pytest.skip("this kernel has no xfs")
    image = loop.blank_image(tmp_path / "xfs.img", size=300 << 20)
    programs.run("mkfs.xfs", "-q", image)
    with loop.attached(image) as disk, loop.mounted(disk.device, tmp_path / "at") as at:
        (at / "links").mkdir()
        (at / "links/of-none").symlink_to("x")
        programs.run("xfs_io", "-r", "-c", "chproj 42", "-c", "chattr +P", at / "links")
        (at / "links/of-one").symlink_to("x")
        (at / "file").touch()
        programs.run("xfs_io", "-c", "chproj 7", "-c", "extsize 64k", at / "file")

        told = narrow.asked(at / "file", at / "links", program=ASKS_XFS)

        said = programs.run("xfs_io", "-r", "-c", "lsproj", "-c", "extsize", at / "file").decode()
    assert told["links"] == [0, 42]
    assert list(str(told["before"]).split(", "))[1:3] == ["65536", "7"]
    assert said.splitlines()[0] == "projid = 4294967294"
    assert said.splitlines()[1].startswith("[65536]")
