"""The result of a boot check: chains of links, each found, missing, or not known from a card."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.model.boot import BootVerdict

if TYPE_CHECKING:
    from collections.abc import Iterator


LOADER = "loader"
"""Name of the link that starts all others."""
SYSTEM = "system"
"""Name of the link for what the system is on, where nobody can look into it."""


class LinkState(StrEnum):
    """Whether a link is there."""

    OK = "ok"
    MISSING = "missing"
    UNKNOWN = "unknown"
    """Not to be known from the card alone; no failure."""


@dataclass(frozen=True)
class ChainLink:
    """One item that must be there for a card to boot.

    Attributes:
        is_required: whether the card cannot boot when it is missing.
    """

    name: str
    state: LinkState
    detail: str = ""
    is_required: bool = True

    @property
    def breaks(self) -> bool:
        """Whether the card cannot boot for it."""
        return self.is_required and self.state is LinkState.MISSING

    def __str__(self) -> str:
        note = "" if self.is_required or self.state is LinkState.OK else " (boots without)"
        return f"{self.state:8} {self.name}{note}" + (f": {self.detail}" if self.detail else "")


@dataclass(frozen=True)
class KernelFile:
    """A kernel that a chain starts.

    Attributes:
        volume: the partition that it is on.
        path: where on that.
        root: the root on its command line, None when that is not known.
        init: the program that its command line names, "" for the usual ones.
    """

    volume: int
    path: bytes
    root: str | None = None
    init: str = ""


@dataclass(frozen=True)
class Chain:
    """One way in which a card may boot.

    Attributes:
        name: of the kind of boot.
        kernel: what it starts at the end, None when it continues with another chain.
    """

    name: str
    links: tuple[ChainLink, ...]
    kernel: KernelFile | None = None

    @property
    def is_whole(self) -> bool:
        """Whether no link is missing that it cannot do without."""
        return not any(link.breaks for link in self.links)


@dataclass(frozen=True)
class BootReport:
    """What was found on a card.

    Attributes:
        chains: every way to boot that was recognised.
        system: what the system needs once its kernel runs.
    """

    chains: tuple[Chain, ...]
    system: tuple[ChainLink, ...]

    @property
    def is_bootable(self) -> bool:
        """Whether one chain is whole and nothing that the system needs is missing."""
        starts = any(chain.is_whole and chain.kernel for chain in self.chains)
        return starts and not any(link.breaks for link in self.system)

    @property
    def loaders_elsewhere(self) -> tuple[str, ...]:
        """What is known of loaders that are not on the card, without which it does not start."""
        links = (link for chain in self.chains for link in chain.links)
        unseen = (link for link in links if link.state is LinkState.UNKNOWN)
        return tuple(dict.fromkeys(link.detail for link in unseen if link.name == LOADER))

    @property
    def verdict(self) -> BootVerdict:
        """What it comes to."""
        if self.chains and not self.is_bootable:
            return BootVerdict.BROKEN
        return BootVerdict.UNKNOWN if any(self.unseen()) else BootVerdict.WHOLE

    @property
    def is_empty(self) -> bool:
        """Whether there is neither a way to boot nor a system that one could start."""
        return not self.chains and any(link.breaks for link in self.system)

    @property
    def verdict_of_card(self) -> BootVerdict:
        """What it comes to where all that boots has to be on it, as on a card that is tried."""
        return BootVerdict.BROKEN if self.is_empty else self.verdict

    def unseen(self) -> Iterator[str]:
        """Yield why it is not known whether it boots, in words, where nothing is missing."""
        if not self.chains:
            yield "nothing on it is known to boot"
        for link in self.system:
            if link.name == SYSTEM and link.state is LinkState.UNKNOWN:
                yield f"system: {link.detail}"

    def broken_links(self) -> Iterator[str]:
        """Yield what a boot lacks, in words."""
        for chain in self.chains:
            yield from (f"{chain.name}: {link}" for link in chain.links if link.breaks)
        yield from (f"system: {link}" for link in self.system if link.breaks)

    def lines(self) -> Iterator[str]:
        """Yield the report for people."""
        for chain in self.chains:
            yield f"{chain.name}: {'whole' if chain.is_whole else 'broken'}"
            yield from (f"  {link}" for link in chain.links)
        if not self.chains:
            yield "nothing on this card is known to boot"
        yield "system:"
        yield from (f"  {link}" for link in self.system)
        yield f"verdict: {_VERDICTS[self.verdict_of_card]}"
        yield from (f"  needs a loader: {text}" for text in self.loaders_elsewhere)


_VERDICTS = {
    BootVerdict.WHOLE: "nothing that a boot needs is missing; not booted yet",
    BootVerdict.BROKEN: "does not boot as it is",
    BootVerdict.UNKNOWN: "not known, for not all that a boot needs can be looked at",
}


def found(name: str, detail: str = "") -> ChainLink:
    """Return a link that is there."""
    return ChainLink(name, LinkState.OK, detail)


def missing(name: str, detail: str) -> ChainLink:
    """Return a missing link without which the card cannot boot."""
    return ChainLink(name, LinkState.MISSING, detail)


def lacking(name: str, detail: str) -> ChainLink:
    """Return a missing link without which the card still boots."""
    return ChainLink(name, LinkState.MISSING, detail, is_required=False)


def unknown(name: str, detail: str) -> ChainLink:
    """Return a link whose state cannot be known from the card."""
    return ChainLink(name, LinkState.UNKNOWN, detail)
