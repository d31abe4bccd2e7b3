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
from holdstill.system import files, sparse_copy, work_folder
from holdstill.system.process import Command, require

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.layout import Luks
    from holdstill.system.process import Runner

_ROUNDS_MIN, _MEMORY_MIN = 4, 32
"""Of Argon2, that cryptsetup accepts (cryptsetup(8), PBKDF options)."""
_PBKDF2_ROUNDS = 1000
_MEMORY_MAX = 1 << 20
"""KiB that unlocking may take: the most that cryptsetup takes by itself."""
_TIMEOUT = 300.0


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
        machine: runs cryptsetup.
    """
    key = secrets.token_bytes(parameters.key_bits // 8)
    with _header(parameters, key, passphrase, machine) as header, _opened(target) as handle:
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
def _header(parameters: Luks, key: bytes, passphrase: bytes, machine: Runner) -> Iterator[Path]:
    """Hold a file with a header that has the key, locked by the passphrase."""
    handle = os.memfd_create("holdstill-volume-key")
    with work_folder.made(prefix="holdstill-luks-header-") as folder:
        try:
            files.write_all(handle, key)
            header = folder / "header"
            header.touch(0o600)
            os.truncate(header, parameters.first_byte + MIB)
            words = _words(parameters, Path(f"/proc/{os.getpid()}/fd/{handle}"), header)
            machine.run(Command.of(*words, timeout=_TIMEOUT), stdin=passphrase)
            yield header
        finally:
            os.close(handle)


def _words(parameters: Luks, key: Path, header: Path) -> list[str | Path]:
    words: list[str | Path] = [
        "cryptsetup", "luksFormat", "--batch-mode", "--type", f"luks{parameters.version}",
        "--uuid", parameters.uuid, "--cipher", parameters.cipher,
        "--key-size", str(parameters.key_bits), "--master-key-file", key, "--key-file", "-",
    ]  # fmt: skip
    if parameters.hash:
        words += ["--hash", parameters.hash]
    if parameters.version == 1:
        # It has no offset of its own; where the content begins is rounded to this.
        words += ["--align-payload", str(parameters.first_byte // SECTOR)]
        rounds = str(max(parameters.kdf_time, _PBKDF2_ROUNDS))
        return [*words, "--pbkdf-force-iterations", rounds, header]
    words += ["--offset", str(parameters.first_byte // SECTOR)]
    words += ["--sector-size", str(parameters.sector_size), "--label", parameters.label]
    words += ["--pbkdf", parameters.kdf or "argon2id", "--pbkdf-force-iterations"]
    if parameters.kdf == "pbkdf2":
        return [*words, str(max(parameters.kdf_time, _PBKDF2_ROUNDS)), header]
    memory = min(max(parameters.kdf_memory, _MEMORY_MIN), _MEMORY_MAX)
    words += [str(max(parameters.kdf_time, _ROUNDS_MIN)), "--pbkdf-memory", str(memory)]
    return [*words, "--pbkdf-parallel", "1", header]
