"""Cards of other kinds, made of the parts of the usual one: other disks, other file systems."""

from __future__ import annotations

from typing import TYPE_CHECKING

from support import cards, loop, programs

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SECTOR = 512
MARKER = "marker-of-pier-3"
UNIT = f"""\
[Service]
Type=oneshot
ExecStart=/bin/sh -c 'for at in / /home /boot/firmware; do findmnt -no SOURCE,FSTYPE $at; \
done >/dev/console; true'
ExecStart=/bin/sh -c 'echo {MARKER} >/dev/console'
[Install]
WantedBy=multi-user.target
"""


def with_marker(root: Path) -> None:
    """Have a system say where its root is, and a word of ours, when all else has started."""
    unit = root / "etc/systemd/system/marker.service"
    unit.write_text(UNIT)
    wanted = root / "etc/systemd/system/multi-user.target.wants"
    wanted.mkdir(exist_ok=True)
    (wanted / unit.name).symlink_to(f"/etc/systemd/system/{unit.name}")


def with_words(fat: Path, folder: Path, change: Callable[[str], str]) -> None:
    """Change what the boot loader's entries say."""
    for name in programs.run("mdir", "-b", "-i", fat, "::/loader/entries").decode().split():
        entry = folder / "entry.conf"
        entry.write_text(change(programs.run("mtype", "-i", fat, name).decode()))
        programs.run("mcopy", "-o", "-Q", "-i", fat, entry, name)


def copied(whole: Path, number: int, image: Path, *, to: int) -> None:
    """Copy the bytes of a partition of a card to a partition of another, as large."""
    source = cards.table_of(whole).partition(number)
    target = cards.table_of(image).partition(to)
    programs.run(
        "dd", f"if={whole}", f"of={image}", "conv=notrunc,sparse", "bs=1M",
        f"skip={source.start * SECTOR}", f"seek={target.start * SECTOR}",
        f"count={source.size * SECTOR}", "iflag=skip_bytes,count_bytes", "oflag=seek_bytes",
        timeout=300,
    )  # fmt: skip


def with_table(image: Path, *, disk_id: str, size: int, parts: tuple[str, ...]) -> Path:
    """Make a card of size bytes with an MBR of these partitions, in sfdisk's words."""
    words = "\n".join([f"label: dos\nlabel-id: 0x{disk_id}", *parts])
    return loop.partitioned_image(image, size=size, script=f"{words}\n")
