"""A program: confine itself to argv[1], then try that and argv[2]."""

from __future__ import annotations

import errno
import sys
from pathlib import Path

from holdstill.system import landlock


def tried(folder: Path) -> None:
    for what in ("read", "write"):
        try:
            if what == "read":
                (folder / "f").read_bytes()
            else:
                (folder / "f").write_bytes(b"y")
        except OSError as error:
            sys.stdout.write(f"{folder.name}:{errno.errorcode[error.errno or 0]}\n")
        else:
            sys.stdout.write(f"{folder.name}:{what}\n")


def main() -> None:
    allowed, other = Path(sys.argv[1]), Path(sys.argv[2])
    if not landlock.restrict(read=["/usr"], write=[str(allowed)]):
        sys.stdout.write("unsupported\n")
        return
    tried(allowed)
    tried(other)


if __name__ == "__main__":
    main()
