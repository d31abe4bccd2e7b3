"""Containers that are made here, opened by cryptsetup; what it has encrypted, decrypted here."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.disks import luks_check, luks_header, luks_sectors, luks_writer
from holdstill.errors import CommandError, TargetRefusedError, VerificationError
from holdstill.model.layout import Luks
from holdstill.model.unlocking import ContainerKey
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import programs

if TYPE_CHECKING:
    from collections.abc import Sequence

MIB = 1 << 20
OFFSET, SIZE = 3 * MIB, 24 * MIB
PASSPHRASE = "harbour wall \u00e9".encode()
SECOND = Luks(
    version=2, uuid="09d51ea3-634d-4111-acdd-1ddb86de7e40", label="vault",
    cipher="aes-xts-plain64", key_bits=512, hash="sha256", first_byte=16 * MIB, kdf="argon2id",
    kdf_memory=32768, kdf_time=4,
)  # fmt: skip
LARGE_SECTORS = structs.replace(SECOND, sector_size=4096, key_bits=256, kdf="argon2i")
FIRST = Luks(
    version=1, uuid="8ca578f9-d3eb-495b-89f0-0336c26f1907", cipher="aes-xts-plain64", key_bits=512,
    hash="sha256", first_byte=2 * MIB, kdf="pbkdf2", kdf_time=1234,
)  # fmt: skip
KINDS = pytest.mark.parametrize("kind", [FIRST, SECOND, LARGE_SECTORS], ids=["1", "2", "2-4096"])


@dataclass(frozen=True)
class Made:
    """A target with a container, and the file with what is in it."""

    target: Path
    inside: Path
    kind: Luks

    def check(self, passphrase: bytes = PASSPHRASE, keys: Sequence[ContainerKey] = ()) -> None:
        luks_check.check(
            self.target, self.inside, offset=OFFSET, size=SIZE, parameters=self.kind,
            passphrase=passphrase, keys=keys, machine=LocalRunner(),
        )  # fmt: skip


def made(folder: Path, kind: Luks, keys: Sequence[ContainerKey] = ()) -> Made:
    target, inside = folder / "card.img", folder / "inside.img"
    for path in (target, inside):
        path.touch()
        os.truncate(path, 32 * MIB)
    with inside.open("r+b") as file:
        file.seek(OFFSET + kind.first_byte)
        file.write(b"of the tide" * 100_000)
    luks_writer.write(
        target, inside, offset=OFFSET, size=SIZE, parameters=kind, passphrase=PASSPHRASE,
        keys=keys, machine=LocalRunner(),
    )  # fmt: skip
    return Made(target, inside, kind)


def container(card: Made) -> Path:
    """Return the container as a file of its own, for cryptsetup."""
    alone = card.target.with_name("alone.img")
    with card.target.open("rb") as file:
        file.seek(OFFSET)
        alone.write_bytes(file.read(SIZE))
    return alone


@KINDS
def test_cryptsetup_opens_it_with_the_passphrase_and_with_no_other(
    kind: Luks, tmp_path: Path
) -> None:
    alone = container(made(tmp_path, kind))
    words = ("cryptsetup", "open", "--test-passphrase", "--key-file", "-", alone)

    assert programs.attempt(*words, stdin=PASSPHRASE).returncode == 0
    assert programs.attempt(*words, stdin=PASSPHRASE + b"x").returncode == 2  # cryptsetup(8)
    assert programs.run("cryptsetup", "luksUUID", alone).decode().strip() == kind.uuid
    with byte_source.opened(alone) as source:
        found = luks_header.read(source)
    # Also what unlocking costs: a board is slower, and has less memory, than who rebuilds it.
    assert found == kind


@KINDS
def test_what_is_in_it_is_nowhere_to_be_seen(kind: Luks, tmp_path: Path) -> None:
    card = made(tmp_path, kind)

    assert b"of the tide" in card.inside.read_bytes()
    found = card.target.read_bytes()
    assert b"of the tide" not in found
    # Zeroes are encrypted as well: what is free cannot be told from what is not.
    assert bytes(4096) not in found[OFFSET + kind.first_byte : OFFSET + SIZE]
    assert not any(found[:OFFSET])
    assert not any(found[OFFSET + SIZE :])


@KINDS
def test_it_is_read_back_by_the_passphrase(kind: Luks, tmp_path: Path) -> None:
    card = made(tmp_path, kind)
    card.check()

    with pytest.raises(VerificationError, match="does not open"):
        card.check(b"another")
    with card.target.open("r+b") as file:
        file.seek(OFFSET + kind.first_byte + 5 * MIB + 7)
        byte = file.read(1)
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte[0] ^ 1]))
    with pytest.raises(VerificationError, match="differs near byte"):
        card.check()


@KINDS
def test_each_one_has_a_key_of_its_own(kind: Luks, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    first, second = (made(tmp_path / name, kind).target.read_bytes() for name in ("a", "b"))
    start = OFFSET + kind.first_byte

    assert first[start : start + 512] != second[start : start + 512]


KEYS = (
    ContainerKey(2, "/etc/keys/a", None, b"\0line\nand more\n\xff"),
    ContainerKey(2, "/etc/keys/b", 0, os.urandom(512)),
)
"""With what a prompt would cut off; one that wants the slot that a passphrase usually has."""


@KINDS
def test_key_files_open_it_as_well_and_cost_what_they_did(kind: Luks, tmp_path: Path) -> None:
    card = made(tmp_path, kind, KEYS)
    alone = container(card)
    opens = ("cryptsetup", "open", "--test-passphrase", "--key-file")

    for number, key in enumerate(KEYS):
        file = tmp_path / f"{number}.key"
        file.write_bytes(key.key)
        slot = () if key.slot is None else ("--key-slot", str(key.slot))
        assert programs.attempt(*opens, file, *slot, alone).returncode == 0
    assert programs.attempt(*opens, "-", alone, stdin=PASSPHRASE).returncode == 0
    assert programs.attempt(*opens, "-", alone, stdin=KEYS[0].key[:5]).returncode == 2
    card.check(keys=KEYS)
    with byte_source.opened(alone) as source:
        assert luks_header.read(source) == kind  # the costs of the slot that was written last
    other = replace(KEYS[0], key=b"another")
    with pytest.raises(VerificationError, match="key file /etc/keys/a does not open"):
        card.check(keys=(other,))


# An unbound key has a digest of its own, and may have another size (cryptsetup-luksAddKey(8)).
def test_the_size_of_the_key_is_that_of_the_slots_that_open_the_content(tmp_path: Path) -> None:
    image, key = tmp_path / "container", tmp_path / "key"
    image.touch()
    os.truncate(image, 32 * MIB)
    key.write_bytes(PASSPHRASE)
    quick = ("--batch-mode", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000")
    words = ("--type", "luks2", "--key-size", "512", image, key)
    programs.run("cryptsetup", "luksFormat", *quick, *words)
    add = ("cryptsetup", "luksAddKey", *quick, "--key-file", key)
    programs.run(*add, "--unbound", "--key-size", "256", "--key-slot", "1", image, key)
    programs.run(*add, "--key-slot", "2", image, key)
    programs.run("cryptsetup", "luksKillSlot", "--batch-mode", "--key-file", key, image, "0")
    token = b'{"type":"clevis","keyslots":["2"],"jwe":{}}'
    programs.run("cryptsetup", "token", "import", image, stdin=token)

    with byte_source.opened(image) as source:
        found = luks_header.read(source)
    assert found.key_bits == 512
    assert found.tokens == ("clevis",)


# IEEE Std 1619-2007, annex B, vector 2 (from memory; confirmed by the kernel's crypto/testmgr.h):
# key1 = 11 x 16, key2 = 22 x 16, data unit 3333333333, 32 bytes of 44.
def test_sectors_are_those_of_the_standard() -> None:
    cipher = luks_sectors.SectorCipher(b"\x11" * 16 + b"\x22" * 16, 32)
    position = 0x3333333333 * 512

    found = cipher.encrypted(b"\x44" * 32, position)
    assert found.hex() == "c454185e6a16936e39334038acef838bfb186fff7480adc4289382ecd6d394f0"
    assert cipher.decrypted(found, position) == b"\x44" * 32


def test_another_cipher_is_refused_with_what_to_do() -> None:
    other = structs.replace(SECOND, cipher="xchacha20,aes-adiantum-plain64", key_bits=256)

    with pytest.raises(TargetRefusedError, match="adiantum") as refused:
        luks_writer.check_possible(other, number=2)
    assert "--plain" in refused.value.hint


def test_no_key_stays_behind_when_cryptsetup_fails(tmp_path: Path) -> None:
    impossible = structs.replace(SECOND, hash="nohash")
    target = tmp_path / "card.img"
    target.touch()
    os.truncate(target, 32 * MIB)

    with pytest.raises(CommandError):
        luks_writer.write(
            target, target, offset=0, size=SIZE, parameters=impossible, passphrase=PASSPHRASE,
            machine=LocalRunner(),
        )  # fmt: skip
    assert not any(target.read_bytes()[:MIB])
    assert not any("holdstill-volume-key" in name for name in names_of_open_files())


def names_of_open_files() -> list[str]:
    links = list(Path("/proc/self/fd").iterdir())
    return [str(link.readlink()) for link in links if link.is_symlink()]
