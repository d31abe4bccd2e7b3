"""A sibling: a board's files, changed where they identify it or name its partitions.

A replacement changes nothing. A sibling must not be mistaken for the board that it was made
from, by its network, by ssh clients, or by a keeper; and it must find its own partitions.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.rebuild import fstab_references, host_identity, id_map, small_files, ssh_host_keys
from holdstill.rebuild.new_identity import IdentityChange, NewIdentity
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.reference_changes import ReferenceChanges
from holdstill.rebuild.small_files import SmallFileReader

if TYPE_CHECKING:
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.rebuild.new_identity import Draw
    from holdstill.rebuild.small_files import FileLookup
    from holdstill.rebuild.ssh_host_keys import KeyMaker

NAME_FILES = ("etc/hostname", "etc/hosts", "etc/mailname")
MACHINE_ID_FILES = ("etc/machine-id", "var/lib/dbus/machine-id")
SETTINGS = "etc/holdstill/board.yaml"
BOARD_KEYS = "etc/holdstill/*_ed25519"
HOST_KEYS = "etc/ssh/ssh_host_*_key"
SEEDS = ("var/lib/systemd/random-seed", "var/lib/urandom/random-seed", "loader/random-seed")
"""Two machines that start from the same seed draw the same keys."""
LEASES = (
    "etc/dhcpcd.duid",
    "var/lib/dhcpcd/duid",
    "var/lib/dhcpcd/secret",
    "var/lib/dhcpcd5/duid",
    "var/lib/dhcp/*.leases",
    "var/lib/dhclient/*.leases",
    "var/lib/NetworkManager/*.lease",
    "var/lib/NetworkManager/secret_key",
    "var/lib/holdstill/*",
)
"""What DHCP and our own agent remember of themselves; each makes it again when it is missing."""
LEFT = {
    "etc/ssh/*-cert.pub": "a certificate for the old host key: have a new one signed",
    "etc/dropbear/dropbear_*_host_key": "the board's own host key: make a new one there",
    "EFI/Linux/*.efi": "a kernel with its command line inside: check it, or make it anew",
    "boot/efi/EFI/Linux/*.efi": "a kernel with its command line inside: check it, or make it anew",
}
"""What a person must check."""
FIXED_ADDRESS_PLACES = (
    "etc/systemd/network/*",
    "etc/network/interfaces",
    "etc/network/interfaces.d/*",
    "etc/NetworkManager/system-connections/*",
)
_FIXED_ADDRESS = (b"MACAddress=", b"hwaddress", b"mac-address=")
"""Of systemd.network(5), interfaces(5), and NetworkManager, which has cloned-mac-address, too."""
ENTRIES = "loader/entries/*.conf"
"""UAPI.1 Boot Loader Specification: an entry may name the machine."""


@dataclass(frozen=True)
class Sibling:
    """A capture turned into another board.

    Attributes:
        manifest: with new ids, for the planner and the writers.
        overlay: the changed files, for the writers.
        changes: everything that was changed, for people.
        left: what was not and may have to be, for people.
    """

    manifest: Manifest
    overlay: Overlay
    changes: tuple[IdentityChange, ...]
    left: tuple[IdentityChange, ...]


@dataclass(frozen=True)
class SiblingTools:
    """What making a sibling needs: its source of randomness, and of keys."""

    draw: Draw
    keys: KeyMaker


def make_sibling(
    old: Manifest,
    identity: NewIdentity,
    *,
    files: FileLookup,
    contents: ContentSource,
    tools: SiblingTools,
    gap: bytes = b"",
    lost: frozenset[tuple[int, bytes]] = frozenset(),
) -> Sibling:
    """Work out every file that a sibling has otherwise; nothing is written.

    Args:
        old: what was captured.
        identity: who the sibling is.
        files: the captured entries.
        contents: what is in them.
        tools: where chance and keys come from.
        gap: the bytes of the boot gap, which are only read.
        lost: files, by partition and path, that are left out, for their contents are damaged. One
            that the sibling has otherwise anyway, such as a key or a seed, is there again.

    Raises:
        VerificationError: a file's content does not match its digest.
    """
    work = _SiblingMaker(old, identity, SmallFileReader(files, contents, lost), tools)
    for part in old.parts:
        work.visit(part.number)
    work.references.note_initramfs(part.number for part in old.parts)
    work.note_gap(gap)
    return Sibling(
        identity.manifest,
        Overlay(work.files, frozenset(work.removed), lost.difference(work.files, work.removed)),
        (*identity.changes, *work.references.changes),
        tuple(work.references.left),
    )


class _SiblingMaker:
    """The changes collected so far."""

    def __init__(
        self, old: Manifest, identity: NewIdentity, reader: SmallFileReader, tools: SiblingTools
    ) -> None:
        self._old = old
        self._new = identity.manifest
        self._ids = id_map.IdMap(identity.ids, devices=identity.devices)
        self._reader = reader
        self._tools = tools
        self.references = ReferenceChanges(reader, self._ids)
        self.files, self._changes = self.references.files, self.references.changes
        self._left = self.references.left
        self.removed: set[tuple[int, bytes]] = set()

    def visit(self, part: int) -> None:
        """Change what has to be changed in one partition."""
        self.references.visit(part)
        old, new = self._old.board, self._new.board
        for pattern in NAME_FILES:
            for found in self._reader.small(part, pattern):
                content = self.references.current(found)
                renamed = host_identity.with_hostname(content, old.hostname, new.hostname)
                self.references.replace(found, renamed, "host name")
        for found in self._reader.small(part, SETTINGS):
            self.references.replace(
                found, host_identity.with_board(found.content, old.name, new.name), "board"
            )
        self._name_machine(part)
        self._renew_machine_id(part)
        for entry in self._reader.matching(part, HOST_KEYS):
            kind = ssh_host_keys.HOST_KEY.fullmatch(os.fsdecode(entry.name))
            if kind and kind[1] in ssh_host_keys.KINDS:
                self._renew_key(part, entry, kind[1], "host key")
            else:
                self._drop(part, entry, "a host key of a kind that is not made any more, removed")
        for entry in self._reader.matching(part, BOARD_KEYS):
            self._renew_key(part, entry, "ed25519", "key for the keeper, which must enrol it")
        self._renew_seeds(part)
        self._forget(part)
        self._report(part)

    def _name_machine(self, part: int) -> None:
        """Write the new machine-id into the entries of a boot loader."""
        old, new = self._old.board.machine_id, self._new.board.machine_id
        for folder in ("", *fstab_references.BOOT_FOLDERS):
            for found in self._reader.small(part, f"{folder}/{ENTRIES}".lstrip("/")):
                content = self.references.current(found)
                entry = host_identity.with_machine_id(content, old, new)
                self.references.replace(found, entry, "machine-id")

    def _renew_machine_id(self, part: int) -> None:
        old, new = self._old.board.machine_id, self._new.board.machine_id
        for pattern in MACHINE_ID_FILES:
            for found in self._reader.small(part, pattern):
                if old and found.content.strip() == old.encode():
                    self.files[part, found.path] = new.encode() + b"\n"
                    self._changes.append(IdentityChange(found.where, "machine-id", old, new))

    def _renew_key(self, part: int, entry: Entry, kind: str, what: str) -> None:
        public_path = entry.path + b".pub"
        line = self._reader.content_of(part, public_path)
        pair = self._tools.keys.make(
            kind,
            bits=ssh_host_keys.bits_of(line),
            comment=ssh_host_keys.comment_of(line, name=self._new.board.name),
        )
        self.files[part, entry.path] = pair.private
        if self._reader.has(part, public_path):
            self.files[part, public_path] = pair.public
        old, new = (paths.display(text.strip()) for text in (line, pair.public))
        self._changes.append(IdentityChange(_where(part, entry), what, old, new))

    def _renew_seeds(self, part: int) -> None:
        for pattern in SEEDS:
            for entry in self._reader.matching(part, pattern):
                if entry.size <= small_files.LIMIT:
                    self.files[part, entry.path] = self._tools.draw(entry.size)
                    self._changes.append(IdentityChange(_where(part, entry), "new random bytes"))

    def _forget(self, part: int) -> None:
        for pattern in LEASES:
            for entry in self._reader.matching(part, pattern):
                self._drop(part, entry, "removed, since it says who the board is")

    def _drop(self, part: int, entry: Entry, what: str) -> None:
        self.removed.add((part, entry.path))
        self._changes.append(IdentityChange(_where(part, entry), what))

    def _report(self, part: int) -> None:
        for pattern, what in LEFT.items():
            for entry in self._reader.matching(part, pattern):
                self._left.append(IdentityChange(_where(part, entry), what))
        for pattern in FIXED_ADDRESS_PLACES:
            for found in self._reader.small(part, pattern):
                if any(word in found.content for word in _FIXED_ADDRESS):
                    self._left.append(
                        IdentityChange(found.where, "sets a hardware address: give it another")
                    )

    def note_gap(self, gap: bytes) -> None:
        """Report a loader outside every partition that names an old id."""
        if self._ids.replace(gap).replaced:
            what = "names an old id, perhaps in a loader's environment: set it anew on the board"
            self._left.append(IdentityChange("boot gap", what))


def _where(part: int, entry: Entry) -> str:
    return f"partition {part}: {paths.display(entry.path)}"
