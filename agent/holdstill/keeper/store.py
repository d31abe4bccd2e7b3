"""The store on disk: where everything is, how it is made, opened and told apart.

STORE/store.yaml                     format version, what the file system can do
STORE/content/ab/<sha256>            0400, never modified after it appears
STORE/boards/<board>/enrolment.yaml  its public keys, limits, retention
STORE/boards/<board>/captures/...    sealed captures
STORE/boards/<board>/incoming/...    what is arriving; the only place a board writes to
STORE/boards/<board>/sealing/...     a capture in the making, out of the board's reach
STORE/boards/<board>/latest/...      the newest capture's files, to look at (latest_tree)
STORE/boards/<board>/ledger.jsonl    what was sealed, when, in which order
STORE/READ-ME-FIRST.txt              how to get a card out of it by hand
STORE/references.sqlite              which captures need which contents; derived (references)
STORE/trash/                         renamed here first, then deleted
"""

from __future__ import annotations

import difflib
import errno
import fcntl
import os
import pwd
import secrets
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from typing import TYPE_CHECKING

import yaml

from holdstill.errors import (
    BusyError,
    DocumentError,
    MachineError,
    PreflightError,
    SecurityError,
    UsageError,
)
from holdstill.keeper.content_store import SHARDS, ContentStore
from holdstill.keeper.known_boards import KnownBoards
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import names, strict_yaml
from holdstill.model.layout import Record
from holdstill.model.sizes import BLOCK
from holdstill.system import clocks, files
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock

FORMAT = 1
LOCK, GATE = "lock", "gate"
REMEMBERED = "boards.txt"
"""All boards, one a line: name, number of the newest capture, and the beginning of the SHA-256 of
these. What is gone is missed."""
WATCHED = "watch.json"
"""What `keeper watch` told last."""
VERIFIED = "verified.sqlite"
"""When `verify` last found each content good; it only spares work."""
BY_HAND = "READ-ME-FIRST.txt"
DISCARDED = "discarded-"
"""In trash/: what is being deleted. Nothing of it is of use to anybody."""
_LIMIT = 64 << 10
_LOCKED = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW
AT_GATE, _LOOK, _ROUNDS = 2.0, 0.01, 450
"""Seconds for which newcomers are kept out, from one look to the next; how often: half an hour."""


class Abilities(Record, frozen=True, kw_only=True):
    """What the store's file system can do, as tried out when the store was made.

    Attributes:
        hard_links: without them there is no tree of the newest capture to look at.
        case_sensitive: without it some names of a tree cannot be laid out.
        any_bytes: whether names that are not text, or hold : ? * or end in a dot, are kept.
        long_names: whether a name may have 255 bytes.
        sparse: whether holes take no space.
    """

    hard_links: bool
    case_sensitive: bool
    any_bytes: bool
    long_names: bool
    sparse: bool

    def complaints(self) -> tuple[str, ...]:
        """Return what this file system cannot do, in sentences."""
        said = {
            "no hard links: there is no tree of the newest capture to look at": self.hard_links,
            "upper and lower case are the same: some names are missing in latest/": (
                self.case_sensitive
            ),
            "some file names cannot be kept: they are missing in latest/": self.any_bytes,
            "no names of 255 bytes: longer ones are missing in latest/": self.long_names,
            "no sparse files: holes take space": self.sparse,
        }
        return tuple(sentence for sentence, able in said.items() if not able)


class StoreFacts(Record, frozen=True, kw_only=True):
    """The document store.yaml."""

    format: int
    created: str
    abilities: Abilities


@dataclass(frozen=True)
class Store:
    """An open store. Opening one changes nothing."""

    root: Path
    facts: StoreFacts
    disk: StoreDisk

    @cached_property
    def contents(self) -> ContentStore:
        """The distinct file bodies."""
        return ContentStore(self.root / "content", self.disk)

    @property
    def trash(self) -> Path:
        """Where things go before they are deleted."""
        return self.root / "trash"

    def board_folder(self, board: BoardName) -> Path:
        """Return the folder of a board, enrolled or not."""
        return self.root / "boards" / names.check_board(board)

    def boards(self) -> tuple[BoardName, ...]:
        """Return the enrolled boards, in order; what no board can be called is passed over."""
        return tuple(
            names.check_board(folder.name)
            for folder in self.board_folders()
            if names.is_board(folder.name) and _is_file(folder / "enrolment.yaml")
        )

    def board_folders(self) -> tuple[Path, ...]:
        """Return all that is in boards/, in order: enrolled or not, whatever its name."""
        return tuple(sorted((self.root / "boards").iterdir()))

    @property
    def known_boards(self) -> KnownBoards:
        """What is known of the boards beside their folders."""
        return KnownBoards(self.root / REMEMBERED, self.root / "boards", self.disk)

    def lost_boards(self) -> tuple[BoardName, ...]:
        """Return the boards that the store has had, and whose folder is gone, in order.

        Each was told to the store, and nobody has said that it is to be forgotten.
        """
        here = {folder.name for folder in self.board_folders()}
        return tuple(sorted(self.known_boards.names() - here))

    def lay_out(self) -> None:
        """Make the folders that a store has from the beginning, those that are missing.

        They may be empty, and many a program that copies a store leaves such out.
        """
        for folder in ("content", "boards", "trash", *(f"content/{shard}" for shard in SHARDS)):
            self.ensure_own(self.root / folder)
        self._lay_out_page()

    def _lay_out_page(self) -> None:
        """Have the page that says how to make a card without this program, as it should be."""
        page, path = by_hand(), self.root / BY_HAND
        with suppress(OSError):
            if files.read_regular(path) == page:
                return
        with files.alone_in(self.root):  # several boards begin at once
            self.discard(path)
            self.disk.publish(path, page)

    def check_own(self, folder: Path) -> None:
        """Refuse a folder that a symlink leads to: what is behind it is not the store's to delete.

        Whatever empties a folder of the store asks here, or in `ensure_own`, beforehand.

        Raises:
            MachineError: it, or one that it is in, is a symlink.
        """
        for place in (folder, *folder.parents):
            if place == self.root:
                return
            if place.is_symlink():
                raise MachineError(
                    f"{place} is a symlink, where the store has a folder of its own",
                    hint="nothing behind it was touched. Take the symlink away, and put the "
                    "folder itself there if its files are needed",
                )

    def ensure_own(self, folder: Path) -> None:
        """Make a folder of the store that is not there.

        Raises:
            MachineError: something else is there.
        """
        self.check_own(folder)
        if not folder.is_dir():
            if folder.exists():
                raise MachineError(
                    f"{folder} is no folder, where the store has one of its own",
                    hint="move that away; a folder is made in its place",
                )
            self.disk.make_directory(folder)

    def discard(self, folder: Path) -> None:
        """Take a folder or file out of sight at once, then delete it; gone already is fine.

        Raises:
            MachineError: it is not in the store itself, but behind a symlink.
        """
        if not os.path.lexists(folder):
            return
        self.check_own(folder.parent)
        self.check_own(self.trash)
        # A name of its own: what rests in the trash under others may be taken back.
        grave = self.trash / f"{DISCARDED}{secrets.token_hex(8)}"
        try:
            self.disk.rename(folder, grave)
        except FileNotFoundError:
            if os.path.lexists(folder):
                raise
            return  # somebody else was quicker
        self.disk.remove_tree(grave)

    @contextmanager
    def using_contents(self) -> Iterator[None]:
        """Keep contents from being swept while the block begins to use some."""
        with files.opened(self.root / LOCK, _LOCKED) as lock:
            with files.opened(self.root / GATE, _LOCKED) as gate:
                fcntl.flock(gate, fcntl.LOCK_SH)
                fcntl.flock(lock, fcntl.LOCK_SH)
            yield

    @contextmanager
    def alone_with_contents(self) -> Iterator[None]:
        """Keep everybody from beginning to use contents for the block.

        The way to the lock leads through a gate, where whoever wants it alone keeps newcomers out:
        flock(2) lets one share follow the other without end. For AT_GATE at a time, for somebody
        may use contents for very long, and the others are not to wait for that.

        Raises:
            BusyError: they are in use all the time.
        """
        with files.opened(self.root / LOCK, _LOCKED) as lock:
            clock = SystemClock()
            for _ in range(_ROUNDS):
                with files.opened(self.root / GATE, _LOCKED) as gate:
                    fcntl.flock(gate, fcntl.LOCK_EX)
                    if _locked_within(lock, AT_GATE, clock):
                        break
                clock.sleep(AT_GATE)
            else:
                raise BusyError(
                    f"the contents of {self.root} are in use all the time",
                    hint="see which board's session takes so long: `ps` shows `holdstill keeper "
                    "serve`; `holdstill keeper retire` ends a board's that means harm",
                )
            yield

    def free(self) -> tuple[int, int]:
        """Return the free bytes and inodes that an ordinary user may use."""
        state = os.statvfs(self.root)
        free = state.f_bavail * state.f_frsize
        # File systems without a number of inodes (btrfs) report 0 of 0: each takes room there.
        return free, state.f_favail if state.f_files else free // BLOCK

    def size(self) -> int:
        """Return the bytes of the store's file system."""
        state = os.statvfs(self.root)
        return state.f_blocks * state.f_frsize


def _locked_within(lock: int, seconds: float, clock: SystemClock) -> bool:
    """Take a lock alone, if it can be had in so many seconds; return whether it was."""
    ends = clock.monotonic() + seconds
    while True:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if clock.monotonic() >= ends:
                return False
            clock.sleep(_LOOK)
        else:
            return True


def _is_file(path: Path) -> bool:
    """Whether there is a file, as far as this user may know."""
    with suppress(OSError):
        return path.is_file()
    return False


def create(root: Path, *, clock: Clock, disk: StoreDisk | None = None) -> Store:
    """Make a store in an empty or new directory; an existing store is opened instead.

    Raises:
        UsageError: the directory holds something else.
        PreflightError: its file system cannot hold a store.
    """
    disk = disk or StoreDisk()
    if (root / "store.yaml").is_file():
        there = open_store(root, disk=disk)
        there.lay_out()
        return there
    _claim(root, disk)
    abilities = probe(root, disk)
    facts = StoreFacts(format=FORMAT, created=clocks.rfc3339(clock.now()), abilities=abilities)
    made = Store(root, facts, disk)
    made.lay_out()
    disk.sync_all(root)
    disk.publish(root / "store.yaml", encode(facts))  # last: with it, the store exists
    return made


def by_hand() -> bytes:
    """Return the page that says how to make a card from a store without this program."""
    return resources.files("holdstill.keeper").joinpath("by-hand.txt").read_bytes()


def is_there(root: Path) -> bool:
    """Return whether there is a store; where nobody lets us look, there may be one."""
    try:
        (root / "store.yaml").lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except PermissionError:
        pass
    return True


def check_is_there(root: Path) -> None:
    """Check that there is a store, whoever may read it.

    Raises:
        UsageError: there is none.
        MachineError: there is one, but for its first file.
    """
    if not is_there(root):
        if _left_of_a_store(root):
            raise MachineError(
                f"{root / 'store.yaml'} is gone; the rest of a store is there",
                hint=_facts_back(root),
            )
        raise UsageError(
            f"{root} is not a store: there is no {root / 'store.yaml'}",
            hint=f"{_meant(root)}if it is on a disk of its own, mount that first (`findmnt "
            f"--target {root}` shows what is mounted there). {_spelling(root)}Only where there "
            "has never been a store does `holdstill keeper init` make one",
        )


def _spelling(root: Path) -> str:
    if root.exists():
        return ""
    return "There is nothing of this name: is it spelt right, and named before all other words? "


def _meant(root: Path) -> str:
    """Return what is likely meant by a path where no store is, as the beginning of a hint."""
    if "ssh:" in root.parts:
        return "one on another machine is written ssh://user@host; "
    above = next((top for top in root.parents if is_there(top)), None)
    if above is not None:
        return f"the store is {above}: name that; "
    with suppress(OSError):
        beside = [each.name for each in root.parent.iterdir() if is_there(each)]
        if near := difflib.get_close_matches(root.name, beside, n=1):
            return f"{root.with_name(near[0])} is one: is that meant? "
    return "name the directory that has store.yaml in it; " if root.exists() else ""


def open_store(root: Path, *, disk: StoreDisk | None = None) -> Store:
    """Open a store; nothing is changed.

    Raises:
        UsageError: there is none.
        SecurityError: its format is unknown.
    """
    check_is_there(root)
    data = files.read_regular(root / "store.yaml")
    try:
        return Store(root, _facts(root, data), disk or StoreDisk())
    except DocumentError as error:
        raise DocumentError(
            str(root / "store.yaml"),
            error.problems,
            hint=_facts_back(root),
        ) from error


def _facts_back(root: Path) -> str:
    """Say how a store gets its store.yaml back; what that has is of the file system alone."""
    fresh = root / "fresh"
    return (
        "put it back from a copy, or take that of a store made anew on the same disk: as the "
        f"store's owner, `holdstill keeper init {fresh}`, `mv {fresh / 'store.yaml'} {root}` and "
        f"`rm -r {fresh}`; the captures are not the worse for it"
    )


def _facts(root: Path, data: bytes) -> StoreFacts:
    document = strict_yaml.load_yaml(data, "store.yaml", limit=_LIMIT)
    version = document.get("format") if isinstance(document, dict) else None
    if document is None:
        raise DocumentError("store.yaml", ["it is empty, as a file may be after a power cut"])
    if version != FORMAT:
        raise SecurityError(
            f"{root / 'store.yaml'}: format {version!r} of a store is not one that this version "
            f"reads ({FORMAT})",
            hint="use the version of holdstill that made it, or a newer one",
        )
    return strict_yaml.decode(document, StoreFacts, "store.yaml")


def encode(document: Record) -> bytes:
    """Write one of the store's own documents."""
    plain = strict_yaml.to_plain(document)
    return yaml.safe_dump(plain, sort_keys=False, allow_unicode=True).encode()


_UNFINISHED = frozenset(
    {"content", "boards", "trash", ".probe", ".store.yaml.draft", "lost+found"}
    | {BY_HAND, f".{BY_HAND}.draft"}
)
"""What an interrupted init can have left; lost+found is what a fresh ext4 holds."""


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:  # a user without a name: in a container, say
        return str(os.geteuid())


def _claim(root: Path, disk: StoreDisk) -> None:
    """Make the directory, or take one that is empty or holds an interrupted init."""
    if not root.exists():
        try:
            disk.make_directory(root)
        except FileNotFoundError as error:
            raise PreflightError(
                f"{root.parent} does not exist", hint="make it first, or mount the disk it is on"
            ) from error
        except PermissionError as error:
            raise PreflightError(
                f"{root.parent} is not yours to write to",
                hint=f"let root make {root} for the keeper's user: "
                f"`sudo install -d -o {_user()} -m 700 {root}`; then say this again",
            ) from error
        return
    if not root.is_dir():
        raise UsageError(f"{root} is not a directory", hint="name a new or an empty directory")
    strange = sorted(item.name for item in root.iterdir() if item.name not in _UNFINISHED)
    left = _left_of_a_store(root)
    if strange or left:
        again = f"this was a store, and its store.yaml is gone: {_facts_back(root)}"
        raise UsageError(
            f"{root} is not empty and is no store: it holds {', '.join([*left, *strange][:5])}",
            hint=again if left else "choose a new or empty directory",
        )


def _left_of_a_store(root: Path) -> list[str]:
    """Return what boards have brought into a directory without a store.yaml, or some of it."""
    found = [f"boards/{item.name}" for item in _listed(root / "boards")]
    for shard in _listed(root / "content"):
        found += [f"content/{shard.name}/{item.name}" for item in _listed(shard)]
        if found:
            break
    return found


def _listed(folder: Path) -> Iterator[Path]:
    with suppress(OSError):  # none, or nobody lets us look
        yield from folder.iterdir()


def probe(root: Path, disk: StoreDisk) -> Abilities:
    """Try out what the file system under root can do.

    Raises:
        PreflightError: it cannot rename, or cannot sync.
    """
    folder = root / ".probe"
    disk.remove_tree(folder)
    disk.make_directory(folder)
    try:
        try:
            disk.create(folder / "one", b"1")
            disk.create(folder / "two", b"2")
            disk.sync_file(folder / "two")
            disk.rename(folder / "two", folder / "one")
            disk.sync_directory(folder)
            held = (folder / "one").read_bytes()
        except OSError as error:
            raise PreflightError(f"{folder.parent} cannot hold a store: {error}") from error
        if held != b"2":
            raise PreflightError(
                f"{folder.parent} cannot hold a store: renaming over a file fails"
            )
        disk.create(folder / "Case", b"")
        is_case_sensitive = not (folder / "case").exists()
        path = folder / "hole"
        with path.open("wb") as file:
            file.truncate(1 << 20)
        keeps_holes = path.stat().st_blocks * 512 < 1 << 20
        return Abilities(
            hard_links=_can_link(folder, disk),
            case_sensitive=is_case_sensitive,
            any_bytes=_takes(folder, [b"\xff\xfe", b"a:b?c*", b"dot.", b"new\nline"]),
            long_names=_takes(folder, [b"n" * 255]),
            sparse=keeps_holes,
        )
    finally:
        disk.remove_tree(folder)


def _can_link(folder: Path, disk: StoreDisk) -> bool:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        disk.link_at(os.fspath(folder / "one"), b"linked", handle)
    except OSError:
        return False
    finally:
        os.close(handle)
    return (folder / "one").stat().st_nlink == 2


def _takes(folder: Path, wanted: list[bytes]) -> bool:
    try:
        for name in wanted:
            os.mkdir(os.path.join(os.fsencode(folder), name), 0o700)  # noqa: PTH102, PTH118  bytes
    except OSError as error:
        if error.errno in {errno.ENOSPC, errno.EIO, errno.EROFS}:
            raise
        return False
    listed = set(os.listdir(os.fsencode(folder)))  # noqa: PTH208  bytes
    return listed.issuperset(wanted)
