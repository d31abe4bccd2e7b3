"""The control channel's other end: answers what is listed, refuses and notes the rest."""

from __future__ import annotations

import base64
import fcntl
import hashlib
import json
import os
import threading
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill import errors
from holdstill.errors import (
    BusyError,
    HoldstillError,
    LinkError,
    PreflightError,
    SecurityError,
    UsageError,
    VerificationError,
)
from holdstill.keeper import enrolment, incoming, json_rpc, ssh_server
from holdstill.keeper.remote import RemoteKeeper
from holdstill.keeper.ssh_server import Patience
from holdstill.model import names
from holdstill.model.protocol import FOLDERS, MESSAGE_LIMIT, WantedContent
from holdstill.system.clocks import SystemClock
from support import keeping
from support.keeping import PIER_3, PIER_4, Board, FakeClock

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.keeper.store import Store


class Direct:
    """A channel that ends in a service of this process."""

    def __init__(self, service: ssh_server.SshServer) -> None:
        self.service = service
        self.lines: list[bytes] = []

    def call(self, line: bytes) -> bytes:
        self.lines.append(line)
        answer = self.service.answer(line)
        assert answer is not None
        return answer


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=FakeClock())


@pytest.fixture
def service(store: Store) -> ssh_server.SshServer:
    return server_of(store)


def server_of(store: Store) -> ssh_server.SshServer:
    clock = FakeClock()
    return ssh_server.SshServer(keeping.keeper_of(store, clock=clock), store, PIER_3, clock=clock)


@pytest.fixture
def board(service: ssh_server.SshServer, store: Store) -> Board[RemoteKeeper]:
    def carry(files: Mapping[str, bytes], folder: str) -> None:
        keeping.put(files, str(store.board_folder(PIER_3) / folder))

    files = {b"etc/hostname": b"pier-3\n", b"srv/reading": b"1.42"}
    return Board(RemoteKeeper(Direct(service)), files=files, carry=carry)


def asked(service: ssh_server.SshServer, method: str, **params: object) -> dict[str, object]:
    call = {"jsonrpc": "2.0", "id": 7, "method": method, "params": params}
    answer = service.answer(json.dumps(call).encode())
    assert answer is not None
    reply: dict[str, object] = json.loads(answer)
    assert reply["id"] == 7
    return reply


def refusals_of(store: Store) -> str:
    path = store.board_folder(PIER_3) / "refusals.jsonl"
    return path.read_text("utf-8") if path.exists() else ""


def test_a_whole_run_through_the_wire_is_as_in_one_process(board: Board[RemoteKeeper]) -> None:
    first = board.capture()
    board.files[b"srv/reading"] = b"1.43"
    second = board.capture()

    keeper = board.keeper
    assert [brief.name for brief in keeper.captures()] == [first.name, second.name]
    assert keeper.hello().newest == keeper.captures()[1]
    manifest = keeper.manifest(second.name)
    assert keeper.signature(second.name) == board.signed(manifest)


def test_the_folder_of_a_run_is_named_for_the_forced_rsync(board: Board[RemoteKeeper]) -> None:
    begun = board.keeper.begin()

    assert begun.folders == tuple(f"incoming/{begun.run}/contents-{n}" for n in range(FOLDERS))


def test_contents_are_staged_in_a_folder_that_goes_with_the_session(
    board: Board[RemoteKeeper], service: ssh_server.SshServer, store: Store
) -> None:
    name = board.capture().name
    digest = hashlib.sha256(b"1.42").hexdigest()

    folder = store.board_folder(PIER_3) / board.keeper.stage(name, [digest])

    assert [item.name for item in folder.iterdir()] == [digest]
    source, target = os.pipe()
    os.close(target)
    service.run(source, source)
    os.close(source)
    assert not folder.exists()


def test_a_session_gives_up_its_own_older_folders_and_never_those_of_another_one(
    board: Board[RemoteKeeper], store: Store
) -> None:
    name = board.capture().name
    digest = hashlib.sha256(b"1.42").hexdigest()
    theirs = store.board_folder(PIER_3) / board.keeper.stage(name, [digest])
    other = server_of(store)

    folders = [asked(other, "stage", name=name, digests=[digest])["result"] for _ in range(200)]

    assert (theirs / digest).exists()
    assert (store.board_folder(PIER_3) / str(folders[-1]) / digest).exists()
    assert len(list(theirs.parent.iterdir())) == 1 + ssh_server.LAID_OUT_EACH


def test_a_session_that_ends_leaves_what_others_are_fetching(
    board: Board[RemoteKeeper], store: Store
) -> None:
    name = board.capture().name
    digest = hashlib.sha256(b"1.42").hexdigest()
    folder = store.board_folder(PIER_3) / board.keeper.stage(name, [digest])
    other = server_of(store)

    source, target = os.pipe()
    os.close(target)
    other.run(source, source)
    os.close(source)

    assert (folder / digest).exists()


def test_s05_contents_that_are_not_in_the_own_capture_are_not_lent(
    board: Board[RemoteKeeper], store: Store
) -> None:
    name = board.capture().name
    secret = b"of another board"
    path = store.contents.path(names.check_digest(hashlib.sha256(secret).hexdigest()))
    path.write_bytes(secret)

    with pytest.raises(VerificationError, match="has no content"):
        board.keeper.stage(name, [path.name])


def test_s05_captures_of_another_board_do_not_exist(
    board: Board[RemoteKeeper], store: Store
) -> None:
    clock = FakeClock()
    enrolment.enrol(store, PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    other = Board(keeping.keeper_of(store, clock=clock, board=PIER_4), name=PIER_4)
    other.sign = lambda data: keeping.seal_of(data, PIER_4, keeping.OTHER_KEY)
    name = other.capture().name

    assert board.keeper.captures() == ()
    with pytest.raises(UsageError, match="no capture"):
        board.keeper.manifest(name)
    with pytest.raises(UsageError, match="not a capture's name"):
        board.keeper.manifest(f"../../pier-4/captures/{name}")


@pytest.mark.parametrize(
    "method",
    ["delete", "thin", "capture", "close", "__init__", "rename", "enrol", "_begin", ""],
)
def test_s03_there_is_no_method_that_takes_anything_away(
    service: ssh_server.SshServer, store: Store, method: str
) -> None:
    reply = asked(service, method)

    assert "no such method" in str(reply["error"])
    assert "no such method" in refusals_of(store)


@pytest.mark.parametrize(
    ("method", "params"),
    [
        ("hello", {"extra": 1}),
        ("lacking", {}),
        ("lacking", {"wanted": [{"digest": "x"}]}),
        ("ingest", {"digests": "abc"}),
        ("ingest", {"digests": [1]}),
        ("seal", {"manifest": "!", "signature": ""}),
        ("manifest", {"name": ["a"]}),
    ],
)
def test_s23_parameters_of_another_form_are_refused(
    service: ssh_server.SshServer, method: str, params: dict[str, object]
) -> None:
    reply = asked(service, method, **params)

    error = reply["error"]
    assert isinstance(error, dict)
    assert error["code"] == SecurityError.exit_code


@pytest.mark.parametrize(
    ("method", "params"),
    [
        ("manifest", {"name": "../../../etc/passwd"}),
        ("manifest", {"name": "000001-20261125T021503Z/../../x"}),
        ("stage", {"name": "000001-20261125T021503Z", "digests": ["../x"]}),
        ("ingest", {"digests": ["../../../../etc/passwd"]}),
        ("ingest", {"digests": ["A" * 64]}),
        ("lacking", {"wanted": [{"digest": "a" * 63 + "/", "size": 1}]}),
        ("lacking", {"wanted": [{"digest": "a" * 64, "size": 1, "basis": "../../ledger.jsonl"}]}),
    ],
)
def test_s25_no_name_leads_out_of_the_store(
    service: ssh_server.SshServer, method: str, params: dict[str, object]
) -> None:
    asked(service, "begin")

    reply = asked(service, method, **params)

    assert reply.get("error")


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"hello",
        b"[]",
        b'{"jsonrpc": "1.0", "id": 1, "method": "hello"}',
        b'{"jsonrpc": "2.0", "id": "one", "method": "hello"}',
        b'{"jsonrpc": "2.0", "id": 1, "method": "hello", "id": 2}',
        b'{"jsonrpc": "2.0", "id": 1, "method": "hello", "more": 2}',
        b'[{"jsonrpc": "2.0", "id": 1, "method": "hello"}]',
    ],
)
def test_s23_what_is_no_request_is_answered_as_invalid_and_noted(
    service: ssh_server.SshServer, store: Store, line: bytes
) -> None:
    answer = service.answer(line)

    assert answer is not None
    assert json.loads(answer)["error"]["code"] == -32600  # JSON-RPC 2.0, section 5.1
    assert refusals_of(store)


@given(st.binary(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_s23_any_line_gets_one_answer_and_never_an_exception(
    service: ssh_server.SshServer, line: bytes
) -> None:
    answer = service.answer(line)

    assert answer is None or b"\n" not in answer


def test_a_notification_is_not_answered(service: ssh_server.SshServer) -> None:
    assert service.answer(json_rpc.ALIVE) is None


def test_s20_a_line_without_an_end_is_not_collected(service: ssh_server.SshServer) -> None:
    source, target = os.pipe()

    def pour() -> None:
        try:
            while True:
                os.write(target, b"x" * 65536)
        except BrokenPipeError:
            os.close(target)

    thread = threading.Thread(target=pour)
    thread.start()
    with pytest.raises(SecurityError, match=f"more than {MESSAGE_LIMIT}"):
        service.run(source, source)
    os.close(source)
    thread.join()


def test_s10_a_silent_board_is_let_go(service: ssh_server.SshServer, store: Store) -> None:
    source, target = os.pipe()

    service.run(source, target, patience=Patience(silence=0.05))

    os.close(source)
    os.close(target)


@pytest.mark.parametrize(
    ("said", "patience"),
    [
        pytest.param(json_rpc.ALIVE + b"\n", Patience(call=0.3), id="only-that-it-is-there"),
        pytest.param(b" ", Patience(line=0.3), id="a-line-that-never-ends"),
    ],
)
def test_a_session_that_calls_for_nothing_ends(
    store: Store, said: bytes, patience: Patience
) -> None:
    clock = SystemClock()
    service = ssh_server.SshServer(
        keeping.keeper_of(store, clock=clock), store, PIER_3, clock=clock
    )
    source, target = os.pipe()
    over = threading.Event()

    def speak() -> None:
        for _ in range(200):
            if not over.wait(0.05):
                os.write(target, said)

    thread = threading.Thread(target=speak)
    thread.start()
    began = clock.monotonic()
    service.run(source, target, patience=patience)
    lasted = clock.monotonic() - began
    over.set()
    thread.join()

    assert 0.25 < lasted < 5
    os.close(source)
    os.close(target)


def test_a_session_whose_answers_nobody_reads_ends(service: ssh_server.SshServer) -> None:
    source, target = os.pipe()
    answers, out = os.pipe()
    fcntl.fcntl(source, fcntl.F_SETPIPE_SZ, 1 << 20)
    os.write(target, b'{"jsonrpc":"2.0","id":1,"method":"hello"}\n' * 2000)

    service.run(source, out, patience=Patience(silence=0.2))

    taken = os.read(answers, 1 << 20)
    assert taken.startswith(b'{"jsonrpc":"2.0","id":1,')
    assert len(taken) >= fcntl.fcntl(answers, fcntl.F_GETPIPE_SZ) // 2
    for handle in (source, target, answers, out):
        os.close(handle)


def test_a_session_whose_key_was_withdrawn_ends_though_it_only_says_that_it_is_there(
    service: ssh_server.SshServer, store: Store
) -> None:
    asked(service, "begin")
    enrolment.retire(store, PIER_3, clock=FakeClock())
    source, target = os.pipe()
    os.write(target, json_rpc.ALIVE + b"\n")

    with pytest.raises(SecurityError, match="withdrawn while it was connected"):
        service.run(source, target)

    assert not incoming.is_running(store, PIER_3)
    os.close(source)
    os.close(target)


def test_a_word_from_time_to_time_keeps_the_channel_open(service: ssh_server.SshServer) -> None:
    source, target = os.pipe()
    answers, out = os.pipe()

    def speak() -> None:
        for _ in range(8):
            os.write(target, json_rpc.ALIVE + b"\n")
            threading.Event().wait(0.1)
        os.write(target, b'{"jsonrpc":"2.0","id":1,"method":"hello"}\n')
        os.close(target)

    thread = threading.Thread(target=speak)
    thread.start()
    service.run(source, out, patience=Patience(silence=0.4))
    thread.join()

    assert b'"board":"pier-3"' in os.read(answers, 4096)
    for handle in (source, answers, out):
        os.close(handle)


@pytest.mark.parametrize(
    ("raised", "seen"),
    [
        (errors.UsageError("x", hint="y"), UsageError),
        (errors.DocumentError("x", ["y"]), UsageError),
        (errors.BusyError("x"), BusyError),
        (errors.PreflightError("x"), PreflightError),
        (errors.LayoutError("x"), PreflightError),
        (errors.VerificationError("x"), VerificationError),
        (errors.SecurityError("x"), SecurityError),
        (errors.LinkError("x"), LinkError),
        (errors.CommandError("x", 1, b"y"), LinkError),
        (errors.TargetFailedError("x"), LinkError),
        (errors.HoldstillError("x"), LinkError),
    ],
)
def test_an_error_is_seen_as_its_own_class_at_the_other_end(
    raised: HoldstillError, seen: type[HoldstillError]
) -> None:
    line = json_rpc.error_line(3, raised)

    with pytest.raises(seen) as caught:
        json_rpc.read_reply(line, 3, str)

    assert type(caught.value) is seen
    assert str(raised) in str(caught.value)
    assert caught.value.hint == raised.hint


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"nonsense",
        b'{"jsonrpc":"2.0","id":4,"result":"x"}',
        b'{"jsonrpc":"2.0","id":3,"result":7}',
        b'{"jsonrpc":"2.0","id":3,"result":"x","result":"y"}',
        b'{"jsonrpc":"1.0","id":3,"result":"x"}',
    ],
)
def test_an_answer_that_makes_no_sense_is_a_link_error(line: bytes) -> None:
    with pytest.raises(LinkError):
        json_rpc.read_reply(line, 3, str)


def test_a_keeper_of_another_protocol_is_refused() -> None:
    class Newer:
        def call(self, line: bytes) -> bytes:
            hello = {
                "protocol": 99,
                "version": "9.0",
                "board": "pier-3",
                "free_bytes": 1,
                "free_inodes": 1,
                "now": "2026-11-25T02:15:03Z",
            }
            return json_rpc.result_line(1, hello)

    with pytest.raises(PreflightError, match="protocol 99"):
        RemoteKeeper(Newer()).hello()


def newer(value: object) -> object:
    """Return a reply with one more field wherever there are fields, as a newer keeper has."""
    if isinstance(value, dict):
        return {"since_2031": {"deep": [1]}} | {name: newer(part) for name, part in value.items()}
    return [newer(part) for part in value] if isinstance(value, list) else value


class NewerKeeper:
    """A keeper of the same protocol that has learnt to say more."""

    def __init__(self, service: ssh_server.SshServer) -> None:
        self._service = service

    def call(self, line: bytes) -> bytes:
        answer = self._service.answer(line)
        assert answer is not None
        return json.dumps(newer(json.loads(answer))).encode()


def test_a_board_understands_a_keeper_that_says_more_than_it_knows(
    board: Board[RemoteKeeper], service: ssh_server.SshServer
) -> None:
    older = Board(RemoteKeeper(NewerKeeper(service)), files=board.files, carry=board.carry)

    sealed = older.capture()

    assert older.keeper.hello().newest == board.keeper.hello().newest
    assert older.keeper.captures() == board.keeper.captures()
    assert older.keeper.captures()[-1].name == sealed.name
    with pytest.raises(UsageError, match="000042"):
        older.keeper.manifest("000042-20261125T021503Z")


@pytest.mark.parametrize("field", ["params", "beside them"])
def test_s23_a_request_with_one_more_field_is_refused(
    service: ssh_server.SshServer, field: str
) -> None:
    """Only answers may say more: what a board sends comes from anybody."""
    call = {"jsonrpc": "2.0", "id": 1, "method": "hello"}
    more = {"since_2031": 1}

    line = call | ({"params": more} if field == "params" else more)
    answer = service.answer(json.dumps(line).encode())

    assert answer is not None
    assert b"since_2031" in answer
    assert b"SecurityError" in answer


def test_twenty_thousand_digests_fit_into_one_message(board: Board[RemoteKeeper]) -> None:
    board.keeper.begin()
    digests = [hashlib.sha256(b"%d" % n).hexdigest() for n in range(20_000)]

    lacking = board.keeper.lacking([WantedContent(digest=d, size=0, basis=d) for d in digests])

    assert list(lacking.send) == digests


def test_bytes_travel_in_base64(board: Board[RemoteKeeper], service: ssh_server.SshServer) -> None:
    name = board.capture().name

    reply = asked(service, "manifest", name=name)

    assert base64.b64decode(str(reply["result"])) == board.keeper.manifest(name)


def test_the_note_of_refusals_does_not_grow_without_end(
    service: ssh_server.SshServer, store: Store
) -> None:
    for _ in range(2000):
        service.answer(b"x" * 2000)

    folder = store.board_folder(PIER_3)
    assert 0 < sum(path.stat().st_size for path in folder.glob("refusals*")) < 600_000


def capture_or_abandon(board: Board[RemoteKeeper]) -> None:
    with ExitStack() as undo:
        undo.callback(board.keeper.abandon)
        board.capture()


def test_c11_signal_in_the_middle_of_sealing_is_what_the_run_ends_with(
    board: Board[RemoteKeeper], service: ssh_server.SshServer
) -> None:
    """The answer of the call that was broken off is still on its way when the run is given up."""

    class Late:
        def __init__(self) -> None:
            self.answers: list[bytes] = []

        def call(self, line: bytes) -> bytes:
            answer = service.answer(line)
            assert answer is not None
            self.answers.append(answer)
            if b'"seal"' in line:
                raise KeyboardInterrupt
            return self.answers.pop(0)

    told = Board(RemoteKeeper(Late()), files=board.files, carry=board.carry)

    with pytest.raises(KeyboardInterrupt):
        capture_or_abandon(told)

    assert len(board.keeper.captures()) == 1
