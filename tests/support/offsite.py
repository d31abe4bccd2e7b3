"""A store with an off-site copy on a real object server, for tests."""

from __future__ import annotations

import base64
import dataclasses
import os
import sqlite3
import tempfile
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.model.entries import EntryType
from holdstill.offsite import offsite_settings, run_notes, sent
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.offsite_settings import OffsiteSettings, Prices
from holdstill.offsite.recovery_key import RecoveryKey
from holdstill.offsite.run_notes import RunNotes
from holdstill.records import assembled, capture_contents
from holdstill.system import clocks
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import offsite_library, offsite_restore, offsite_upload
from support import seaweed
from support.keeping import FakeClock
from support.signed_store import SignedStore
from support.silence import Silent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.settings import Retention
    from holdstill.offsite.bucket import Version
    from holdstill.offsite.bucket_address import AccessKey, BucketAddress
    from holdstill.system.clocks import Clock
    from holdstill.workflow.offsite_library import OffsiteLibrary
    from holdstill.workflow.offsite_restore import RestoreReport
    from holdstill.workflow.offsite_upload import OffsiteReport
    from holdstill.workflow.remote_capture import RemoteCapture


@dataclass
class CopiedStore:
    """A store, its boards, and where its copy goes."""

    folder: Path
    address: BucketAddress
    lock_days: int = 3
    key: RecoveryKey = field(default_factory=RecoveryKey.made)
    clock: FakeClock = field(default_factory=lambda: FakeClock(datetime.now(UTC)))
    held: SignedStore = field(init=False)

    def __post_init__(self) -> None:
        self.folder.mkdir(exist_ok=True)
        self.held = SignedStore(self.folder)
        self.access_key = access_key_file(self.folder / "bucket.key", seaweed.KEEPER)
        self.words = self.folder / "recovery-key.txt"
        self.words.write_text("\n".join(self.key.lines), encoding="ascii")
        self.words.chmod(0o600)
        self.set_up()

    @property
    def root(self) -> Path:
        """The store's directory."""
        return self.held.root

    def set_up(self, *, address: str = "", keeper: str = "0123456789abcdef") -> OffsiteSettings:
        """Write the settings of the copy."""
        keys = self.key.of_keeper
        settings = OffsiteSettings(
            address=address or str(self.address), keeper=keeper, lock_days=self.lock_days,
            recipient=base64.b64encode(keys.recipient).decode(),
            heads=base64.b64encode(keys.heads).decode(), access_key=str(self.access_key),
            prices=Prices(gb_month=0.02, thousand_puts=0.005, thousand_gets=0.0004),
        )  # fmt: skip
        offsite_settings.write(self.root, settings)
        if run_notes.load(self.root) is None:
            run_notes.save(self.root, RunNotes(since=clocks.rfc3339(self.clock.now())))
        return settings

    def capture(self, board: str, files: dict[bytes, bytes]) -> str:
        """Take a capture of a board, ten minutes after the last one; return its name."""
        self.clock.advance(600)
        return self.held.capture(board, files, clock=self.clock)

    def upload(
        self,
        *,
        clock: Clock | None = None,
        by_way_of: str = "",
        is_shared: bool = False,
        rule: Retention | None = None,
        is_in_turn: bool = False,
    ) -> OffsiteReport:
        """Send what is not there yet; by_way_of: endpoint of a proxy, where nothing is retried."""

        def reach(settings: OffsiteSettings) -> Bucket:
            if not by_way_of:
                return offsite_upload.opened_bucket(settings)
            address = dataclasses.replace(self.address, endpoint=by_way_of)
            return Bucket(address, seaweed.KEEPER, attempts=1)

        return offsite_upload.upload(
            self.held.store, clock=clock or SystemClock(), runner=LocalRunner(),
            progress=Silent(), reach=reach, is_shared=is_shared,
            rule=rule, is_in_turn=is_in_turn,
        )  # fmt: skip

    @contextmanager
    def library(
        self, *, by_way_of: str = "", accepted: tuple[str, ...] = ()
    ) -> Iterator[OffsiteLibrary]:
        """Read the copy with the recovery key, and without the store."""
        address = dataclasses.replace(self.address, endpoint=by_way_of or self.address.endpoint)
        with tempfile.TemporaryDirectory(dir=self.folder) as folder:
            bucket = Bucket(address, seaweed.KEEPER, attempts=1)
            with offsite_library.opened(
                bucket, self.key, machine=LocalRunner(), folder=Path(folder), accepted=accepted
            ) as opened:
                yield opened

    def restore(
        self, root: Path, *, accepted: tuple[str, ...] = (), by_way_of: str = ""
    ) -> RestoreReport:
        """Make the store again in another place."""
        with self.library(accepted=accepted, by_way_of=by_way_of) as opened:
            return offsite_restore.restore(opened, root, clock=SystemClock(), progress=Silent())

    def restored(self, library: OffsiteLibrary, reference: str) -> dict[bytes, bytes]:
        """Read a whole capture from the copy: the bytes of its files, by their paths.

        Raises what reading it raises; a capture with faults is an assertion's failure.
        """
        found = library.find(reference)
        assert found.faults == ()
        for digest, _ in capture_contents.needed(found):
            os.close(found.open(digest))
        with assembled.opened_index(found) as index:
            entries = [one for one in index.entries(2) if one.type is EntryType.FILE]
        return {one.path: self._content(found, one) for one in entries}

    def _content(self, capture: RemoteCapture, entry: Entry) -> bytes:
        if not entry.digest:
            return b""
        with os.fdopen(capture.open(entry.digest), "rb") as file:
            return file.read()

    def make_locks_due(self, notes: Path | None = None) -> None:
        """Note that locks ended long ago, here or in other notes; the server has their dates."""
        with closing(sqlite3.connect(notes or self.root / sent.NAME)) as db, db:
            db.execute("UPDATE pack SET until = '2020-01-01T00:00:00Z'")
            db.execute("UPDATE head SET until = '2020-01-01T00:00:00Z'")

    @property
    def bucket(self) -> Bucket:
        """The bucket, as the keeper reaches it."""
        return Bucket(self.address, seaweed.KEEPER)

    def versions(self, begin: str) -> list[Version]:
        """Return all versions of what begins so."""
        return list(self.bucket.versions(begin))

    def access(self) -> tuple[object, ...]:
        """Return the options by which a command reads the copy."""
        return (
            "--store", self.address, "--recovery-key", self.words,
            "--access-key", self.access_key, "--cache", self.folder,
        )  # fmt: skip


def contents_of(root: Path) -> dict[str, bytes]:
    """Return the bytes of all that a store has of contents, manifests and signatures."""
    found = (*root.glob("contents/**/*"), *root.glob("boards/*/captures/*/*"))
    return {str(path.relative_to(root)): path.read_bytes() for path in found if path.is_file()}


def access_key_file(path: Path, access: AccessKey) -> Path:
    """Write an access key as people keep it (common practice)."""
    path.write_text(
        f"[default]\naws_access_key_id = {access.key_id}\n"
        f"aws_secret_access_key = {access.secret}\n",
        encoding="ascii",
    )
    path.chmod(0o600)
    return path
