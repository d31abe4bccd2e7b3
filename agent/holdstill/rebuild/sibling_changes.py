"""A sibling: a board's files, changed where they identify it or name its partitions.

A replacement changes nothing. A sibling must not be mistaken for the board that it was made
from, by its network, by ssh clients, or by a keeper; and it must find its own partitions.
"""

from __future__ import annotations

import itertools
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.rebuild import fstab_references, host_identity, id_map, small_files, ssh_host_keys
from holdstill.rebuild.new_identity import IdentityChange, NewIdentity
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.small_files import SmallFileReader

if TYPE_CHECKING:
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.rebuild.id_map import RewrittenText
    from holdstill.rebuild.new_identity import Draw
    from holdstill.rebuild.small_files import FileLookup, SmallFile
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
_INITRAMFS = ("initrd*", "initramfs*", "uInitrd*")
_RESUME = ("etc/initramfs-tools/", "etc/dracut", "etc/crypttab", "etc/mkinitcpio.conf")
"""Files whose content also lives inside the initramfs, where it cannot be changed from here."""


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
    work.note_initramfs()
    work.note_gap(gap)
    return Sibling(
        identity.manifest,
        Overlay(work.files, frozenset(work.removed), lost.difference(work.files, work.removed)),
        (*identity.changes, *work.changes),
        tuple(work.left),
    )


class _SiblingMaker:
    """The changes collected so far."""

    def __init__(
        self, old: Manifest, identity: NewIdentity, reader: SmallFileReader, tools: SiblingTools
    ) -> None:
        self._old = old
        self._new = identity.manifest
        self._ids = id_map.IdMap(identity.ids)
        self._reader = reader
        self._tools = tools
        self.files: dict[tuple[int, bytes], bytes] = {}
        self.removed: set[tuple[int, bytes]] = set()
        self.changes: list[IdentityChange] = []
        self.left: list[IdentityChange] = []
        self._touches_initramfs = False

    def visit(self, part: int) -> None:
        """Change what has to be changed in one partition."""
        in_boot = itertools.product(
            ("", *fstab_references.BOOT_FOLDERS), fstab_references.BOOT_PLACES
        )
        places = (f"{folder}/{place}".lstrip("/") for folder, place in in_boot)
        for pattern in (*fstab_references.ROOT_PLACES, *places):
            for found in self._reader.small(part, pattern):
                self._refer(found)
        old, new = self._old.board, self._new.board
        for pattern in NAME_FILES:
            for found in self._reader.small(part, pattern):
                content = self._current(found)
                renamed = host_identity.with_hostname(content, old.hostname, new.hostname)
                self._replace(found, renamed, "host name")
        for found in self._reader.small(part, SETTINGS):
            self._replace(
                found, host_identity.with_board(found.content, old.name, new.name), "board"
            )
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

    def _current(self, found: SmallFile) -> bytes:
        """Return a file as it is by now: some are changed for two reasons."""
        return self.files.get((found.part, found.path), found.content)

    def _replace(self, found: SmallFile, rewritten: RewrittenText, what: str) -> None:
        if not rewritten.replaced:
            return
        self.files[found.part, found.path] = rewritten.content
        self.changes += [
            IdentityChange(found.where, what, old, new) for old, new in rewritten.replaced
        ]

    def _refer(self, found: SmallFile) -> None:
        path = os.fsdecode(found.path)
        rewritten = fstab_references.rewrite(path, self._current(found), self._ids)
        if rewritten is None:
            self.left.append(
                IdentityChange(found.where, "has a form that cannot be changed: look at it")
            )
            return
        self._replace(found, rewritten, "refers to")
        if rewritten.replaced and path.startswith(_RESUME):
            self._touches_initramfs = True
        if "loader/entries/" in path:
            old, new = self._old.board.machine_id, self._new.board.machine_id
            entry = host_identity.with_machine_id(self._current(found), old, new)
            self._replace(found, entry, "machine-id")

    def _renew_machine_id(self, part: int) -> None:
        old, new = self._old.board.machine_id, self._new.board.machine_id
        for pattern in MACHINE_ID_FILES:
            for found in self._reader.small(part, pattern):
                if old and found.content.strip() == old.encode():
                    self.files[part, found.path] = new.encode() + b"\n"
                    self.changes.append(IdentityChange(found.where, "machine-id", old, new))

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
        self.changes.append(IdentityChange(_where(part, entry), what, old, new))

    def _renew_seeds(self, part: int) -> None:
        for pattern in SEEDS:
            for entry in self._reader.matching(part, pattern):
                if entry.size <= small_files.LIMIT:
                    self.files[part, entry.path] = self._tools.draw(entry.size)
                    self.changes.append(IdentityChange(_where(part, entry), "new random bytes"))

    def _forget(self, part: int) -> None:
        for pattern in LEASES:
            for entry in self._reader.matching(part, pattern):
                self._drop(part, entry, "removed, since it says who the board is")

    def _drop(self, part: int, entry: Entry, what: str) -> None:
        self.removed.add((part, entry.path))
        self.changes.append(IdentityChange(_where(part, entry), what))

    def _report(self, part: int) -> None:
        for pattern, what in LEFT.items():
            for entry in self._reader.matching(part, pattern):
                self.left.append(IdentityChange(_where(part, entry), what))
        for pattern in FIXED_ADDRESS_PLACES:
            for found in self._reader.small(part, pattern):
                if any(word in found.content for word in _FIXED_ADDRESS):
                    self.left.append(
                        IdentityChange(found.where, "sets a hardware address: give it another")
                    )

    def note_gap(self, gap: bytes) -> None:
        """Report a loader outside every partition that names an old id."""
        if self._ids.replace(gap).replaced:
            what = "names an old id, perhaps in a loader's environment: set it anew on the board"
            self.left.append(IdentityChange("boot gap", what))

    def note_initramfs(self) -> None:
        """Report which initramfs may hold what was changed outside of it."""
        if not self._touches_initramfs:
            return
        for part in self._old.parts:
            for folder, pattern in itertools.product(
                ("", *fstab_references.BOOT_FOLDERS), _INITRAMFS
            ):
                place = f"{folder}/{pattern}".lstrip("/")
                for entry in self._reader.matching(part.number, place):
                    what = "may hold old ids inside: make it anew on the board"
                    self.left.append(IdentityChange(_where(part.number, entry), what))


def _where(part: int, entry: Entry) -> str:
    return f"partition {part}: {paths.display(entry.path)}"
