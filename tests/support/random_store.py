"""A store that lives through random nights, beside a plain model of what it must still have.

The model is a dictionary: a capture's folder, and the digests that it was made of. Those come
from the bytes that the board had, not from anything that the keeper says.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import sqlite3
from collections import defaultdict
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError
from holdstill.keeper import account_captures, enrolment, references, repair, thin
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.model.settings import Retention
from support import keeping, programs
from support.faulty import FaultyDisk, Loss, PowerCutDisk, PowerCutError
from support.keeping import (
    KEY,
    OTHER_KEY,
    PIER_3,
    PIER_4,
    Board,
    FakeClock,
    FakeSignatures,
    QuickDisk,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.keeper.store_disk import StoreDisk
    from holdstill.model.names import BoardName

DAY = 86_400.0
KEYS = {PIER_3: KEY, PIER_4: OTHER_KEY}
BODIES = tuple(b"body %d " % number * 9 for number in range(12))
"""So few that boards share them, and that old ones come back."""
CALLS = 70
"""Calls of a disk among which the power goes: a capture of these boards makes about so many."""
COPIES: Mapping[str, tuple[str, ...]] = {
    "cp -r": ("cp", "-r"),
    "cp -a": ("cp", "-a"),
    "rsync -a": ("rsync", "-a"),
    "rsync -aH": ("rsync", "-aH"),
}


class NoLinksDisk(QuickDisk):
    """A disk without second names for a file, as FAT has none."""

    def link_at(self, source: str, name: bytes, at: int) -> None:
        raise OSError(errno.EPERM, "Operation not permitted", source)


def sha256(body: bytes) -> str:
    """Return the name that a body has in a store."""
    return hashlib.sha256(body).hexdigest()


@dataclass
class RandomStore:
    """The store, its boards' files, and the model.

    Attributes:
        kept: for each board, the digests that each of its captures needs, by name. Their
            contents must be there.
        doubtful: captures that a cut found being deleted: they may be there or not; one that is
            there must be whole.
        spoiled: digests that the disk spoiled, and that no capture has brought again.
        lamed: boards whose enrolment cannot be read.
        told: what was done, for whoever has to understand a failure.
    """

    folder: Path
    seed: int
    clock: FakeClock = field(default_factory=FakeClock)
    disk: StoreDisk = field(default_factory=QuickDisk)
    kept: dict[BoardName, dict[str, frozenset[str]]] = field(
        default_factory=lambda: defaultdict(dict)
    )
    doubtful: dict[BoardName, dict[str, frozenset[str]]] = field(
        default_factory=lambda: defaultdict(dict)
    )
    spoiled: set[str] = field(default_factory=set)
    lamed: dict[BoardName, bytes] = field(default_factory=dict)
    files: dict[BoardName, dict[bytes, bytes]] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)  # noqa: S311  a test's
        self.copies = 0
        self.root = self.folder / "boathouse"
        made = keeping.make_store(self.root, clock=self.clock)
        enrolment.enrol(made, PIER_4, OTHER_KEY, clock=self.clock, limits=None)
        for board in KEYS:
            self.files[board] = {b"etc/same": b"on both boards"}

    def opened(self, disk: StoreDisk | None = None) -> Store:
        """Open the store where it is now."""
        return stores.open_store(self.root, disk=disk or self.disk)

    # What happens to it.

    def step(self) -> None:
        """Do something at random; then everything that is kept must be whole."""
        deeds: dict[Callable[[], None], int] = {
            self.capture: 6, self.thin: 3, self.collect: 3, self.cut: 4, self.copy: 2,
            self.spoil_and_repair: 1, self.lame: 1, self.heal: 1, self.lose_references: 2,
            self.wait: 1,
        }  # fmt: skip
        (deed,) = self.random.choices(list(deeds), weights=list(deeds.values()))
        deed()
        self.check()

    def capture(self, disk: StoreDisk | None = None) -> None:
        """Let a board change some files and take a capture."""
        name = self._some_board()
        self._change(name)
        self.clock.advance(DAY)
        self.told.append(f"capture {name}")
        if name in self.lamed:
            with pytest.raises(HoldstillError):
                self._sender(name, disk)
        else:
            self._capture_of(name, disk)

    def _capture_of(self, name: BoardName, disk: StoreDisk | None) -> None:
        """Take a capture; what a power cut leaves of it may be there, and then it is whole."""
        sender = self._sender(name, disk)
        with sender.keeper as keeper:
            begun = keeper.begin()
            sender.deliver(begun)
            data = sender.attach(begun)
            taken = f"{begun.seq:06}-{self.clock.now():%Y%m%dT%H%M%SZ}"
            self.doubtful[name][taken] = self._digests(sender, begun.seq)
            sealed = keeper.seal(data, sender.signed(data))
        assert sealed.name == taken, sealed
        self.kept[name][taken] = self.doubtful[name].pop(taken)
        self.spoiled -= self.kept[name][taken]

    def thin(self, disk: StoreDisk | None = None) -> None:
        """Delete captures of a board but the newest few."""
        name, least = self._some_board(), self.random.randint(1, 3)
        self.told.append(f"thin {name} to {least}")
        rule = Retention(days=0, weeks=0, months=0, years=0, at_least=least)
        if name in self.lamed:
            with pytest.raises(HoldstillError):
                self._thin(name, rule, disk)
            return
        present = sorted(self._present(name))
        for victim in present[:-least]:
            if victim in self.kept[name]:
                self.doubtful[name][victim] = self.kept[name].pop(victim)
        self._thin(name, rule, disk)
        for victim in present[:-least]:
            self.doubtful[name].pop(victim, None)

    def _thin(self, name: BoardName, rule: Retention, disk: StoreDisk | None) -> None:
        thin.delete_captures(
            self.opened(disk), name, rule, clock=self.clock, runner=FakeSignatures()
        )

    def collect(self, disk: StoreDisk | None = None) -> None:
        """Collect garbage, often where all contents look old."""
        if self.random.random() < 0.7:
            for held in self.opened().contents.all():
                os.utime(held.path, times=(0, 0))
        grace = self.random.choice((0.0, 3 * DAY))
        self.told.append(f"collect, grace {grace / DAY:.0f} days")
        found = keeping.collect(self.opened(disk), self.clock, grace=grace)
        assert found.complaints == ()

    def cut(self) -> None:
        """Do one of these while the power goes; what the disk forgets is chosen as well."""
        loss = self.random.choice(list(Loss))
        at = self.random.randint(1, CALLS)
        self.told.append(f"cut at {at}, losing {loss.name}:")
        try:
            self.random.choice((self.capture, self.thin, self.collect))(PowerCutDisk(at, loss))
        except PowerCutError as error:
            self.told.append(f"  {error}")

    def copy(self) -> None:
        """Go on with a copy of the store, on a disk that may know no second names."""
        way = self.random.choice(list(COPIES))
        self.disk = self.random.choice((QuickDisk, NoLinksDisk))()
        self.told.append(f"{way} to a {type(self.disk).__name__}")
        self.copies += 1
        target = self.folder / f"copy-{self.copies}"
        source = f"{self.root}/" if way.startswith("rsync") else str(self.root)
        programs.run(*COPIES[way], source, str(target))
        shutil.rmtree(self.root)
        self.root = target

    def spoil_and_repair(self) -> None:
        """Let the disk spoil the content of a file, and have it repaired."""
        held = self.opened()
        bodies = [names.check_digest(sha256(body)) for body in BODIES]
        found = [digest for digest in bodies if held.contents.has(digest)]
        if not found:
            return
        digest = self.random.choice(found)
        path = held.contents.path(digest)
        path.chmod(0o600)
        path.write_bytes(b"spoiled" + path.read_bytes()[7:])
        outcome = repair.repair(held, digest)
        self.told.append(f"spoil {digest[:8]}: {outcome}")
        if outcome is repair.RepairResult.AWAITED:
            self.spoiled.add(digest)

    def lame(self) -> None:
        """Damage the enrolment of a board."""
        name = self._some_board()
        path = self.opened().board_folder(name) / "enrolment.yaml"
        self.told.append(f"damage the enrolment of {name}")
        self.lamed.setdefault(name, path.read_bytes())
        path.write_bytes(b"board: [")

    def heal(self) -> None:
        """Put all enrolments back."""
        for name, document in self.lamed.items():
            (self.opened().board_folder(name) / "enrolment.yaml").write_bytes(document)
        self.told.append("enrolments put back")
        self.lamed.clear()

    def lose_references(self) -> None:
        """Lose the references, damage their file, or let them forget something."""
        path = self.root / references.NAME
        how = self.random.choice(("gone", "damaged", "rows lost", "captures lost"))
        self.told.append(f"references: {how}")
        if how == "gone" or not path.exists():
            references.discard(self.opened())
        elif how == "damaged":
            path.write_bytes(b"damaged" + path.read_bytes()[7:])
        else:
            self._forget("span WHERE content" if how == "rows lost" else "capture WHERE seq")

    def _forget(self, what: str) -> None:
        """Let the database forget a quarter of its rows, if it is one."""
        which = self.random.randrange(4)
        with suppress(sqlite3.DatabaseError), closing(self._database()) as db, db:
            db.execute(f"DELETE FROM {what} % 4 = {which}")  # noqa: S608  from above

    def _database(self) -> sqlite3.Connection:
        return sqlite3.connect(self.root / references.NAME)

    def wait(self) -> None:
        """Let days go by."""
        days = self.random.randint(1, 20)
        self.told.append(f"{days} days later")
        self.clock.advance(days * DAY)

    # What must be true of it.

    def check(self) -> None:
        """Fail if anything is missing that a capture needs, or a capture itself."""
        for name in KEYS:
            present, known = self._present(name), self.kept[name] | self.doubtful[name]
            assert set(self.kept[name]) <= present <= set(known), "\n".join(self.told)
            for capture in sorted(present):
                self._check_whole(known[capture])

    def _check_whole(self, digests: frozenset[str]) -> None:
        contents = self.opened().contents
        for digest in digests:
            path = contents.path(names.check_digest(digest))
            if digest in self.spoiled and not path.exists():
                continue
            assert path.exists(), f"{digest} is lost:\n" + "\n".join(self.told)
            assert sha256(path.read_bytes()) == digest, "\n".join(self.told)

    def check_end(self) -> None:
        """When all is quiet again, garbage is gone, and the references agree with the model."""
        self.heal()
        for name in KEYS:
            self.clock.advance(DAY)
            self._capture_of(name, None)
        self.check()
        keeping.collect(self.opened(), self.clock)
        needed = {digest for name in KEYS for digest in self._needed(name)}
        held = {content.digest for content in self.opened().contents.all()}
        assert needed - self.spoiled <= held <= needed, "\n".join(self.told)
        (look,) = (self.root / "trash").iterdir()
        assert look.name.startswith("looked-"), "\n".join(self.told)
        counted = self._counted()
        assert counted == self._modelled(), "\n".join(self.told)
        if not self.spoiled:
            assert account_captures.make_again(self.opened()) == ()
            assert self._counted() == counted

    def _needed(self, name: BoardName) -> set[str]:
        known = self.kept[name] | self.doubtful[name]
        return {digest for capture in self._present(name) for digest in known[capture]}

    def _modelled(self) -> set[tuple[str, str, str]]:
        return {
            (name, capture, digest)
            for name in KEYS
            for capture in self._present(name)
            for digest in (self.kept[name] | self.doubtful[name])[capture]
        }

    def _counted(self) -> set[tuple[str, str, str]]:
        """Return (board, capture, digest) of all that the database says."""
        with closing(self._database()) as db:
            rows = db.execute(
                "SELECT board.name, capture.name, lower(hex(digest)) FROM span "
                "JOIN board ON board.id = span.board JOIN content ON content.id = content "
                "JOIN capture ON capture.board = board.id "
                "AND seq BETWEEN first AND coalesce(last, head)"
            )
            return {(board, capture, digest) for board, capture, digest in rows}

    # The boards.

    def _some_board(self) -> BoardName:
        return self.random.choice(list(KEYS))

    def _present(self, name: BoardName) -> set[str]:
        """Return the captures that are there; one without a manifest was being deleted."""
        folder = self.opened().board_folder(name) / "captures"
        return {path.name for path in folder.iterdir() if (path / "manifest.yaml").exists()}

    def _change(self, name: BoardName) -> None:
        for number in range(self.random.randint(0, 3)):
            path = b"srv/%d" % self.random.randint(0, 5)
            self.files[name][path] = self.random.choice(BODIES)
            if number == 2:
                del self.files[name][path]

    def _sender(self, name: BoardName, disk: StoreDisk | None) -> Board[LocalKeeper]:
        held = self.opened(disk)

        def carry(sent: Mapping[str, bytes], folder: str) -> None:
            keeping.put(sent, folder)
            if isinstance(disk, FaultyDisk):
                for digest in sent:
                    disk.received(Path(folder, digest))

        return Board(
            keeping.keeper_of(held, clock=self.clock, board=name),
            name=name,
            clock=self.clock,
            files=dict(self.files[name]),
            gap=keeping.gap_of(b"boot code of " + name.encode()),
            sign=lambda data: keeping.seal_of(data, name, KEYS[name]),
            carry=carry,
        )

    @staticmethod
    def _digests(sender: Board[LocalKeeper], seq: int) -> frozenset[str]:
        """Return the digests of all that this capture is made of, from the bytes themselves."""
        found = {sha256(body) for body in sender.files.values()}
        for attached in (sender.index(seq=seq), *sender.attachments().values()):
            found |= set(keeping.pieces_of(attached))
        return frozenset(found)
