"""Captures of LVM and LUKS rebuilt into images, without root and without device-mapper.

What is written is judged by cryptsetup, e2fsck and our own second witness.
"""

from __future__ import annotations

import hashlib
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.disks import luks_header, partition_table, volumes_on_disk
from holdstill.disks.luks_sectors import SectorCipher
from holdstill.errors import UsageError, VerificationError
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.model.layout import Ext4, Luks, TableLabel
from holdstill.rebuild import compressed_image
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import index_file
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import container_keys, plain_source, plan_rebuild, rebuild_source
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_source import RebuildSource
from support import cards, loop, programs
from support.capture_folder import CaptureFolder
from support.contents import FolderContents, a_file, a_folder, in_order
from support.silence import Silent
from unit.rebuild.test_layers import IDS, LUKS, PV, with_lvm

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.model.manifest import CapturedPart, Manifest
    from holdstill.workflow.rebuild import RebuildReport

MIB = 1 << 20
SECRET = b"the harbour master's combination"
ROOT, HOME = 502, 503
QUICK = structs.replace(LUKS, kdf_memory=1024)
CRYPTTAB = f"crypt UUID={LUKS.uuid} none luks\n".encode()
BY_FILE = f"crypt UUID={LUKS.uuid} /etc/data.key luks\n".encode()
KEY = b"\0not typed\n" * 20


def described(*, luks: int) -> Manifest:
    """Return a board with LVM in one partition, or in a container there; root and home."""
    whole = with_lvm(root=40, home=20, free=4, luks=luks)
    disk = structs.replace(whole.disk, partitions=whole.disk.partitions[1:], size=700 * MIB)
    parts = tuple(part for part in whole.parts if part.number != 1)
    parts = tuple(
        structs.replace(
            part, file_system=QUICK if isinstance(part.file_system, Luks) else part.file_system
        )
        for part in parts
    )
    return structs.replace(whole, disk=disk, parts=tuple(map(mounted, parts)))


def mounted(part: CapturedPart) -> CapturedPart:
    system = part.file_system
    if isinstance(system, Ext4):
        system = structs.replace(system, hash_seed="3b6a6c03-fe48-4895-bfdd-22ad336137bf")
    place = {ROOT: "/", HOME: "/home"}.get(part.number, "")
    return structs.replace(part, mount=place, file_system=system)


@contextmanager
def source(
    folder: Path,
    manifest: Manifest,
    *,
    crypttab: bytes = CRYPTTAB,
    keys: Sequence[str] = (),
    folders: Sequence[bytes] = (),
) -> Iterator[RebuildSource]:
    contents = FolderContents(folder / "content")
    files = {
        ROOT: (
            a_folder(b"etc"), a_file(contents, b"etc/crypttab", crypttab),
            *(a_file(contents, key.encode(), KEY) for key in keys), *map(a_folder, folders),
            a_file(contents, b"etc/fstab", b"/dev/mapper/board--vg-root / ext4 defaults 0 1\n"),
            a_file(contents, b"secret", SECRET),
        ),
        HOME: (a_file(contents, b"readings", b"of the tide" * 200_000),),
    }  # fmt: skip
    with index_file.created(folder / "index.sqlite") as index:
        for number, entries in files.items():
            index.put_all(number, in_order((a_folder(b""), *entries)), seq=1)
    kept = CaptureFolder(folder, manifest, contents)
    with index_file.opened(folder / "index.sqlite") as index:
        yield RebuildSource(kept, manifest, index)


def rebuilt(image: Path, made: RebuildSource, *, size: int, passphrase: bytes) -> RebuildReport:
    machine = LocalRunner()
    plan = plan_rebuild.plan_rebuild(made, size=size, options=PlanOptions(), machine=machine)
    with compressed_image.claimed_image(image, size=size, existing=Existing.KEEP) as target:
        means = RebuildDependencies(machine, SystemClock(), Silent(), lambda: passphrase)
        return workflow_rebuild.carry_out(target, plan, made, means)


def texts(image: Path) -> dict[str, bytes]:
    """Return what our reader finds in the logical volumes of an image, by name."""
    found = {}
    with byte_source.opened(image) as card:
        disk = volumes_on_disk.with_volumes(card, partition_table.read(card))
        for volume in disk.volumes:
            system = Ext4Reader(card.window(volume.start * 512, volume.size * 512))
            name = {"root": b"secret", "home": b"readings"}[volume.name]
            found[volume.name] = system.read(name, limit=8 * MIB)
            assert volume.uuid == IDS[volume.name == "home"]
    return found


def check_file_systems(image: Path, folder: Path) -> None:
    with byte_source.opened(image) as card:
        disk = volumes_on_disk.with_volumes(card, partition_table.read(card))
        for volume in disk.volumes:
            alone = folder / f"{volume.name}.ext4"
            alone.write_bytes(card.read(volume.start * 512, volume.size * 512))
            programs.run("e2fsck", "-fn", alone)


@pytest.mark.parametrize("size", [640 * MIB, 900 * MIB])
def test_logical_volumes_come_back_smaller_and_larger(size: int, tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    with source(tmp_path, described(luks=0)) as made:
        report = rebuilt(image, made, size=size, passphrase=b"")

    assert report.checked_entries == report.entries == 7
    assert texts(image) == {"root": SECRET, "home": b"of the tide" * 200_000}
    check_file_systems(image, tmp_path)


def on_two_partitions(*, spanning: bool) -> Manifest:
    """Return the same board, whose group is on two partitions; root on both of them, or on one."""
    whole = described(luks=0)
    (part,), (root, home) = whole.disk.partitions, whole.disk.volumes
    first = structs.replace(part, size=2048 + (25 if spanning else 42) * root.grain)
    second = structs.replace(part, number=3, start=first.end, size=2048 + 45 * root.grain)
    home = structs.replace(home, of=3, start=second.start + 2048)
    disk = structs.replace(whole.disk, partitions=(first, second), volumes=(root, home))
    names = ("root",) if spanning else ()
    one = structs.replace(PV, members=2, spanning=names)
    two = structs.replace(one, uuid="CqU7yQ-KUVY-IF1U-vqzh-s90U-jxbq-9PRI5M")
    systems = {part.number: part.file_system for part in whole.parts} | {2: one, 3: two}
    made = cards.manifest_of(disk, systems)
    return structs.replace(made, parts=tuple(map(mounted, made.parts)))


@pytest.mark.parametrize("spanning", [False, True])
def test_a_group_on_two_partitions_comes_back(*, spanning: bool, tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    with source(tmp_path, on_two_partitions(spanning=spanning)) as captured:
        made = rebuild_source.of_disk(captured, None)
        report = rebuilt(image, made, size=700 * MIB, passphrase=b"")

    assert report.checked_entries == report.entries == 7
    assert bool(made.notes) is spanning
    assert loop.partition_numbers(image) == ([2] if spanning else [2, 3])
    assert texts(image) == {"root": SECRET, "home": b"of the tide" * 200_000}
    check_file_systems(image, tmp_path)


def test_a_container_comes_back_with_a_passphrase_and_nothing_of_it_is_readable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = tmp_path / "room"
    room.mkdir()
    monkeypatch.setenv("TMPDIR", str(room))
    image = tmp_path / "card.img"
    with source(tmp_path, described(luks=16 * MIB)) as made:
        report = rebuilt(image, made, size=660 * MIB, passphrase=b"open sesame")

    assert report.checked_entries == 7
    whole = image.read_bytes()
    assert SECRET not in whole
    assert b"of the tide" not in whole
    assert b"board-vg" not in whole
    assert list(room.iterdir()) == []  # what was made before it was encrypted is gone
    with byte_source.opened(image) as card:
        partition = partition_table.read(card).partitions[0]
        container = tmp_path / "container"
        container.write_bytes(card.read(partition.start * 512, partition.size * 512))
    opens = ("cryptsetup", "open", "--test-passphrase", "--key-file", "-", container)
    assert programs.attempt(*opens, stdin=b"open sesame").returncode == 0
    assert programs.attempt(*opens, stdin=b"sesame").returncode == 2
    inside(container, tmp_path / "inside.img")
    assert texts(tmp_path / "inside.img") == {"root": SECRET, "home": b"of the tide" * 200_000}


def opens_by_key_file(image: Path, folder: Path) -> bool:
    """Whether the container on an image is opened by the key file, as cryptsetup says."""
    with byte_source.opened(image) as card:
        partition = partition_table.read(card).partitions[0]
        container = folder / "container"
        container.write_bytes(card.read(partition.start * 512, partition.size * 512))
    (folder / "key").write_bytes(KEY)
    words = ("cryptsetup", "open", "--test-passphrase", "--key-file", folder / "key", container)
    return programs.attempt(*words).returncode == 0


def test_a_key_file_of_crypttab_opens_what_is_made_again(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    manifest = described(luks=16 * MIB)
    with source(tmp_path, manifest, crypttab=BY_FILE, keys=["etc/data.key"]) as captured:
        made = container_keys.added(captured)
        report = rebuilt(image, made, size=660 * MIB, passphrase=b"open sesame")

    assert made.notes == ("crypttab crypt: the key file /etc/data.key opens it as before",)
    assert report.checked_entries == report.entries == 8
    assert opens_by_key_file(image, tmp_path)


def test_a_key_file_that_is_not_captured_is_told_with_its_line(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    manifest = described(luks=16 * MIB)
    with source(tmp_path, manifest, crypttab=BY_FILE, folders=[b"dev", b"usr"]) as captured:
        made = container_keys.added(captured)
        report = rebuilt(image, made, size=660 * MIB, passphrase=b"open sesame")

    (note,) = made.notes
    assert note.startswith("crypttab crypt: its key file /etc/data.key is not among its files")
    assert not opens_by_key_file(image, tmp_path)
    # Also judged by the finished card, whose header alone does not tell.
    (lack,) = (line for line in report.boot_trouble if "crypttab" in line)
    assert lack.startswith("system: missing  crypttab crypt: its key file /etc/data.key")


def test_what_opened_a_container_that_is_made_again_is_gone_from_the_finished_card(
    tmp_path: Path,
) -> None:
    image = tmp_path / "card.img"
    table = f"crypt UUID={LUKS.uuid} key luks,keyscript=/sbin/key\n".encode()
    manifest = described(luks=16 * MIB)
    with source(tmp_path, manifest, crypttab=table, folders=[b"dev", b"usr"]) as captured:
        report = rebuilt(image, captured, size=660 * MIB, passphrase=b"open sesame")

    assert any("the program /sbin/key opened it" in line for line in report.boot_trouble)


def test_a_damaged_key_file_is_no_key(tmp_path: Path) -> None:
    manifest = described(luks=16 * MIB)
    with source(tmp_path, manifest, crypttab=BY_FILE, keys=["etc/data.key"]) as captured:
        kept = tmp_path / "content" / hashlib.sha256(KEY).hexdigest()
        kept.chmod(0o600)
        kept.write_bytes(KEY.swapcase())
        with pytest.raises(VerificationError, match=r"etc/data\.key is not the captured one"):
            container_keys.added(captured)

        lost = Overlay(lost=frozenset({(ROOT, b"etc/data.key")}))
        (note,) = container_keys.added(replace(captured, overlay=lost)).notes
    assert "is not among its files" in note


def test_a_crypttab_of_another_system_gives_no_key(tmp_path: Path) -> None:
    whole = described(luks=16 * MIB)
    parts = tuple(
        structs.replace(part, mount="/old" if part.number == ROOT else part.mount)
        for part in whole.parts
    )
    manifest = structs.replace(whole, parts=parts)
    with source(tmp_path, manifest, crypttab=BY_FILE, keys=["etc/data.key"]) as captured:
        found = container_keys.added(captured)

    assert (found.keys, found.notes) == ((), ())


def test_tokens_are_told_once_with_their_line_or_without(tmp_path: Path) -> None:
    whole = described(luks=16 * MIB)
    bound = structs.replace(QUICK, tokens=("clevis",))
    parts = tuple(
        structs.replace(
            part, file_system=bound if isinstance(part.file_system, Luks) else part.file_system
        )
        for part in whole.parts
    )
    for table, start in (
        (CRYPTTAB, "crypttab crypt: clevis opened it"),
        (b"# none\n", "partition 2: clevis"),
    ):
        folder = tmp_path / start[:8]
        folder.mkdir()
        with source(folder, structs.replace(whole, parts=parts), crypttab=table) as captured:
            (note,) = container_keys.added(captured).notes
        assert note.startswith(start)


def test_without_a_container_nothing_is_looked_for(tmp_path: Path) -> None:
    with source(tmp_path, described(luks=0)) as captured:
        assert container_keys.added(captured) is captured


def inside(container: Path, plain: Path) -> None:
    """Decrypt a container by the key that cryptsetup gives out; write a disk without a table."""
    key = container.with_name("key")
    dump = ("cryptsetup", "luksDump", "--dump-master-key", "--batch-mode", "--key-file", "-")
    programs.run(*dump, "--master-key-file", key, container, stdin=b"open sesame")
    with byte_source.opened(container) as source_:
        luks = luks_header.read(source_)
        data = source_.read(luks.first_byte, source_.size - luks.first_byte)
    cipher = SectorCipher(key.read_bytes(), luks.sector_size)
    plain.write_bytes(cipher.decrypted(data, 0))
    with byte_source.opened(plain) as disk:
        assert partition_table.read(disk).label is TableLabel.NONE


def test_plain_is_said_and_the_files_follow(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    with source(tmp_path, described(luks=16 * MIB)) as captured:
        made = plain_source.made(captured)
        report = rebuilt(image, made, size=660 * MIB, passphrase=b"")

    assert any(note.startswith("NOT ENCRYPTED") for note in made.notes)
    assert any("crypttab: no longer unlocks" in note for note in made.notes)
    assert report.checked_entries == 7
    assert texts(image)["root"] == SECRET
    with byte_source.opened(image) as card:
        disk = volumes_on_disk.with_volumes(card, partition_table.read(card))
        root = disk.volumes[0]
        files = Ext4Reader(card.window(root.start * 512, root.size * 512))
        assert files.read(b"etc/crypttab", limit=MIB).startswith(b"# ")


def test_without_containers_nothing_is_made_plain(tmp_path: Path) -> None:
    with source(tmp_path, described(luks=0)) as captured:
        assert plain_source.made(captured) is captured


def test_nobody_asked_is_an_error_before_anything_is_written(tmp_path: Path) -> None:
    means = RebuildDependencies(LocalRunner(), SystemClock(), Silent())

    with pytest.raises(UsageError, match="no passphrase") as refused:
        workflow_rebuild.with_passphrase(means)
    assert "--plain" in refused.value.hint
    assert not list(tmp_path.iterdir())
