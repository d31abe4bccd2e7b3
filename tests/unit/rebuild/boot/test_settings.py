from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.rebuild.boot import settings
from holdstill.rebuild.boot.settings import MenuEntry, Setting


def test_config_txt_has_filters_pairs_and_two_words() -> None:
    text = (
        "# tide gauge\nkernel=vmlinuz\n[pi4]\ninitramfs initrd.img followkernel # comment\n"
        "[all]\nDTOVERLAY=disable-bt\n\n[none]\nkernel=x\n"
    )

    assert settings.parse_config(text) == [
        Setting("all", "kernel", "vmlinuz"),
        Setting("pi4", "initramfs", "initrd.img followkernel"),
        Setting("all", "dtoverlay", "disable-bt"),
        Setting("none", "kernel", "x"),
    ]


# The form of U-Boot doc/README.pxe and of extlinux.
def test_extlinux_conf_has_a_default_and_entries() -> None:
    text = (
        "## generated\ndefault l1\nmenu title Boot\nprompt 0\ntimeout 50\n"
        "label l0\n\tmenu label Debian\n\tlinux /vmlinuz\n\tinitrd /initrd.img\n"
        "\tfdtdir /dtbs/\n\tappend root=UUID=1 ro\n"
        "label l1\n\tKERNEL ../Image\n\tFDT /board.dtb\n\tAPPEND root=/dev/sda1\n"
    )

    assert settings.parse_extlinux(text) == (
        "l1",
        [
            MenuEntry("l0", "/vmlinuz", ("/initrd.img",), "", "/dtbs/", "root=UUID=1 ro"),
            MenuEntry("l1", "../Image", (), "/board.dtb", "", "root=/dev/sda1"),
        ],
    )


def test_syslinux_may_name_the_initrd_in_the_command_line() -> None:
    text = "APPEND quiet\nLABEL a\n KERNEL vmlinuz root=/dev/sda1\n APPEND initrd=a.img,b.img ro\n"

    _, (entry,) = settings.parse_extlinux(text)

    assert entry.kernel == "vmlinuz"
    assert entry.initrds == ("a.img", "b.img")
    assert entry.options == "root=/dev/sda1 initrd=a.img,b.img ro"


def test_an_entry_without_append_has_the_common_one() -> None:
    _, (entry,) = settings.parse_extlinux("append root=/dev/sda1\nlabel a\nlinux /v\n")

    assert entry.options == "root=/dev/sda1"


# UAPI group, Boot Loader Specification, type 1: keys may come more than once.
def test_a_loader_entry_may_have_several_initrds_and_options() -> None:
    text = "# c\nlinux /6.1/linux\ninitrd /ucode\ninitrd /initrd\noptions root=a\noptions ro\n"

    assert settings.parse_loader_entry("pier.conf", text) == MenuEntry(
        "pier.conf", "/6.1/linux", ("/ucode", "/initrd"), "", "", "root=a ro"
    )


@pytest.mark.parametrize(
    ("line", "search"),
    [
        ("search --no-floppy --fs-uuid --set=root 1-2", "UUID=1-2"),
        ("search --fs-uuid --set root 1-2", "UUID=1-2"),
        ("search.fs_uuid 1-2 root hd0,msdos2", "UUID=1-2"),
        ("search --label --set=root rootfs", "LABEL=rootfs"),
        ("search --file --set=root /vmlinuz", ""),
    ],
)
def test_grub_is_told_where_to_look(line: str, search: str) -> None:
    text = f"menuentry 'a' {{\n {line}\n linux /v root=x ro\n initrd /a /b\n}}\n"

    (entry,) = settings.parse_grub(text)

    assert entry == MenuEntry("a", "/v", ("/a", "/b"), "", "", "root=x ro", search)


def test_grubs_submenus_are_entries_too_and_others_are_none() -> None:
    text = (
        'set default=0\nmenuentry "UEFI Settings" {\n fwsetup\n}\n'
        "submenu 'more' {\n menuentry 'old' --class x {\n  linuxefi /old ro\n }\n}\n"
    )

    assert [entry.name for entry in settings.parse_grub(text)] == ["old"]


def test_grub_leads_on_to_another_file() -> None:
    text = "search.fs_uuid 1-2 root\nset prefix=($root)/boot/grub\nconfigfile $prefix/grub.cfg\n"

    assert settings.grub_redirects(text) == [("UUID=1-2", "$prefix/grub.cfg")]


@given(text=st.text())
def test_no_text_whatever_is_too_odd(text: str) -> None:
    settings.parse_config(text)
    settings.parse_extlinux(text)
    settings.parse_loader_entry("x", text)
    settings.parse_grub(text)
    settings.grub_redirects(text)
