"""Ask a board's kernel through the agent's own calls; print what it said, as JSON.

    narrow.py FOLDER DEVICE

FOLDER is on a file system with project ids, on DEVICE. What the kernel's own tools say of the
same files is printed beside it.
"""

from __future__ import annotations

import ctypes
import json
import os
import struct
import subprocess
import sys
from pathlib import Path

from holdstill.board import fanotify, inode_watch, readiness
from holdstill.system import file_status, files, fsxattr, io_priority, ioctl, libc

LATE = 2_209_032_000
"""2040-01-01 12:00 UTC."""
LARGE = (3 << 30) + 5


def said(*words: str) -> str:
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


def flags(folder: Path) -> dict[str, object]:
    """Flags and generation of an immutable, append-only file."""
    path = folder / "kept"
    path.touch()
    said("chattr", "+iaA", str(path))
    try:
        with files.opened(path, os.O_RDONLY) as handle:
            found = {"flags": ioctl.inode_flags(handle), "gen": ioctl.inode_generation(handle)}
        generation, letters, _ = said("lsattr", "-v", str(path)).split()
        return {**found, "letters": letters, "generation": int(generation)}
    finally:
        said("chattr", "-ia", str(path))


def set_flags(folder: Path) -> str:
    """Set nodump; return what lsattr(1) makes of it."""
    path = folder / "nodump"
    path.touch()
    with files.opened(path, os.O_RDONLY) as handle:
        ioctl.set_inode_flags(handle, ioctl.inode_flags(handle) | 0x40)  # FS_NODUMP_FL
    return said("lsattr", str(path)).split()[0]


def projects(folder: Path) -> dict[str, object]:
    """Read one project id that chattr(1) has set; set another that lsattr(1) reads."""
    path = folder / "of-a-project"
    path.touch()
    said("chattr", "-p", "42", str(path))
    with files.opened(path, os.O_RDONLY) as handle:
        before = ioctl.fsxattr(handle)
        ioctl.set_fsxattr(handle, before._replace(project=2_000_000_000))
        again = fsxattr.read(handle).project
    told = int(said("lsattr", "-p", str(path)).split()[0])
    return {"read": before.project, "set": again, "told": told}


def large(folder: Path) -> dict[str, object]:
    """Open a file of more than 2 GiB beneath its folder; where its data is; its last bytes."""
    path = folder / "large"
    path.touch()
    os.truncate(path, LARGE - 5)
    with path.open("ab") as file:
        file.write(b"ended")
    os.sync()
    with files.opened(folder, os.O_RDONLY) as top:
        handle = files.open_beneath(top, b"large", os.O_RDONLY)
        try:
            size = file_status.of_handle(handle).st_size
            return {
                "size": size,
                "ranges": list(files.data_ranges(handle, size)),
                "extents": [e.logical for e in ioctl.fiemap(handle)],
                "end": os.pread(handle, 5, size - 5).decode(),
            }
        finally:
            os.close(handle)


def late(folder: Path) -> dict[str, object]:
    """Look at a file with a time after 2038, as Python does and as the agent does."""
    path = folder / "late"
    path.touch()
    set_late(path)
    try:
        plain = path.stat().st_mtime_ns
    except OSError as error:
        plain = -(error.errno or 0)
    with files.opened(folder, os.O_RDONLY) as top:
        agents = file_status.of_name(top, b"late").st_mtime_ns
        handle = files.open_beneath(top, b"late", os.O_RDONLY)
        opened = file_status.of_handle(handle).st_mtime_ns
        os.close(handle)
    return {"plain": plain, "agents": agents, "opened": opened}


def set_late(path: Path) -> None:
    """Set a time that the C library may not be able to: utimensat_time64(2) has one number."""
    times = struct.pack("=qqqq", LATE, 1, LATE, 123_456_789)
    # Linux arch/arm/tools/syscall.tbl: 412 = utimensat_time64.
    assert libc._LIBC.syscall(412, -100, os.fsencode(path), ctypes.c_char_p(times), 0) == 0


def events(folder: Path) -> dict[str, object]:
    """Change files; return which inodes the kernel's two ways of telling name."""
    path = folder / "changed"
    path.touch()
    wanted = path.stat().st_ino
    with files.opened(folder, os.O_RDONLY) as top:
        queue = libc.fanotify_init()
        libc.fanotify_mark(queue, fanotify.HEARD, top)
        path.write_text("more", encoding="ascii")
        heard = fanotify.FanotifyEvents()
        fanotify.parse_events(os.read(queue, 1 << 16), heard)
        os.close(queue)
    notes = libc.inotify_init()
    watch = libc.inotify_add_watch(notes, os.fsencode(path), 0x2)  # IN_MODIFY
    path.write_text("again", encoding="ascii")
    number = inode_watch._EVENT.unpack_from(os.read(notes, 4096))[0]
    os.close(notes)
    return {
        "heard": wanted in heard.changed and heard.is_all,
        "noted": number == watch,
    }


def lock_holder(folder: Path) -> int:
    """Ask who has a lock that another process holds."""
    path = folder / "lock"
    path.touch()
    hold = "import fcntl, os, sys; f = open(sys.argv[1], 'w'); fcntl.lockf(f, fcntl.LOCK_EX);"
    words = [sys.executable, "-c", hold + "print('held', flush=True); input()", str(path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout
        holder.stdout.readline()
        found = readiness._holder(path)
        holder.communicate(b"\n")
        return found - holder.pid


def main() -> None:
    folder, device = Path(sys.argv[1]), Path(sys.argv[2])
    with io_priority.at(io_priority.IoPriority.LOW):
        served = libc.io_priority()
    with files.opened(device, os.O_RDONLY) as handle:
        size = ioctl.device_size(handle)
    with files.opened(folder, os.O_RDONLY) as handle:
        kind = libc.file_system_type(handle)
    found = {
        "machine": os.uname().machine,
        "word": struct.calcsize("l"),
        "numbers": [ioctl.FS_IOC_GETFLAGS, ioctl.BLKGETSIZE64],
        "flags": flags(folder),
        "set": set_flags(folder),
        "projects": projects(folder),
        "large": large(folder),
        "late": late(folder),
        "events": events(folder),
        "lock": lock_holder(folder),
        "served": served,
        "device": [size, int(said("blockdev", "--getsize64", str(device)))],
        "kind": kind,
        "synchronised": libc.clock_status() & 0x40,  # STA_UNSYNC
        "minutes_west": libc.kernel_minutes_west(),
    }
    json.dump(found, sys.stdout)


main()
