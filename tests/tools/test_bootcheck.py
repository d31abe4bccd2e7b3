"""Cards that boot, and the same cards with one thing taken away: what the boot check says."""

from __future__ import annotations

import os
import struct
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LayoutError
from holdstill.rebuild import bootcheck
from holdstill.rebuild.boot import card as cards
from holdstill.rebuild.boot import menus
from holdstill.rebuild.boot.report import LinkState
from holdstill.system import byte_source
from support import boot_card, captured_form, loop, programs
from support.boot_card import CMDLINE, DISK_ID, FSTAB, ROOT_UUID, VERSION, Parts, firmware_card

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.rebuild.boot.report import BootReport, ChainLink

KIB = 1 << 10
PI_4 = "Raspberry Pi 4 Model B Rev 1.4"
PI_3 = "Raspberry Pi 3 Model B Plus Rev 1.3"


def check(folder: Path, parts: Parts, *, model: str = "") -> BootReport:
    """Check a card, and that a capture of it is judged the same."""
    image = boot_card.make(folder, parts)
    with byte_source.opened(image) as card:
        report = bootcheck.check(card, model=model)
    with captured_form.boot_card_of(image, folder) as captured:
        assert bootcheck.judge(captured, model=model) == report
    return report


def links(report: BootReport) -> list[ChainLink]:
    return [*(link for chain in report.chains for link in chain.links), *report.system]


def missing(report: BootReport) -> list[str]:
    return [
        f"{link.name}: {link.detail}" for link in links(report) if link.state is LinkState.MISSING
    ]


def unknown(report: BootReport) -> list[str]:
    return [link.name for link in links(report) if link.state is LinkState.UNKNOWN]


def extlinux(**changes: str) -> str:
    words = {
        "linux": f"/boot/vmlinuz-{VERSION}",
        "initrd": f"/boot/initrd.img-{VERSION}",
        "fdtdir": f"/usr/lib/linux-image-{VERSION}/",
        "append": f"root=UUID={ROOT_UUID} ro",
    } | changes
    return "default l0\nlabel l0\n" + "".join(f"  {k} {v}\n" for k, v in words.items() if v)


def extlinux_card(text: str = "") -> Parts:
    """A card whose U-Boot lies in the boot gap and reads extlinux.conf from the root."""
    parts = Parts(gap={32 * KIB: b"RKNS" + b"u-boot" * 1000})
    parts.root |= {
        "boot/extlinux/extlinux.conf": (text or extlinux()).encode(),
        f"boot/vmlinuz-{VERSION}": boot_card.kernel(),
        f"boot/initrd.img-{VERSION}": b"070701",
        f"usr/lib/linux-image-{VERSION}/board.dtb": b"\xd0\x0d\xfe\xed",
        "etc/fstab": f"UUID={ROOT_UUID} / ext4 defaults 0 1\n".encode(),
    }
    return parts


def efi_card(**entry: str) -> Parts:
    """A card whose EFI program reads a loader entry."""
    words = {
        "linux": "/vmlinuz",
        "initrd": "/initrd.img",
        "options": f"root=PARTUUID={DISK_ID}-02 rw",
    } | entry
    text = "title tide\n" + "".join(f"{key} {value}\n" for key, value in words.items())
    boot = {
        "EFI/BOOT/BOOTAA64.EFI": b"MZ" + bytes(100),
        "loader/loader.conf": b"default tide.conf\ntimeout 0\n",
        "loader/entries/tide.conf": text.encode(),
        "vmlinuz": boot_card.kernel(),
        "initrd.img": b"070701",
    }
    return Parts(boot=boot)


# Boards whose firmware reads a FAT ---------------------------------------------------------------


@pytest.mark.parametrize("model", ["", PI_3, PI_4])
def test_a_card_of_the_firmware_kind_boots(tmp_path: Path, model: str) -> None:
    report = check(tmp_path, firmware_card(), model=model)

    assert report.is_bootable
    assert missing(report) == []
    assert unknown(report) == []
    text = "\n".join(report.lines())
    assert f"root=: PARTUUID={DISK_ID}-02 is partition 2" in text
    assert "init: /sbin/init is usr/lib/systemd/systemd on partition 2" in text
    assert f"modules: kernel8.img is {VERSION}" in text
    assert text.endswith("verdict: nothing that a boot needs is missing; not booted yet")


@pytest.mark.parametrize(
    ("gone", "model", "what"),
    [
        (["start4.elf"], PI_4, "firmware: nothing that generation 4 would start"),
        (["bootcode.bin"], PI_3, "firmware: nothing that generation 3 would start"),
        (["start.elf"], PI_3, "firmware: nothing that generation 3 would start"),
        (["kernel8.img"], PI_4, "kernel: none of kernel8.img"),
        (["kernel8.img"], "", "kernel: none of kernel_2712.img, kernel8.img"),
        (["bcm2711-rpi-4-b.dtb"], PI_4, "device tree: no *.dtb beside the kernel"),
        (["cmdline.txt"], PI_4, "command line: cmdline.txt"),
    ],
)
def test_a_file_that_the_firmware_needs_is_missed(
    tmp_path: Path, gone: list[str], model: str, what: str
) -> None:
    parts = firmware_card()
    for name in gone:
        del parts.boot[name]

    report = check(tmp_path, parts, model=model)

    assert not report.is_bootable
    assert what in missing(report)


@pytest.mark.parametrize(
    ("gone", "what"),
    [
        ("fixup4.dat", "fixup4.dat: belongs to start4.elf"),
        ("config.txt", "config.txt: the firmware takes its defaults"),
        ("overlays/disable-bt.dtbo", "overlay: overlays/disable-bt.dtbo"),
        ("initramfs8", "initramfs: initramfs8"),
    ],
)
def test_a_file_that_it_can_do_without_is_missed_and_the_card_boots(
    tmp_path: Path, gone: str, what: str
) -> None:
    parts = firmware_card()
    del parts.boot[gone]

    report = check(tmp_path, parts, model=PI_4)

    assert report.is_bootable
    assert what in missing(report)


# Raspberry Pi documentation, config.txt, "kernel" and "arm_64bit": 32 bits unless set before the
# fourth generation.
@pytest.mark.parametrize(
    ("config", "model", "kernel"),
    [
        (b"", PI_3, "kernel: kernel7.img, kernel8.img"),
        (b"arm_64bit=1\n", PI_3, "kernel: kernel8.img"),
        (b"", PI_4, "kernel: kernel8.img"),
    ],
)
def test_the_kernel_is_the_one_that_the_board_takes_without_arm_64bit(
    tmp_path: Path, config: bytes, model: str, kernel: str
) -> None:
    parts = firmware_card()
    parts.boot |= {"config.txt": config, "kernel7.img": boot_card.kernel()}

    lines = list(check(tmp_path, parts, model=model).lines())

    assert any(line.strip().endswith(kernel) for line in lines)


@pytest.mark.parametrize("name", ["kernel8.img", "kernel_2712.img"])
def test_an_f2fs_root_below_pages_of_16_kib_is_uncertain(tmp_path: Path, name: str) -> None:
    parts = firmware_card()
    parts.boot[name] = boot_card.kernel()
    image = boot_card.make(tmp_path, parts)
    root = loop.blank_image(tmp_path / "f2fs.img", size=64 << 20)
    programs.run("mkfs.f2fs", "-q", "-f", root)
    os.truncate(root, 1 << 20)  # the superblock is all that is looked at
    boot_card.put_root(root, image)

    with byte_source.opened(image) as card:
        report = bootcheck.check(card, model="Raspberry Pi 5 Model B Rev 1.0")

    assert ("page size" in unknown(report)) == (name == "kernel_2712.img")


def test_an_empty_kernel_is_no_kernel(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["kernel8.img"] = b""

    assert not check(tmp_path, parts).is_bootable


@pytest.mark.parametrize(
    ("config", "what"),
    [
        ("kernel=tide.img\n", "kernel: tide.img"),
        ("initramfs initrd.tide followkernel\n", "initramfs: initrd.tide"),
        ("device_tree=tide.dtb\n", "device tree: tide.dtb"),
        ("arm_64bit=1\nos_prefix=a/\n", "kernel: none of kernel_2712.img, kernel8.img"),
        ("cmdline=other.txt\n", "command line: other.txt"),
    ],
)  # fmt: skip
def test_what_config_txt_names_must_be_there(tmp_path: Path, config: str, what: str) -> None:
    parts = firmware_card()
    parts.boot["config.txt"] = config.encode()

    report = check(tmp_path, parts)

    assert not report.is_bootable
    assert what in missing(report)


def test_what_only_another_board_would_load_does_not_decide(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["config.txt"] = b"[pi5]\nkernel=kernel_5.img\n[all]\n"

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert "kernel for [pi5]: kernel_5.img" in missing(report)


def test_included_settings_count(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["config.txt"] = b"include extra.txt\n"
    parts.boot["extra.txt"] = b"kernel=tide.img\n"

    assert "kernel: tide.img" in missing(check(tmp_path, parts))


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("root=PARTUUID=9a3c5d2e-03", "root=: PARTUUID=9a3c5d2e-03 is not on this card"),
        ("root=PARTUUID=0badcafe-02", "root=: PARTUUID=0badcafe-02 is not on this card"),
        ("root=/dev/mmcblk0p3 rootwait", "root=: /dev/mmcblk0p3 is not on this card"),
        (
            "root=PARTUUID=9a3c5d2e-01 rootfstype=ext4",
            "root=: PARTUUID=9a3c5d2e-01 is a vfat, not a ext4",
        ),
        ("console=tty1", "root=: the command line does not name a root file system"),
        (
            f"root=UUID={ROOT_UUID}",
            f"initramfs: root=UUID={ROOT_UUID} is found only by one, and none is loaded",
        ),
        (
            "console=tty1\nroot=PARTUUID=9a3c5d2e-02",
            "command line: cmdline.txt has more than one line: only one is read",
        ),
    ],
)
def test_a_command_line_that_leads_nowhere_is_found(tmp_path: Path, line: str, what: str) -> None:
    parts = firmware_card()
    parts.boot["cmdline.txt"] = line.encode()
    parts.boot["config.txt"] = b"arm_64bit=1\n"

    report = check(tmp_path, parts)

    assert not report.is_bootable
    assert what in missing(report)


@pytest.mark.parametrize(
    "root",
    [
        f"PARTUUID={DISK_ID.upper()}-02",
        f"PARTUUID={DISK_ID}-01/PARTNROFF=1",
        "/dev/mmcblk0p2",
        f"/dev/disk/by-partuuid/{DISK_ID}-02",
    ],
)
def test_a_root_may_be_named_in_several_ways(tmp_path: Path, root: str) -> None:
    parts = firmware_card()
    parts.boot["cmdline.txt"] = f"root={root} rootwait".encode()

    assert check(tmp_path, parts).is_bootable


def test_a_firmware_that_starts_u_boot_leads_on_to_its_menu(tmp_path: Path) -> None:
    parts = extlinux_card()
    parts.gap = {}
    parts.boot = dict(boot_card.FIRMWARE) | {
        "config.txt": b"kernel=u-boot.bin\n",
        "u-boot.bin": b"u",
    }
    del parts.boot["kernel8.img"]

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert [chain.name for chain in report.chains] == [
        "firmware on a FAT",
        "extlinux.conf on partition 2",
    ]
    assert unknown(report) == ["second stage", "device tree"]


# extlinux.conf, scripts --------------------------------------------------------------------------


def test_a_card_with_u_boot_in_the_gap_and_extlinux_boots(tmp_path: Path) -> None:
    report = check(tmp_path, extlinux_card())

    assert report.is_bootable
    assert missing(report) == []
    assert unknown(report) == ["device tree"]
    assert "loader: Rockchip loader at 32 KiB" in "\n".join(report.lines())
    assert report.loaders_elsewhere == ()


def test_of_a_menu_of_many_entries_the_first_are_looked_at_and_that_is_said(
    tmp_path: Path,
) -> None:
    most = menus.ENTRIES_MOST
    more = [f"label n{number}\n  linux /gone\n" for number in range(most + 2)]

    report = check(tmp_path, extlinux_card(extlinux() + "".join(more)))

    said = "\n".join(report.lines())
    assert report.is_bootable
    assert f"entry 'n{most - 1}'" in said
    assert f"entry 'n{most}'" not in said
    assert f"other entries: only {most} of {most + 2} were looked at" in said


# Places: U-Boot doc/board of each family (STANDARDS section 5), include/imximage.h for i.MX 6.
# Marks: include/sunxi_image.h, include/imximage.h, include/imx8image.h (version, length, tag),
# tools/amlimage.c, tools/omapimage.h.
@pytest.mark.parametrize(
    ("at", "data", "name"),
    [
        (8 * KIB, b"\0\0\0\0eGON.BT0", "Allwinner loader at 8 KiB"),
        (128 * KIB, b"\0\0\0\0eGON.BT0", "Allwinner loader at 128 KiB"),
        (KIB, b"\xd1\x00\x20\x40", "NXP i.MX 6 loader at 1 KiB"),
        (33 * KIB, b"\xd1\x00\x20\x41", "NXP i.MX 8M loader at 33 KiB"),
        (32 * KIB, b"\xd1\x00\x20\x41", "NXP i.MX 8M loader at 32 KiB"),
        (32 * KIB, b"\x00\xa0\x02\x87", "NXP i.MX 8ULP, 8X or 9 loader at 32 KiB"),
        (512, bytes(16) + b"@AML", "Amlogic loader from sector 1"),
        (0, bytes(20) + b"CHSETTINGS", "TI AM335x loader at 0 KiB"),
        (128 * KIB, bytes(20) + b"CHSETTINGS", "TI AM335x loader at 128 KiB"),
        (256 * KIB, bytes(20) + b"CHSETTINGS", "TI AM335x loader at 256 KiB"),
        (384 * KIB, bytes(20) + b"CHSETTINGS", "TI AM335x loader at 384 KiB"),
    ],
)
def test_loaders_are_known_where_boot_roms_look(
    tmp_path: Path, at: int, data: bytes, name: str
) -> None:
    parts = extlinux_card()
    parts.gap = {at: data}

    report = check(tmp_path, parts)

    assert f"ok       loader: {name}" in "\n".join(report.lines())


# U-Boot include/imx8image.h: a container's version, which stands before its length and tag, is 0.
def test_a_tag_of_one_byte_alone_is_no_loader(tmp_path: Path) -> None:
    parts = extlinux_card()
    parts.gap = {32 * KIB: b"\x01\xa0\x02\x87"}

    assert "loader" in unknown(check(tmp_path, parts))


def test_a_board_that_boots_from_its_emmcs_area_needs_that_beside_the_card(tmp_path: Path) -> None:
    parts = extlinux_card()
    parts.gap = {}
    image = boot_card.make(tmp_path, parts)
    with byte_source.opened(image) as source:
        card = cards.read_card(source)
        plain = bootcheck.judge(card)
        report = bootcheck.judge(replace(card, boot_areas=("boot0",)))

    assert report.is_bootable
    assert unknown(report) == unknown(plain)
    assert list(plain.lines())[-1].endswith("one in memory of its own")
    assert "the board's eMMC had something in boot0" in list(report.lines())[-1]


IMX = "IMAGE_VERSION 2\nBOOT_FROM sd\n"
IMX_8M = "ROM_VERSION v1\nBOOT_FROM sd\nLOADER payload 0x7E1000\n"
IMX_8X = "BOOT_FROM SD 0x400\nSOC_TYPE IMX8QX\nCONTAINER\nIMAGE A35 payload 0x00100000\n"


# U-Boot's own mkimage(1); it makes none for Amlogic.
@pytest.mark.parametrize(
    ("at", "words", "settings", "name"),
    [
        (8 * KIB, ("-T", "sunxi_egon"), "", "Allwinner loader at 8 KiB"),
        (32 * KIB, ("-T", "rksd", "-n", "rk3568"), "", "Rockchip loader at 32 KiB"),
        (32 * KIB, ("-T", "rksd", "-n", "rk3399"), "", "Rockchip loader at 32 KiB"),
        (KIB, ("-T", "imximage"), IMX, "NXP i.MX 6 loader at 1 KiB"),
        (33 * KIB, ("-T", "imx8mimage"), IMX_8M, "NXP i.MX 8M loader at 33 KiB"),
        (32 * KIB, ("-T", "imx8image"), IMX_8X, "NXP i.MX 8ULP, 8X or 9 loader at 32 KiB"),
        (128 * KIB, ("-T", "omapimage", "-a", "402f0400"), "", "TI AM335x loader at 128 KiB"),
    ],
)
def test_loaders_that_mkimage_makes_are_known(
    tmp_path: Path, at: int, words: tuple[str, ...], settings: str, name: str
) -> None:
    (tmp_path / "payload").write_bytes(b"x" * 8192)
    (tmp_path / "settings").write_text(settings, encoding="ascii")
    named = ("-n", "settings", "-e", "7E1000") if settings else ()
    made = ("mkimage", *words, *named, "-d", "payload", "made")
    programs.run("env", "-C", tmp_path, *made)
    parts = extlinux_card()
    parts.gap = {at: (tmp_path / "made").read_bytes()}

    report = check(tmp_path, parts)

    assert f"ok       loader: {name}" in "\n".join(report.lines())


def test_a_loader_that_is_not_on_the_card_is_unknown_and_no_failure(tmp_path: Path) -> None:
    parts = extlinux_card()
    parts.gap = {}

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert "loader" in unknown(report)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (extlinux(linux="/boot/vmlinuz-gone"), "kernel: /boot/vmlinuz-gone on partition 2"),
        (extlinux(initrd="/boot/initrd-gone"), "initramfs: /boot/initrd-gone"),
        (extlinux(fdt="/boot/gone.dtb"), "device tree: /boot/gone.dtb on partition 2"),
        (extlinux(fdtdir="/boot/gone/"), "device tree: /boot/gone/"),
        (extlinux(append="root=UUID=11111111-2222-4333-8444-555566667777"),
         "root=: UUID=11111111-2222-4333-8444-555566667777 is not on this card"),
        ("default l0\n", "menu: boot/extlinux/extlinux.conf has no entry"),
    ],
)  # fmt: skip
def test_what_extlinux_conf_names_must_be_there(tmp_path: Path, text: str, what: str) -> None:
    report = check(tmp_path, extlinux_card(text))

    assert not report.is_bootable
    assert what in missing(report)


def test_paths_relative_to_the_menu_are_followed(tmp_path: Path) -> None:
    parts = extlinux_card(extlinux(linux=f"../vmlinuz-{VERSION}"))

    assert check(tmp_path, parts).is_bootable


def test_another_entry_that_is_broken_does_not_decide(tmp_path: Path) -> None:
    text = extlinux() + "label old\n  linux /boot/vmlinuz-old\n"

    report = check(tmp_path, extlinux_card(text))

    assert report.is_bootable
    assert "entry 'old': kernel" in missing(report)


def script(text: str, *, damage: bool = False) -> bytes:
    """Wrap a boot script (U-Boot include/image.h)."""
    body = struct.pack(">II", len(text), 0) + text.encode()
    fields = [0x27051956, 0, 0, len(body), 0, 0, zlib.crc32(body), 5, 22, 6, 0, bytes(32)]
    fields[1] = zlib.crc32(struct.pack(">IIIIIIIBBBB32s", *fields)) ^ damage
    return struct.pack(">IIIIIIIBBBB32s", *fields) + body


def script_card(text: str, *, damage: bool = False, env: str = "") -> Parts:
    parts = extlinux_card()
    del parts.root["boot/extlinux/extlinux.conf"]
    parts.root |= {"boot/boot.scr": script(text, damage=damage), "boot/Image": boot_card.kernel()}
    parts.root |= {"boot/boardEnv.txt": env.encode()} if env else {}
    return parts


def test_a_boot_script_with_a_plain_root_is_followed(tmp_path: Path) -> None:
    report = check(tmp_path, script_card(f"setenv bootargs root=PARTUUID={DISK_ID}-02\nbooti\n"))

    assert report.is_bootable
    assert f"root=: PARTUUID={DISK_ID}-02 is partition 2" in "\n".join(report.lines())


def test_a_root_in_a_file_of_variables_is_followed(tmp_path: Path) -> None:
    text = 'setenv bootargs "root=${rootdev}"\n'

    good = check(tmp_path, script_card(text, env=f"rootdev=UUID={ROOT_UUID}\n"))

    assert good.is_bootable
    assert f"root=: UUID={ROOT_UUID} is partition 2" in "\n".join(good.lines())


def test_a_root_that_a_script_names_wrongly_is_found(tmp_path: Path) -> None:
    report = check(tmp_path, script_card("setenv bootargs root=PARTUUID=0badcafe-02\n"))

    assert not report.is_bootable
    assert "root=: PARTUUID=0badcafe-02 is not on this card" in missing(report)


def test_a_root_that_a_script_works_out_is_unknown(tmp_path: Path) -> None:
    report = check(tmp_path, script_card("part uuid mmc 0:2 id\nsetenv bootargs root=$id\n"))

    assert report.is_bootable
    assert "root=" in unknown(report)


def test_a_damaged_boot_script_is_found(tmp_path: Path) -> None:
    report = check(tmp_path, script_card("booti\n", damage=True))

    assert not report.is_bootable
    assert "script: boot/boot.scr is damaged" in missing(report)


# EFI, SYSLINUX, GRUB -----------------------------------------------------------------------------


def test_a_card_for_efi_firmware_boots(tmp_path: Path) -> None:
    report = check(tmp_path, efi_card())

    assert report.is_bootable
    assert missing(report) == []
    assert unknown(report) == []


@pytest.mark.parametrize(
    ("entry", "what"),
    [
        ({"linux": "/gone"}, "kernel: /gone on partition 1"),
        ({"initrd": "/gone"}, "initramfs: /gone"),
        ({"devicetree": "/gone.dtb"}, "device tree: /gone.dtb on partition 1"),
        (
            {"options": "root=PARTUUID=0badcafe-02"},
            "root=: PARTUUID=0badcafe-02 is not on this card",
        ),
    ],
)
def test_what_a_loader_entry_names_must_be_there(
    tmp_path: Path, entry: dict[str, str], what: str
) -> None:
    report = check(tmp_path, efi_card(**entry))

    assert not report.is_bootable
    assert what in missing(report)


def test_an_efi_program_that_is_none_is_found(tmp_path: Path) -> None:
    parts = efi_card()
    parts.boot["EFI/BOOT/BOOTAA64.EFI"] = b"<html>"

    report = check(tmp_path, parts)

    assert "program: BOOTAA64.EFI is no EFI program" in missing(report)
    assert not report.is_bootable


def test_a_unified_kernel_is_started_with_what_is_inside_it(tmp_path: Path) -> None:
    parts = efi_card()
    parts.boot = {
        "EFI/BOOT/BOOTAA64.EFI": b"MZ" + bytes(100),
        f"EFI/Linux/linux-{VERSION}.efi": b"MZ" + bytes(100),
    }

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert missing(report) == []
    assert unknown(report) == ["command line"]


GRUB_CFG = f"""\
search --no-floppy --fs-uuid --set=root {ROOT_UUID}
menuentry 'Debian' --class debian {{
  search --no-floppy --fs-uuid --set=root {ROOT_UUID}
  linux /boot/vmlinuz-{VERSION} root=UUID={ROOT_UUID} ro quiet
  initrd /boot/initrd.img-{VERSION}
}}
"""


def grub_card(text: str = GRUB_CFG) -> Parts:
    """A card with GRUB for EFI, whose menu is on the root file system."""
    parts = extlinux_card()
    del parts.root["boot/extlinux/extlinux.conf"]
    lead = f"search.fs_uuid {ROOT_UUID} root\nconfigfile ($root)/boot/grub/grub.cfg\n"
    parts.boot = {"EFI/BOOT/BOOTAA64.EFI": b"MZ", "EFI/debian/grub.cfg": lead.encode()}
    parts.root["boot/grub/grub.cfg"] = text.encode()
    return parts


def test_grubs_menu_is_followed_to_the_other_partition(tmp_path: Path) -> None:
    report = check(tmp_path, grub_card())

    assert report.is_bootable
    assert f"kernel: /boot/vmlinuz-{VERSION}" in "\n".join(report.lines())


def test_a_kernel_that_grub_would_not_find_is_missed(tmp_path: Path) -> None:
    report = check(tmp_path, grub_card(GRUB_CFG.replace("vmlinuz", "vmlinux")))

    assert not report.is_bootable
    assert f"kernel: /boot/vmlinux-{VERSION} on partition 2" in missing(report)


def test_syslinux_without_its_boot_sector_is_found(tmp_path: Path) -> None:
    parts = efi_card()
    parts.boot = {
        "ldlinux.sys": b"ldlinux",
        "syslinux.cfg": f"DEFAULT l\nLABEL l\n KERNEL /vmlinuz\n APPEND {CMDLINE}".encode(),
        "vmlinuz": boot_card.kernel(),
    }

    report = check(tmp_path, parts)

    assert not report.is_bootable
    assert "loader: the boot sector of partition 1: install SYSLINUX there again" in missing(
        report
    )


def test_nothing_to_boot_from_is_no_boot(tmp_path: Path) -> None:
    report = check(tmp_path, Parts())

    assert not report.is_bootable
    assert "nothing on this card is known to boot" in list(report.lines())


# The system --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spoil", "what"),
    [
        ({"links": {"usr/sbin/init": "../lib/systemd/gone"}}, "init: none of /sbin/init"),
        ({"gone": "usr/lib/ld-linux-aarch64.so.1"}, "dynamic linker: /lib/ld-linux-aarch64.so.1"),
        ({"links": {"usr/sbin/init": "init", "lib": "lib"}}, "init: none of /sbin/init"),
    ],
)
def test_a_system_that_cannot_start_is_found(
    tmp_path: Path, spoil: dict[str, dict[str, str] | str], what: str
) -> None:
    parts = firmware_card()
    if isinstance(links_to := spoil.get("links"), dict):
        parts.links |= links_to
    if isinstance(gone := spoil.get("gone"), str):
        del parts.root[gone]

    report = check(tmp_path, parts)

    assert not report.is_bootable
    assert any(told.startswith(what) for told in missing(report))


def test_an_init_of_ones_own_counts(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["cmdline.txt"] = CMDLINE.strip().encode() + b" init=/usr/lib/tide/init\n"

    assert "init: none of /usr/lib/tide/init leads to a program" in missing(check(tmp_path, parts))


@pytest.mark.parametrize(
    ("line", "what", "boots"),
    [
        ("PARTUUID=0badcafe-01 /boot/firmware vfat defaults 0 2", "fstab /boot/firmware", False),
        ("PARTUUID=0badcafe-02 / ext4 defaults 0 1", "fstab /", False),
        ("PARTUUID=9a3c5d2e-01 /boot/firmware ext4 defaults 0 2", "fstab /boot/firmware", False),
        ("PARTUUID=0badcafe-01 /boot/firmware vfat nofail 0 2", "fstab /boot/firmware", True),
        ("UUID=0f4ea1bc-4e61-4b43-a9b1-6d0c5e1e7a55 none swap sw 0 0", "fstab swap", True),
    ],
)
def test_a_line_of_fstab_that_leads_nowhere_is_found(
    tmp_path: Path, line: str, what: str, *, boots: bool
) -> None:
    parts = firmware_card()
    kept = [row for row in FSTAB.splitlines() if row.split()[1] != line.split()[1]]
    parts.root["etc/fstab"] = "\n".join([*kept, line, ""]).encode()

    report = check(tmp_path, parts)

    assert [told for told in missing(report) if told.startswith(f"{what}:")]
    assert report.is_bootable == boots


def test_a_place_that_may_be_on_another_disk_is_unknown(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.root["etc/fstab"] = (
        FSTAB.encode() + b"LABEL=my\\040disk /mnt/my\\040disk ext4 noatime 0 2\n"
    )

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert unknown(report) == ["fstab /mnt/my disk"]


def test_lines_of_crypttab_are_followed(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.root["etc/crypttab"] = (
        b"safe UUID=2505567a-9e27-4efe-a4d5-15ad146c258b none luks\n"
        b"spare UUID=9c0ae3a1-76f0-4d5f-a2c6-0a6d2f5f4c11 none noauto\n"
        b"here PARTUUID=9a3c5d2e-02 none\n"
        b"file /srv/safe.img none\n"
    )

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert unknown(report) == ["crypttab safe"]
    states = {link.name: link.state for link in report.system if "crypttab" in link.name}
    assert states == {
        "crypttab safe": LinkState.UNKNOWN,
        "crypttab spare": LinkState.MISSING,
        "crypttab here": LinkState.OK,
    }


def test_two_partitions_of_one_name_are_found(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.label = "rootfs"
    parts.root["etc/fstab"] = (
        b"PARTUUID=9a3c5d2e-02 / ext4 defaults 0 1\n/dev/sda1 /usr ext4 defaults 0 2\n"
    )
    image = boot_card.make(tmp_path, parts)
    with image.open("r+b") as card:
        card.seek(boot_card.ROOT_START * 512 + 1024 + 0x78)  # the label of an ext4
        card.write(b"rootfs")
    parts.boot["cmdline.txt"] = b"root=LABEL=rootfs"

    with byte_source.opened(image) as card_source:
        report = bootcheck.check(card_source)

    assert "fstab /usr: /dev/sda1 is a vfat, not a ext4" in missing(report)


def test_modules_of_another_kernel_are_missed_and_the_card_boots(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["kernel8.img"] = boot_card.kernel("6.12.99-tide")

    report = check(tmp_path, parts)

    assert report.is_bootable
    assert missing(report) == [
        "modules: kernel8.img is 6.12.99-tide, and there is no /lib/modules/6.12.99-tide"
    ]


def test_a_usr_on_a_partition_of_its_own_is_looked_into(tmp_path: Path) -> None:
    parts = firmware_card()
    parts.boot["sbin/init"] = boot_card.program("")
    parts.links = {"bin": "/nowhere", "sbin": "usr/sbin", "lib": "usr/lib"}
    parts.boot["lib/modules/" + VERSION + "/modules.dep"] = b"x"
    parts.root = {"etc/fstab": b"PARTUUID=9a3c5d2e-01 /usr vfat defaults 0 2\n", "usr/empty": b""}

    report = check(tmp_path, parts)

    assert "init: /sbin/init is sbin/init on partition 1" in "\n".join(report.lines())


def test_a_damaged_root_breaks_the_system_and_ends(tmp_path: Path) -> None:
    image = boot_card.make(tmp_path, firmware_card())
    with image.open("r+b") as card:
        card.seek(boot_card.ROOT_START * 512 + 64 * KIB)
        card.write(b"\xff" * (8 << 20))

    with byte_source.opened(image) as card_source:
        report = bootcheck.check(card_source)

    assert not report.is_bootable


def test_damage_where_the_root_must_be_guessed_is_told(tmp_path: Path) -> None:
    parts = script_card("part uuid mmc 0:2 id\nsetenv bootargs root=$id\n")
    image = boot_card.make(tmp_path, parts)
    with image.open("r+b") as card:
        card.seek(boot_card.ROOT_START * 512 + 4096)
        card.write(b"\xff" * (4 << 20))

    with byte_source.opened(image) as card_source:
        report = bootcheck.check(card_source)

    assert not report.is_bootable


def test_a_finished_card_without_a_table_is_refused(tmp_path: Path) -> None:
    image = boot_card.make(tmp_path, firmware_card())
    with image.open("r+b") as card:
        card.write(bytes(512))

    with (
        byte_source.opened(image) as card_source,
        pytest.raises(LayoutError, match="no partition table"),
    ):
        bootcheck.check(card_source)
