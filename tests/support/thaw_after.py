"""A program: thaw the file system at argv[1] once it stays frozen for argv[2] s, and at the end.

It stands apart from holdstill and imports none of it, so that it works when holdstill does not.
A hold that is shorter is none of its business: it would spoil a capture that does nothing wrong.
"""

import fcntl
import os
import select
import sys
import time
from contextlib import suppress
from threading import Thread

FITHAW = 0xC0045878  # _IOWR('X', 120, int), linux/fs.h


def main() -> None:
    mount, patience = os.open(sys.argv[1], os.O_RDONLY | os.O_DIRECTORY), float(sys.argv[2])
    os.write(1, b"ready\n")
    told, began, look = False, 0.0, None
    while not told:
        if look is None or not look.is_alive():
            look = Thread(target=ask_to_write, args=(mount,), daemon=True)
            look.start()
            began = time.monotonic()
        elif time.monotonic() - began >= patience:
            thaw(mount)
        # The end of standard input means that the test died: that is being told, too.
        told = bool(select.select([0], [], [], min(patience / 4, 1))[0])
    thaw(mount)


def ask_to_write(mount: int) -> None:
    """Wait while the file system is frozen, and change nothing."""
    with suppress(OSError):  # as it should be: there is no such name
        os.unlink("no file of this name", dir_fd=mount)


def thaw(mount: int) -> None:
    try:
        fcntl.ioctl(mount, FITHAW, 0)
    except OSError:
        return  # it was not frozen
    os.write(1, b"thawed\n")


main()
