"""Boards and captures for tests of the keeper: small, and complete in everything it checks."""

from __future__ import annotations

import hashlib
import hmac
import os
import shutil
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Generic, Protocol, TypeVar

import msgspec

from holdstill.disks import boot_gap
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import CommandError
from holdstill.keeper import enrolment, garbage, latest_tree, store
from holdstill.keeper.account import Account
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import names, paths, pieces, protocol
from holdstill.model.entries import Entry, EntryType
from holdstill.model.layout import Disk as CardDisk
from holdstill.model.layout import Other, Partition, Raw, TableLabel
from holdstill.model.manifest import (
    FORMAT,
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
)
from holdstill.model.protocol import Proof
from holdstill.model.settings import BoardLimits, KeeperSettings
from holdstill.model.sizes import ByteSize
from holdstill.records import index_file, manifest_file
from support.contents import a_folder, in_order

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.garbage import CollectedGarbage
    from holdstill.keeper.store import Store
    from holdstill.model.finding import Finding
    from holdstill.model.names import BoardName
    from holdstill.model.pieces import PieceList
    from holdstill.model.protocol import Ingested, Lacking, RunStarted, SealResult, WantedContent
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Command, Runner

PIECE = 16 << 10
"""Bytes of a piece of what a manifest names."""
MEMORY = "/dev/shm"  # noqa: S108  where files cost no disk
PIER_3 = names.check_board("pier-3")
PIER_4 = names.check_board("pier-4")
KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIC+xQFzMWRwxlgBPCo0ud6nDKGbWVTyxjoKdtLrXAQ9j"
"""A public key of pier-3; the private one was thrown away."""
OTHER_KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIEVTqe5kCdDjT1WmGyzrHXoz9EOu0gZTVVrkVlbtjW8f"


def gap_of(code: bytes) -> bytes:
    """Return a boot gap file with this code in it."""
    return boot_gap.encode([GapExtent(512, code)])


GAP = gap_of(b"boot code")


class QuickDisk(StoreDisk):
    """A disk that leaves the medium out: what is synced when is for tests that cut the power."""

    def sync_file(self, path: Path) -> None:
        assert path.exists()

    def sync_directory(self, path: Path) -> None:
        assert path.is_dir()

    def sync_all(self, path: Path) -> None:
        assert path.is_dir()


class FakeClock:
    """A clock that a test moves; sleeping moves it too."""

    def __init__(self, start: datetime = datetime(2026, 11, 25, 2, 15, 3, tzinfo=UTC)) -> None:
        self._now, self._seconds = start, 1000.0

    def monotonic(self) -> float:
        return self._seconds

    def now(self) -> datetime:
        return self._now

    def sleep(self, seconds: float) -> None:
        self.advance(seconds)

    def advance(self, seconds: float) -> None:
        self._seconds += seconds
        self._now += timedelta(seconds=seconds)

    def set_by(self, step: timedelta) -> None:
        """Set the wall clock; the other one is never set."""
        self._now += step


def seal_of(data: bytes, board: str, key: str) -> bytes:
    """Return what stands for a signature where the real tool may not be started."""
    return hashlib.sha256(board.encode() + key.encode() + data).hexdigest().encode()


class FakeSignatures:
    """Stands for ssh-keygen -Y verify, and refuses every other command."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        words = command.argv
        assert words[:4] == ("ssh-keygen", "-q", "-Y", "verify"), f"not announced: {command}"
        board, signers, seal = words[7], Path(words[9]), Path(words[11])
        for line in signers.read_text(encoding="ascii").splitlines():
            principal, _, key = line.split(" ", 2)
            if principal == board and seal.read_bytes() == seal_of(stdin, board, key):
                return b""
        raise CommandError(str(command), 255, b"Could not verify signature.")


class Calls(Protocol):
    """What a board calls in a run."""

    def begin(self, client: str = "") -> RunStarted: ...

    def lacking(self, wanted: Sequence[WantedContent]) -> Lacking: ...

    def prove(self, proofs: Sequence[Proof]) -> tuple[str, ...]: ...

    def ingest(self, digests: Sequence[str]) -> Ingested: ...

    def seal(self, manifest: bytes, signature: bytes) -> SealResult: ...


K = TypeVar("K", bound=Calls)


def put(files: Mapping[str, bytes], folder: str) -> None:
    """Write files to a folder of this machine, as rsync would."""
    for name, content in files.items():
        Path(folder, name).unlink(missing_ok=True)
        Path(folder, name).write_bytes(content)


@dataclass
class Board(Generic[K]):
    """A board's side of the exchange, without a board.

    `files` has the contents by path; names with the same content share a body in the store.
    """

    keeper: K
    name: BoardName = PIER_3
    clock: FakeClock = field(default_factory=FakeClock)
    files: dict[bytes, bytes] = field(default_factory=dict)
    gap: bytes = GAP
    raws: dict[int, bytes] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    sign: Callable[[bytes], bytes] | None = None
    carry: Callable[[Mapping[str, bytes], str], None] = put
    sent: list[str] = field(default_factory=list)
    """Digests that had to be sent, over all captures."""
    last_known: int = 0
    """The number of the last capture that it sealed."""

    def capture(self, begun: RunStarted | None = None) -> SealResult:
        """Do a whole run: ask, send, bank, seal."""
        begun = begun or self.keeper.begin()
        self.deliver(begun)
        data = self.attach(begun)
        sealed = self.keeper.seal(data, self.signed(data))
        if sealed.name:
            self.last_known = begun.seq
        return sealed

    def deliver(self, begun: RunStarted) -> None:
        """Send the contents that the keeper lacks and have them banked."""
        bodies = {hashlib.sha256(b).hexdigest(): b for b in self.files.values() if b}
        wanted = [
            protocol.WantedContent(digest=digest, size=len(b)) for digest, b in bodies.items()
        ]
        lacking = self.shown(self.keeper.lacking(wanted), bodies)
        self.carry({digest: bodies[digest] for digest in lacking}, begun.folders[0])
        self.sent += lacking
        banked = self.keeper.ingest(lacking)
        assert banked.bad == ()

    def shown(self, lacking: Lacking, bodies: Mapping[str, bytes]) -> tuple[str, ...]:
        """Prove what the keeper wants proven; return what it wants sent."""
        if not lacking.prove:
            return lacking.send
        proofs = proofs_of(lacking.nonce, {digest: bodies[digest] for digest in lacking.prove})
        return (*lacking.send, *self.keeper.prove(proofs))

    def attach(self, begun: RunStarted) -> bytes:
        """Bring index, boot gap and raw partitions; return the manifest."""
        return manifest_file.encode(self.describe(begun, self.index(seq=begun.seq)))

    def describe(self, begun: RunStarted, index: bytes) -> Manifest:
        """Bring this index, boot gap and raw partitions; return the manifest."""
        for content in (index, *self.attachments().values()):
            self.bring(begun, content)
        return self.manifest(begun, index)

    def bring(self, begun: RunStarted, content: bytes) -> None:
        """Bring what a manifest names, in pieces, as far as the keeper lacks them."""
        bodies = pieces_of(content)
        wanted = [
            protocol.WantedContent(digest=digest, size=len(b)) for digest, b in bodies.items()
        ]
        lacking = self.shown(self.keeper.lacking(wanted), bodies)
        self.carry({digest: bodies[digest] for digest in lacking}, begun.folders[0])
        assert self.keeper.ingest(lacking).bad == ()

    def index(self, *, seq: int) -> bytes:
        """Return an index of the board's one file system."""
        return index_bytes({2: self.entries()}, seq=seq)

    def attachments(self) -> dict[str, bytes]:
        """Return the boot gap and raw partitions as they are named."""
        return {"gap.bin": self.gap} | {f"raw-{n}.bin": raw for n, raw in self.raws.items()}

    def entries(self) -> list[Entry]:
        """Return the entries of the board's one file system."""
        return entries_of(self.files)

    def manifest(self, begun: RunStarted, index: bytes) -> Manifest:
        """Describe the capture."""
        with (
            tempfile.TemporaryDirectory(dir=MEMORY) as folder,
            index_file.opened(_written(Path(folder, "index"), index)) as held,
        ):
            totals = held.totals(2)
        raws = tuple(attachment(f"raw-{n}.bin", raw) for n, raw in self.raws.items())
        part = CapturedPart(
            number=2,
            grade=Grade.POINT_IN_TIME,
            file_system=Other(type="xfs"),
            entries=totals.entries,
            files=totals.files,
            content_bytes=totals.content_bytes,
        )
        raw_parts = (
            CapturedPart(number=n, grade=Grade.READ_ONLY, file_system=Raw()) for n in self.raws
        )
        return Manifest(
            format=FORMAT,
            agent="0.1.0",
            board=BoardIdentity(name=self.name),
            seq=begun.seq,
            run=begun.run,
            previous=begun.previous,
            last_known=self.last_known,
            moment=Moment(
                taken_at=self.clock.now().strftime("%Y-%m-%dT%H:%M:%SZ"),
                monotonic=self.clock.monotonic(),
                clock_trusted=True,
            ),
            disk=CardDisk(
                size=64 << 20,
                label=TableLabel.DOS,
                id="0x9a3c5d2e",
                partitions=tuple(
                    Partition(number=n, start=2048 * n, size=2048, type="83")
                    for n in sorted({2, *self.raws})
                ),
            ),
            parts=(part, *raw_parts),
            pause=Pause(frozen_ms=97.0, rounds=2),
            index=attachment("index.sqlite", index),
            gap=attachment("gap.bin", self.gap),
            raws=raws,
            findings=self.findings,
        )

    def signed(self, data: bytes) -> bytes:
        """Sign a manifest."""
        return self.sign(data) if self.sign else seal_of(data, self.name, KEY)


def proofs_of(nonce: bytes, bodies: Mapping[str, bytes]) -> list[Proof]:
    """Return what proves possession of these contents."""
    return [
        Proof(digest=digest, mac=hmac.digest(nonce, body, "sha256"))
        for digest, body in bodies.items()
    ]


def listed(content: bytes) -> PieceList:
    """List the pieces of something that a manifest names."""
    return pieces.of_reader(
        len(content), PIECE, lambda start, count: content[start : start + count]
    )


def pieces_of(content: bytes) -> dict[str, bytes]:
    """Return the list of pieces, and the pieces, by their digests."""
    made = listed(content)
    parts = (content[part.offset : part.offset + part.length] for part in made.parts()
             if part.digest)  # fmt: skip
    return {hashlib.sha256(body).hexdigest(): body for body in (made.encode(), *parts)}


def attachment(name: str, content: bytes) -> Attachment:
    """Describe something that a manifest names beside the files."""
    return Attachment(name=name, sha256=listed(content).digest().hex(), size=len(content))


def entries_of(files: Mapping[bytes, bytes]) -> list[Entry]:
    """Return entries for files and all folders above them, in key order."""
    folders = {b""}
    for path in files:
        parts = path.split(b"/")[:-1]
        folders |= {b"/".join(parts[:depth]) for depth in range(1, len(parts) + 1)}
    made = [a_folder(path, mode=0o755) for path in folders]
    made += [_file(path, content) for path, content in files.items()]
    return in_order(made)


def _file(path: bytes, content: bytes) -> Entry:
    directory, name = paths.split(path)
    digest = hashlib.sha256(content).digest() if content else b""
    size = len(content)
    return Entry(directory, name, EntryType.FILE, mode=0o644, size=size, digest=digest)


def _written(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def index_bytes(parts: Mapping[int, Sequence[Entry]], *, seq: int = 1) -> bytes:
    """Return the bytes of an index with these entries."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        return write_index(Path(folder, "index"), parts, seq=seq).read_bytes()


def write_index(path: Path, parts: Mapping[int, Sequence[Entry]], *, seq: int = 1) -> Path:
    """Write an index with these entries."""
    with index_file.created(path) as index:
        for part, entries in parts.items():
            index.put_all(part, entries, seq=seq)
    return path


def make_store(folder: Path, *, clock: FakeClock, disk: StoreDisk | None = None) -> Store:
    """Make a store with pier-3 enrolled under KEY."""
    made = store.create(folder, clock=clock, disk=disk or QuickDisk())
    enrolment.enrol(made, PIER_3, KEY, clock=clock, limits=None)
    return made


def keeper_of(
    held: Store,
    *,
    clock: Clock,
    board: BoardName = PIER_3,
    runner: Runner | None = None,
    settings: KeeperSettings | None = None,
    is_sharing: bool = True,
    key: str = "",
) -> LocalKeeper:
    """Return the keeper of a board of the store."""
    settings = settings or no_limits(held.root)
    return LocalKeeper(
        held, board, clock=clock, runner=runner or FakeSignatures(),
        settings=msgspec.structs.replace(settings, share_between_boards=is_sharing), key=key,
    )  # fmt: skip


def no_limits(
    root: Path, *, min_free: int = 0, limits: BoardLimits | None = None
) -> KeeperSettings:
    """Return settings under which a board may take all of the disk, but for what is given."""
    return KeeperSettings(
        store=root, min_free=ByteSize(min_free), min_free_inodes=0, daily_share=1.0,
        limits=limits or BoardLimits(captures_per_day=0),
    )  # fmt: skip


def show_latest(
    held: Store,
    *,
    settings: KeeperSettings | None = None,
    clock: Clock | None = None,
    is_wanted: bool = True,
) -> None:
    """Have pier-3's tree show its newest capture, or remove it."""
    account = Account(
        held, enrolment.read(held, PIER_3), settings or no_limits(held.root),
        clock=clock or FakeClock(),
    )  # fmt: skip
    latest_tree.refresh(held, PIER_3, FakeSignatures(), account, is_wanted=is_wanted)


def leave_behind(staging: Path, clock: Clock) -> None:
    """Have a run's staging look as if nobody had come back for it for longer than it is kept."""
    long_ago = clock.now().timestamp() - garbage.RUN_GIVEN_UP - 1
    for path in (*staging.iterdir(), staging):
        os.utime(path, (long_ago, long_ago))


def collect(held: Store, clock: FakeClock, *, grace: float = 0.0) -> CollectedGarbage:
    """Collect garbage; by default nothing rests in the trash. grace: seconds."""
    return garbage.collect(held, clock=clock, grace=timedelta(seconds=grace), min_free=0)


def read_content(capture: StoredCapture, content: bytes) -> bytes:
    """Return what a capture gives back for a content, by its digest."""
    handle = capture.open(hashlib.sha256(content).digest())
    with os.fdopen(handle, "rb") as file:
        return file.read()


def snapshot(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Return mode and bytes of everything below a folder, to see that nothing changed."""
    return {
        str(path.relative_to(folder)): (
            path.lstat().st_mode,
            path.read_bytes() if path.is_file() else b"",
        )
        for path in sorted(folder.rglob("*"))
    }


def copy_store(source: Path, target: Path) -> Path:
    """Copy a whole store, hard links and all."""
    target.mkdir()
    inodes: dict[int, Path] = {}
    for path in sorted(source.rglob("*")):
        copy = target / path.relative_to(source)
        if path.is_dir():
            copy.mkdir(mode=path.stat().st_mode & 0o777)
        elif path.stat().st_ino in inodes:
            copy.hardlink_to(inodes[path.stat().st_ino])
        else:
            shutil.copy2(path, copy)
            inodes[path.stat().st_ino] = copy
    return target


def is_directory(entry: Entry) -> bool:
    """Tell whether an entry is a directory."""
    return entry.type is EntryType.DIRECTORY
