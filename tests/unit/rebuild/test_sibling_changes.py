from __future__ import annotations

import base64
import struct
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import VerificationError
from holdstill.rebuild import fstab_references, new_identity, sibling_changes
from holdstill.rebuild.sibling_changes import SiblingTools
from holdstill.rebuild.small_files import LIMIT
from holdstill.rebuild.ssh_host_keys import KeyPair, bits_of, comment_of
from support import descriptors
from support.captured import (
    GPT,
    MACHINE_ID,
    MBR,
    ROOT_UUID,
    SWAP_FILE_UUID,
    SWAP_UUID,
    CapturedFiles,
    pier_3,
)

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import Disk
    from holdstill.rebuild.sibling_changes import Sibling


class FakeKeys:
    """Keys that say what was asked for."""

    def make(self, kind: str, *, bits: int, comment: str) -> KeyPair:
        return KeyPair(
            f"private {kind} {bits}\n".encode(), f"ssh-{kind} {bits} {comment}\n".encode()
        )


class Draw:
    """Random bytes that are the same in every run, and never twice the same."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, size: int) -> bytes:
        self.count += 1
        return bytes((self.count * 41 + n) % 256 for n in range(size))


def sibling(
    files: CapturedFiles,
    *,
    disk: Disk = MBR,
    gap: bytes = b"",
    lost: frozenset[tuple[int, bytes]] = frozenset(),
) -> Sibling:
    old = pier_3(disk)
    return sibling_changes.make_sibling(
        old,
        new_identity.invent(old, "pier-4", Draw()),
        files=files,
        contents=files.contents,
        tools=SiblingTools(Draw(), FakeKeys()),
        gap=gap,
        lost=lost,
    )


@pytest.fixture
def files(tmp_path: Path) -> CapturedFiles:
    return CapturedFiles(tmp_path)


def test_a_board_of_the_firmware_kind_finds_its_own_partitions(files: CapturedFiles) -> None:
    files.add(1, "cmdline.txt", "console=tty1 root=PARTUUID=9a3c5d2e-02 rootwait\n")
    files.add(1, "config.txt", "arm_64bit=1\n")
    files.add(2, "etc/fstab", "PARTUUID=9a3c5d2e-01 /boot/firmware vfat defaults 0 2\n")

    made = sibling(files)

    one, two = made.manifest.disk.partuuid(1), made.manifest.disk.partuuid(2)
    assert made.overlay.files == {
        (1, b"cmdline.txt"): f"console=tty1 root=PARTUUID={two} rootwait\n".encode(),
        (2, b"etc/fstab"): f"PARTUUID={one} /boot/firmware vfat defaults 0 2\n".encode(),
    }
    told = [str(change) for change in made.changes]
    assert f"partition 1: cmdline.txt: refers to 9a3c5d2e-02 -> {two}" in told
    assert f"partition 2: etc/fstab: refers to 9a3c5d2e-01 -> {one}" in told
    assert made.left == ()


@pytest.mark.parametrize("disk", [MBR, GPT])
@pytest.mark.parametrize("path", [
    "etc/crypttab",
    "etc/default/grub",
    "etc/default/u-boot",
    "etc/kernel/cmdline",
    "etc/default/grub.d/50-pier.cfg",
    "etc/default/extlinux",
    "etc/default/flash-kernel",
    "etc/u-boot-menu.conf",
    "etc/initramfs-tools/initramfs.conf",
    "etc/initramfs-tools/conf.d/resume",
    "etc/initramfs-tools/conf.d/root",
    "etc/dracut.conf",
    "etc/dracut.conf.d/pier.conf",
    "etc/mkinitcpio.conf",
    "etc/systemd/system/var-log.mount",
    "etc/systemd/system/var-log.automount",
    "etc/systemd/system/dev-disk.swap",
    "boot/boot.ini",
    "boot/extlinux.conf",
    "boot/boot/extlinux/extlinux.conf",
    "boot/grub2/grub.cfg",
    "boot/syslinux.cfg",
    "boot/syslinux/syslinux.cfg",
    "boot/cmdline-7.txt",
    "boot/extlinux/extlinux.conf",
    "boot/efi/loader/loader.conf",
    "boot/efi/EFI/debian/pier.conf",
    "efi/loader/entries/pier.conf",
    "boot/grub/grub.cfg",
    "boot/boot.cmd",
    "boot/boardEnv.txt",
    "boot/uEnv.txt",
    "boot/firmware/cmdline.txt",
    "boot/efi/loader/entries/pier.conf",
    "boot/efi/EFI/debian/grub.cfg",
])  # fmt: skip
def test_no_old_id_is_left_in_any_file_that_names_partitions(
    files: CapturedFiles, path: str, disk: Disk
) -> None:
    olds = [disk.partuuid(n) for n in (1, 2, 3)] + [ROOT_UUID, SWAP_UUID, SWAP_FILE_UUID]
    files.add(2, path, "".join(f"x=UUID={old}\n" for old in [*olds, "A40D-85E7"]))

    made = sibling(files, disk=disk)

    content = made.overlay.files[2, path.encode()]
    assert content.count(b"\n") == 7
    for old in [*olds, "A40D-85E7"]:
        assert old.encode() not in content
    assert made.manifest.disk.partuuid(2).encode() in content


def test_who_the_board_is_changes_everywhere(files: CapturedFiles) -> None:
    files.add(2, "etc/hostname", "pier-3\n")
    files.add(2, "etc/hosts", "127.0.0.1 localhost\n127.0.1.1 pier-3.harbour pier-3\n")
    files.add(2, "etc/machine-id", f"{MACHINE_ID}\n", mode=0o444)
    files.add(2, "var/lib/dbus/machine-id", f"{MACHINE_ID}\n")
    files.add(2, "etc/holdstill/board.yaml", "board: pier-3\nkeeper: /mnt\n")

    made = sibling(files)

    machine_id = f"{made.manifest.board.machine_id}\n".encode()
    assert made.overlay.files == {
        (2, b"etc/hostname"): b"pier-4\n",
        (2, b"etc/hosts"): b"127.0.0.1 localhost\n127.0.1.1 pier-4.harbour pier-4\n",
        (2, b"etc/machine-id"): machine_id,
        (2, b"var/lib/dbus/machine-id"): machine_id,
        (2, b"etc/holdstill/board.yaml"): b"board: pier-4\nkeeper: /mnt\n",
    }


def test_an_empty_machine_id_is_left_for_the_first_boot(files: CapturedFiles) -> None:
    files.add(2, "etc/machine-id", "")

    assert sibling(files).overlay.files == {}


def test_host_keys_are_made_anew_in_kind_and_size(files: CapturedFiles) -> None:
    rsa = b"ssh-rsa " + base64.b64encode(wire(b"ssh-rsa", b"\1\0\1", b"\0" + b"\xff" * 512))
    files.add(2, "etc/ssh/ssh_host_rsa_key", "old rsa", mode=0o600)
    files.add(2, "etc/ssh/ssh_host_rsa_key.pub", rsa + b" root@pier-3\n")
    files.add(2, "etc/ssh/ssh_host_ed25519_key", "old ed25519", mode=0o600)
    files.add(2, "etc/ssh/ssh_host_ed25519_key.pub", "ssh-ed25519 AAAA root@pier-3\n")
    files.add(2, "etc/ssh/ssh_host_dsa_key", "old dsa", mode=0o600)
    files.add(2, "etc/ssh/sshd_config", "Port 22\n")

    made = sibling(files)

    assert made.overlay.files == {
        (2, b"etc/ssh/ssh_host_rsa_key"): b"private rsa 4096\n",
        (2, b"etc/ssh/ssh_host_rsa_key.pub"): b"ssh-rsa 4096 root@pier-4\n",
        (2, b"etc/ssh/ssh_host_ed25519_key"): b"private ed25519 0\n",
        (2, b"etc/ssh/ssh_host_ed25519_key.pub"): b"ssh-ed25519 0 root@pier-4\n",
    }
    assert made.overlay.removed == {(2, b"etc/ssh/ssh_host_dsa_key")}
    assert not any("private" in str(change) for change in made.changes)


def test_the_sibling_gets_a_key_of_its_own_for_the_keeper(files: CapturedFiles) -> None:
    files.add(2, "etc/holdstill/board_ed25519", "old", mode=0o600)
    files.add(2, "etc/holdstill/board_ed25519.pub", "ssh-ed25519 AAAA pier-3\n")
    files.add(2, "etc/holdstill/keeper_host_keys", "boathouse ssh-ed25519 AAAA\n")

    made = sibling(files)

    assert made.overlay.files == {
        (2, b"etc/holdstill/board_ed25519"): b"private ed25519 0\n",
        (2, b"etc/holdstill/board_ed25519.pub"): b"ssh-ed25519 0 pier-4\n",
    }
    (told,) = [str(each) for each in made.changes if "board_ed25519" in str(each)]
    assert "must enrol it" in told
    assert "ssh-ed25519 0 pier-4" in told


def test_seeds_are_new_and_leases_are_gone(files: CapturedFiles) -> None:
    files.add(2, "var/lib/systemd/random-seed", b"s" * 512, mode=0o600)
    files.add(2, "var/lib/dhcp/dhclient.eth0.leases", "lease {}")
    files.add(2, "var/lib/NetworkManager/secret_key", "nm-v2")
    files.add(2, "var/lib/holdstill/index.sqlite", "last index")

    made = sibling(files)

    seed = made.overlay.files[2, b"var/lib/systemd/random-seed"]
    assert len(seed) == 512
    assert seed != b"s" * 512
    assert made.overlay.removed == {
        (2, b"var/lib/dhcp/dhclient.eth0.leases"),
        (2, b"var/lib/NetworkManager/secret_key"),
        (2, b"var/lib/holdstill/index.sqlite"),
    }
    told = {change.where for change in made.changes if "removed" in change.what}
    assert told == {f"partition 2: {path.decode()}" for _, path in made.overlay.removed}


def test_what_is_lost_stays_away_but_what_a_sibling_has_anew_does_not(
    files: CapturedFiles,
) -> None:
    kept = {
        "etc/fstab": f"UUID={ROOT_UUID} / ext4 defaults 0 1\n",
        "etc/hostname": "pier-3\n",
        "etc/ssh/ssh_host_ed25519_key": "private",
        "etc/ssh/ssh_host_ed25519_key.pub": "ssh-ed25519 AAAA root@pier-3\n",
        "var/lib/systemd/random-seed": "s" * 512,
        "var/lib/dhcp/dhclient.eth0.leases": "lease",
    }
    for path, content in kept.items():
        entry = files.add(2, path, content)
        (files.contents.folder / entry.digest.hex()).unlink()

    made = sibling(files, lost=frozenset((2, path.encode()) for path in kept))

    assert made.overlay.lost == {(2, b"etc/fstab"), (2, b"etc/hostname")}
    assert made.overlay.removed == {(2, b"var/lib/dhcp/dhclient.eth0.leases")}
    assert {path for _, path in made.overlay.files} == {
        b"etc/ssh/ssh_host_ed25519_key",
        b"etc/ssh/ssh_host_ed25519_key.pub",
        b"var/lib/systemd/random-seed",
    }
    assert len(made.overlay.files[2, b"var/lib/systemd/random-seed"]) == 512


def test_a_loader_entry_follows_in_both_ways(files: CapturedFiles) -> None:
    entry = f"machine-id {MACHINE_ID}\nlinux /{MACHINE_ID}/linux\noptions root=UUID={ROOT_UUID}\n"
    files.add(1, "loader/entries/pier.conf", entry)

    made = sibling(files)

    new = made.manifest.board.machine_id
    content = made.overlay.files[1, b"loader/entries/pier.conf"].decode()
    assert content.startswith(f"machine-id {new}\nlinux /{MACHINE_ID}/linux\noptions root=UUID=")
    assert ROOT_UUID not in content


def test_what_cannot_be_changed_is_told(files: CapturedFiles) -> None:
    files.add(1, "boot.scr", bytes.fromhex("d00dfeed") + bytes(99))
    files.add(1, "EFI/Linux/pier.efi", "MZ")
    files.add(1, "initrd.img-6.1", "070701")
    files.add(2, "etc/initramfs-tools/conf.d/resume", f"RESUME=UUID={SWAP_UUID}\n")
    files.add(2, "etc/systemd/network/10-eth.link", "[Link]\nMACAddress=00:11:22:33:44:55\n")
    files.add(2, "etc/ssh/ssh_host_ed25519_key-cert.pub", "cert")

    made = sibling(files, gap=b"\0bootargs=root=PARTUUID=9a3c5d2e-02\0")

    told = sorted(str(each) for each in made.left)
    assert [line.rsplit(": ", 1)[0].partition(": ")[2].split(":")[0] for line in told] == [
        "names an old id, perhaps in a loader's environment",
        "EFI/Linux/pier.efi",
        "boot.scr",
        "initrd.img-6.1",
        "etc/ssh/ssh_host_ed25519_key-cert.pub",
        "etc/systemd/network/10-eth.link",
    ]


def test_an_initramfs_is_not_mentioned_when_nothing_of_it_changed(files: CapturedFiles) -> None:
    files.add(1, "initrd.img-6.1", "070701")
    files.add(1, "cmdline.txt", "root=PARTUUID=9a3c5d2e-02")

    assert sibling(files).left == ()


def test_a_content_that_changed_in_the_store_stops_it(files: CapturedFiles) -> None:
    entry = files.add(2, "etc/fstab", "UUID=1 / ext4 defaults 0 1\n")
    (files.contents.folder / entry.digest.hex()).write_bytes(b"UUID=2 / ext4 defaults 0 1\n")

    with pytest.raises(VerificationError, match=r"/etc/fstab is not the captured one"):
        sibling(files)


TEXTS = (
    # Raspberry Pi documentation, The boot folder; U-Boot documentation, Environment, and Standard
    # Boot (extlinux; boot.ini and boot.cmd: common practice).
    "cmdline.txt", "uEnv.txt", "boot.cmd", "boot.ini", "extlinux/extlinux.conf",
    "boot/extlinux/extlinux.conf",
    # UAPI group, Boot Loader Specification; loader.conf(5).
    "loader/entries/pier.conf", "loader/loader.conf",
    # GRUB manual, Embedded configuration; "grub2": common practice of some distributions.
    "grub/grub.cfg", "grub2/grub.cfg", "EFI/pier/grub.cfg", "EFI/pier/pier.conf",
    # SYSLINUX, Configuration file; EXTLINUX takes extlinux.conf beside it.
    "syslinux.cfg", "syslinux/syslinux.cfg", "extlinux.conf",
)  # fmt: skip


def test_every_place_is_found_in_a_boot_partition_and_below_boot(files: CapturedFiles) -> None:
    unlike_texts = {"*.scr", "uboot.env"}
    for pattern in set(fstab_references.BOOT_PLACES) - unlike_texts:
        assert any(fnmatchcase(place, pattern) for place in TEXTS), pattern
    for place in TEXTS:
        for part, folder in ((1, ""), (2, "boot/"), (2, "boot/efi/"), (2, "boot/firmware/")):
            files.add(part, folder + place, f"root=UUID={ROOT_UUID}\n")

    made = sibling(files)

    assert len(made.overlay.files) == 4 * len(TEXTS)


# RFC 4253, 6.6 and RFC 5656, 3.1 give the strings of a public key.
def wire(*strings: bytes) -> bytes:
    return b"".join(struct.pack(">I", len(each)) + each for each in strings)


@pytest.mark.parametrize(
    ("strings", "bits"),
    [
        ((b"ssh-rsa", b"\1\0\1", b"\0" + b"\xff" * 384), 3072),
        ((b"ssh-rsa", b"\1\0\1", b"\0" + b"\xff" * 128), 2048),
        ((b"ecdsa-sha2-nistp384", b"nistp384", b"point"), 384),
        ((b"ssh-ed25519", b"x" * 32), 0),
    ],
)
def test_the_size_of_a_key_is_read_from_its_public_part(
    strings: tuple[bytes, ...], bits: int
) -> None:
    assert bits_of(b"kind " + base64.b64encode(wire(*strings)) + b" root@pier-3") == bits


@pytest.mark.parametrize("line", [b"", b"ssh-rsa", b"ssh-rsa !!!", b"ssh-rsa AAAA", b"a AAAAAQ=="])
def test_a_public_part_that_cannot_be_read_gives_no_size(line: bytes) -> None:
    assert bits_of(line) == 0


def test_a_comment_keeps_its_user() -> None:
    assert comment_of(b"ssh-rsa AAAA root@pier-3\n", name="pier-4") == "root@pier-4"
    assert comment_of(b"ssh-rsa AAAA\n", name="pier-4") == "pier-4"


def test_a_board_without_a_machine_id_keeps_its_empty_file(files: CapturedFiles) -> None:
    files.add(2, "etc/machine-id", "")
    old = pier_3()
    old = msgspec.structs.replace(old, board=msgspec.structs.replace(old.board, machine_id=""))

    made = sibling_changes.make_sibling(
        old,
        new_identity.invent(old, "pier-4", Draw()),
        files=files,
        contents=files.contents,
        tools=SiblingTools(Draw(), FakeKeys()),
    )

    assert (2, b"etc/machine-id") not in made.overlay.files


@pytest.mark.parametrize("name", ["etc/hostname", "etc/hosts", "etc/mailname"])
def test_every_file_that_has_the_host_name_is_changed(files: CapturedFiles, name: str) -> None:
    files.add(2, name, "127.0.1.1 pier-3\n" if name == "etc/hosts" else "pier-3\n")

    assert b"pier-4" in sibling(files).overlay.files[2, name.encode()]


@pytest.mark.parametrize(
    "name",
    [
        "etc/dhcpcd.duid",
        "var/lib/dhcpcd/duid",
        "var/lib/dhcpcd/secret",
        "var/lib/dhcpcd5/duid",
        "var/lib/dhcp/dhclient.eth0.leases",
        "var/lib/dhclient/dhclient.leases",
        "var/lib/NetworkManager/internal-1-eth0.lease",
        "var/lib/NetworkManager/secret_key",
        "var/lib/holdstill/state.yaml",
    ],
)
def test_whatever_remembers_who_the_board_is_is_removed(files: CapturedFiles, name: str) -> None:
    files.add(2, name, "it is pier-3\n")

    assert sibling(files).overlay.removed == frozenset({(2, name.encode())})


@pytest.mark.parametrize("size", [1, LIMIT, LIMIT + 1])
@pytest.mark.parametrize(
    "name", ["var/lib/systemd/random-seed", "var/lib/urandom/random-seed", "loader/random-seed"]
)
def test_a_seed_of_up_to_a_mebibyte_is_new(files: CapturedFiles, name: str, size: int) -> None:
    files.add(2, name, bytes(size))

    made = sibling(files).overlay.files.get((2, name.encode()))

    assert (made is not None) == (size <= 1 << 20)
    assert made is None or (len(made) == size and made != bytes(size))


@pytest.mark.parametrize("folder", ["boot", "boot/firmware", "boot/efi", "efi"])
def test_an_initramfs_is_looked_for_wherever_a_board_may_start_from(
    files: CapturedFiles, folder: str
) -> None:
    files.add(2, "etc/crypttab", f"swap UUID={SWAP_UUID} /dev/urandom swap\n")
    files.add(2, f"{folder}/initrd.img", "070701")

    assert [change.where for change in sibling(files).left] == [
        f"partition 2: {folder}/initrd.img"
    ]


@pytest.mark.parametrize(
    "initramfs", ["initrd.img-6.1", "initramfs8", "initramfs-linux.img", "uInitrd"]
)
@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("etc/initramfs-tools/conf.d/resume", f"RESUME=UUID={SWAP_UUID}\n"),
        ("etc/crypttab", f"swap UUID={SWAP_UUID} /dev/urandom swap\n"),
        ("etc/dracut.conf.d/resume.conf", f'add_device+=" /dev/disk/by-uuid/{SWAP_UUID} "\n'),
        ("etc/mkinitcpio.conf", f"HOOKS=(resume) # UUID={SWAP_UUID}\n"),
    ],
)
def test_an_initramfs_that_may_have_old_ids_inside_is_told(
    files: CapturedFiles, initramfs: str, name: str, line: str
) -> None:
    files.add(2, name, line)
    files.add(1, initramfs, "070701")

    left = [f"{change.where}: {change.what}" for change in sibling(files).left]

    assert left == [
        f"partition 1: {initramfs}: may hold old ids inside: make it anew on the board"
    ]


# systemd.network(5) and systemd.link(5), interfaces(5), nm-settings-keyfile(5).
@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("etc/systemd/network/10-eth.link", "MACAddress=02:00:00:00:00:01\n"),
        ("etc/network/interfaces", "  hwaddress ether 02:00:00:00:00:01\n"),
        ("etc/network/interfaces.d/eth0", "  hwaddress ether 02:00:00:00:00:01\n"),
        ("etc/NetworkManager/system-connections/quay", "cloned-mac-address=02:00:00:00:00:01\n"),
        ("etc/NetworkManager/system-connections/quay", "mac-address=02:00:00:00:00:01\n"),
    ],
)
def test_a_hardware_address_that_is_set_somewhere_is_told(
    files: CapturedFiles, name: str, line: str
) -> None:
    files.add(2, name, line)

    (told,) = sibling(files).left

    assert name in told.where
    assert told.what == "sets a hardware address: give it another"


def test_a_network_without_a_hardware_address_of_its_own_is_not_mentioned(
    files: CapturedFiles,
) -> None:
    files.add(2, "etc/network/interfaces", "iface eth0 inet dhcp\n")

    assert sibling(files).left == ()


def test_each_change_is_told_with_its_place_and_what_it_is(files: CapturedFiles) -> None:
    files.add(2, "etc/hostname", "pier-3\n")
    files.add(2, "etc/holdstill/board.yaml", "board: pier-3\nkeeper: /mnt\n")
    files.add(2, "var/lib/systemd/random-seed", "seed")
    files.add(2, "var/lib/dhcp/dhclient.leases", "lease")
    before = descriptors.count()

    told = {(each.where.rpartition(":")[2].strip(), each.what) for each in sibling(files).changes}

    assert {
        ("etc/hostname", "host name"),
        ("etc/holdstill/board.yaml", "board"),
        ("var/lib/systemd/random-seed", "new random bytes"),
        ("var/lib/dhcp/dhclient.leases", "removed, since it says who the board is"),
    } <= told
    assert descriptors.count() == before


# dropbear(8): host keys are /etc/dropbear/dropbear_TYPE_host_key.
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("etc/dropbear/dropbear_ed25519_host_key", "the board's own host key"),
        ("etc/ssh/ssh_host_rsa_key-cert.pub", "a certificate for the old host key"),
        ("EFI/Linux/pier.efi", "a kernel with its command line inside"),
        ("boot/efi/EFI/Linux/pier.efi", "a kernel with its command line inside"),
    ],
)
def test_what_a_person_must_look_at_is_told_with_the_reason(
    files: CapturedFiles, name: str, why: str
) -> None:
    files.add(2, name, "x")

    (told,) = (str(each) for each in sibling(files).left)

    assert name in told
    assert why in told


def test_every_new_identity_is_told_with_its_place_and_both_values(files: CapturedFiles) -> None:
    files.add(2, "etc/machine-id", f"{MACHINE_ID}\n")
    files.add(2, "boot/loader/entries/a.conf", f"title A\nmachine-id {MACHINE_ID}\n")
    files.add(2, "etc/ssh/ssh_host_ed25519_key", "private", mode=0o600)
    files.add(2, "etc/ssh/ssh_host_ed25519_key.pub", "ssh-ed25519 AAAA root@pier-3\n")
    files.add(2, "etc/ssh/ssh_host_ecdsa_key", "private", mode=0o600)

    made = sibling(files)

    new = made.manifest.board.machine_id
    told = {str(change) for change in made.changes}
    assert f"partition 2: etc/machine-id: machine-id {MACHINE_ID} -> {new}" in told
    assert f"partition 2: boot/loader/entries/a.conf: machine-id {MACHINE_ID} -> {new}" in told
    (key,) = [line for line in told if "ssh_host_ed25519_key:" in line]
    assert key.startswith("partition 2: etc/ssh/ssh_host_ed25519_key: ")
    assert " ssh-ed25519 AAAA root@pier-3 -> ssh-ed25519 " in key
    (other,) = [line for line in told if "ssh_host_ecdsa_key:" in line]
    assert " (none) -> ssh-ecdsa " in other


def test_a_gap_that_names_an_old_id_is_told_and_any_other_is_not(files: CapturedFiles) -> None:
    named = sibling(files, gap=b"root=PARTUUID=9a3c5d2e-02\0").left
    (told,) = named

    assert (told.where, told.what.startswith("names an old id")) == ("boot gap", True)
    assert sibling(files, gap=b"root=/dev/mmcblk0p2\0").left == sibling(files).left == ()
