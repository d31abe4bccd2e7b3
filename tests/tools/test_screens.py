"""What commands show of a real store: at terminals of two sizes, in a pipe, and as JSON.

JSON is judged by the library jsonschema (JSON Schema 2020-12), which knows nothing of our types.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import jsonschema
import pytest

from holdstill.cli import schema
from holdstill.system import shown_width
from support import command_line, terminals
from support.command_line import attempt
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from pathlib import Path

    from support.terminals import Size

BOARDS = ("pier-2", "pier-10", "boathouse-with-a-rather-long-name")
LONG = b"srv/readings/of/the/tide/gauge/at/the/outer/pier/in/a/file/with/a/rather/long/name.csv"
SIZES: tuple[Size, ...] = ((80, 24), (100, 30))


@dataclass(frozen=True)
class House:
    """A store, and the words of every command that shows something of it."""

    store: SignedStore
    settings: Path

    @property
    def commands(self) -> dict[str, tuple[object, ...]]:
        at, none = ("--store", self.store.root), ("--settings", self.settings.parent / "none")
        status = ("status", *none, "--keeper-settings", self.settings)
        return {
            "list": ("list", *at),
            "list of one": ("list", "pier-2", *at),
            "list long": ("list", "--long", *at),
            "show": ("show", "pier-2/latest", *at),
            "find": ("find", "*.csv", *at),
            "compare": ("compare", "pier-2/1", "pier-2/latest", *at),
            "thin": ("thin", *at),
            "status": status,
            "status long": (*status, "--long"),
            "keeper watch": ("keeper", "watch", "--settings", self.settings),
            "keeper reader list": ("keeper", "reader", "list", self.store.root),
            "verify": ("verify", *at),
        }


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    folder = tmp_path_factory.mktemp("screens")
    made = SignedStore(folder)
    made.enrol(*BOARDS)
    clock = FakeClock(datetime.now(UTC) - timedelta(days=2))
    for board in BOARDS:
        for night in range(2):
            clock.advance(3600)
            made.capture(board, {b"etc/hosts": b"x" * night, LONG: b"%d" % night}, clock=clock)
    settings = folder / "keeper.yaml"
    settings.write_text(f"store: {made.root}\n", encoding="utf-8")
    damaged = made.store.board_folder(made.store.boards()[1]) / "captures"
    next(iter(sorted(damaged.iterdir()))).joinpath("manifest.yaml").write_bytes(b"no manifest")
    attempt("note", "pier-2/1", "before the upgrade of the gauge", "--store", made.root)
    return House(made, settings)


NAMES = (
    "list", "list of one", "list long", "show", "find", "compare", "thin", "status",
    "status long", "keeper watch", "keeper reader list", "verify",
)  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", NAMES)
def test_a_screen_fits_and_divides_no_word(house: House, name: str, size: Size) -> None:
    words = house.commands[name]
    piped = attempt(*words).stdout.decode()

    shown = terminals.screen(*words, size=size)

    width, _ = size
    for line in shown.splitlines():
        longest = max(map(len, line.split()), default=0)
        assert len(line) <= max(width, longest + 8), line
    whole = set(re.split(r"[\s;]+", piped))
    told = re.sub(r"--long shows also: .*", "", shown)  # a pipe has nothing more to show
    strange = set(re.split(r"[\s;]+", told)) - whole
    assert all(_may_differ(word) for word in strange), strange


def _may_differ(word: str) -> bool:
    """Whether a word may stand on a terminal alone: a heading that went below its row, a time."""
    is_number = word.lstrip("(")[:1].isdigit()
    return word.endswith(":") or is_number or word in {"nothing", "was", "deleted", "it",
        "--apply", "does"}  # fmt: skip


@pytest.mark.parametrize("size", SIZES)
def test_who_shows_it_on_a_terminal_of_its_own_says_how_wide_that_is(
    house: House, size: Size, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(shown_width.VARIABLE, str(size[0]))

    piped = attempt(*house.commands["list of one"]).stdout.decode()

    ages = re.compile(r"\d+ (s|min|h) ")  # this command ran a moment before the other one
    shown = terminals.screen(*house.commands["list of one"], size=size)
    assert ages.sub("", piped) == ages.sub("", shown)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_piped_has_no_folded_lines(house: House, name: str) -> None:
    shown = attempt(*house.commands[name]).stdout.decode()

    assert not [line for line in shown.splitlines() if line != line.rstrip()]
    if name == "find":
        assert LONG.decode() in shown


def test_a_fleet_begins_with_the_verdict_worst_first_and_ends_with_what_to_do(
    house: House,
) -> None:
    lines = terminals.screen(*house.commands["status"], size=SIZES[0]).splitlines()

    assert lines[0] == "SOMEBODY HAS TO LOOK: at 1 of 3 boards"
    rows = [line.split()[0] for line in lines[2:5]]
    assert rows == ["pier-10", "boathouse-with-a-rather-long-name", "pier-2"]
    assert any(line.startswith("Store: ") and " free (" in line for line in lines)
    assert [line for line in lines if line.startswith("what to do about pier-10: ")]


@pytest.mark.parametrize("name", NAMES)
def test_what_is_printed_as_json_is_valid_by_its_schema(house: House, name: str) -> None:
    done = attempt(*house.commands[name], "--json")

    command = name.removesuffix(" long").removesuffix(" of one")
    jsonschema.validate(json.loads(done.stdout), schema.of_command(command))


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("pin", ("pin", "pier-2/latest")),
        ("unpin", ("unpin", "pier-2/latest")),
        ("note", ("note", "pier-2/latest", "")),
        ("get", ("get", "pier-2", "2:/etc/hosts", "--to", "TO")),
    ],
)
def test_so_is_what_changes_something(
    house: House, command: str, words: tuple[str, ...], tmp_path: Path
) -> None:
    given = [str(tmp_path / "got") if word == "TO" else word for word in words]

    done = attempt(*given, "--store", house.store.root, "--json")

    assert done.stdout, done.stderr
    jsonschema.validate(json.loads(done.stdout), schema.of_command(command))


def test_a_group_is_a_part_of_the_fleet_and_a_name_that_is_none_is_told(house: House) -> None:
    written = house.settings.read_text("utf-8")
    grouped = house.settings.with_name("grouped.yaml")
    grouped.write_text(f"{written}groups: {{outer: [pier-2, pier-3]}}\n", "utf-8")
    at = ("status", "--settings", house.settings.parent / "none", "--keeper-settings", grouped)

    told = json.loads(attempt(*at, "--group", "outer", "--json").stdout)
    unknown = attempt(*at, "--group", "inner")

    assert [state["board"] for state in told["keeper"]] == ["pier-2"]
    assert "outer has a board pier-3, which is none of" in told["store"][0]
    assert unknown.returncode == 2
    assert b"`groups` there has outer" in unknown.stderr


@pytest.mark.parametrize("width", [60, 80, 100])
def test_an_error_is_folded_to_the_terminal_and_its_commands_are_whole(
    tmp_path: Path, width: int
) -> None:
    words = ("capture", "--settings", tmp_path / "board.yaml")
    whole = command_line.attempt(*words).stderr.decode().split()

    shown = terminals.screen(*words, size=(width, 24), is_error=True)

    lines = shown.splitlines()
    assert len(lines) > 2
    assert any("`sudo holdstill setup`" in line for line in lines)
    assert " ".join(shown.split()).split() == whole
    for line in lines:
        assert len(line) <= width or len(line.split()) == 1, line
    assert any(len(line) > width - 20 for line in lines)
