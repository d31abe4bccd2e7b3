"""Reads an encrypted container back, by the key that cryptsetup finds in its header."""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.disks import luks_header
from holdstill.disks.luks_sectors import SectorCipher
from holdstill.errors import CommandError, VerificationError
from holdstill.system import byte_source, files, work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.layout import Luks
    from holdstill.model.unlocking import ContainerKey
    from holdstill.system.process import Runner

_TIMEOUT = 300.0
_PREFIX = "holdstill-luks-"
_SHM = Path("/dev/shm")  # noqa: S108  a folder of our own is made in it
_HINT = "the card gives back other bytes than were written: use another one"
_SAME = ("version", "uuid", "label", "cipher", "key_bits", "sector_size", "first_byte")


def check(
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
    """Check that a passphrase and keys open a container, and that its content is that of a file.

    The arguments are those of `luks_writer.write`.

    Raises:
        VerificationError: one does not, or it is not.
    """
    with byte_source.opened(target) as opened:
        window = opened.window(offset, size)
        found = luks_header.read(window)
        for name in _SAME:
            if getattr(found, name) != getattr(parameters, name):
                raise VerificationError(
                    f"the container's {name} is {getattr(found, name)}, not "
                    f"{getattr(parameters, name)}",
                    hint=_HINT,
                )
        header = window.read(0, found.first_byte)
        key = _volume_key(header, passphrase, machine)
        _check_keys(header, keys, machine)
        cipher = SectorCipher(key, found.sector_size)
        length = (size - found.first_byte) // found.sector_size * found.sector_size
        with byte_source.uncached(target, window) as source, files.opened(inside) as expected:
            for position in range(0, length, files.CHUNK):
                step = min(files.CHUNK, length - position)
                raw = source.read(found.first_byte + position, step)
                wanted = os.pread(expected, step, offset + found.first_byte + position)
                if cipher.decrypted(raw, position) != wanted:
                    raise VerificationError(
                        f"the encrypted container differs near byte {position} of its content",
                        hint=_HINT,
                    )


def _volume_key(header: bytes, passphrase: bytes, machine: Runner) -> bytes:
    with _copied(header) as copy:
        key = copy.with_name("key")
        words = ("luksDump", "--dump-master-key", "--batch-mode", "--key-file", "-")
        try:
            machine.run(
                Command.of("cryptsetup", *words, "--master-key-file", key, copy, timeout=_TIMEOUT),
                stdin=passphrase,
            )
        except CommandError as error:
            raise VerificationError(
                f"the passphrase does not open the container that was written: {error}",
                hint=_HINT,
            ) from error
        return key.read_bytes()


def _check_keys(header: bytes, keys: Sequence[ContainerKey], machine: Runner) -> None:
    """Check that each key file opens a container, by the slot that it has to."""
    with _copied(header) as copy:
        for one in keys:
            slot = ("--key-slot", str(one.slot)) if one.slot is not None else ()
            words = ("open", "--test-passphrase", "--batch-mode", *slot, "--key-file", "-")
            try:
                machine.run(
                    Command.of("cryptsetup", *words, copy, timeout=_TIMEOUT), stdin=one.key
                )
            except CommandError as error:
                raise VerificationError(
                    f"the key file {one.path} does not open the container that was written: "
                    f"{error}",
                    hint=_HINT,
                ) from error


@contextmanager
def _copied(header: bytes) -> Iterator[Path]:
    """Hold a file with a header, and some room behind it, as cryptsetup wants it."""
    with work_folder.made(_memory(), prefix=_PREFIX) as folder:
        copy = folder / "header"
        copy.touch(0o600)
        copy.write_bytes(header)
        os.truncate(copy, len(header) + (1 << 20))
        yield copy


def _memory() -> Path | None:
    """Return a folder in memory, where there is one: a key is not to be on a disk."""
    return _SHM if os.access(_SHM, os.W_OK) else None
