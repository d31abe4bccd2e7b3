"""Let a stolen board loose on one keeper, beside an honest board whose captures must go on.

    PYTHONPATH=tests .venv/bin/python tests/fuzz/stolen_board.py --seed 1 --seconds 9 --folder /tmp

The thief has pier-4's key: it calls any method with any arguments, asks for rsync in any words,
sends any bytes (as a keeper without Landlock would let it), and signs any manifest. It ends
non-zero at the first find: an exception that is not one of ours, a capture of pier-3 that is not
what pier-3 had, a content in a capture of pier-4 that pier-4 never had, an account that is not
what the disk lost.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import BusyError, HoldstillError
from holdstill.keeper import enrolment, forced_command, garbage, incoming, receiving, thin
from holdstill.keeper.account import Account
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.json_rpc import Reply
from holdstill.keeper.ssh_server import SshServer
from holdstill.model import names
from holdstill.model.protocol import Ingested, Lacking, RunStarted, SealResult
from holdstill.model.settings import OwnLimits, Retention
from holdstill.model.sizes import MIB, ByteSize
from holdstill.records import capture_contents, manifest_file
from holdstill.system import files
from support import keeping, programs
from support.keeping import KEY, OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from holdstill.keeper.account import Spent
    from holdstill.keeper.incoming import Staging, TransferFolder
    from holdstill.keeper.local import LocalKeeper
    from holdstill.model.manifest import Attachment, Manifest
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief

T = TypeVar("T")

HONEST_EVERY = 100
CHECK_EVERY = 25
COLLECT_EVERY = 500
BYTES, INODES, HASHED = ByteSize(8 * MIB), 2_000, ByteSize(64 * MIB)
LIMITS = OwnLimits(
    bytes_per_day=BYTES,
    inodes_per_day=INODES,
    hashed_per_day=HASHED,
    captures_per_day=0,
    entries=50,
)
DECOY = b"outside the store"
SETTLED = 16 << 10
"""Bytes by which a staging folder's own blocks may change between a look and a count."""
OPTIONS = frozenset({"--inplace", "--partial", "--no-W", forced_command.TIMEOUT})


def sha256(body: bytes) -> str:
    """Return the name that a body has in a store."""
    return hashlib.sha256(body).hexdigest()


@dataclass
class StolenBoard:
    """The keeper, the honest board, the thief, and what each of them had.

    Attributes:
        had: every digest whose bytes the thief ever had.
        truth: what the honest board's captures must give back: the digests of their files.
        told: the last deeds, for whoever has to understand a find.
        counted: how often each deed was done, and with which end.
    """

    folder: Path
    seed: int
    clock: FakeClock = field(default_factory=FakeClock)
    had: dict[str, bytes] = field(default_factory=dict)
    truth: dict[str, frozenset[str]] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    counted: Counter[str] = field(default_factory=Counter)
    steps: int = 0

    begun: RunStarted | None = None
    nonce: bytes = b""
    asked: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.random = random.Random(self.seed)  # noqa: S311  a test's
        self.store = keeping.make_store(self.folder / "boathouse", clock=self.clock)
        enrolment.enrol(self.store, PIER_4, OTHER_KEY, clock=self.clock, limits=LIMITS)
        self.settings = keeping.no_limits(self.store.root)
        self.decoy = self.folder / "decoy"
        self.decoy.write_bytes(DECOY)
        self.files = {b"etc/same": b"on both boards" * 9, b"etc/secret": b"of pier-3 alone" * 9}
        self.account = Account(
            self.store, enrolment.read(self.store, PIER_4), self.settings, clock=self.clock
        )
        self.balance = self.account.balance()
        self.session = self._session()
        for number in range(40):
            self._have(b"thief's %d " % number * self.random.randint(1, 400))
        self._have(self.files[b"etc/same"])
        self.honest()

    def _have(self, body: bytes) -> str:
        self.had[sha256(body)] = body
        return sha256(body)

    def _session(self) -> SshServer:
        self.keeper = keeping.keeper_of(
            self.store, clock=self.clock, board=PIER_4, settings=self.settings
        )
        return SshServer(self.keeper, self.store, PIER_4, clock=self.clock)

    # What happens.

    def step(self) -> None:
        """Let the thief do something; now and then the honest board, and the keeper's timers."""
        deeds: dict[Callable[[], None], int] = {
            self.garble: 10, self.call: 20, self.begin: 8, self.ask: 20, self.prove: 8,
            self.send: 25, self.ingest: 20, self.seal: 12, self.ask_for_rsync: 15, self.die: 3,
            self.stage: 4, self.wait: 1,
        }  # fmt: skip
        (deed,) = self.random.choices(list(deeds), weights=list(deeds.values()))
        self.steps += 1
        self.told = [*self.told[-60:], f"{self.steps} {deed.__name__}"]
        deed()
        if self.steps % CHECK_EVERY == 0:
            self.check_account()
        if self.steps % HONEST_EVERY == 0:
            self.honest()
        if self.steps % COLLECT_EVERY == 0:
            self.keepers_timers()
            self.check_captures()

    def garble(self) -> None:
        """Send a line that is nearly, or not at all, a request."""
        line = bytearray(self._line(self._method(), self._params()))
        for _ in range(self.random.randint(1, 6)):
            at = self.random.randrange(len(line) + 1)
            line[at : at + self.random.randint(0, 3)] = self.random.randbytes(
                self.random.randint(0, 3)
            )
        self._answered(bytes(line))

    def call(self) -> None:
        """Call any method with any arguments."""
        self._answered(self._line(self._method(), self._params()))

    def begin(self) -> None:
        """Begin a run, or go on with one."""
        self.begun = None
        if begun := self._result("begin", {}, RunStarted):
            top = self.store.board_folder(PIER_4)
            folders = tuple(str(top / folder) for folder in begun.folders)
            self.begun = msgspec.structs.replace(begun, folders=folders)

    def ask(self) -> None:
        """Ask what is lacking, of one's own and of others'."""
        wanted = []
        for _ in range(self.random.randint(0, 12)):
            digest = self._digest()
            size = len(self.had.get(digest, b"")) if self.random.random() < 0.8 else self._size()
            item = {"digest": digest, "size": size}
            wanted.append(item | ({"basis": self._digest()} if self.random.random() < 0.3 else {}))
        params = {"wanted": wanted, "folder": self.random.randint(0, 1)}
        if lacking := self._result("lacking", params, Lacking):
            self._challenged(lacking)

    def _challenged(self, lacking: Lacking) -> None:
        self.nonce, self.asked = lacking.nonce, list(lacking.prove)

    def prove(self) -> None:
        """Prove what one has, and what one has not."""
        found = [*self.asked, *(self._digest() for _ in range(self.random.randint(0, 3)))]
        proofs = []
        for digest in found:
            body = self.had.get(digest, b"")
            (proof,) = keeping.proofs_of(self.nonce or b"no", {digest: body})
            mac = proof.mac if self.random.random() < 0.8 else self.random.randbytes(32)
            proofs.append({"digest": digest, "mac": base64.b64encode(mac).decode()})
        self._result("prove", {"proofs": proofs}, tuple)

    def send(self) -> None:
        """Put something into the staging, as an rsync does that no Landlock confines."""
        staging = self._staging()
        if staging is None or not incoming.is_running(self.store, PIER_4):
            return
        folder = self.random.choice(staging.folders)
        watch = receiving.ArrivalMonitor(self.account, folder, PIER_4)
        try:
            watch.check()
            for _ in range(self.random.randint(1, 8)):
                with suppress(OSError):  # in the way of itself
                    self._put(folder.path)
            watch.check()
        except HoldstillError as error:
            incoming.empty(self.store, folder.path)
            self.counted[f"send: {type(error).__name__}"] += 1

    def _put(self, contents: Path) -> None:
        digest = self.random.choice([*self.had]) if self.random.random() < 0.8 else self._digest()
        path, kind = contents / digest, self.random.random()
        if not names.is_digest(digest):
            path = contents / "no content"
        if kind < 0.75:
            _write(path, self.had.get(digest, b"wrong"))
        elif kind < 0.8:
            _write(path, b"", size=self._sparse_size())
        elif kind < 0.85:
            _write(path, self.random.randbytes(self.random.choice((1, 5000, 300_000))))
        elif kind < 0.9:
            _write(contents / self.random.choice(("index.sqlite", "x", "A" * 64)), b"")
        elif kind < 0.93:
            folder = contents / self.random.choice(("folder", "f" * 64))
            folder.mkdir()
            _write(folder / "in it", b"x" * 9000)
        elif kind < 0.96:  # never to a file of this machine: all of this may run as root
            path.symlink_to(self.random.choice((self.decoy, "../../../../pier-3/ledger.jsonl")))
        elif kind < 0.98:
            os.mkfifo(path)
        else:
            path.hardlink_to(self.random.choice([*contents.iterdir()] or [contents / "none"]))

    def ingest(self) -> None:
        """Have what was sent, and what was not, taken over."""
        staging = self._staging()
        folder = self.random.choice(staging.folders) if staging else None
        held = sorted(path.name for path in folder.path.iterdir()) if folder else []
        found = [name for name in held if self.random.random() < 0.7]
        digests = [*found, *(self._digest() for _ in range(2))]
        number = folder.number if folder else self.random.choice((0, 1, 2, -1))
        self._result("ingest", {"digests": digests, "folder": number}, Ingested)

    def seal(self) -> None:
        """Have a capture sealed: sound, or with something wrong in manifest or index."""
        if self.begun is None or self._staging() is None:
            self.begin()
        if self.begun is None or not Path(self.begun.folders[0]).is_dir():
            return
        self._try_to_seal(self.begun)

    def _try_to_seal(self, begun: RunStarted) -> None:
        chosen = self.random.sample([*self.had], self.random.randint(0, 5))
        files = {b"srv/%d" % n: self.had[digest] for n, digest in enumerate(chosen)}
        board = Board(self.keeper, name=PIER_4, clock=self.clock, files=files,
                      gap=keeping.gap_of(b"thief's gap"))  # fmt: skip
        index = self._index(board, begun.seq)
        try:
            if self.random.random() < 0.8:
                board.deliver(begun)
            manifest = board.describe(begun, index)
        except (HoldstillError, AssertionError, OSError) as error:  # used up, or in its own way
            self.counted[f"seal: before: {type(error).__name__}"] += 1
            return
        except Exception as error:
            if type(error).__module__.startswith("holdstill"):
                raise
            manifest = None
            self.told.append(f"the thief cannot read its own index: {error!r}")
        if manifest is None:
            return
        for body in (index, board.gap):
            for piece in keeping.pieces_of(body).values():
                self._have(piece)
        data = manifest_file.encode(self._spoiled(manifest))
        if self.random.random() < 0.1:
            data = self._torn(data)
        seal = keeping.seal_of(data, PIER_4, OTHER_KEY if self.random.random() < 0.95 else KEY)
        said = {
            "manifest": base64.b64encode(data).decode(),
            "signature": base64.b64encode(seal).decode(),
        }
        result = self._result("seal", said, SealResult)
        if result and result.name:
            self.counted["sealed"] += 1
            self.begun = None
        elif result:
            self._challenged(result.lacking)

    def _index(self, board: Board[LocalKeeper], seq: int) -> bytes:
        """Return an index: sound, of files of somebody else, or torn."""
        kind, entries = self.random.random(), board.entries()
        if kind < 0.25:  # names what it never had: a content that the honest board has
            secret = self.random.choice([*self.files.values()])
            stolen = keeping.entries_of({b"stolen": secret})
            entries = [*entries, *(entry for entry in stolen if entry.digest)]
            if kind < 0.05:
                entries = [entry._replace(size=self._size_of_file()) for entry in entries]
        entries = sorted(entries, key=lambda entry: (entry.directory, entry.name))
        made = keeping.index_bytes({2: entries}, seq=seq)
        return self._torn(made) if 0.25 < kind < 0.35 else made

    def _spoiled(self, manifest: Manifest) -> Manifest:
        """Return a manifest with nothing, or one thing, wrong in it."""
        replace = msgspec.structs.replace
        part = manifest.parts[0]
        wrong: list[Callable[[], Manifest]] = [
            lambda: replace(manifest, seq=self._size()),
            lambda: replace(manifest, previous=self._digest()),
            lambda: replace(manifest, run=self.random.choice(("", "../x", "f" * 16))),
            lambda: replace(manifest, parts=(part, part)),
            lambda: replace(manifest, parts=()),
            lambda: replace(manifest, parts=(replace(part, entries=self._size()),)),
            lambda: replace(manifest, parts=(replace(part, content_bytes=self._size()),)),
            lambda: replace(manifest, index=self._attached(manifest.index)),
            lambda: replace(manifest, gap=self._attached(manifest.gap or manifest.index)),
            lambda: replace(manifest, raws=(self._attached(manifest.index),)),
            lambda: replace(manifest, board=replace(manifest.board, name="pier-3")),
        ]
        return manifest if self.random.random() < 0.6 else self.random.choice(wrong)()

    def _attached(self, item: Attachment) -> Attachment:
        wrong: list[Callable[[], Attachment]] = [
            lambda: msgspec.structs.replace(item, size=self._size()),
            lambda: msgspec.structs.replace(item, sha256=self._digest()),
            lambda: msgspec.structs.replace(item, name=self.random.choice(("raw-2.bin", "../x"))),
        ]
        return self.random.choice(wrong)()

    def _torn(self, data: bytes) -> bytes:
        torn = bytearray(data)
        for _ in range(self.random.randint(1, 20)):
            torn[self.random.randrange(len(torn))] = self.random.randrange(256)
        return bytes(torn[: self.random.choice((len(torn), len(torn) // 2))])

    def ask_for_rsync(self) -> None:
        """Ask for a program in words near the ones that are allowed."""
        pool = [
            "rsync", "--server", "--sender", "-dIe.iLsfxCIvu", "-dISze.LsfxCIvu", "-logDtpre.iLsf",
            "--inplace", "--partial", "--no-W", "--timeout=60", "--timeout=0", "--delete", ".",
            "--backup-dir=../captures", "--link-dest=../../content", "--write-devices", "-s",
            f"incoming/{'a' * 16}/contents-0/", "incoming/../captures/", "outgoing/" + "0" * 16,
            "/etc/", "", "$(id)", "a;b", "holdstill-control", "--log-file=x", "-dIe.i\n", "\0",
        ]  # fmt: skip
        right = ["rsync", "--server", pool[3], "--inplace", "--timeout=60", ".", pool[17]]
        words = right if self.random.random() < 0.5 else self.random.choices(pool, k=8)
        for _ in range(self.random.randint(0, 2)):
            words = [*words]
            words[self.random.randrange(len(words))] = self.random.choice(pool)
        try:
            wish = forced_command.parse(" ".join(words))
        except HoldstillError:
            return
        self.counted[f"rsync: {type(wish).__name__}"] += 1
        if isinstance(wish, forced_command.ReceiveRequest | forced_command.Fetch):
            assert set(wish.options[1:]) == OPTIONS, wish
            assert wish.options[0].startswith(("-dIe.", "-dISe.", "-dIze.", "-dISze.")), wish
            place = wish.run if isinstance(wish, forced_command.ReceiveRequest) else wish.folder
            assert place.isalnum(), wish

    def stage(self) -> None:
        """Fetch contents of a capture, one's own or not."""
        captures = [b.name for b in self._listed(PIER_4)] or ["000001-20261125T021503Z"]
        digests = [self._digest() for _ in range(self.random.randint(0, 3))]
        self._result("stage", {"name": self.random.choice(captures), "digests": digests}, str)

    def die(self) -> None:
        """Be killed, and come again."""
        self.keeper.close()
        self.begun = None
        self.session = self._session()

    def wait(self) -> None:
        """Let hours go by, or have the keeper's clock put back."""
        self.clock.advance(self.random.choice((3600.0, 40_000.0, 90_000.0, -7200.0)))

    def honest(self) -> None:
        """Let the honest board change something and take a capture; it must come out right."""
        self.clock.advance(60)
        self.files[b"srv/%d" % self.random.randrange(5)] = self.random.randbytes(200)
        keeper = keeping.keeper_of(self.store, clock=self.clock, settings=self.settings)
        board = Board(keeper, clock=self.clock, files=dict(self.files))
        with keeper:
            sealed = board.capture()
        assert sealed.name, sealed
        self.truth[sealed.name] = frozenset(sha256(body) for body in self.files.values())
        self.counted["honest captures"] += 1

    def keepers_timers(self) -> None:
        """Thin and collect, as the keeper's timers do."""
        rule = Retention(days=0, weeks=0, months=0, years=0, at_least=3)
        for board in (PIER_3, PIER_4):
            try:
                thin.delete_captures(
                    self.store, board, rule, clock=self.clock, runner=FakeSignatures()
                )
            except BusyError:
                assert board == PIER_4
                self.die()
        if self.random.random() < 0.5:
            for held in self.store.contents.all():
                os.utime(held.path, times=(0, 0))
        grace = timedelta(days=self.random.choice((0, 3)))
        found = garbage.collect(self.store, clock=self.clock, grace=grace, min_free=0)
        assert found.complaints == (), found

    # What must be true.

    def _check_folder(self, folder: TransferFolder) -> None:
        found = programs.run("du", "-B1", "-s", str(folder.path)).split()[0]
        words = ("find", str(folder.path), "-mindepth", "1", "-printf", "%i\n")
        inodes = programs.run(*words).split()
        staged = self.account.balance().staged[folder.number]
        assert abs(int(found) - staged.bytes) <= SETTLED, (found, staged)
        assert staged.inodes == len(set(inodes)), (inodes, staged)

    def check_account(self) -> None:
        """Fail if the account is not what du says of the staging, or more than the limits."""
        staging = self._staging()
        if staging is not None:
            for folder in staging.folders:
                self.account.look(folder)
                self._check_folder(folder)
        balance = self.account.balance()
        for day in balance.days.keys() & self.balance.days.keys():
            assert _all_at_least(balance.days[day], self.balance.days[day]), (
                balance,
                self.balance,
            )
        self.balance = balance
        assert balance.today.hashed <= HASHED, balance
        assert balance.today.bytes <= BYTES + 4 * MIB, balance
        assert balance.today.inodes <= INODES + 100, balance

    def check_captures(self) -> None:
        """Fail if a capture is not what its board had."""
        ours = {brief.name: brief for brief in self._listed(PIER_3)}
        assert ours, "the honest board has lost all"
        for name, brief in ours.items():
            assert brief.faults == (), brief
            assert self._needs(PIER_3, name) >= self.truth[name], name
            self._check_contents(self._needs(PIER_3, name))
        for brief in self._listed(PIER_4):
            assert brief.faults == (), brief
            needs = self._needs(PIER_4, brief.name)
            self._check_contents(needs)
            assert needs <= set(self.had), ("stolen", needs.difference(self.had))
        assert self.decoy.read_bytes() == DECOY, "a link was followed"
        assert not any(path.is_symlink() for path in self.store.root.rglob("*"))

    def _check_contents(self, digests: frozenset[str]) -> None:
        for digest in digests:
            body = self.store.contents.path(names.check_digest(digest)).read_bytes()
            assert sha256(body) == digest

    def _needs(self, board: BoardName, name: str) -> frozenset[str]:
        capture = BoardCaptures(self.store, board, FakeSignatures()).capture(name)
        return frozenset(digest.hex() for digest, _ in capture_contents.needed(capture))

    # The thief's tools.

    def _listed(self, board: BoardName) -> Sequence[CaptureBrief]:
        return BoardCaptures(self.store, board, FakeSignatures()).briefs()

    def _staging(self) -> Staging | None:
        return incoming.current(self.store, PIER_4)

    def _method(self) -> str:
        return self.random.choice(
            ("hello", "begin", "lacking", "prove", "ingest", "seal", "abandon", "captures",
             "manifest", "signature", "stage", "close", "__class__", "capture", "")
        )  # fmt: skip

    def _params(self) -> dict[str, object]:
        keys = ("wanted", "digests", "proofs", "manifest", "signature", "name", "x")
        return {key: self._anything(3) for key in keys if self.random.random() < 0.3}

    def _anything(self, depth: int) -> object:
        kind = self.random.randrange(8 if depth else 5)
        if kind == 0:
            return self._size()
        if kind == 1:
            return self._digest()
        if kind == 2:
            return self.random.choice((None, True, 1e300, "", "../..", "\0", "é\ud7ff", "=" * 99))
        if kind == 3:
            return self.random.choice(("000001-20261125T021503Z", "pier-3", "pier-4"))
        if kind == 4:
            return base64.b64encode(self.random.randbytes(self.random.randint(0, 64))).decode()
        if kind == 5:
            return {"digest": self._digest(), "size": self._size(), "basis": self._digest()}
        if kind == 6:
            return [self._anything(depth - 1) for _ in range(self.random.randint(0, 4))]
        return {str(self._anything(0)): self._anything(depth - 1) for _ in range(2)}

    def _size(self) -> int:
        return self.random.choice((-1, 0, 1, 4096, MIB, 1 << 28, 1 << 31, 1 << 62, -(1 << 62)))

    def _size_of_file(self) -> int:
        return self.random.choice((1, 4096, 1 << 24, 1 << 40, (1 << 63) - 1))

    def _sparse_size(self) -> int:
        return self.random.choice((1, 4096, MIB, 1 << 28, 1 << 33))

    def _digest(self) -> str:
        kind = self.random.random()
        if kind < 0.6:
            return self.random.choice([*self.had])
        if kind < 0.8:
            return sha256(self.random.choice([*self.files.values()]))
        odd = ("", "0" * 63, "../" + "0" * 61, "0" * 64, "F" * 64, "é" * 32, "\0" * 64)
        return self.random.choice(odd)

    @staticmethod
    def _line(method: str, params: Mapping[str, object]) -> bytes:
        return json.dumps({"jsonrpc": "2.0", "id": 1, "method": method, "params": params}).encode()

    def _answered(self, line: bytes) -> Reply | None:
        """Return the answer to a line; any exception that comes through is a find."""
        answer = self.session.answer(line.replace(b"\n", b" "))
        return msgspec.json.decode(answer, type=Reply) if answer else None

    def _result(self, method: str, params: Mapping[str, object], kind: type[T]) -> T | None:
        """Call a method; None when it is refused."""
        said = self._answered(self._line(method, params))
        assert said is not None
        ended = said.error.data.kind if said.error else "done"
        self.counted[f"{method}: {ended}"] += 1
        return None if said.error else msgspec.convert(said.result, kind)


def _write(path: Path, body: bytes, *, size: int | None = None) -> None:
    """Write a file, or one with a hole of some size; never through a link, never to a pipe."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_NONBLOCK
    with files.opened(path, flags) as handle:
        files.write_all(handle, body)
        os.truncate(handle, len(body) if size is None else size)


def _all_at_least(later: Spent, earlier: Spent) -> bool:
    """Return whether nothing was given back."""
    return earlier.growth_to(later) + earlier == later


def run(folder: Path, seed: int, *, until: Callable[[StolenBoard], bool]) -> StolenBoard:
    """Let a thief do as it likes until that is true; everything must be right at the end.

    Raises:
        AssertionError: a find; what was done last is a note of it.
    """
    made = StolenBoard(folder, seed)
    try:
        while not until(made):
            made.step()
        made.keepers_timers()
        made.check_account()
        made.check_captures()
    except Exception as error:
        error.add_note("\n".join(made.told))
        raise
    finally:
        made.keeper.close()
    return made


def main() -> None:
    """Run it for a while and print what came of it."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seed", type=int, required=True)
    words.add_argument("--seconds", type=float, required=True)
    words.add_argument("--folder", type=Path, required=True)
    chosen = words.parse_args()
    end = time.monotonic() + chosen.seconds
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        made = run(Path(folder), chosen.seed, until=lambda _: time.monotonic() > end)
    json.dump({"seed": made.seed, "steps": made.steps, **made.counted}, sys.stdout, indent=1)


if __name__ == "__main__":
    main()
