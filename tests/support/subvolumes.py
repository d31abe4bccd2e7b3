"""A btrfs with subvolumes for root tests: made, and looked at by the kernel and btrfs-progs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import entries as entry_streams
from holdstill.model.entries import NEVER_SEEN
from support import loop, programs, reference_tree

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.model.entries import Entry

TREES = ("@", "@home", "@/var/lib/machines", "@/srv/two words", "closed")


def make(top: Path) -> None:
    """Make subvolumes in the mounted top of a btrfs, and a snapshot, of which @ is the default."""
    for name in TREES:
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        programs.run("btrfs", "subvolume", "create", top / name)
        fill(top / name, name)
    (top / "of the top").write_text("beside the subvolumes\n")
    programs.run("btrfs", "subvolume", "snapshot", "-r", top / "@home", top / "@old")
    (top / "@home/newer").write_text("than the snapshot\n")
    programs.run("btrfs", "property", "set", "-ts", top / "closed", "ro", "true")
    programs.run("btrfs", "subvolume", "set-default", top / "@")


def fill(at: Path, name: str) -> None:
    """Make files of which each tree has inodes with the same numbers, and other contents."""
    (at / "folder").mkdir()
    (at / "folder/reading").write_text(f"of {name}\n")
    (at / "other name").hardlink_to(at / "folder/reading")
    (at / "link").symlink_to("folder/reading")
    (at / "folder/reading").chmod(0o640)


def seen(device: Path, folder: Path) -> dict[str, object]:
    """Return what the kernel and btrfs-progs show of a btrfs, from its top."""
    with loop.mounted(device, folder / "seen", options="ro,subvolid=5") as top:
        listed = programs.run("btrfs", "subvolume", "list", top).decode().splitlines()
        closed = programs.run("btrfs", "subvolume", "list", "-r", top).decode().splitlines()
        default = programs.run("btrfs", "subvolume", "get-default", top).decode()
        return {
            "all": {line.partition(" path ")[2] for line in listed},
            "closed": {line.partition(" path ")[2] for line in closed},
            "default": default.partition(" path ")[2].strip(),
        }


def trees_of(
    device: Path, folder: Path, *, trees: Sequence[str] = TREES
) -> dict[str, dict[bytes, Entry]]:
    """Return every tree, read by the witness: each without what is in another."""
    found = {}
    for name in ("", *trees):
        options = f"ro,subvol={name}" if name else "ro,subvolid=5"
        with loop.mounted(device, folder / "tree", options=options) as at:
            inside = [other for other in sorted({*trees, "@old"}) if other != name]
            inner = [other.removeprefix(f"{name}/") for other in inside
                     if not name or other.startswith(f"{name}/")]  # fmt: skip
            entries = reference_tree.entries(at)
            found[name] = {
                path: entry._replace(seen=NEVER_SEEN) for path, entry in entries.items()
                if not any(path == top.encode() or path.startswith(top.encode() + b"/")
                           for top in inner)
            }  # fmt: skip
    return found


def in_order(entries: dict[bytes, Entry]) -> list[Entry]:
    """Return a tree as streams have it."""
    return sorted(entries.values(), key=entry_streams.key)
