"""Every kind of file in a store, damaged in every way: what each command makes of it.

No command ends by a fault of our own, `verify` says which file it is, and thinning loses nothing
that was sound.
"""

from __future__ import annotations

import itertools
import os
import random
import shutil
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.keeper.board_captures import StoredCapture
from holdstill.keeper.content_store import ContentStore
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import names
from holdstill.model.names import CaptureName
from holdstill.records import assembled, capture_contents
from holdstill.system.clocks import SystemClock
from support import command_line, keeping, programs
from support.keeping import FakeClock
from support.random_store import sha256
from support.signed_store import SignedStore

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable, Iterator

HOLDSTILL = Path(sys.executable).with_name("holdstill")
pytestmark = pytest.mark.timeout(300)
BOARD, GOOD = "slipway-1", "pier-3"
GAP, RAW = keeping.gap_of(b"boot code of slipway-1"), b"raw area of slipway-1"
OWNER = 65_534
"""Who owns a store of which something may not be read: root may read all."""


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    _write(path, bytes(data))


def first_byte(path: Path) -> None:
    data = path.read_bytes()
    _write(path, bytes([data[0] ^ 0xFF]) + data[1:])


def empty(path: Path) -> None:
    _write(path, b"")


def gone(path: Path) -> None:
    path.unlink()


def a_directory(path: Path) -> None:
    path.unlink()
    path.mkdir()


def a_symlink(path: Path) -> None:
    path.unlink()
    path.symlink_to("/etc/hostname")


def mode_000(path: Path) -> None:
    path.chmod(0)


def _write(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


WAYS = (flipped, first_byte, empty, gone, a_directory, a_symlink, mode_000)


def newest(root: Path) -> Path:
    return max((root / "boards" / BOARD / "captures").iterdir())


def content(root: Path, which: str) -> Path:
    """Return a content that only the damaged board has: of a file, a list, or its piece."""
    gap, gap_piece = keeping.pieces_of(GAP)
    raw, raw_piece = keeping.pieces_of(RAW)
    index = assembled_index(root)
    index_list, index_piece, *_ = keeping.pieces_of(index)
    digest = {
        "gap": gap, "gap piece": gap_piece, "raw": raw, "raw piece": raw_piece,
        "index": index_list, "index piece": index_piece, "file": sha256(b"1 of slipway-1"),
    }[which]  # fmt: skip
    return root / "content" / digest[:2] / digest


def assembled_index(root: Path) -> bytes:
    """Return the index of the damaged board's newest capture."""
    folder = newest(root)
    capture = StoredCapture(
        names.check_board(BOARD), CaptureName.parse(folder.name), folder,
        ContentStore(root / "content", StoreDisk()),
    )  # fmt: skip
    target = root.parent / "index.sqlite"
    assembled.write(capture, capture.manifest().index, target)
    data = target.read_bytes()
    target.unlink()
    return data


PLACES: dict[str, Callable[[Path], Path]] = {
    "store.yaml": lambda root: root / "store.yaml",
    "references": lambda root: root / "references.sqlite",
    "verified": lambda root: root / "verified.sqlite",
    "lock": lambda root: root / "lock",
    "enrolment": lambda root: root / "boards" / BOARD / "enrolment.yaml",
    "ledger": lambda root: root / "boards" / BOARD / "ledger.jsonl",
    "board lock": lambda root: root / "boards" / BOARD / "lock",
    "manifest": lambda root: newest(root) / "manifest.yaml",
    "signature": lambda root: newest(root) / "manifest.yaml.sig",
    "account": lambda root: root / "boards" / BOARD / "account.json",
    "intent": lambda root: root / "boards" / BOARD / "sealing" / "0123456789abcdef.json",
    "latest": lambda root: root / "boards" / BOARD / "latest" / "capture",
    "watch": lambda root: root / "watch.json",
    "file": lambda root: content(root, "file"),
    "gap": lambda root: content(root, "gap"),
    "gap piece": lambda root: content(root, "gap piece"),
    "raw": lambda root: content(root, "raw"),
    "raw piece": lambda root: content(root, "raw piece"),
    "index": lambda root: content(root, "index"),
    "index piece": lambda root: content(root, "index piece"),
    "staging": lambda root: root / "boards" / BOARD / "incoming" / "0123456789abcdef" / "begun",
    "trash": lambda root: root / "trash" / "contents-20261101T000000Z" / ("ab" * 32),
}
HARMLESS = {
    "references", "verified", "lock", "board lock", "staging", "trash", "account", "intent",
    "latest", "watch",
}  # fmt: skip
"""What no capture needs: damage to it is no reason to call a capture damaged."""
UNREAD = {"staging", "trash", "watch"}
"""What `verify` has no use for, and does not look at."""
OTHER_KINDS = (a_directory, a_symlink)
LOCKS = {"lock", "board lock"}
"""They are empty: no byte of theirs can flip."""
ALL = [
    (place, spoil)
    for place, spoil in itertools.product(sorted(PLACES), WAYS)
    if place not in LOCKS or spoil not in (flipped, first_byte)
]
DAILY = random.Random(7).sample(ALL, 12)  # noqa: S311  a test's


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> SignedStore:
    """A store with two boards of two captures each, that was verified once."""
    made = SignedStore(tmp_path_factory.mktemp("sound"))
    clock = FakeClock(SystemClock().now())
    made.enrol(GOOD, BOARD)
    for board in made.keys:
        for number in range(2):
            clock.advance(1)
            files = {b"f": b"%d of %b" % (number, board.encode()), b"same": b"on all"}
            made.capture(
                board, files, clock=clock, gap=keeping.gap_of(b"boot code of " + board.encode()),
                raws={3: RAW.replace(BOARD.encode(), board.encode())},
            )  # fmt: skip
    for place in ("staging", "trash", "latest", "account", "watch"):
        path = PLACES[place](made.root)
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            path.write_bytes(b"{}")
    path = PLACES["intent"](made.root)
    last = (made.root / "boards" / BOARD / "ledger.jsonl").read_bytes().splitlines()[-1]
    path.write_bytes(msgspec.json.encode(msgspec.json.decode(last)["entry"]))
    run("verify", "--store", str(made.root))
    return made


def run(*words: str, user: int | None = None) -> subprocess.CompletedProcess[bytes]:
    if user is None:
        return command_line.attempt(*words)
    ids = (f"--reuid={user}", f"--regid={user}", "--clear-groups")
    return programs.attempt("setpriv", *ids, HOLDSTILL, *words)


def commands(folder: Path, root: Path) -> tuple[tuple[str, ...], ...]:
    settings = folder / "keeper.yaml"
    settings.write_text(f"store: {root}\n", encoding="utf-8")
    store = ("--store", str(root))
    newest_of, none = f"{BOARD}/000002", str(folder / "none.yaml")
    return (
        ("list", *store),
        ("status", "--settings", none, "--keeper-settings", str(settings)),
        ("show", newest_of, *store),
        ("get", newest_of, "2:/f", "--to", str(folder / "f"), *store),
        ("compare", f"{BOARD}/000001", newest_of, *store),
        ("pin", newest_of, *store),
        ("keeper", "watch", "--settings", str(settings)),
        ("keeper", "recount", str(root)),
        ("thin", "--settings", str(settings), *store),
        ("thin", "--apply", "--settings", str(settings), *store),
    )


def sound_contents(root: Path) -> set[str]:
    return {
        path.name
        for path in (root / "content").glob("??/*")
        if path.is_file() and not path.is_symlink() and path.stat().st_size
    }


def check_damaged(
    folder: Path, sound: SignedStore, place: str, spoil: Callable[[Path], None]
) -> None:
    root = folder / "store"
    shutil.copytree(sound.root, root, symlinks=True)
    path = PLACES[place](root)
    before = sound_contents(root) - {path.name}
    spoil(path)
    user = OWNER if spoil is mode_000 and os.geteuid() == 0 else None
    all_words = commands(folder, root)
    if user is not None:
        for item in (folder, *folder.rglob("*")):
            os.chown(item, user, user, follow_symlinks=False)

    verified = run("verify", "--store", str(root), user=user)
    ended = {words[:2]: run(*words, user=user) for words in all_words}

    for words, done in {("verify",): verified, **ended}.items():
        assert done.returncode != 70, (words, done.stderr.decode())
        assert b"Traceback" not in done.stderr, (words, done.stderr.decode())
    told = verified.stdout + verified.stderr
    if place in HARMLESS:
        assert b"DAMAGED" not in told, told.decode()
        assert b"NOT TRUSTWORTHY" not in told, told.decode()
    else:
        assert verified.returncode in {2, 4, 7, 9}, told.decode()
        assert (BOARD.encode() in told) == (place != "store.yaml"), told.decode()
    if place not in HARMLESS or (place not in UNREAD and spoil in {*OTHER_KINDS, mode_000}):
        assert os.fsencode(path) in told, told.decode()
        assert b"what to do: " in told or b"begun again" in told, told.decode()
    if place not in HARMLESS:
        assert b"DAMAGED" not in b"".join(x for x in told.splitlines() if GOOD.encode() in x)
    assert before <= sound_contents(root)


@pytest.fixture
def folder() -> Iterator[Path]:
    """One that another user can get at."""
    with tempfile.TemporaryDirectory(prefix="hs-") as made:
        yield Path(made)


@pytest.mark.parametrize(("place", "spoil"), DAILY)
def test_a_damaged_store(
    folder: Path, sound: SignedStore, place: str, spoil: Callable[[Path], None]
) -> None:
    check_damaged(folder, sound, place, spoil)


@pytest.mark.slow
@pytest.mark.parametrize(("place", "spoil"), [case for case in ALL if case not in DAILY])
def test_every_damaged_store(
    folder: Path, sound: SignedStore, place: str, spoil: Callable[[Path], None]
) -> None:
    check_damaged(folder, sound, place, spoil)


def test_the_undamaged_store_is_found_good(sound: SignedStore) -> None:
    assert run("verify", "--store", str(sound.root)).returncode == 0
    for folder in (sound.root / "boards" / BOARD / "captures").iterdir():
        name = names.check_board(BOARD)
        capture = StoredCapture(name, CaptureName.parse(folder.name), folder, sound.store.contents)
        assert len(set(capture_contents.needed(capture))) >= 5
