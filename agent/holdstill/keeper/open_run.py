"""One run of a board at the keeper, from its beginning to the seal: what comes in is judged here.

A content comes by being sent or by being proven; both are charged to the board's account before
they cost anything.
"""

from __future__ import annotations

from contextlib import suppress
from itertools import islice
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, PreflightError, SecurityError, UsageError
from holdstill.keeper import incoming, ingest, trash
from holdstill.keeper.account import Spent
from holdstill.keeper.possession import Possession
from holdstill.model import names
from holdstill.model.protocol import BATCH

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

    from holdstill.keeper.account import Account
    from holdstill.keeper.incoming import Staging, TransferFolder
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName, Digest
    from holdstill.model.protocol import Ingested, Lacking, Proof, WantedContent
    from holdstill.system.clocks import Clock

ANNOUNCED_MAX = 4 * BATCH
"""Contents whose sizes are remembered until they arrive: some 20 MB of memory."""
BASIS_EXCESS = 4
"""A basis that takes more than so many times the bytes of the new content is not worth a copy."""


class OpenRun:
    """A run that has begun; the caller holds its lock.

    Attributes:
        staging: where contents arrive.
        possession: what the board has shown to have.
    """

    def __init__(
        self,
        store: Store,
        board: BoardName,
        staging: Staging,
        *,
        account: Account,
        clock: Clock,
        is_sharing: bool,
    ) -> None:
        self._store, self._board, self._clock = store, board, clock
        self._account = account
        self._announced: dict[Digest, int] = {}
        self.staging = staging
        self.possession = Possession(store, board, staging, is_sharing=is_sharing)

    def take_over_leftovers(self) -> None:
        """Take over what a cut-off run had sent whole, and keep what it was sending just then.

        All else that it left is given back, but what was laid out for it a moment ago. A folder
        that a transfer writes to is left alone: the line of the control channel alone was cut.
        """
        for folder in self.staging.folders:
            with (
                suppress(BusyError),
                self._no_receiver(folder, patience=incoming.LEFTOVER_PATIENCE),
            ):
                self._take_over(folder)

    def _take_over(self, folder: TransferFolder) -> None:
        self._account.look(folder)
        found = ingest.leftovers(self._store, folder.path)
        bases = incoming.unused_bases(folder.path, found, self._clock.now().timestamp())
        digests = [digest for digest in found if digest not in bases]
        claimed = ingest.claimed_size(folder.path, digests)
        if claimed <= self._account.left("hashed"):
            self._account.charge(Spent(hashed=claimed))
            ingest.ingest(
                self._store, folder.path, digests, self.possession,
                announced={}, spared=incoming.newest(folder.path, digests),
            )  # fmt: skip
        else:
            incoming.empty(self._store, folder.path)
        self._account.look(folder)

    def _no_receiver(
        self, folder: TransferFolder, patience: float = incoming.RECEIVER_PATIENCE
    ) -> AbstractContextManager[None]:
        return incoming.no_receiver(
            self._store, self._board, folder.number, clock=self._clock, patience=patience
        )

    def lacking(self, wanted: Sequence[WantedContent], number: int) -> Lacking:
        """Return which of these contents the board must send, and which it must prove to have.

        For a file that has an older content of this board here, a copy of that is laid out for
        rsync, in the folder of this number.

        Raises:
            UsageError: there is no such folder.
            PreflightError: there is no room for what is lacking.
            SecurityError: a content cannot have the size that is said.
        """
        folder = self._folder(number)
        _check_wanted(wanted)
        known = {names.check_digest(item.digest): item for item in wanted}
        with self._store.using_contents():
            absent = [digest for digest in known if not self._store.contents.has(digest)]
            gone = frozenset(absent) - trash.take_all_back(self._store, absent)
            here = [digest for digest in known if digest not in gone]
            own = self.possession.own(here)
            self.possession.note(own)  # whatever is thinned before the seal
            lacking = self.possession.ask([digest for digest in known if digest not in own])
        sent = [known[names.check_digest(digest)] for digest in lacking.send]
        self._account.check(Spent.of_files(item.size for item in sent))
        self._announce(sent)
        self._gather_parts(sent, folder)
        self._lay_bases(sent, folder)
        return lacking

    def _gather_parts(self, wanted: Sequence[WantedContent], folder: TransferFolder) -> None:
        """Have parts that an earlier transfer has left where the next one finds them."""
        for item in wanted:
            digest = names.check_digest(item.digest)
            for other in self.staging.folders:
                if other != folder and incoming.move_part(
                    self._store, self._board, digest, source=other, target=folder
                ):
                    self._account.look(other)
                    self._account.look(folder)

    def _announce(self, sent: Sequence[WantedContent]) -> None:
        """Remember the sizes of what is to come, of the last so many."""
        self._announced |= {names.check_digest(item.digest): item.size for item in sent}
        for digest in [*islice(self._announced, max(0, len(self._announced) - ANNOUNCED_MAX))]:
            del self._announced[digest]

    def _folder(self, number: int) -> TransferFolder:
        if not 0 <= number < len(self.staging.folders):
            raise UsageError(f"a run has no folder {number}")
        return self.staging.folders[number]

    def _lay_bases(self, wanted: Sequence[WantedContent], folder: TransferFolder) -> None:
        """Lay out the board's own older contents for rsync, while there is room.

        Its own, for rsync tells what is in them. A content without a basis is sent whole: so
        nothing here is an error.
        """
        bases = {item: names.check_digest(item.basis) for item in wanted if item.basis}
        own, laid = self.possession.own(bases.values()), Spent()
        for item, basis in bases.items():
            if basis not in own:
                continue
            digest = names.check_digest(item.digest)
            size = incoming.basis_size(self._store, folder.path, digest=digest, basis=basis)
            if not 0 < size <= BASIS_EXCESS * item.size:
                continue
            laid += Spent(bytes=size, inodes=1)
            try:
                self._account.check(laid)
            except PreflightError:
                break
            incoming.lay_basis(self._store, folder.path, digest=digest, basis=basis)
        if bases:
            self._account.look(folder)

    def prove(self, proofs: Sequence[Proof]) -> tuple[Digest, ...]:
        """Check that the board has what the last answer asked it to prove.

        Returns:
            The contents that it must send: what it said of them proves nothing.

        Raises:
            PreflightError: the board may have no more hashed today.
        """
        asked = self.possession.asked.intersection(proof.digest for proof in proofs)
        hashing = Spent(hashed=self.possession.size_of(asked))
        self._account.check(hashing)
        self._account.charge(hashing)
        unproven = self.possession.check(proofs)
        # What a proof was wrong of was read once more.
        again = self.possession.size_of(asked.intersection(unproven))
        self._account.charge(Spent(hashed=again))
        return unproven

    def ingest(self, digests: Sequence[Digest], number: int, *, is_cut: bool = False) -> Ingested:
        """Hash what arrived in a folder and take it over; name what was not as named.

        The board has no transfer to this folder any more: one that is still there has a dead line,
        and ends. is_cut: it was; what it wrote to last stays, to be gone on with.

        Raises:
            UsageError: there is no such folder.
            BusyError: a transfer into this run is still open.
            PreflightError: more arrived than may, or the board may have no more hashed today;
                nothing of it is left.
        """
        folder = self._folder(number)
        incoming.end_receivers(self._store, self._board, number, clock=self._clock)
        with self._no_receiver(folder):
            self._check_arrived(folder, digests)
            here = incoming.sizes(folder.path, digests)
            spared = incoming.newest(folder.path, here) if is_cut else None
            banked = ingest.ingest(
                self._store, folder.path, digests, self.possession,
                announced=self._announced, spared=spared,
            )  # fmt: skip
            self._account.look(folder)
        for digest in digests if not is_cut else ():
            self._announced.pop(digest, None)
        return banked

    def _check_arrived(self, folder: TransferFolder, digests: Sequence[Digest]) -> None:
        """Charge what arrived and what hashing it will cost, before it is hashed."""
        self._account.look(folder)
        hashing = Spent(hashed=ingest.claimed_size(folder.path, digests))
        try:
            self._account.check_not_overdrawn()
            self._account.check(hashing)
        except PreflightError:
            incoming.empty(self._store, folder.path)
            raise
        self._account.charge(hashing)


def _check_wanted(wanted: Sequence[WantedContent]) -> None:
    for item in wanted:
        if item.basis:
            names.check_digest(item.basis)
        if not 0 <= item.size <= ingest.SIZE_MAX:
            raise SecurityError(f"content {item.digest[:64]!r} cannot have {item.size} bytes")
