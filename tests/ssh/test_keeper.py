"""A board and its keeper over a real sshd: control by paramiko, bulk by rsync."""

from __future__ import annotations

import hashlib
import os
import shlex
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, LinkError
from holdstill.keeper import receiving, ssh_server
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.protocol import WantedContent
from holdstill.records import assembled
from holdstill.system.process import LocalRunner
from support import boathouse

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.names import BoardName
    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(60)
LOG = b"reading 1.42 m\n" * 1000
SEND = ("rsync", "--inplace", "--partial", "--ignore-times", "--no-whole-file", "--dirs",
        "--timeout=120")  # fmt: skip


@pytest.fixture
def house(tmp_path: Path) -> Iterator[Boathouse]:
    with boathouse.running(tmp_path) as house:
        yield house


@pytest.fixture
def pier_3(house: Boathouse) -> BoardName:
    return house.enrol("pier-3")


def digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def test_a_whole_capture_over_ssh(house: Boathouse, pier_3: BoardName) -> None:
    with house.keeper(pier_3) as keeper:
        board = house.board(keeper, pier_3)
        board.files = {b"srv/log": LOG}
        sealed = board.capture()
        briefs = keeper.captures()
        newest = keeper.hello().newest

    assert briefs == (newest,)
    assert [(brief.name, brief.faults) for brief in briefs] == [(sealed.name, ())]
    capture = BoardCaptures(house.store, pier_3, LocalRunner()).capture(sealed.name)
    with assembled.opened_index(capture) as opened:
        entry = opened.get(2, b"srv/log")
    assert entry is not None
    with os.fdopen(house.store.contents.open(entry.digest), "rb") as content:
        assert content.read() == LOG


def test_a_second_capture_sends_its_differences_only(house: Boathouse, pier_3: BoardName) -> None:
    with house.keeper(pier_3) as keeper:
        board = house.board(keeper, pier_3)
        board.files = {b"srv/%d" % n: hashlib.sha256(b"%d" % n).digest() * 99 for n in range(400)}
        board.capture()
        first, house.wire_bytes = house.wire_bytes, 0
        board.files[b"srv/7"] = b"changed"
        board.capture()

    assert first > 400 * 32 * 99
    assert house.wire_bytes < first / 20


def test_h3_a_transfer_ends_with_the_run_that_it_was_for(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """What it had open would grow on, in no folder and on no account."""
    content = os.urandom(160 << 20)
    source = tmp_path / digest_of(content)
    source.write_bytes(content)
    with house.keeper(pier_3) as keeper:
        board = house.board(keeper, pier_3)
        board.files = {b"srv/log": LOG}
        begun = keeper.begin()
        board.deliver(begun)
        data = board.attach(begun)
        shell = shlex.join(house.ssh(pier_3)[:-1])
        words = (*SEND, "--rsh", shell, source,
                 f"{house.server.host}:{begun.folders[1]}/")  # fmt: skip
        with subprocess.Popen(words, stderr=subprocess.PIPE) as transfer:
            try:
                arriving = house.store.board_folder(pier_3) / begun.folders[1] / source.name
                end = time.monotonic() + 20
                while not arriving.exists() and time.monotonic() < end:
                    time.sleep(0.01)
                transfer.send_signal(signal.SIGSTOP)  # it trickles
                keeper.seal(data, board.signed(data))
                time.sleep(2 * receiving.LOOK_EVERY)
                transfer.send_signal(signal.SIGCONT)
                _, said = transfer.communicate(timeout=15)
            finally:
                transfer.kill()

    assert transfer.returncode not in {0, -9}
    assert b"is over" in said
    assert b"Traceback" not in said
    assert not [f for f in deleted_files() if source.name in f]


def deleted_files() -> list[str]:
    """Return the files that some process has open, and that have no name any more."""
    found = []
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        with suppress(OSError):
            found.append(str(link.readlink()))
    return [name for name in found if name.endswith(" (deleted)")]


def test_a_second_live_run_is_busy_and_the_first_one_is_undisturbed(
    house: Boathouse, pier_3: BoardName
) -> None:
    with house.keeper(pier_3) as first, house.keeper(pier_3) as second:
        begun = first.begin()

        with pytest.raises(BusyError, match="another run"):
            second.begin()

        assert first.begin().run == begun.run


def test_the_next_session_of_a_program_goes_on_while_the_first_one_still_stands(
    house: Boathouse, pier_3: BoardName
) -> None:
    """As after a line that died without a word: the keeper would wait for three minutes."""
    with house.keeper(pier_3) as first, house.keeper(pier_3) as second:
        begun = first.begin("our word")
        time.sleep(2 * ssh_server.LOOK_EVERY)  # it waits for the next call

        asked = time.monotonic()
        assert second.begin("our word") == begun
        assert time.monotonic() - asked < 10
        with pytest.raises(LinkError):
            first.captures()
        with house.keeper(pier_3) as other, pytest.raises(BusyError):
            other.begin("another word")


def test_a_run_is_gone_on_with_while_a_transfer_of_it_is_under_way(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """Only the control channel was cut: neither is the transfer, nor does it hold anybody up."""
    content = os.urandom(160 << 20)
    name = digest_of(content)
    (tmp_path / name).write_bytes(content)
    wanted = [WantedContent(digest=name, size=len(content))]
    with house.keeper(pier_3) as first, house.keeper(pier_3) as second:
        begun = first.begin("our word")
        assert first.lacking(wanted, 1).send == (name,)
        shell = shlex.join(house.ssh(pier_3)[:-1])
        words = (*SEND, "--rsh", shell, tmp_path / name,
                 f"{house.server.host}:{begun.folders[1]}/")  # fmt: skip
        with subprocess.Popen(words) as transfer:
            arriving = house.store.board_folder(pier_3) / begun.folders[1] / name
            while not arriving.exists():
                assert transfer.poll() is None
                time.sleep(0.01)
            transfer.send_signal(signal.SIGSTOP)
            try:
                assert second.begin("our word") == begun
            finally:
                transfer.send_signal(signal.SIGCONT)
            assert transfer.wait(30) == 0

        assert second.ingest([name], 1).kept == 1


def test_a_transfer_to_the_same_folder_ends_the_one_before_whose_line_is_dead(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    """Nobody would wait for its two minutes without a byte: what came after could not go on."""
    content = os.urandom(160 << 20)
    name = digest_of(content)
    (tmp_path / name).write_bytes(content)
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()
        keeper.lacking([WantedContent(digest=name, size=len(content))])
        shell = shlex.join(house.ssh(pier_3)[:-1])
        words = (*SEND, "--rsh", shell, tmp_path / name,
                 f"{house.server.host}:{begun.folders[0]}/")  # fmt: skip
        with subprocess.Popen(words, stderr=subprocess.DEVNULL) as dead:
            try:
                arriving = house.store.board_folder(pier_3) / begun.folders[0] / name
                while not arriving.exists():
                    assert dead.poll() is None
                    time.sleep(0.01)
                dead.send_signal(signal.SIGSTOP)
                house.bulk(pier_3).send({name: tmp_path / name}, begun.folders[0])
                asked = time.monotonic()
                taken = keeper.ingest([name])
            finally:
                dead.kill()

    assert taken.kept == 1
    assert time.monotonic() - asked < 10


def test_a_run_whose_connection_ended_is_taken_over(house: Boathouse, pier_3: BoardName) -> None:
    with house.keeper(pier_3) as keeper:
        begun = keeper.begin()

    with house.keeper(pier_3) as keeper:
        assert keeper.begin().run == begun.run


def test_contents_of_a_capture_are_lent_for_reading(
    house: Boathouse, pier_3: BoardName, tmp_path: Path
) -> None:
    (tmp_path / "back").mkdir()
    with house.keeper(pier_3) as keeper:
        board = house.board(keeper, pier_3)
        board.files = {b"srv/log": LOG}
        name = board.capture().name
        folder = keeper.stage(name, [digest_of(LOG)])
        house.bulk(pier_3).fetch(f"{folder}/", tmp_path / "back")
        manifest, seal = keeper.manifest(name), keeper.signature(name)

    assert (tmp_path / "back" / digest_of(LOG)).read_bytes() == LOG
    assert seal == house.sign(pier_3, manifest)  # Ed25519 is deterministic (RFC 8032, 5.1.6)
