"""Captures read from afar: with a board's own key, from a keeper at the other end of SSH.

The key may read what its own board stored, and nothing else. The keeper is not trusted: the
manifest must be signed by the very key that is used, and be the one of the capture's name; index
and attachments must have the digests that it states; every content is hashed where it is used,
or when it is read back from the target.

Nothing is kept when the work is done. Meanwhile there are on this machine: the index, the boot
gap, raw partitions that were asked for, and as much of the contents as `workflow.prefetch` allows.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import SecurityError, UsageError
from holdstill.model import names
from holdstill.model.names import CaptureName
from holdstill.records import manifest_file, signature
from holdstill.workflow import capture_ref
from holdstill.workflow.prefetch import LIMIT, PrefetchCache, any_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName, Digest
    from holdstill.model.pieces import Part
    from holdstill.model.protocol import CaptureBrief, Hello
    from holdstill.system.process import Runner
    from holdstill.transport.rsync import TransferResult


class FetchService(Protocol):
    """A keeper that lets a board read its own captures, or a reader those of boards."""

    def choose(self, board: str) -> Hello:
        """Of a reader's key: read this board's captures from now on."""

    def hello(self) -> Hello:
        """Return the keeper's state, and which board the key belongs to."""

    def captures(self) -> tuple[CaptureBrief, ...]:
        """Return the board's captures, oldest first."""

    def manifest(self, name: str) -> bytes:
        """Return a capture's manifest, as it was signed."""

    def signature(self, name: str) -> bytes:
        """Return the signature of a capture's manifest."""

    def stage(self, name: str, digests: Sequence[str]) -> str:
        """Have contents of a capture staged for fetching; return the folder."""


class RsyncFetcher(Protocol):
    """Fetches files from the keeper's end."""

    def fetch(self, source: str, target: Path) -> TransferResult:
        """Get one file, or the files in a folder (`source` ends in a slash)."""


class RemoteLibrary:
    """The captures of the board that a key belongs to, or of those that a reader's key may read.

    A reader has the boards' own keys from the keeper: that it could lie about them, and so about
    the captures, is why they are remembered from the first time on (`remembered`).

    Attributes:
        boards: what may be read.
        board: the one that is read now.
    """

    def __init__(
        self,
        service: FetchService,
        fetcher: RsyncFetcher,
        key: str,
        *,
        machine: Runner,
        folder: Path,
        limit: int = LIMIT,
        remembered: Callable[[str, Sequence[str]], None] = lambda _board, _keys: None,
        is_boards_key: bool = False,
    ) -> None:
        """Begin; remembered is told the keys of each board that a reader reads.

        A board's key (is_boards_key) believes its own signatures only.

        Raises:
            SecurityError: the keeper takes a board's own key for a reader's, for whom it could
                name other signers.
        """
        self._service, self._fetcher = service, fetcher
        self._keys: tuple[str, ...] = (key,)
        self._machine = machine
        self._folder, self._limit = folder, limit
        self._remembered = remembered
        hello = service.hello()
        self._is_reader = not hello.board
        if self._is_reader and is_boards_key:
            raise SecurityError(
                "the keeper takes this board's own key for a reader's",
                hint="at the keeper, `holdstill keeper accept` shows which keys are boards'; if "
                "nobody changed it, do not believe what it says",
            )
        readable = hello.readable if self._is_reader else (hello.board,)
        self.boards: tuple[BoardName, ...] = tuple(names.check_board(name) for name in readable)
        self._board: BoardName | None = None if self._is_reader else self.boards[0]

    @property
    def board(self) -> BoardName:
        """The board that is read.

        Raises:
            UsageError: there are several, and none was named.
        """
        if self._board is None and len(self.boards) == 1:
            return self.check_own(self.boards[0])
        if self._board is None:
            raise UsageError(
                f"this key reads {len(self.boards)} boards: {', '.join(self.boards) or 'none'}",
                hint="name one of them",
            )
        return self._board

    def briefs(self) -> tuple[CaptureBrief, ...]:
        """List the captures, oldest first, each with the faults that the keeper reports."""
        return self._service.captures()

    def briefs_of(self, board: str) -> tuple[CaptureBrief, ...]:
        """List the captures of a board that the key may read, as `briefs` does."""
        self.check_own(board)
        return self.briefs()

    def check_own(self, board: str) -> BoardName:
        """Return a board's name if the key is its own, or may read it: it is read from now on.

        Raises:
            UsageError: it is another one's.
        """
        name = names.check_board(board)
        if self._is_reader:
            return self._chosen(name)
        if name != self.board:
            raise UsageError(
                f"this key is that of board {self.board}, not of {board}",
                hint=f"use {board}'s own key, or run this at the keeper, which knows every board",
            )
        return self.board

    def _chosen(self, board: BoardName) -> BoardName:
        if board not in self.boards:
            raise UsageError(
                f"this key does not read board {board}",
                hint=f"it reads {', '.join(self.boards) or 'none'}; at the keeper, `holdstill "
                "keeper reader add` lets it read others",
            )
        if board != self._board:
            keys = self._service.choose(board).keys
            self._remembered(board, keys)
            self._keys, self._board = keys, board
        return board

    def find(self, reference: str) -> RemoteCapture:
        """Return the capture that BOARD or BOARD/CAPTURE means, with what is wrong with it.

        Raises:
            UsageError: there is none, or it is another board's.
        """
        board, _, which = reference.partition("/")
        self.check_own(board)
        briefs = self.briefs()
        brief = capture_ref.chosen(briefs, which, board)
        data, seal = self._service.manifest(brief.name), self._service.signature(brief.name)
        line = _Line(self._service, self._fetcher, brief.name, self._folder, self._limit)
        return RemoteCapture(
            self.board,
            CaptureName.parse(brief.name),
            data,
            (*brief.faults, *self._doubts(brief.name, data, seal)),
            line.cache,
            brief,
        )

    def _doubts(self, name: str, data: bytes, seal: bytes) -> tuple[str, ...]:
        """Return what this side finds wrong; the keeper is not trusted."""
        try:
            signature.verify(data, seal, board=self.board, keys=self._keys, runner=self._machine)
        except SecurityError:
            return ("bad signature: no key of the board signed it",)
        manifest = manifest_file.decode(data, f"manifest of {self.board} {name}")
        if manifest.board.name != self.board or manifest.seq != CaptureName.parse(name).seq:
            return (f"bad name: it is capture {manifest.seq} of {manifest.board.name}",)
        return ()


class _Line:
    """Fetches what belongs to one capture."""

    def __init__(
        self, service: FetchService, fetcher: RsyncFetcher, name: str, folder: Path, limit: int
    ) -> None:
        self._service, self._fetcher, self._name = service, fetcher, name
        self._folder = folder / name
        contents = self._folder / "contents"
        contents.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.cache = PrefetchCache(contents, self.contents, limit=limit)

    def contents(self, digests: Sequence[Digest], folder: Path) -> None:
        """Fetch contents into a folder."""
        place = self._service.stage(self._name, digests)
        self._fetcher.fetch(f"{place}/", folder)


class RemoteCapture:
    """One capture at the other end, with what is wrong with it; of the shape of a stored one.

    Attributes:
        cache: the contents that were fetched.
    """

    def __init__(
        self,
        board: BoardName,
        name: CaptureName,
        data: bytes,
        faults: tuple[str, ...],
        cache: PrefetchCache,
        brief: CaptureBrief,
    ) -> None:
        self.board, self.name, self.faults = board, name, faults
        self.boot, self.content_trouble = brief.boot, brief.content_trouble
        self.note = brief.note
        self._data, self.cache = data, cache

    def manifest(self) -> Manifest:
        """Return the manifest, decoded."""
        return self._manifest

    @cached_property
    def _manifest(self) -> Manifest:
        return manifest_file.decode(self._data, f"manifest of {self.board} {self.name}")

    def open(self, digest: bytes) -> int:
        """Open a content by its 32 bytes; the caller closes the descriptor."""
        return self.cache.open(digest)

    is_local = False

    def prefetch(
        self, entries: Iterable[Entry], wanted: Callable[[Entry], bool] = any_file
    ) -> Iterator[Entry]:
        """Yield the same entries, with the contents of the next ones fetched."""
        return self.cache.prefetch(entries, wanted)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts, with the contents of the next ones fetched."""
        return self.cache.prefetch_pieces(parts)
