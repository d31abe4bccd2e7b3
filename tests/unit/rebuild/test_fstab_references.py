from __future__ import annotations

import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.rebuild import fstab_references, host_identity
from holdstill.rebuild.id_map import IdMap, RewrittenText

ROOT = "3e6be9de-8139-11d1-9106-a43f08d823a6"
NEW_ROOT = "aaaaaaaa-bbbb-4ccc-8ddd-eeeeeeeeeeee"
IDS = IdMap(
    {
        "9a3c5d2e-01": "0badcafe-01",
        "9a3c5d2e-02": "0badcafe-02",
        ROOT: NEW_ROOT,
        "A40D-85E7": "1234-ABCD",
    }
)


def text(path: str, content: str) -> str:
    found = fstab_references.rewrite(path, content.encode(), IDS)
    assert found is not None
    return found.content.decode()


# STANDARDS sections 5 and 6: the fix-up test, and the test strings of fstab(5).
@pytest.mark.parametrize(
    ("path", "old", "new"),
    [
        (
            "cmdline.txt",
            (
                "console=serial0,115200 console=tty1 root=PARTUUID=9a3c5d2e-02 rootfstype=ext4 "
                "fsck.repair=yes rootwait\n"
            ),
            (
                "console=serial0,115200 console=tty1 root=PARTUUID=0badcafe-02 rootfstype=ext4 "
                "fsck.repair=yes rootwait\n"
            ),
        ),
        (
            "etc/fstab",
            (
                "PARTUUID=9a3c5d2e-01 /boot/firmware vfat defaults 0 2\n"
                "PARTUUID=9a3c5d2e-02 / ext4 defaults,noatime 0 1\n"
            ),
            (
                "PARTUUID=0badcafe-01 /boot/firmware vfat defaults 0 2\n"
                "PARTUUID=0badcafe-02 / ext4 defaults,noatime 0 1\n"
            ),
        ),
        (
            "etc/fstab",
            (
                f"UUID={ROOT} / ext4 defaults 0 1\nUUID=A40D-85E7 /boot vfat defaults 0 2\n"
                "LABEL=my\\040disk /mnt/my\\040disk ext4 nofail 0 2\n"
            ),
            (
                f"UUID={NEW_ROOT} / ext4 defaults 0 1\nUUID=1234-ABCD /boot vfat defaults 0 2\n"
                "LABEL=my\\040disk /mnt/my\\040disk ext4 nofail 0 2\n"
            ),
        ),
        (
            "extlinux/extlinux.conf",
            f'append root=UUID="{ROOT}" ro\n  # was root=/dev/mmcblk0p2\n',
            f'append root=UUID="{NEW_ROOT}" ro\n  # was root=/dev/mmcblk0p2\n',
        ),
        (
            "loader/entries/pier.conf",
            f"options root=/dev/disk/by-uuid/{ROOT} rw\n",
            f"options root=/dev/disk/by-uuid/{NEW_ROOT} rw\n",
        ),
        (
            "grub/grub.cfg",
            f"search --no-floppy --fs-uuid --set=root {ROOT}\n",
            f"search --no-floppy --fs-uuid --set=root {NEW_ROOT}\n",
        ),
        ("boardEnv.txt", f"rootdev=UUID={ROOT}\n", f"rootdev=UUID={NEW_ROOT}\n"),
        (
            "cmdline.txt",
            "root=PARTUUID=9A3C5D2E-01/PARTNROFF=1",
            "root=PARTUUID=0BADCAFE-01/PARTNROFF=1",
        ),
    ],
)
def test_references_follow(path: str, old: str, new: str) -> None:
    assert text(path, old) == new


@pytest.mark.parametrize(
    "content",
    [
        "root=PARTUUID=9a3c5d2e-03",
        "root=PARTUUID=9a3c5d2e-022",
        "root=PARTUUID=19a3c5d2e-02",
        f"UUID=ff-{ROOT}",
        f"UUID={ROOT}0",
        "UUID=A40D-85E7-0000",
        "9a3c5d2e",
    ],
)
def test_what_only_looks_similar_stays(content: str) -> None:
    found = fstab_references.rewrite("etc/fstab", content.encode(), IDS)

    assert found is not None
    assert found.content == content.encode()
    assert found.replaced == ()


def test_what_was_replaced_is_told_as_it_was_written() -> None:
    content = f"{ROOT.upper()} {ROOT} {ROOT}".encode()

    found = fstab_references.rewrite("etc/crypttab", content, IDS)

    assert found is not None
    assert found.replaced == ((ROOT.upper(), NEW_ROOT.upper()), (ROOT, NEW_ROOT))


@given(st.binary())
def test_text_without_an_id_is_left_byte_for_byte(content: bytes) -> None:
    assert IDS.replace(content).content == content


def test_without_ids_nothing_is_replaced() -> None:
    assert IdMap({}).replace(b"UUID=3e6be9de").content == b"UUID=3e6be9de"


# U-Boot include/image.h, struct legacy_img_hdr, by hand; tests/tools has mkimage's word.
def boot_script(body: bytes, *, kind: int = 6) -> bytes:
    data = struct.pack(">II", len(body), 0) + body
    fields = [0x27051956, 0, 1700000000, len(data), 0, 0, zlib.crc32(data), 5, 22, kind, 0]
    name = b"pier-3 boot".ljust(32, b"\0")
    bare = struct.pack(">IIIIIIIBBBB32s", *fields, name)
    fields[1] = zlib.crc32(bare)
    return struct.pack(">IIIIIIIBBBB32s", *fields, name) + data


def test_a_boot_script_is_rewritten_with_new_checksums() -> None:
    old = boot_script(b"setenv bootargs root=PARTUUID=9a3c5d2e-02 rootwait\n")

    found = fstab_references.rewrite("boot.scr", old, IDS)

    assert found is not None
    assert found.content == boot_script(b"setenv bootargs root=PARTUUID=0badcafe-02 rootwait\n")
    assert found.replaced == (("9a3c5d2e-02", "0badcafe-02"),)


def test_a_boot_script_may_change_its_length() -> None:
    ids = IdMap({"9a3c5d2e-02": NEW_ROOT})
    old = boot_script(b"root=PARTUUID=9a3c5d2e-02;bootz\n")

    found = fstab_references.rewrite("boot.scr", old, ids)

    assert found is not None
    assert found.content == boot_script(b"root=PARTUUID=%s;bootz\n" % NEW_ROOT.encode())


@pytest.mark.parametrize(
    "damaged",
    [
        boot_script(b"x" * 100)[:-1],
        boot_script(b"x" * 100).replace(b"pier-3", b"pier-4"),
        boot_script(b"x" * 100).replace(b"xxx", b"yyy"),
        boot_script(b"x" * 100, kind=2),
        bytes.fromhex("d00dfeed") + bytes(100),  # a flattened image tree
    ],
)
def test_what_is_no_sound_boot_script_is_not_touched(damaged: bytes) -> None:
    assert fstab_references.rewrite("boot.scr", damaged, IDS) is None


def test_a_boot_script_that_is_plain_text_is_rewritten_as_text() -> None:
    assert text("boot.scr", "root=PARTUUID=9a3c5d2e-02") == "root=PARTUUID=0badcafe-02"


# U-Boot env/common.c: CRC-32 of the rest, then a flag byte when there are two copies.
@pytest.mark.parametrize("flag", [b"", b"\x01"])
def test_a_stored_environment_is_rewritten_with_a_new_checksum(flag: bytes) -> None:
    body = b"bootdelay=2\0bootargs=root=PARTUUID=9a3c5d2e-02\0".ljust(4000, b"\0")
    old = struct.pack("<I", zlib.crc32(body)) + flag + body

    found = fstab_references.rewrite("uboot.env", old, IDS)

    new = body.replace(b"9a3c5d2e", b"0badcafe")
    assert found is not None
    assert found.content == struct.pack("<I", zlib.crc32(new)) + flag + new


def test_an_environment_with_a_wrong_checksum_is_not_touched() -> None:
    assert fstab_references.rewrite("uboot.env", bytes(5) + b"a=b\0\0", IDS) is None


def test_an_environment_without_room_is_not_touched() -> None:
    ids = IdMap({"9a3c5d2e-02": NEW_ROOT})
    body = b"bootargs=root=PARTUUID=9a3c5d2e-02\0\0"

    assert (
        fstab_references.rewrite("uboot.env", struct.pack("<I", zlib.crc32(body)) + body, ids)
        is None
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("127.0.1.1\tpier-3\n", "127.0.1.1\tpier-4\n"),
        ("127.0.1.1 pier-3.harbour pier-3\n", "127.0.1.1 pier-4.harbour pier-4\n"),
        ("10.0.0.7 my-pier-3 pier-33 pier-3-b\n", "10.0.0.7 my-pier-3 pier-33 pier-3-b\n"),
        ("10.0.0.7 gauge.pier-3\n", "10.0.0.7 gauge.pier-3\n"),
        ("# pier-3 is on the jetty\n::1 pier-3\n", "# pier-3 is on the jetty\n::1 pier-4\n"),
        ("pier-3\n", "pier-4\n"),
    ],
)
def test_a_host_name_is_exchanged_where_it_is_one(old: str, new: str) -> None:
    found = host_identity.with_hostname(old.encode(), "pier-3", "pier-4")

    assert found.content.decode() == new
    assert bool(found.replaced) == (old != new)


def test_the_machine_id_line_of_a_loader_entry_follows_and_its_paths_do_not() -> None:
    old, new = "5bf1c5ed1c4e4b7f9d1f7c7a5a0d3f11", "0" * 32
    entry = f"title Debian\nmachine-id {old}\nlinux /{old}/6.1/linux\n".encode()

    found = host_identity.with_machine_id(entry, old, new)

    assert found.content == f"title Debian\nmachine-id {new}\nlinux /{old}/6.1/linux\n".encode()


@pytest.mark.parametrize("quote", ["", '"', "'"])
def test_the_agents_settings_name_the_new_board(quote: str) -> None:
    settings = f"# pier-3\nboard: {quote}pier-3{quote}\nkeeper: ssh://pier-3@boathouse\n".encode()

    found = host_identity.with_board(settings, "pier-3", "pier-4")

    old, new = (f"board: {quote}{name}".encode() for name in ("pier-3", "pier-4"))
    assert found.content == settings.replace(old, new)


def test_a_board_without_a_host_name_changes_no_file() -> None:
    hosts = b"127.0.0.1 localhost\n"

    assert host_identity.with_hostname(hosts, "", "pier-4") == RewrittenText(hosts, ())
