"""What opens an encrypted container: its line of crypttab(5), and tokens in its header. Pure.

A container that is made again knows its passphrase, and the key files that are captured. Sources:
crypttab(5) of systemd, and of Debian's cryptsetup, which has some options of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.model.system_tables import CrypttabEntry

KEY_MAX = 8 << 20
"""Bytes of a key file: what cryptsetup reads of one (cryptsetup(8), --keyfile-size)."""
SLOTS = 8
"""Key slots of a LUKS1 container; LUKS2 has more (On-Disk Format Specification 1.2.3)."""
_DIGITS_MAX = 18
_NO_FILE = frozenset({"", "-", "none"})
_USUAL_PLACE = "/etc/cryptsetup-keys.d/{}.key"
"""Where systemd looks for a key where none is named (crypttab(5))."""
_HARDWARE = {
    "tpm2-device": "the board's TPM",
    "fido2-device": "a FIDO2 token",
    "pkcs11-uri": "a PKCS#11 token",
}
_ASKING = frozenset({"decrypt_keyctl"})
"""Programs of Debian's cryptsetup that ask for the passphrase, as is done without any."""
_TOKENS = {
    "systemd-tpm2": "the board's TPM",
    "systemd-fido2": "a FIDO2 token",
    "systemd-pkcs11": "a PKCS#11 token",
    "clevis": "clevis",
    "luks2-keyring": "the kernel's keyring",
    "ssh": "a key on another machine",
}
_OF_PEOPLE = frozenset({"systemd-recovery"})
"""Tokens that say what a passphrase is for."""


@dataclass(frozen=True)
class KeyFile:
    """A file whose bytes open a container.

    Attributes:
        path: as the system sees it.
        offset, size: the bytes of it that count; size 0 for all from there.
        slot: the key slot that has to know it; None for any.
        is_needed: whether the line says so; else the file is used if it is there.
    """

    path: str
    offset: int = 0
    size: int = 0
    slot: int | None = None
    is_needed: bool = True

    def key_in(self, content: bytes) -> bytes:
        """Return the bytes that count."""
        return content[self.offset : self.offset + self.size if self.size else None]


@dataclass(frozen=True)
class Helper:
    """Something else that opens a container, and does not know one that is made again.

    Attributes:
        words: what it is.
        is_program: whether it is a program of the board's own, which may find another way.
    """

    words: str
    is_program: bool = False


@dataclass(frozen=True)
class Unopened:
    """A container that is made again, and does not open by itself, as it did.

    Attributes:
        why: in words.
        asks: whether somebody is asked for the passphrase instead, for certain.
    """

    why: str
    asks: bool

    @property
    def consequence(self) -> str:
        """What comes of it, in words."""
        asks = "it asks for its passphrase"
        return f"{self.why}: {asks if self.asks else 'it may ask for its passphrase, or fail'}"


@dataclass(frozen=True)
class ContainerKey:
    """A key that a container which is made again has to know.

    Attributes:
        container: number of the part.
        path: of the key file, for people.
        slot: the key slot that it is for; None for any.
    """

    container: int
    path: str
    slot: int | None
    key: bytes = field(repr=False)


def of_line(line: CrypttabEntry) -> KeyFile | Helper:
    """Return what a line says; without a word of it, a key file that may be there."""
    options = dict(option.partition("=")[::2] for option in line.options)
    for option, words in _HARDWARE.items():
        if option in options:
            return Helper(words)
    script = options.get("keyscript", "")
    if script and PurePosixPath(script).name not in _ASKING:
        return Helper(f"the program {script}", is_program=True)
    if script or line.key in _NO_FILE:
        return KeyFile(_USUAL_PLACE.format(line.name), is_needed=False)
    path, _, device = line.key.rpartition(":")
    if path and (device.startswith("/dev/") or "=" in device):
        return Helper(f"{path} on {device}")
    slot = _number(options.get("key-slot", ""), unknown=SLOTS)
    return KeyFile(
        line.key,
        offset=_number(options.get("keyfile-offset", "")),
        size=_number(options.get("keyfile-size", "")),
        slot=slot if slot < SLOTS else None,
    )


def by_tokens(tokens: Iterable[str]) -> Unopened | None:
    """Return what comes of a container that the tokens in its header opened; None for none."""
    others = sorted(set(tokens) - _OF_PEOPLE)
    words = ", ".join(_TOKENS.get(token, f"a token of the kind {token}") for token in others)
    return _unknown_to(words, asks=True) if words else None


def without_file(means: KeyFile | Helper, tokens: Iterable[str]) -> Unopened | None:
    """Return what comes of a line whose key file is not there, or that names none.

    None is for a passphrase that is asked for, as it ever was.
    """
    if isinstance(means, Helper):
        return _unknown_to(means.words, asks=not means.is_program)
    if means.is_needed:
        return Unopened(f"its key file {means.path} is not among its files", asks=False)
    return by_tokens(tokens)


def _unknown_to(words: str, *, asks: bool) -> Unopened:
    return Unopened(f"{words} opened it, and does not know a container that is made again", asks)


def _number(text: str, *, unknown: int = 0) -> int:
    is_number = text.isdecimal() and len(text) <= _DIGITS_MAX
    return int(text) if is_number else unknown
