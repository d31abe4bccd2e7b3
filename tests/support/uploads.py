"""The other end of an upload, in memory: a keeper, what carries files there, known lists."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.model.protocol import (
    CaptureBrief,
    Hello,
    Ingested,
    Lacking,
    Proof,
    RunStarted,
    SealResult,
    WantedContent,
)
from holdstill.transport.rsync import TransferMode, TransferResult

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from holdstill.model.pieces import PieceList

NONCE = bytes(range(32))


@dataclass
class Keeper:
    """Knows what is in its store, and judges what arrives by its digest."""

    store: set[str] = field(default_factory=set)
    others: dict[str, bytes] = field(default_factory=dict)
    """What it has from other boards."""
    arrived: dict[str, bytes] = field(default_factory=dict)
    asked: list[WantedContent] = field(default_factory=list)
    meanwhile: Callable[[], object] = lambda: None

    def lacking(self, wanted: Sequence[WantedContent], folder: int = 0) -> Lacking:
        self.asked += wanted
        self.meanwhile()
        send = tuple(w.digest for w in wanted if w.digest not in {*self.store, *self.others})
        prove = tuple(w.digest for w in wanted if w.digest in self.others)
        return Lacking(send=send, prove=prove, nonce=NONCE if prove else b"")

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]:
        assert proofs, "a call for nothing"
        bodies = {proof.digest: self.others.pop(proof.digest) for proof in proofs}
        good = {
            proof.digest
            for proof in proofs
            if hmac.digest(NONCE, bodies[proof.digest], "sha256") == proof.mac
        }
        self.store |= good
        return tuple(proof.digest for proof in proofs if proof.digest not in good)

    def ingest(self, digests: Sequence[str], folder: int = 0, *, is_cut: bool = False) -> Ingested:
        good = [d for d in digests if hashlib.sha256(self.arrived.get(d, b"?")).hexdigest() == d]
        self.store.update(good)
        new = sum(len(self.arrived[d]) for d in good)
        return Ingested(kept=len(good), new_bytes=new, bad=tuple(set(digests) - set(good)))

    def hello(self) -> Hello:
        raise AssertionError("not announced")

    def begin(self, client: str = "") -> RunStarted:
        raise AssertionError("not announced")

    def seal(self, manifest: bytes, signature: bytes) -> SealResult:
        raise AssertionError("not announced")

    def abandon(self) -> None:
        raise AssertionError("not announced")

    def captures(self) -> tuple[CaptureBrief, ...]:
        raise AssertionError("not announced")


@dataclass
class Carrier:
    """Carries files to the keeper, whole."""

    keeper: Keeper
    sent: list[tuple[str, TransferMode]] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)
    before: Callable[[], object] = lambda: None
    spoils: bool = False
    """Whether what arrives is something else."""

    def send(
        self, files: Mapping[str, Path], destination: str, *, shape: TransferMode
    ) -> TransferResult:
        self.before()
        self.folders.append(destination)
        for name, path in files.items():
            self.sent.append((name, shape))
            self.keeper.arrived[name] = b"spoilt" if self.spoils else path.read_bytes()
        return TransferResult(sum(path.stat().st_size for path in files.values()))


class Lists:
    """Lists of pieces in memory."""

    def __init__(self) -> None:
        self.known: dict[bytes, PieceList] = {}

    def list_of(self, digest: bytes) -> PieceList | None:
        return self.known.get(digest)

    def save_list(self, listed: PieceList) -> None:
        self.known[listed.digest()] = listed
