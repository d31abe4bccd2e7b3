"""What a sealed capture offers to those who read it, whether it is stored here or elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.model.boot import BootFinding
    from holdstill.model.entries import Entry
    from holdstill.model.manifest import Manifest
    from holdstill.model.names import BoardName, CaptureName
    from holdstill.model.pieces import Part


class ContentSource(Protocol):
    """Where the contents of files are read.

    Several threads may open contents at once, and while another draws the entries.
    """

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content (SHA-256, 32 bytes), which the caller closes.

        Raises:
            VerificationError, FileNotFoundError: it is not there.
            LinkError: it cannot be fetched.
            OSError: it cannot be read.
        """

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts of a file, having fetched the contents of the next ones."""


class IndexedCapture(ContentSource, Protocol):
    """One capture of one board, as far as its index and its contents go."""

    @property
    def board(self) -> BoardName:
        """The board that it was taken of."""

    @property
    def name(self) -> CaptureName:
        """Its name, SEQ-TIME."""

    def manifest(self) -> Manifest:
        """Return the manifest, decoded.

        Raises:
            SecurityError: cut short or altered.
            DocumentError: its content is not that of a manifest.
        """


class SealedCapture(IndexedCapture, Protocol):
    """One capture of one board."""

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with it; a capture with faults is refused as a source."""

    @property
    def boot(self) -> BootFinding | None:
        """Whether a card made of it would boot; None before that was judged."""

    @property
    def content_trouble(self) -> str:
        """What is known to be wrong with its contents, in words; "" for nothing."""

    @property
    def note(self) -> str:
        """What its owner noted about it, "" for nothing."""

    @property
    def is_local(self) -> bool:
        """Whether contents can be opened at any time, also by a forked copy of this process."""

    def prefetch(
        self, entries: Iterable[Entry], wanted: Callable[[Entry], bool] = ...
    ) -> Iterator[Entry]:
        """Yield the same entries, having fetched the contents of the next ones.

        Args:
            entries: in the order in which their contents will be opened.
            wanted: which of them will be; by default those of all regular files.
        """
