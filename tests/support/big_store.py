"""A store of many boards and captures, made in minutes: one board's real captures, and copies.

The captures of one board are brought and sealed as any are. Each further board has the same with
its own name, its own key and its own signatures, so that everything that reads a store finds them
good. Their contents are shared, as they may be. Signatures are made in this process, by the format
that OpenSSH publishes (PROTOCOL.sshsig), for ssh-keygen takes 20 ms for each.
"""

from __future__ import annotations

import base64
import hashlib
import textwrap
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from holdstill.keeper import account_captures, enrolment, ledger
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.keeper.ledger import Ledger, LedgerFile, SealedEvent
from holdstill.model import names
from holdstill.model.card_reading import CardReading
from holdstill.records import manifest_file, signature
from holdstill.system.clocks import SystemClock
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

_FIRST = "pier-000"


def make(folder: Path, *, boards: int, captures: int) -> Store:
    """Make a store of so many boards, named pier-000 and so on, with so many captures each."""
    made = SignedStore(folder)
    made.enrol(_FIRST)
    clock = FakeClock(datetime.now(UTC) - timedelta(days=captures, minutes=-5))
    for night in range(captures):
        clock.advance(86_400)
        files = {b"etc/hosts": b"%d" % night * 99, b"srv/x": b"x" * night}
        made.capture(_FIRST, files, clock=clock)
    first = names.check_board(_FIRST)
    sealed = LedgerFile(made.store.board_folder(first) / "ledger.jsonl").read().sealed
    for number in range(1, boards):
        _Copied(made.store, first, names.check_board(f"pier-{number:03}")).make(sealed)
    account_captures.make_again(made.store)
    return made.store


@dataclass(frozen=True)
class _Copied:
    """A board with the captures of another one."""

    store: Store
    source: BoardName
    board: BoardName

    def make(self, sealed: tuple[SealedEvent, ...]) -> None:
        """Enrol the board, and seal each capture for it."""
        key = Ed25519PrivateKey.generate()
        line = key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode()
        enrolment.enrol(self.store, self.board, line, clock=SystemClock(), limits=None)
        path = self.store.board_folder(self.board) / "ledger.jsonl"
        previous, lines = "", b""
        for event in sealed:
            copied = self._copied(event, key, previous)
            previous = copied.brief.manifest
            at = event.brief.arrived_at
            lines += ledger.next_lines(_after(lines), [copied], at=at)
        path.write_bytes(lines)
        self.store.known_boards.note(self.board, sealed[-1].brief.seq)

    def _copied(self, event: SealedEvent, key: Ed25519PrivateKey, previous: str) -> SealedEvent:
        name = event.brief.name
        data = (self._folder(self.source, name) / MANIFEST).read_bytes()
        old = manifest_file.decode(data, name)
        frozen_ms, card = 80.0 + old.seq * 7 % 50, _reading(event, self.board)
        manifest = msgspec.structs.replace(
            old,
            previous=previous,
            board=msgspec.structs.replace(old.board, name=self.board),
            pause=msgspec.structs.replace(old.pause, frozen_ms=frozen_ms),
            card=card,
            seconds=60.0 + old.seq,
        )
        data = manifest_file.encode(manifest)
        seal = signed(data, key)
        target = self._folder(self.board, name)
        target.mkdir()
        (target / MANIFEST).write_bytes(data)
        (target / SIGNATURE).write_bytes(seal)
        brief = msgspec.structs.replace(
            event.brief,
            manifest=manifest_file.digest(data),
            frozen_ms=frozen_ms,
            card=card,
            seconds=manifest.seconds,
        )
        return msgspec.structs.replace(
            event, brief=brief, signature=manifest_file.digest(seal), previous=previous
        )

    def _folder(self, board: BoardName, name: str) -> Path:
        return self.store.board_folder(board) / "captures" / name


def _reading(event: SealedEvent, board: str) -> CardReading:
    """Return what a card told; that of every tenth board is slowing down, and wears out."""
    is_failing = board.endswith("7")
    rate = (20 << 20) - (event.brief.seq * (400 << 10) if is_failing else 0)
    life = min(11, 1 + event.brief.seq // 4) if is_failing else 1
    return CardReading(at=event.brief.taken_at, card="9f5449", rate=rate, life=life)


def _after(lines: bytes) -> Ledger:
    """Return what the next line needs to know of those before it."""
    last = lines.splitlines(keepends=True)[-1:] or [b""]
    return Ledger(
        last_hash=hashlib.sha256(last[0]).hexdigest() if lines else "",
        next_number=lines.count(b"\n") + 1,
    )


def signed(data: bytes, key: Ed25519PrivateKey) -> bytes:
    """Return an armoured signature of a manifest (OpenSSH PROTOCOL.sshsig, 2 and 3)."""
    space, digest = signature.NAMESPACE.encode(), hashlib.sha512(data).digest()
    tail = b"".join(map(_string, (space, b"", b"sha512")))
    made = key.sign(b"SSHSIG" + tail + _string(digest))
    raw = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    kind = _string(b"ssh-ed25519")
    blob = (
        b"SSHSIG" + (1).to_bytes(4, "big") + _string(kind + _string(raw)) + tail
        + _string(kind + _string(made))
    )  # fmt: skip
    lines = textwrap.wrap(base64.b64encode(blob).decode(), 70)
    text = "\n".join(["-----BEGIN SSH SIGNATURE-----", *lines, "-----END SSH SIGNATURE-----", ""])
    return text.encode()


def _string(value: bytes) -> bytes:
    return len(value).to_bytes(4, "big") + value
