"""Sends large files that are followed: in hot rounds what they read, after the pause the rest.

A hot round's pieces are of different moments, so a file that is written to has no content before
the pause. Only after it is its list made, of the pieces that were clean at the instant, which the
keeper has from the rounds, and of those that are in memory since the pause, or just before it.
"""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING, Protocol

from holdstill.board.followed_file import Piece
from holdstill.board.followed_files import MOST, can_be_followed
from holdstill.board.full_scan import is_pending
from holdstill.errors import VerificationError
from holdstill.model.paths import display
from holdstill.model.pieces import PIECE, PIECED_FROM, build, is_pieced, piece_digest
from holdstill.system import file_status
from holdstill.workflow.attachments import PiecedFile
from holdstill.workflow.ports import ContentReader
from holdstill.workflow.upload import known_pieces, pending_large
from holdstill.workflow.upload_pieces import PiecesToSend

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from holdstill.board.followed_file import FollowedFile
    from holdstill.board.followed_files import FileInPause, FollowedFiles, FollowedPart, Listed
    from holdstill.model.entries import Entry
    from holdstill.model.pieces import PieceList
    from holdstill.records.index_queries import Index
    from holdstill.workflow.delivery import TransferStats
    from holdstill.workflow.mounted_tree import SpooledPlace
    from holdstill.workflow.upload import KnownLists, Uploader
    from holdstill.workflow.upload_pieces import PieceUploader


class FollowedTree(ContentReader, Protocol):
    """A live tree, of which some files are followed."""

    @property
    def followed(self) -> FollowedPart:
        """Its large files that are followed."""


class FollowedUploader:
    """Takes followed files to the keeper.

    Args:
        whole: takes all other files there.
        pieces_up: sends pieces.
        lists: that the board remembers.
        seq: of the run.
        stats: counts what was read.
        followed: the followed files of all partitions.
    """

    def __init__(
        self,
        *,
        whole: Uploader,
        pieces_up: PieceUploader,
        lists: KnownLists,
        seq: int,
        stats: TransferStats,
        followed: FollowedFiles,
    ) -> None:
        self._whole, self._pieces, self._lists = whole, pieces_up, lists
        self._seq, self._stats = seq, stats
        self._followed = followed

    def resume(
        self, index: Index, trees: Mapping[int, FollowedTree], capture: str, last: int
    ) -> None:
        """Follow files on from a capture; before any look, and before the first scan.

        Those of which something was kept, and then those that are as the index lists them, the
        last changed ones first, as far as there is room.

        Args:
            index: as that capture, or a later run, left it.
            trees: by partition.
            capture: the keeper's newest of this board; it has all their pieces.
            last: rows of the index from runs numbered so, and before, are of that capture; 0 for
                none.
        """
        for file in self._followed.remembered(capture):
            listed, tree = self._list(file.digest), trees.get(file.part)
            if listed is None or tree is None:
                continue
            for entry in index.by_inode(file.part, file.inode):
                with suppress(OSError), _opened(tree, entry) as handle:
                    self._followed.resume(handle, file, listed)
        for tree in trees.values() if last else ():
            newest = index.newest_large(tree.part, least=PIECED_FROM, until=last, limit=MOST)
            for entry in reversed(newest):  # those that make room for others first
                self._assume(tree, entry)

    def _assume(self, tree: FollowedTree, entry: Entry | None) -> None:
        """Follow a file whose content the keeper has from where it was listed."""
        listed = self._list(entry.digest) if entry else None
        if entry and listed:
            with suppress(OSError), _opened(tree, entry) as handle:
                if tree.is_same(entry, handle):
                    tree.followed.assume(handle, entry.digest, listed)

    def _list(self, digest: bytes) -> Listed | None:
        """Return what reads a list again, if it is remembered: together they may be large."""
        if self._lists.list_of(digest) is None:
            return None
        return partial(self._lists.list_of, digest)

    def upload_live(self, index: Index, tree: FollowedTree) -> None:
        """Send all that is pending in a live tree; what changes all the time stays pending.

        A file is followed if an earlier capture has it, so that little of it is sent, or if it
        changes while it is read. Where there are more than can be followed, these come first.
        """
        followed, part = tree.followed, tree.part

        def is_settled(inode: int) -> bool:
            return not any(is_pending(row) for row in index.by_inode(part, inode))

        pending = list(pending_large(index, part))
        known = [entry.seen.inode for entry in pending if self._is_known(tree, entry)]
        followed.make_room(known, is_settled)
        self._follow(index, tree, lambda entry: self._is_known(tree, entry))
        self._whole.upload_pending(
            index, tree, skipped=lambda entry: followed.holds(entry.seen.inode)
        )
        followed.make_room([one.seen.inode for one in pending_large(index, part)], is_settled)
        self._follow(index, tree, lambda entry: not followed.holds(entry.seen.inode))
        for entry in pending:
            self._assume(tree, index.get(part, entry.path))

    def upload_taken(self, index: Index, place: SpooledPlace) -> None:
        """Complete the lists of what the pause took in pieces, and send these pieces.

        Raises:
            VerificationError: the disk did not take what was written to one of the files, or what
                was known of it is lost.
        """
        for entry in pending_large(index, place.part):
            if found := place.in_pieces(entry):
                _check_written(found.file, entry)
                listed = _listed(found, entry)
                known = _clean(found, listed)
                file = PiecedFile(display(entry.path), found.taken.spooled.path, listed)
                changed = self._pieces.upload_alone(PiecesToSend(file, known))
                if not changed:  # else it stays pending
                    self._enter(index, place.part, entry, listed)

    def upload_as_found(self, index: Index, tree: FollowedTree) -> None:
        """Send what is pending and large as it is found; its parts may be of different moments.

        For files that change faster than they can be read, where nothing can be held still. Each
        piece is sent as it was read, from memory: they need not fit the spool.
        """
        for entry in pending_large(index, tree.part):
            with suppress(OSError), _opened(tree, entry) as handle:
                status = file_status.of_handle(handle)
                if status.st_ino == entry.seen.inode and can_be_followed(status):
                    self._send_as_found(index, tree, entry, handle)

    def _send_as_found(self, index: Index, tree: FollowedTree, entry: Entry, handle: int) -> None:
        size, digests, ended = file_status.of_handle(handle).st_size, list[bytes](), 0

        def read() -> Iterator[Piece]:
            nonlocal ended
            for offset in range(0, size, PIECE):
                if not (data := os.pread(handle, min(PIECE, size - offset), offset)):
                    return  # it was cut: here is its end, as it was found
                digests.append(piece_digest(data))
                ended += len(data)
                yield Piece(offset, data, digests[-1])
                if len(data) < PIECE:
                    return

        lost = self._pieces.upload_read(piece for piece in read() if piece.digest)
        self._stats.hashed_bytes += ended
        if lost or not is_pieced(ended):
            return  # it stays pending
        listed = build(ended, PIECE, digests)
        file = PiecedFile(display(entry.path), tree.path(entry), listed)
        if self._pieces.upload_alone(PiecesToSend(file, frozenset(digests))):
            return
        self._stats.hashed_files += 1
        # As described before it was read: so the next capture finds that it changed.
        for row in index.by_inode(tree.part, entry.seen.inode):
            if is_pending(row):
                index.put(tree.part, row._replace(size=ended), seq=self._seq)
        self._enter(index, tree.part, entry._replace(size=ended), listed)

    def _is_known(self, tree: FollowedTree, entry: Entry) -> bool:
        return tree.followed.holds(entry.seen.inode) or bool(tree.older(entry))

    def _follow(self, index: Index, tree: FollowedTree, wanted: Callable[[Entry], bool]) -> None:
        for entry in pending_large(index, tree.part):
            if tree.followed.takes(entry.seen.inode) and wanted(entry):
                try:
                    handle = tree.open(entry)
                except OSError:
                    continue  # it is gone
                try:
                    # Else it is another file.
                    if file_status.of_handle(handle).st_ino == entry.seen.inode:
                        self._hot_round(index, tree, entry, handle)
                except OSError:
                    tree.followed.forget(entry.seen.inode)
                finally:
                    os.close(handle)

    def _hot_round(self, index: Index, tree: FollowedTree, entry: Entry, handle: int) -> None:
        """Read what is dirty of a file, and send it.

        A file that was read whole, and did not change meanwhile, has its content now.
        """
        file = tree.followed.follow(handle)
        if file is None:
            return
        is_whole = file.is_unread and tree.is_same(entry, handle)
        if self._send(tree, entry, file):
            tree.followed.forget(entry.seen.inode)
        elif is_whole and tree.is_same(entry, handle):
            self._enter(index, tree.part, entry, file.listed_as_read(entry.size))

    def _send(self, tree: FollowedTree, entry: Entry, file: FollowedFile) -> frozenset[str]:
        """Read and send what is dirty; return what did not arrive."""
        known = known_pieces(self._lists, tree, entry)

        def read() -> Iterator[Piece]:
            for piece in tree.followed.hot_round(file):
                self._stats.hashed_bytes += len(piece.data)
                if piece.digest and piece.digest not in known:
                    yield piece

        self._stats.hashed_files += 1
        return self._pieces.upload_read(read())

    def _enter(self, index: Index, part: int, entry: Entry, listed: PieceList) -> None:
        self._lists.save_list(listed)
        index.set_digest(part, entry, listed.digest(), seq=self._seq)
        index.commit()


def _check_written(file: FollowedFile, entry: Entry) -> None:
    try:
        file.check_written()
    except OSError as error:
        raise VerificationError(
            f"{display(entry.path)}: the disk did not take what was written to it: "
            f"{error.strerror}",
            hint="nothing was sealed; the capture before this one is as good as it was. The card "
            "may be dying, or full: look at what the kernel says (`dmesg`)",
        ) from error


def _listed(found: FileInPause, entry: Entry) -> PieceList:
    try:
        return found.file.listed(found.taken)
    except OSError as error:
        raise VerificationError(
            f"{display(entry.path)}: what was known of its pieces cannot be read any more: "
            f"{error.strerror}",
            hint="nothing was sealed; capture again: what is not known is read whole",
        ) from error


@contextmanager
def _opened(tree: FollowedTree, entry: Entry) -> Iterator[int]:
    handle = tree.open(entry)
    try:
        yield handle
    finally:
        os.close(handle)


def _clean(found: FileInPause, listed: PieceList) -> frozenset[bytes]:
    """Return the pieces that the rounds have read, so that the keeper has them."""
    taken = frozenset(found.taken.numbers)
    return frozenset(
        part.digest
        for part in listed.parts()
        if part.digest and part.offset // listed.piece not in taken
    )
