"""Reading a store from afar: a real board, sshd and rsync; what comes out is the same."""

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdstill.keeper import forced_command
from holdstill.keeper.remote import RemoteKeeper
from holdstill.model.store_address import HostAddress
from holdstill.rebuild import compressed_image
from holdstill.rebuild.rebuild_target import Existing
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.transport import ssh_session
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer, TransferResult
from holdstill.workflow import plan_rebuild, rebuild_source
from holdstill.workflow import rebuild as workflow_rebuild
from holdstill.workflow.plan_rebuild import PlanOptions
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.remote_capture import RemoteLibrary
from support import boards, command_line, edge_case_tree, keys, relay
from support.boards import Kept, holdstill
from support.silence import Silent

MIB = 1 << 20
FILES = 96
pytestmark = pytest.mark.timeout(180)


@dataclass
class Measured:
    """A fetcher that looks, after each transfer, how much of contents lies on the disk."""

    below: RsyncTransfer
    folder: Path
    most: int = 0
    calls: int = 0

    def fetch(self, source: str, target: Path) -> TransferResult:
        sent = self.below.fetch(source, target)
        contents = (path for path in self.folder.glob("*/contents/**/*") if path.is_file())
        self.most = max(self.most, sum(path.stat().st_blocks * 512 for path in contents))
        self.calls += 1
        return sent


@dataclass(frozen=True)
class Life:
    """A board that was captured once, and how its own key reaches the store."""

    kept: Kept
    root: Path

    @property
    def address(self) -> str:
        server = self.kept.server
        return f"ssh://{server.user}@{server.host}:{server.port}"

    @property
    def key(self) -> Path:
        return self.kept.settings.parent / "board_key"

    def access(self) -> tuple[object, ...]:
        hosts = self.kept.server.known_hosts
        cache = self.kept.settings.parent / "cache"
        cache.mkdir(exist_ok=True)
        return ("--store", self.address, "--key", self.key, "--host-keys", hosts, "--cache", cache)


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Life]:
    folder = tmp_path_factory.mktemp("afar")
    with boards.running(folder) as board:
        (board.root / "torture").mkdir()
        edge_case_tree.build(board.root / "torture", big_directory=300)
        huge = os.fsdecode(edge_case_tree.HUGE)  # has tests of its own
        (board.root / "torture" / huge).unlink()
        bulk = board.root / "srv"
        bulk.mkdir()
        for number in range(FILES):
            (bulk / f"{number:02}.bin").write_bytes(os.urandom(MIB // 4))
        (bulk / "same-again.bin").write_bytes((bulk / "00.bin").read_bytes())
        with boards.kept(folder, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            yield Life(kept, board.root)


@contextmanager
def library(life: Life, folder: Path, *, limit: int) -> Iterator[tuple[RemoteLibrary, Measured]]:
    server = life.kept.server
    address = HostAddress(server.user, server.host, server.port)
    identity = Identity(life.key, server.known_hosts)
    machine = LocalRunner()
    measured = Measured(
        RsyncTransfer(RsyncEndpoint(address, identity), folder, SystemClock()), folder
    )
    with ssh_session.connected(address, identity, command=forced_command.CONTROL) as channel:
        key = signature.public_half(life.key, machine)
        yield (
            RemoteLibrary(
                RemoteKeeper(channel), measured, key, machine=machine, folder=folder, limit=limit
            ),
            measured,
        )


def test_a_card_from_afar_is_the_one_that_the_store_itself_gives(
    life: Life, tmp_path: Path
) -> None:
    target = tmp_path / "afar.img"

    said = json.loads(
        holdstill(
            "rebuild", "pier-3", target, *life.access(), "--json", accepted=[boards.NO_KERNEL]
        )
    )

    verdict = json.loads(
        holdstill("verify", "pier-3", "--card", target, "--store", life.kept.store, "--json")
    )
    assert verdict["total"] == 0
    assert verdict["entries"] == said["checked_entries"] == said["entries"] > 300
    afar = json.loads(holdstill("verify", "pier-3", "--card", target, *life.access(), "--json"))
    assert afar == verdict
    assert list((life.kept.settings.parent / "cache").iterdir()) == []


def test_a_card_that_was_altered_is_found_from_afar(life: Life, tmp_path: Path) -> None:
    target = tmp_path / "altered.img"
    holdstill("rebuild", "pier-3", target, *life.access(), accepted=[boards.NO_KERNEL])
    content = (life.root / "srv/00.bin").read_bytes()
    at = target.read_bytes().index(content[:512])
    with target.open("r+b") as card:
        card.seek(at)
        card.write(b"other")

    said = holdstill("verify", "pier-3", "--card", target, *life.access(), accepted=(7,)).decode()

    assert "srv/" in said


def test_a_store_elsewhere_is_not_read_whole_and_the_way_that_works_is_told(life: Life) -> None:
    done = command_line.attempt("verify", "--store", life.address)

    assert done.returncode == 2
    assert b"read whole where it is" in done.stderr
    assert b"at the keeper: `holdstill verify`" in done.stderr
    assert b"--card CARD`" in done.stderr


def test_no_more_than_the_limit_of_the_contents_ever_lies_on_this_disk(
    life: Life, tmp_path: Path
) -> None:
    limit = 8 * MIB
    cache, image = tmp_path / "cache", tmp_path / "a.img"
    cache.mkdir()
    with library(life, cache, limit=limit) as (opened, measured):
        found = opened.find("pier-3")
        means = RebuildDependencies(LocalRunner(), SystemClock(), Silent())
        with rebuild_source.opened(found) as source:
            size = source.manifest.disk.size
            plan = plan_rebuild.plan_rebuild(
                source, size=size, options=PlanOptions(), machine=means.machine
            )
            with compressed_image.claimed_image(
                image, size=size, existing=Existing.KEEP
            ) as target:
                report = workflow_rebuild.carry_out(target, plan, source, means)

    assert found.faults == ()
    assert report.written_bytes > FILES * MIB // 4
    assert report.checked_entries == report.entries
    assert measured.most <= limit + MIB // 4  # one that a thread asked for out of turn
    assert measured.calls < FILES // 2  # in batches, not one by one


def test_lists_shows_and_gets_from_afar_as_from_the_store(life: Life, tmp_path: Path) -> None:
    here = ("--store", life.kept.store)
    for words_ in (("list", "pier-3", "--json"), ("show", "pier-3", "--json")):
        assert holdstill(*words_, *life.access()) == holdstill(*words_, *here)
    found = holdstill("find", "/srv/*", "pier-3", "--json", *life.access())
    assert json.loads(found)["boards"]["pier-3"]["paths"]
    assert found == holdstill("find", "/srv/*", "pier-3", "--json", *here)

    holdstill("get", "pier-3", "/srv", "--to", tmp_path / "srv", *life.access())

    got = {path.name: path.read_bytes() for path in (tmp_path / "srv").iterdir()}
    assert got == {path.name: path.read_bytes() for path in (life.root / "srv").iterdir()}


def test_a_board_made_from_afar_has_its_own_name(life: Life, tmp_path: Path) -> None:
    target = tmp_path / "sibling.img"

    said = json.loads(
        holdstill(
            "rebuild",
            "pier-3",
            target,
            "--as",
            "pier-4",
            *life.access(),
            "--json",
            accepted=[boards.NO_KERNEL],
        )
    )

    assert said["changes"]
    assert said["checked_entries"] == said["entries"]


def test_a_link_that_breaks_leaves_no_image(life: Life, tmp_path: Path) -> None:
    server = life.kept.server
    target = tmp_path / "images" / "cut.img"
    target.parent.mkdir()
    hosts = tmp_path / "known_hosts"
    # The control channel holds; then index and boot gap may pass, and the contents never do.
    with relay.running(server.port, cuts=[relay.UNLIMITED, relay.UNLIMITED, *[5000] * 9]) as cut:
        hosts.write_text(f"[{server.host}]:{cut.port} {server.host_key}\n", encoding="ascii")
        address = f"ssh://{server.user}@{server.host}:{cut.port}"
        holdstill(
            "rebuild", "pier-3", target, "--store", address, "--key", life.key,
            "--host-keys", hosts, "--cache", tmp_path, accepted=(6,),
        )  # fmt: skip
        served = cut.served

    assert served >= 3
    assert list(target.parent.iterdir()) == []
    assert [path.name for path in tmp_path.iterdir()] == ["images", "known_hosts"]


def test_a_host_that_is_not_the_pinned_one_is_not_asked(life: Life, tmp_path: Path) -> None:
    server = life.kept.server
    other = keys.make_key(tmp_path / "other", comment="other")
    hosts = tmp_path / "known_hosts"
    hosts.write_text(f"[{server.host}]:{server.port} {other.public}\n", encoding="ascii")

    holdstill(
        "list", "--store", life.address, "--key", life.key, "--host-keys", hosts, accepted=(9,)
    )


def test_the_captures_of_another_board_are_not_for_this_key(life: Life) -> None:
    holdstill("show", "pier-4", *life.access(), accepted=(2,))


def test_a_manifest_that_the_key_in_use_did_not_sign_is_not_rebuilt(
    life: Life, tmp_path: Path
) -> None:
    stranger = keys.make_key(tmp_path / "stranger", comment="stranger")
    machine = LocalRunner()
    with library(life, tmp_path, limit=MIB) as (opened, measured):
        service, folder = opened._service, tmp_path / "other"  # the same line
        key = signature.public_half(stranger.private, machine)
        found = RemoteLibrary(service, measured, key, machine=machine, folder=folder).find(
            "pier-3"
        )

    assert found.faults == ("bad signature: no key of the board signed it",)
