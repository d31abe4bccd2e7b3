"""Break one link of a card's boot chain, as bad captures and bad rebuilds would.

Run as a program it spoils one card after the other, rehearses each and keeps the consoles:

    cd tests && PYTHONPATH=. ../.venv/bin/python -m support.vm.spoil data/console
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.rehearse import rehearsal
from holdstill.rehearse.console_markers import BootStage
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import programs
from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

NOWHERE = "dead0000"
"""A disk id that no card of ours has."""
ACTIVE_FLAG = 446
"""Of the first partition, in the MBR (UEFI Specification 2.10, 5.2.1)."""
ENTRY = "loader/entries/board.conf"
MENU = "extlinux/extlinux.conf"
FSTAB = f"PARTUUID=b0a2d001-02 / ext4 defaults 0 1\nPARTUUID={NOWHERE}-01 /boot/firmware vfat\n"


def no_kernel(image: Path) -> None:
    on_fat(image, "mdel", "::/vmlinuz")


def no_initramfs(image: Path) -> None:
    on_fat(image, "mdel", "::/initrd.img")


def torn_initramfs(image: Path) -> None:
    whole = on_fat(image, "mtype", "::/initrd.img")
    put(image, "initrd.img", whole[: len(whole) // 3])


def initramfs_not_named(image: Path) -> None:
    edit(image, ENTRY, lambda text: text.replace("initrd /initrd.img\n", ""))


def no_loader(image: Path) -> None:
    on_fat(image, "mdel", "::/EFI/BOOT/BOOTX64.EFI")


def no_entry(image: Path) -> None:
    on_fat(image, "mdel", f"::/{ENTRY}")


def wrong_root(image: Path) -> None:
    edit(image, ENTRY, lambda text: text.replace(board.Ids().disk, NOWHERE))


def root_not_waited_for(image: Path) -> None:
    """Have the kernel mount the root itself, and at once, so that it panics."""
    edit(image, ENTRY, lambda text: text.replace("initrd /initrd.img\n", ""))
    edit(image, ENTRY, lambda text: text.replace(" rootwait", ""))


def init_that_ends(image: Path) -> None:
    edit(image, ENTRY, lambda text: text.replace(" quiet", " init=/usr/bin/true quiet"))


def no_root(image: Path) -> None:
    zero(image, board.ROOT_START, 8 << 20)


def no_init(image: Path) -> None:
    on_root(image, *(f"rm {path}" for path in ("/usr/sbin/init", "/usr/bin/sh", "/usr/bin/dash")))


def wrong_fstab(image: Path) -> None:
    with tempfile.NamedTemporaryFile("w", encoding="ascii") as draft:
        draft.write(FSTAB)
        draft.flush()
        on_root(image, "rm /etc/fstab", f"write {draft.name} /etc/fstab")


def no_boot_sector(image: Path) -> None:
    zero(image, board.FAT_START + 90, 400)


def no_active_partition(image: Path) -> None:
    zero(image, ACTIVE_FLAG, 1)


def no_settings(image: Path) -> None:
    on_fat(image, "mdel", "::/syslinux.cfg")


def nothing(image: Path) -> None:
    """Leave the card as it is."""


BY_UEFI: dict[str, Callable[[Path], None]] = {
    "good": nothing,
    "no-kernel": no_kernel,
    "no-initramfs": no_initramfs,
    "torn-initramfs": torn_initramfs,
    "initramfs-not-named": initramfs_not_named,
    "no-entry": no_entry,
    "wrong-root": wrong_root,
    "root-not-waited-for": root_not_waited_for,
    "no-root": no_root,
    "no-init": no_init,
    "init-that-ends": init_that_ends,
    "wrong-fstab": wrong_fstab,
}
BY_BOOT_CODE: dict[str, Callable[[Path], None]] = {
    "sd-good": nothing,
    "sd-no-kernel": no_kernel,
    "sd-no-active-partition": no_active_partition,
    "sd-no-boot-sector": no_boot_sector,
    "sd-no-settings": no_settings,
}


def no_device_tree(image: Path) -> None:
    on_fat(image, "mdel", f"::/{board.PI_DEVICE_TREE}")


def wrong_root_for_a_pi(image: Path) -> None:
    edit(image, "cmdline.txt", lambda text: text.replace(board.Ids().disk, NOWHERE))


def wrong_root_for_u_boot(image: Path) -> None:
    edit(image, MENU, lambda text: text.replace(board.Ids().disk, NOWHERE))


BY_PI: dict[str, tuple[Callable[[Path], None], BootStage | None]] = {
    "good": (nothing, None),
    "no-kernel": (no_kernel, BootStage.KERNEL),
    "no-initramfs": (no_initramfs, BootStage.INITRAMFS),
    "no-device-tree": (no_device_tree, BootStage.FIRMWARE),
    "wrong-root": (wrong_root_for_a_pi, BootStage.ROOT),
}
BY_U_BOOT: dict[str, tuple[Callable[[Path], None], BootStage | None]] = {
    "good": (nothing, None),
    "no-kernel": (no_kernel, BootStage.KERNEL),
    "no-initramfs": (no_initramfs, BootStage.INITRAMFS),
    "wrong-root": (wrong_root_for_u_boot, BootStage.ROOT),
}


def copy(card: board.Card, image: Path) -> None:
    """Copy a card image, its holes as holes."""
    programs.run("cp", "--sparse=always", card.image, image)


def on_fat(image: Path, tool: str, *words: str | Path) -> bytes:
    """Run one of mtools on the boot partition."""
    return programs.run(tool, "-i", f"{image}@@{board.FAT_START}", *words)


def put(image: Path, name: str, content: bytes) -> None:
    """Write a file on the boot partition."""
    with tempfile.NamedTemporaryFile() as draft:
        draft.write(content)
        draft.flush()
        on_fat(image, "mcopy", "-o", Path(draft.name), f"::/{name}")


def edit(image: Path, name: str, change: Callable[[str], str]) -> None:
    """Change a text file on the boot partition, and make sure that this changes something."""
    text = on_fat(image, "mtype", f"::/{name}").decode()
    changed = change(text)
    assert changed != text, f"{name} on the card is not what the test expects:\n{text}"
    put(image, name, changed.encode())


def on_root(image: Path, *commands: str) -> None:
    """Change the root file system without mounting it."""
    script = "".join(f"{command}\n" for command in commands).encode()
    inside = f"{image}?offset={board.ROOT_START}"
    programs.run("debugfs", "-w", "-f", "-", inside, stdin=script)


def zero(image: Path, start: int, length: int) -> None:
    """Overwrite a range of the card with zeroes."""
    with image.open("r+b") as file:
        file.seek(start)
        file.write(bytes(length))


def record(card: board.Card, logs: Path, names: Iterable[str]) -> None:
    """Rehearse spoiled cards and keep what their consoles said."""
    for name in names:
        spoil = (BY_UEFI | BY_BOOT_CODE)[name]
        with tempfile.TemporaryDirectory(prefix="hsspoil-") as work:
            image = Path(work) / "card.img"
            copy(card, image)
            if name in BY_BOOT_CODE:
                no_loader(image)
            spoil(image)
            log = logs / f"{name}.log"
            seen = rehearsal.rehearse(image, runner=LocalRunner(), clock=SystemClock(), log=log)
            log.write_bytes(without_people(log.read_bytes()))
            sys.stdout.write(f"{name}: {seen}\n")
            sys.stdout.flush()


def without_people(console: bytes) -> bytes:
    """Leave out whom the programs on the console name as their makers."""
    console = re.sub(rb"Copyright[^\r\n]*", b"(names left out)", console)
    return re.sub(rb"[\w.-]+@[\w.-]+\.(org|com|net|it|de)\b", b"(address left out)", console)


def main(logs: Path, *names: str) -> None:
    logs.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="hsspoil-") as work:
        card = board.build_card(board.tree(), Path(work) / "card.img")
        record(card, logs, names or (*BY_UEFI, *BY_BOOT_CODE))


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
