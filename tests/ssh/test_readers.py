"""A reader's key, used as it is meant and as a thief would, by real ssh and rsync."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, SecurityError, UsageError
from holdstill.keeper import authorized_keys, forced_command, json_rpc, readers, session_slots
from holdstill.keeper.authorized_keys import Who
from holdstill.keeper.remote import RemoteKeeper
from holdstill.system.clocks import SystemClock
from holdstill.transport import ssh_session
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import boathouse, keeping, keys, programs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.names import BoardName
    from support.boathouse import Boathouse
    from support.keys import KeyPair

pytestmark = pytest.mark.timeout(120)
PROGRAM = (sys.executable, "-B", "-m", "holdstill")
CONTENT = b"readings of "


@dataclass(frozen=True)
class Library:
    """A keeper with captures of pier-3 and pier-4, and readers' keys that are let in."""

    house: Boathouse
    pairs: dict[str, KeyPair]

    def identity(self, name: str) -> Identity:
        return Identity(self.pairs[name].private, self.house.server.known_hosts)

    def ssh(self, name: str, *words: str) -> subprocess.CompletedProcess[bytes]:
        """Run ssh with a reader's key."""
        plain = self.house.server.client(*words)
        own, key = os.fspath(self.house.server.client_key), os.fspath(self.pairs[name].private)
        return programs.attempt(*(key if w == own else w for w in plain), timeout=30)

    def rsync(self, name: str, *words: str | Path) -> subprocess.CompletedProcess[bytes]:
        plain = self.house.server.client()
        own, key = os.fspath(self.house.server.client_key), os.fspath(self.pairs[name].private)
        shell = " ".join(key if w == own else w for w in plain[:-1])
        return programs.attempt("rsync", "-e", shell, *words, timeout=30)

    def refusals(self, name: str) -> str:
        path = readers.folder(self.house.store, name) / "refusals.jsonl"
        return path.read_text("utf-8") if path.exists() else ""

    def holdstill(
        self, name: str, *words: object, accepted: Sequence[int] = (0,)
    ) -> subprocess.CompletedProcess[str]:
        """Run a command as on a laptop, with a reader's key."""
        done = subprocess.run(
            [
                *PROGRAM, *map(str, words), "--store", str(self.house.address),
                "--key", self.pairs[name].private, "--host-keys", self.house.server.known_hosts,
            ],
            stdin=subprocess.DEVNULL, capture_output=True, check=False, text=True,
        )  # fmt: skip
        assert done.returncode in accepted, done.stderr
        return done


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with boathouse.running(tmp_path_factory.mktemp("library")) as house:
        for name in ("pier-3", "pier-4"):
            board = house.enrol(name)
            with house.keeper(board) as keeper:
                sender = house.board(keeper, board)
                sender.files = {b"srv/readings": CONTENT + name.encode()}
                sender.capture()
            house.wait_until_left_alone(board)
        pairs, lines = {}, []
        for name, boards in {"anna": (), "ben": ("pier-3",), "eve": ("pier-4",)}.items():
            pairs[name] = keys.make_key(house.folder / f"{name}_key")
            readers.add(house.store, name, pairs[name].public, boards, clock=SystemClock())
            lines.append(
                authorized_keys.authorized_line(
                    house.store, name, pairs[name].public, program=PROGRAM, who=Who.READER
                )
            )
        house.server.authorize(*lines)
        yield Library(house, pairs)


def raw_call(library: Library, name: str, *calls: tuple[str, dict[str, object]]) -> list[object]:
    """Send calls of whatever method by a plain ssh, and return the answers."""
    lines = [
        json.dumps({"jsonrpc": "2.0", "id": number, "method": method, "params": params})
        for number, (method, params) in enumerate(calls, start=1)
    ]
    plain = library.house.server.client(forced_command.CONTROL)
    own = os.fspath(library.house.server.client_key)
    key = os.fspath(library.pairs[name].private)
    done = subprocess.run(
        [key if w == own else w for w in plain],
        input="".join(f"{line}\n" for line in lines).encode(), capture_output=True, check=False,
        timeout=60,
    )  # fmt: skip
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_reader_of_all_lists_every_board(library: Library) -> None:
    found = json.loads(library.holdstill("anna", "list", "--json").stdout)

    assert sorted(found["boards"]) == ["pier-3", "pier-4"]
    assert all(len(briefs) == 1 for briefs in found["boards"].values())


def test_a_reader_of_one_board_sees_that_one_only(library: Library) -> None:
    found = json.loads(library.holdstill("ben", "list", "--json").stdout)
    other = library.holdstill("ben", "list", "pier-4", accepted=(UsageError.exit_code,))

    assert list(found["boards"]) == ["pier-3"]
    assert "this key does not read board pier-4" in other.stderr
    assert "it reads pier-3" in other.stderr


@pytest.mark.parametrize(("name", "board"), [("anna", "pier-4"), ("ben", "pier-3")])
def test_a_reader_gets_a_file(library: Library, tmp_path: Path, name: str, board: str) -> None:
    library.holdstill(name, "get", board, "2:/srv/readings", "--to", tmp_path / "got")

    assert (tmp_path / "got").read_bytes() == CONTENT + board.encode()
    left = readers.folder(library.house.store, name) / "outgoing"
    assert list(left.iterdir()) == []


@pytest.mark.parametrize("board", ["pier-3", "pier-9"])
def test_s05_another_board_is_refused_by_the_keeper_whether_it_is_there_or_not(
    library: Library, board: str
) -> None:
    (answer,) = raw_call(library, "eve", ("choose", {"name": board}))

    assert isinstance(answer, dict)
    assert answer["error"]["code"] == SecurityError.exit_code
    assert answer["error"]["message"] == f"there is no board {board!r} that reader eve may read"
    assert f"no board '{board}'" in library.refusals("eve")


def test_s05_contents_of_another_board_are_not_laid_out(library: Library) -> None:
    other = keeping.PIER_3
    store = library.house.store
    name = next((store.board_folder(keeping.PIER_4) / "captures").iterdir()).name
    theirs = next((store.board_folder(other) / "captures").iterdir()).name
    digest = hashlib.sha256(CONTENT + b"pier-3").hexdigest()

    answers = raw_call(
        library, "eve",
        ("choose", {"name": "pier-4"}),
        ("stage", {"name": name, "digests": [digest]}),
        ("manifest", {"name": f"../../{other}/captures/{theirs}"}),
        ("manifest", {"name": theirs if theirs != name else "000009-20260101T000000Z"}),
    )  # fmt: skip

    assert [bool(answer.get("error")) for answer in answers if isinstance(answer, dict)] == [
        False, True, True, True,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("method", "params"),
    [
        ("begin", {}),
        ("lacking", {"wanted": [], "folder": 0}),
        ("prove", {"proofs": []}),
        ("ingest", {"digests": [], "folder": 0}),
        ("seal", {"manifest": "", "signature": ""}),
        ("abandon", {}),
        ("pin", {"name": "x"}),
        ("thin", {}),
        ("__init__", {}),
    ],
)
def test_s01_no_method_that_writes_is_there(
    library: Library, method: str, params: dict[str, object]
) -> None:
    before = keeping.snapshot(library.house.store.root / "boards")

    answers = raw_call(library, "anna", ("choose", {"name": "pier-3"}), (method, params))

    assert isinstance(answers[1], dict)
    assert answers[1]["error"]["code"] == SecurityError.exit_code
    assert f"no such method: '{method}'" in library.refusals("anna")
    assert keeping.snapshot(library.house.store.root / "boards") == before


@pytest.mark.parametrize(
    "words",
    [
        ("id",),
        ("holdstill", "thin", "--apply"),
        ("holdstill", "keeper", "retire", "/srv/holdstill", "pier-3"),
        ("cat", "/etc/passwd"),
    ],
)
def test_s01_no_other_command_is_run(library: Library, words: tuple[str, ...]) -> None:
    done = library.ssh("anna", *words)

    assert (done.returncode, done.stdout) == (9, b"")
    assert words[-1] in library.refusals("anna")


@pytest.mark.parametrize(
    "place",
    [
        "incoming/aaaaaaaaaaaa/contents-0/",
        "outgoing/0123456789abcdef/",
        "boards/pier-3/captures/",
        "readers/anna/",
        "",
    ],
)
def test_s03_nothing_can_be_sent(library: Library, tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_bytes(b"x")
    before = keeping.snapshot(library.house.store.root / "boards")

    done = library.rsync(
        "anna", "-dI", "--inplace", "--timeout=60", f"{tmp_path}/",
        f"{library.house.server.host}:{place}",
    )  # fmt: skip

    assert done.returncode != 0
    assert keeping.snapshot(library.house.store.root / "boards") == before


@pytest.mark.parametrize(
    "place",
    [
        "boards/pier-3/captures/",
        "../eve/outgoing/",
        "outgoing/../../eve/outgoing/",
        "reader.yaml",
        "/etc/",
        "outgoing/",
    ],
)
def test_s05_nothing_can_be_fetched_but_what_was_laid_out_for_it(
    library: Library, tmp_path: Path, place: str
) -> None:
    done = library.rsync(
        "anna", "-dI", "--timeout=60", f"{library.house.server.host}:{place}", f"{tmp_path}/"
    )

    assert done.returncode != 0
    assert list(tmp_path.iterdir()) == []


def test_s05_what_was_laid_out_for_another_reader_is_not_to_be_had(
    library: Library, tmp_path: Path
) -> None:
    house = library.house
    with ssh_session.connected(
        house.address, library.identity("eve"), command=forced_command.CONTROL,
        heartbeat=json_rpc.ALIVE,
    ) as channel:  # fmt: skip
        keeper = RemoteKeeper(channel)
        keeper.choose("pier-4")
        name = keeper.captures()[0].name
        staged = keeper.stage(name, [hashlib.sha256(CONTENT + b"pier-4").hexdigest()])
        theirs = library.rsync(
            "ben", "-dI", "--timeout=60", f"{house.server.host}:{staged}/", f"{tmp_path}/"
        )
        got = list(tmp_path.iterdir())
        way = RsyncEndpoint(house.address, library.identity("eve"))
        RsyncTransfer(way, Path("/dev/shm"), SystemClock()).fetch(f"{staged}/", tmp_path)  # noqa: S108

    assert theirs.returncode != 0
    assert got == []
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [CONTENT + b"pier-4"]


def test_a_reader_that_is_removed_is_out_at_once_with_its_sessions(
    library: Library, tmp_path: Path
) -> None:
    house = library.house
    gone = keys.make_key(tmp_path / "gone_key")
    readers.add(house.store, "gone", gone.public, (), clock=SystemClock())
    line = authorized_keys.authorized_line(
        house.store, "gone", gone.public, program=PROGRAM, who=Who.READER
    )
    before = (house.server.folder / "authorized_keys").read_text("utf-8").splitlines()
    house.server.authorize(*before, line)
    identity = Identity(gone.private, house.server.known_hosts)
    with ssh_session.connected(house.address, identity, command=forced_command.CONTROL) as channel:
        keeper = RemoteKeeper(channel)
        assert keeper.choose("pier-3").board == "pier-3"
        ended = session_slots.end_all_in(readers.folder(house.store, "gone"))
        readers.remove(house.store, "gone")
    with (
        pytest.raises(Exception, match="removed") as caught,
        ssh_session.connected(house.address, identity, command=forced_command.CONTROL) as channel,
    ):
        RemoteKeeper(channel).hello()

    house.server.authorize(*before)
    assert ended >= 1
    assert "reader gone was removed" in str(caught.value)


def test_a_key_is_withdrawn_before_its_sessions_are_ended(
    library: Library, tmp_path: Path
) -> None:
    """A session that begins in between, over a connection that stands, finds no key."""
    house = library.house
    gone = keys.make_key(tmp_path / "late_key")
    readers.add(house.store, "late", gone.public, (), clock=SystemClock())
    line = authorized_keys.authorized_line(
        house.store, "late", gone.public, program=PROGRAM, who=Who.READER
    )
    before = (house.server.folder / "authorized_keys").read_text("utf-8").splitlines()
    house.server.authorize(*before, line)
    identity = Identity(gone.private, house.server.known_hosts)
    with ssh_session.connected(house.address, identity, command=forced_command.CONTROL) as channel:
        assert RemoteKeeper(channel).choose("pier-3").board == "pier-3"
        readers.withdraw(house.store, "late")

        with (
            pytest.raises(Exception, match="removed"),
            ssh_session.connected(
                house.address, identity, command=forced_command.CONTROL
            ) as another,
        ):
            RemoteKeeper(another).hello()
        # The folder, by which sessions are found, is there until they have ended.
        assert readers.folder(house.store, "late").is_dir()
        session_slots.end_all_in(readers.folder(house.store, "late"))
        with pytest.raises(HoldstillError):
            RemoteKeeper(channel).hello()
    house.server.authorize(*before)
    readers.remove(house.store, "late")

    assert not readers.folder(house.store, "late").exists()


def test_a_boards_key_cannot_be_a_readers_nor_the_other_way_round(
    library: Library, tmp_path: Path
) -> None:
    store, clock = library.house.store, SystemClock()
    board: BoardName = keeping.PIER_3
    with pytest.raises(SecurityError, match="is board pier-3's already"):
        readers.add(store, "both", library.house.keys[board].public, (), clock=clock)
    with pytest.raises(SecurityError, match="is reader anna's already"):
        readers.add(store, "both", library.pairs["anna"].public, (), clock=clock)
    with pytest.raises(SecurityError, match="reader anna has another key"):
        readers.add(store, "anna", keys.make_key(tmp_path / "k").public, (), clock=clock)
    with pytest.raises(SecurityError, match="is reader anna's"):
        library.house.enrol_with("pier-7", library.pairs["anna"])


def test_a_keeper_that_names_another_key_of_a_board_later_is_not_believed(
    library: Library, tmp_path: Path
) -> None:
    pins = tmp_path / "pins"
    pins.write_bytes(library.house.server.known_hosts.read_bytes())
    (tmp_path / "pins.boards").write_text(
        f"pier-3 {keys.make_key(tmp_path / 'older').public}\n", "ascii"
    )

    done = subprocess.run(
        [
            *PROGRAM, "list", "pier-3", "--store", str(library.house.address),
            "--key", library.pairs["anna"].private, "--host-keys", pins,
        ],
        stdin=subprocess.DEVNULL, capture_output=True, check=False, text=True,
    )  # fmt: skip

    assert done.returncode == SecurityError.exit_code
    assert "another key of board pier-3" in done.stderr


def test_one_board_whose_key_is_another_one_hides_none_of_the_others(
    library: Library, tmp_path: Path
) -> None:
    pins = tmp_path / "pins"
    pins.write_bytes(library.house.server.known_hosts.read_bytes())
    other = keys.make_key(tmp_path / "older").public
    (tmp_path / "pins.boards").write_text(f"pier-3 {other}\n", "ascii")

    done = subprocess.run(
        [
            *PROGRAM, "list", "--store", str(library.house.address),
            "--key", library.pairs["anna"].private, "--host-keys", pins,
        ],
        stdin=subprocess.DEVNULL, capture_output=True, check=False, text=True,
    )  # fmt: skip

    assert done.returncode == SecurityError.exit_code
    assert "pier-4" in done.stdout
    assert "pier-3" not in done.stdout
    assert "another key of board pier-3" in done.stderr
