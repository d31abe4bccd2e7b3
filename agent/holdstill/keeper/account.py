"""What a board costs the keeper, by the run and by the day, and how much that may be.

All that a board puts on the disk first grows in its staging: what rsync brings, and copies of
older contents. So what counts is by how much the staging grew since it was last looked at, in
bytes and inodes as the disk lost them; what is taken over or removed gives nothing back. The
file account.json has what the staging held at the last look: a run that was killed in between
is charged by the next look, whoever takes it. Hashing is charged by the size that files claim,
before it begins.

A day is one of the keeper's clock (UTC). What was spent is remembered for some days: a clock that
was ahead takes nothing from the days that then come, and one that jumps back or forth gives
nothing back.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, NamedTuple, Self

import msgspec

from holdstill.errors import PreflightError
from holdstill.keeper import incoming
from holdstill.keeper.incoming import Arrived
from holdstill.model import sizes
from holdstill.model.layout import Record
from holdstill.model.protocol import FOLDERS
from holdstill.model.settings import OwnLimits
from holdstill.model.sizes import BLOCK, MIB
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.enrolment import Enrolment
    from holdstill.keeper.incoming import TransferFolder
    from holdstill.keeper.ledger import Ledger
    from holdstill.keeper.store import Store
    from holdstill.model.settings import BoardLimits, KeeperSettings
    from holdstill.system.clocks import Clock

NAME = "account.json"
DAYS_MOST = 16
"""So many days are remembered: half of them the newest, the others those nearest to today."""
MARGIN_MAX = 64 * MIB
"""Bytes kept free above min_free for what rsync writes until it is stopped."""


class Spent(Record, frozen=True, kw_only=True):
    """What something costs.

    Attributes:
        bytes: as the disk lost them (st_blocks).
        inodes: files and directories.
        hashed: bytes to be hashed, holes included.
    """

    bytes: int = 0
    inodes: int = 0
    hashed: int = 0

    def __add__(self, other: Self) -> Spent:
        return Spent(
            bytes=self.bytes + other.bytes,
            inodes=self.inodes + other.inodes,
            hashed=self.hashed + other.hashed,
        )

    @classmethod
    def of_files(cls, sizes_of_files: Iterable[int]) -> Self:
        """Return what files of so many bytes take on the disk, about: whole blocks."""
        blocks = [sizes.align_up(size, BLOCK) for size in sizes_of_files]
        return cls(bytes=sum(blocks), inodes=len(blocks))

    def growth_to(self, later: Spent) -> Spent:
        """Return by how much a folder grew, in bytes, inodes and to be hashed; never below 0."""
        return Spent(
            bytes=max(0, later.bytes - self.bytes),
            inodes=max(0, later.inodes - self.inodes),
            hashed=max(0, later.hashed - self.hashed),
        )


NOTHING = Spent()


class Balance(Record, frozen=True, kw_only=True):
    """The document account.json. Pure.

    Attributes:
        day: the last that the keeper's clock has shown (UTC).
        days: spent on each of the days that are remembered.
        run: spent since the board's last capture was sealed.
        staged: what each folder of the staging held at the last look; all of it is charged
            already.
    """

    day: date = date.min
    days: dict[date, Spent] = msgspec.field(default_factory=dict)
    run: Spent = NOTHING
    staged: tuple[Spent, ...] = (NOTHING,) * FOLDERS

    @property
    def today(self) -> Spent:
        """What was spent on its day."""
        return self.days.get(self.day, NOTHING)

    def on(self, day: date) -> Balance:
        """Return the balance on a day: a later one that was not there yet begins with nothing."""
        known = {self.day: self.today} | self.days
        spent = known.get(day, NOTHING if day > self.day else self.today)
        half = DAYS_MOST // 2
        nearest = sorted(known, key=lambda other: abs(other - day))[: half - 1]
        kept = {*nearest, *sorted(known)[-half:]}
        days = {other: known[other] for other in sorted(kept)} | {day: spent}
        return msgspec.structs.replace(self, day=day, days=days)

    def charged(self, spent: Spent) -> Balance:
        """Return the balance after something was spent."""
        days = self.days | {self.day: self.today + spent}
        return msgspec.structs.replace(self, days=days, run=self.run + spent)

    def looked(self, number: int, staged: Spent) -> Balance:
        """Return the balance after a look at a folder: what it grew by is charged."""
        before = (*self.staged, *(NOTHING,) * FOLDERS)[:FOLDERS]  # whoever wrote the document
        charged = self.charged(before[number].growth_to(staged))
        after = (*before[:number], staged, *before[number + 1 :])
        return msgspec.structs.replace(charged, staged=after)

    def sealed(self) -> Balance:
        """Return the balance after a capture was sealed: another run begins, the day goes on."""
        return msgspec.structs.replace(self, run=NOTHING)


class Allowance(NamedTuple):
    """One limit, as it stands.

    Attributes:
        key: the setting that says it.
        kind: what of `Spent` it limits.
        most, used, left: left is below 0 when it is overdrawn.
    """

    key: str
    kind: str
    most: int
    used: int
    left: int

    def said(self, board: str, wanted: int) -> str:
        """Say what is used and left, and what would come."""
        write = _count if self.kind == "inodes" else sizes.human
        free = self.key.startswith("min_free")
        rule = (
            f"{write(self.most)} of the keeper's disk stay free ({self.key})"
            if free
            else f"board {board} may {_VERBS[self.kind]} {write(self.most)} "
            f"{'a run' if self.key.endswith('_run') else 'a day'} ({self.key})"
        )
        now = f"{write(self.used)} are {'free' if free else 'used'}"
        coming = f", and {write(wanted)} would come" if wanted else ""
        return f"{rule}: {now}, there is room for {write(max(0, self.left))}{coming}"


_VERBS = {"bytes": "take", "inodes": "take", "hashed": "have hashed"}


def _count(number: int) -> str:
    return sizes.counted(number, "file")


@dataclass(frozen=True)
class Rules:
    """What limits a board: the keeper's settings, and the board's own limits if it has any."""

    settings: KeeperSettings
    limits: BoardLimits

    @classmethod
    def of(cls, settings: KeeperSettings, enrolled: Enrolment) -> Self:
        """Return the rules for a board: what it has no limit of its own for is as for all."""
        own = msgspec.structs.asdict(enrolled.limits or OwnLimits())
        set_here = {name: value for name, value in own.items() if value is not None}
        return cls(settings, msgspec.structs.replace(settings.limits, **set_here))

    @property
    def margin(self) -> int:
        """Bytes above min_free that no transfer may use."""
        return min(MARGIN_MAX, self.settings.min_free // 4)

    def allowances(self, balance: Balance, free: Spent) -> tuple[Allowance, ...]:
        """Return all limits as they stand with so much free on the disk. Pure."""
        floor, limits = self.settings, self.limits
        room = free.bytes - floor.min_free
        files = free.inodes - floor.min_free_inodes
        today = balance.today
        found = [
            Allowance("min_free", "bytes", floor.min_free, free.bytes, room - self.margin),
            Allowance("min_free_inodes", "inodes", floor.min_free_inodes, free.inodes, files),
            _of_day("bytes", limits.bytes_per_day, today.bytes, self._share(room, today.bytes)),
            _of_day("inodes", limits.inodes_per_day, today.inodes,
                    self._share(files, today.inodes)),
        ]  # fmt: skip
        if limits.hashed_per_day:
            found.append(_of_day("hashed", limits.hashed_per_day, today.hashed, 0))
        if limits.bytes_per_run:
            used, most = balance.run.bytes, limits.bytes_per_run
            found.append(Allowance("bytes_per_run", "bytes", most, used, most - used))
        return tuple(found)

    def _share(self, room: int, used: int) -> int:
        """Return the share of what would be free had the board used nothing today."""
        return int(self.settings.daily_share * max(0, room + used))


def _of_day(kind: str, limit: int, used: int, share: int) -> Allowance:
    key = f"{kind}_per_day" if limit else "daily_share"
    most = limit or share
    return Allowance(key, kind, most, used, most - used)


class Account:
    """One board's account at the keeper, for a run or for a transfer: there may be several."""

    def __init__(
        self, store: Store, enrolled: Enrolment, settings: KeeperSettings, *, clock: Clock
    ) -> None:
        self._store, self._board, self._clock = store, enrolled.board, clock
        self.rules = Rules.of(settings, enrolled)
        self._folder = store.root / "boards" / enrolled.board

    @property
    def limits(self) -> BoardLimits:
        """The board's limits: its own, or those of all boards."""
        return self.rules.limits

    def balance(self) -> Balance:
        """Return how it stands today."""
        try:
            found = msgspec.json.decode(files.read_regular(self._folder / NAME), type=Balance)
        except (FileNotFoundError, msgspec.DecodeError):
            found = Balance()
        return found.on(self._clock.now().date())

    def allowances(self) -> tuple[Allowance, ...]:
        """Return all limits as they stand."""
        free_bytes, free_inodes = self._store.free()
        return self.rules.allowances(self.balance(), Spent(bytes=free_bytes, inodes=free_inodes))

    def left(self, kind: str) -> int:
        """Return how much of a kind ("bytes", "inodes", "hashed") may come."""
        found = (allowance.left for allowance in self.allowances() if allowance.kind == kind)
        return max(0, min(found, default=1 << 62))

    def check(self, wanted: Spent) -> None:
        """Refuse what does not fit.

        Raises:
            PreflightError: with the limit, what is used and what is left.
        """
        for allowance in self.allowances():
            amount: int = getattr(wanted, allowance.kind)
            if amount and amount > allowance.left:
                raise self.refused(allowance, amount)

    def check_not_overdrawn(self) -> None:
        """Refuse to go on when more has come than may.

        Raises:
            PreflightError: as in `check`.
        """
        for allowance in self.allowances():
            spare = self.rules.margin if allowance.key == "min_free" else 0
            if allowance.left + spare < 0:
                raise self.refused(allowance)

    def check_captures(self, ledger: Ledger) -> None:
        """Refuse one more capture than a board may bring in a day.

        They are counted in the ledger, by when they arrived.

        Raises:
            PreflightError: with what to do.
        """
        most = self.limits.captures_per_day
        today = self._clock.now().strftime("%Y-%m-%d")
        brought = sum(
            event.brief.arrived_at[:10] == today and not event.taken_in for event in ledger.sealed
        )
        if most and brought >= most:
            raise PreflightError(
                f"board {self._board} may bring {most} captures a day (captures_per_day), and has "
                f"brought {brought} today ({today}, UTC)",
                hint="go on tomorrow, or raise limits.captures_per_day in the keeper's "
                f"keeper.yaml or in {self._folder / 'enrolment.yaml'}",
            )

    def refused(self, allowance: Allowance, wanted: int = 0) -> PreflightError:
        """Return the refusal of more than one limit allows, with what to do about it."""
        own = self._folder / "enrolment.yaml"
        if allowance.key.startswith("min_free"):
            hint = (
                "at the keeper, `holdstill thin` says which captures may go, and with --apply "
                "deletes them; or give it a larger disk"
            )
        elif allowance.key == "daily_share":
            hint = (
                f"a board may take {self.rules.settings.daily_share:.0%} of what is free a day: "
                f"go on tomorrow, or set limits.{allowance.kind}_per_day in the keeper's "
                f"keeper.yaml, or for this board alone in {own}"
            )
        else:
            hint = f"raise limits.{allowance.key} in the keeper's keeper.yaml or in {own}"
        return PreflightError(allowance.said(self._board, wanted), hint=hint)

    def charge(self, spent: Spent) -> None:
        """Charge what does not show in the staging."""
        with self._changed() as book:
            book.balance = book.balance.charged(spent)

    @contextmanager
    def spending(self, spent: Spent) -> Iterator[None]:
        """Charge what the block writes; the board's other sessions wait for their turn.

        Raises:
            PreflightError: as in `check`.
        """
        with self._changed() as book:
            self.check(spent)
            book.balance = book.balance.charged(spent)
            yield

    def look(self, folder: TransferFolder) -> Arrived:
        """Charge what has come into a folder since the last look; return what is there."""
        with self._changed() as book:
            found = _arrived(folder.path)
            staged = Spent(bytes=found.bytes, inodes=found.inodes)
            book.balance = book.balance.looked(folder.number, staged)
        return found

    def sealed(self) -> None:
        """Note that a capture was sealed."""
        with self._changed() as book:
            book.balance = book.balance.sealed()

    @contextmanager
    def _changed(self) -> Iterator[_Book]:
        """Hold the account for a change; it is written when it is another than before.

        Also when the block fails: what it charged may have reached the disk.
        """
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        handle = os.open(self._folder / "account.lock", flags, 0o600)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            before = self.balance()
            book = _Book(before)
            try:
                yield book
            finally:
                if book.balance != before:
                    document = msgspec.json.encode(book.balance)
                    self._store.disk.publish(self._folder / NAME, document)
        finally:
            os.close(handle)


@dataclass
class _Book:
    balance: Balance


def _arrived(folder: Path) -> Arrived:
    with suppress(FileNotFoundError):  # another process has just given it up
        return incoming.arrived(folder)
    return Arrived(0, 0, ())
