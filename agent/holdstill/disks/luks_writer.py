"""Makes an encrypted container again: a header with a new key, and the content encrypted with it.

cryptsetup writes the header, into a file; the content is encrypted here, so that neither root nor
device-mapper is needed, and no mapping of this machine is touched.
"""

from __future__ import annotations

import os
import secrets
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.disks.luks_sectors import CIPHER, KEY_BITS, SectorCipher
from holdstill.errors import TargetRefusedError
from holdstill.model.sizes import MIB, SECTOR
from holdstill.model.unlocking import SLOTS
from holdstill.system import files, sparse_copy, work_folder
from holdstill.system.process import Command, require

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.layout import Luks
    from holdstill.model.unlocking import ContainerKey
    from holdstill.system.process import Runner

_ROUNDS_MIN, _MEMORY_MIN = 4, 32
"""Of Argon2, that cryptsetup accepts (cryptsetup(8), PBKDF options)."""
_PBKDF2_ROUNDS = 1000
_MEMORY_MAX = 1 << 20
"""KiB that unlocking may take: the most that cryptsetup takes by itself."""
_TIMEOUT = 300.0
_ADD = ("cryptsetup", "luksAddKey", "--batch-mode", "--key-file", "-")


def check_possible(parameters: Luks, *, number: int) -> None:
    """Check that a container can be made again here.

    Raises:
        TargetRefusedError: its cipher is another one.
        PreflightError: cryptsetup is not installed.
    """
    if parameters.cipher != CIPHER or parameters.key_bits not in KEY_BITS:
        raise TargetRefusedError(
            f"{number} was encrypted with {parameters.cipher} ({parameters.key_bits} bits), which "
            "cannot be written here",
            hint="`--plain` writes its content unencrypted",
        )
    require("cryptsetup")


def write(
    target: Path,
    inside: Path,
    *,
    offset: int,
    size: int,
    parameters: Luks,
    passphrase: bytes,
    keys: Sequence[ContainerKey] = (),
    machine: Runner,
) -> None:
    """Write a container at its place on the target.

    Args:
        target: the card or image.
        inside: a file that has the content in the clear, at the same place as the target.
        offset: bytes from the target's start at which the container begins.
        size: bytes that it has, with its header.
        parameters: of the container as it was.
        passphrase: that will unlock it.
        keys: that will as well.
        machine: runs cryptsetup.
    """
    key = secrets.token_bytes(parameters.key_bits // 8)
    with (
        _header(parameters, key, passphrase, machine, keys) as header,
        _opened(target) as handle,
    ):
        sparse_copy.write_all_at(handle, offset, header.read_bytes()[: parameters.first_byte])
        cipher = SectorCipher(key, parameters.sector_size)
        start = offset + parameters.first_byte
        length = (size - parameters.first_byte) // parameters.sector_size * parameters.sector_size
        with files.opened(inside) as source:
            for position in range(0, length, files.CHUNK):
                chunk = os.pread(source, min(files.CHUNK, length - position), start + position)
                encrypted = cipher.encrypted(chunk, position)
                sparse_copy.write_all_at(handle, start + position, encrypted)


@contextmanager
def _opened(target: Path) -> Iterator[int]:
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        yield handle


@contextmanager
def _header(
    parameters: Luks,
    key: bytes,
    passphrase: bytes,
    machine: Runner,
    keys: Sequence[ContainerKey],
) -> Iterator[Path]:
    """Hold a file with a header that has the key, locked by the passphrase and further keys."""
    with work_folder.made(prefix="holdstill-luks-header-") as folder:
        header = folder / "header"
        header.touch(0o600)
        os.truncate(header, parameters.first_byte + MIB)
        wanted = {one.slot for one in keys}
        own = next(slot for slot in range(SLOTS) if slot not in wanted)
        with _in_memory(key) as place:
            words = _words(parameters, place, own, header)
            machine.run(Command.of(*words, timeout=_TIMEOUT), stdin=passphrase)
        for one in sorted(
            keys, key=lambda one: one.slot is None
        ):  # those that may go anywhere last
            with _in_memory(one.key) as place:
                words = [*_ADD, *_slot(one.slot), *_cost(parameters), header, place]
                machine.run(Command.of(*words, timeout=_TIMEOUT), stdin=passphrase)
        yield header


@contextmanager
def _in_memory(key: bytes) -> Iterator[Path]:
    """Hold a file with a key that is on no disk."""
    handle = os.memfd_create("holdstill-volume-key")
    try:
        files.write_all(handle, key)
        yield Path(f"/proc/{os.getpid()}/fd/{handle}")
    finally:
        os.close(handle)


def _slot(number: int | None) -> list[str]:
    return [] if number is None else ["--key-slot", str(number)]


def _words(parameters: Luks, key: Path, slot: int, header: Path) -> list[str | Path]:
    words: list[str | Path] = [
        "cryptsetup", "luksFormat", "--batch-mode", "--type", f"luks{parameters.version}",
        "--uuid", parameters.uuid, "--cipher", parameters.cipher,
        "--key-size", str(parameters.key_bits), "--master-key-file", key, "--key-file", "-",
        *_slot(slot), *_cost(parameters),
    ]  # fmt: skip
    if parameters.hash:
        words += ["--hash", parameters.hash]
    if parameters.version == 1:
        # It has no offset of its own; where the content begins is rounded to this.
        return [*words, "--align-payload", str(parameters.first_byte // SECTOR), header]
    words += ["--offset", str(parameters.first_byte // SECTOR)]
    return [
        *words,
        "--sector-size",
        str(parameters.sector_size),
        "--label",
        parameters.label,
        header,
    ]


def _cost(parameters: Luks) -> list[str]:
    """Return what says how keys are made of passphrases: as it was on the board."""
    rounds = ["--pbkdf-force-iterations", str(max(parameters.kdf_time, _PBKDF2_ROUNDS))]
    if parameters.version == 1:
        return rounds
    kind = ["--pbkdf", parameters.kdf or "argon2id"]
    if parameters.kdf == "pbkdf2":
        return [*kind, *rounds]
    memory = min(max(parameters.kdf_memory, _MEMORY_MIN), _MEMORY_MAX)
    rounds[-1] = str(max(parameters.kdf_time, _ROUNDS_MIN))
    return [*kind, *rounds, "--pbkdf-memory", str(memory), "--pbkdf-parallel", "1"]
