"""Make one entry of every kind that a rebuild must restore exactly, through the board's kernel."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from pathlib import Path


def fill(path: bytes, content: bytes, mode: int = 0o644) -> bytes:
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    os.write(file, content)
    os.fchmod(file, mode)
    os.close(file)
    return path


def make_names() -> None:
    fill(b"new\nline", b"a name of two lines")
    fill(b"not \xff utf-8", b"a name of no encoding")
    fill(b"x" * 255, b"the longest name")
    fill(b" leading space", b"")
    fill(b"#hash", b"a comment to some tools")
    fill(b"-dash", b"an option to some tools")
    fill("Wasserstand-\u00fc".encode(), b"a name with an umlaut")


def make_kinds() -> None:
    os.mkfifo("fifo", 0o620)
    os.mknod("device", stat.S_IFCHR | 0o600, os.makedev(300, 70000))
    socket.socket(socket.AF_UNIX).bind("socket")
    Path("short-link").symlink_to("nowhere")
    Path("long-link").symlink_to("n" * 1200)
    fill(b"hole", b"start")
    os.truncate("hole", 64 << 20)
    os.link(fill(b"first", b"one inode, three names"), "second")
    Path("deep").mkdir()
    os.link("first", "deep/third")
    Path("sticky").mkdir()
    Path("sticky").chmod(0o1777)


def make_rights() -> None:
    fill(b"setuid", b"#!/bin/true\n", 0o4755)
    fill(b"capable", b"\x7fELF", 0o755)
    fill(b"shared", b"with an access list")
    fill(b"noted", b"with attributes")
    fill(b"kept", b"immutable")
    fill(b"grown", b"append-only")
    os.chown(fill(b"foreign", b"of an unknown owner"), 70000, 80000)
    os.setxattr("noted", "user.place", b"pier-3\0\xff")
    os.setxattr("noted", "trusted.holder", b"root only")
    for words in (
        ["setcap", "cap_net_bind_service+ep", "capable"],
        ["setfacl", "-m", "u:70000:r,g:80000:rw", "shared"],
        ["setfacl", "-d", "-m", "u:70000:rwx", "deep"],
    ):
        subprocess.run(words, check=True)


def main(place: str) -> None:
    Path(place).mkdir(parents=True)
    os.chdir(place)
    make_names()
    make_kinds()
    make_rights()
    # 2001-09-09 01:46:40.123456789; and a time before 1970.
    os.utime("noted", ns=(0, 1_000_000_000_123_456_789))
    os.utime("shared", ns=(0, -86_400_000_000_001))
    subprocess.run(["chattr", "+i", "kept"], check=True)
    subprocess.run(["chattr", "+a", "grown"], check=True)
    os.sync()


if __name__ == "__main__":
    main(sys.argv[1])
