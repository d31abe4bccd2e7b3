"""The keeper's commands beside one damaged board: the others are done, a line tells of it."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest

from holdstill.model.settings import KeeperSettings
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.workflow import silence
from support import command_line, keeping, keys
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.system.process import Command

pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def house(tmp_path: Path) -> SignedStore:
    """A store with two boards that captured today, and one of which a test spoils something."""
    made, clock = SignedStore(tmp_path), FakeClock(SystemClock().now())
    made.enrol("pier-3", "pier-4", "slipway-1")
    for board in made.keys:
        made.capture(board, {b"f": board.encode()}, clock=clock)
    settings = f"store: {made.root}\nnotify: {{metrics_file: {tmp_path}/keeper.prom}}\n"
    (tmp_path / "keeper.yaml").write_text(settings, encoding="utf-8")
    return made


def flipped_manifest(board: Path) -> None:
    (capture,) = (board / "captures").iterdir()
    path = capture / "manifest.yaml"
    path.chmod(0o600)
    path.write_bytes(b"F" + path.read_bytes()[1:])


def damaged_enrolment(board: Path) -> None:
    (board / "enrolment.yaml").write_bytes(b"board: [")


def no_enrolment(board: Path) -> None:
    (board / "enrolment.yaml").unlink()


def odd_name(board: Path) -> None:
    board.rename(board.with_name("Slipway 1"))


def ledger_of_another_kind(board: Path) -> None:
    (board / "ledger.jsonl").unlink()
    (board / "ledger.jsonl").mkdir()


def deep_directory(board: Path) -> None:
    """H5: what rsync -dR lays out, deeper than a call stack is."""
    here = os.open(board / "incoming", os.O_RDONLY)
    for _ in range(1500):
        os.mkdir("d", dir_fd=here)
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)


def run(house: SignedStore, *words: str) -> subprocess.CompletedProcess[bytes]:
    return command_line.attempt(*words)


def commands(house: SignedStore) -> dict[str, tuple[str, ...]]:
    settings = str(house.folder / "keeper.yaml")
    store = ("--store", str(house.root))
    none = str(house.folder / "none.yaml")
    return {
        "list": ("list", *store),
        "verify": ("verify", *store),
        "watch": ("keeper", "watch", "--settings", settings),
        "status": ("status", "--settings", none, "--keeper-settings", settings),
        "thin": ("thin", "--settings", settings, *store),
    }


@pytest.mark.parametrize("command", ["list", "verify", "watch", "status", "thin"])
@pytest.mark.parametrize(
    "spoil", [damaged_enrolment, no_enrolment, odd_name, ledger_of_another_kind]
)
def test_m1_h10_h20_one_board_that_cannot_be_read_keeps_no_command_from_the_others(
    house: SignedStore, command: str, spoil: Callable[[Path], None]
) -> None:
    spoil(house.root / "boards/slipway-1")

    done = run(house, *commands(house)[command])

    assert done.returncode in {4, 7, 8}, done
    said = done.stdout + done.stderr
    assert b"Traceback" not in said
    for good in (b"pier-3", b"pier-4"):
        assert good in done.stdout
    lines = [line for line in said.splitlines() if b"lipway" in line]
    # A folder of another name is one that is strange, and one that is missed.
    count = 2 if spoil is odd_name else 1
    if command in {"watch", "status"}:  # a row, what is wrong, and at the end what to do
        where = [line for line in lines if str(house.root / "boards").encode() in line]
        assert len([line for line in lines if line.startswith(b"NEEDS A LOOK: ")]) == count
        assert where, said.decode()
        assert b"what to do about " in lines[-1]
        return
    assert len(lines) == count, said.decode()
    for line in lines:
        assert str(house.root / "boards").encode() in line
        assert b"; what to do: " in line


def test_h10_a_flipped_manifest_byte_is_its_boards_alone(house: SignedStore) -> None:
    flipped_manifest(house.root / "boards/slipway-1")

    codes = {name: run(house, *words).returncode for name, words in commands(house).items()}
    verified = json.loads(run(house, "verify", "--json", "--store", str(house.root)).stdout)

    assert codes == {"list": 0, "verify": 7, "watch": 9, "status": 9, "thin": 9}
    assert sorted(name[:6] for name in verified["captures"]) == ["pier-3", "pier-4"]
    assert {fault.partition("/")[0] for fault in verified["faults"]} == {"slipway-1"}


def test_h5_a_deep_directory_of_one_board_ends_no_command_and_is_removed(
    house: SignedStore,
) -> None:
    deep_directory(house.root / "boards/slipway-1")
    deep = house.root / "boards/slipway-1/incoming/d"

    codes = {name: run(house, *words).returncode for name, words in commands(house).items()}
    keeping.leave_behind(deep, SystemClock())
    swept = run(house, "thin", "--apply", "--store", str(house.root))

    assert codes == {"list": 0, "verify": 0, "watch": 0, "status": 0, "thin": 0}
    assert swept.returncode == 0, swept.stderr
    assert not deep.exists()
    (look,) = (house.root / "trash").iterdir()
    assert look.name.startswith("looked-")


def test_m1_metrics_of_the_others_are_published(house: SignedStore) -> None:
    damaged_enrolment(house.root / "boards/slipway-1")

    run(house, *commands(house)["watch"])

    lines = (house.folder / "keeper.prom").read_text(encoding="utf-8").splitlines()
    assert 'holdstill_keeper_captures{board="pier-3"} 1.0' in lines
    assert 'holdstill_keeper_unreadable{board="slipway-1"} 1.0' in lines


def test_a_board_whose_keys_were_exchanged_is_not_called_good_in_the_overview(
    house: SignedStore, tmp_path: Path
) -> None:
    """Whoever can write to the store can exchange both key and ledger, and the files between."""
    path = house.root / "boards/pier-3/enrolment.yaml"
    stranger = keys.make_key(tmp_path / "stranger").public
    text = path.read_text("utf-8").replace(house.keys["pier-3"].public, stranger)
    was, now = (signature.fingerprint(key) for key in (house.keys["pier-3"].public, stranger))
    path.write_text(text.replace(was, now), "utf-8")

    said = command_line.attempt("list", "--store", house.root).stdout.decode()

    (line,) = [each for each in said.splitlines() if each.startswith("pier-3")]
    assert "UNUSABLE" in line
    assert "pier-4" in said
    assert "`holdstill list BOARD` checks all" in " ".join(said.split())


class NoProgram:
    """A machine on which no program may be run."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        raise AssertionError(command)


def test_a_look_at_boards_whose_signatures_are_good_runs_no_program(house: SignedStore) -> None:
    """One for each board would be half of what a look at a hundred costs."""
    settings = KeeperSettings(store=house.root)

    looked = silence.look_at(house.store, settings, clock=SystemClock(), runner=NoProgram())

    assert [state.trouble for state in looked.boards] == [None] * 3
    assert all(state.newest for state in looked.boards)
