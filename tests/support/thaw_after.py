"""A program: thaw the file system at argv[1] every argv[2] seconds, and when told to end.

It stands apart from holdstill and imports none of it, so that it works when holdstill does not.
"""

import fcntl
import os
import select
import sys

FITHAW = 0xC0045878  # _IOWR('X', 120, int), linux/fs.h


def main() -> None:
    mount = os.open(sys.argv[1], os.O_RDONLY | os.O_DIRECTORY)
    os.write(1, b"ready\n")
    told = False
    while not told:
        # The end of standard input means that the test died: that is being told, too.
        told = bool(select.select([0], [], [], float(sys.argv[2]))[0])
        thaw(mount)


def thaw(mount: int) -> None:
    try:
        fcntl.ioctl(mount, FITHAW, 0)
    except OSError:
        return  # it was not frozen
    os.write(1, b"thawed\n")


main()
