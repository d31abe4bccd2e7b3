"""Every command over captures whose every string is hostile: nothing reaches a terminal raw.

The store, its captures and their signatures are real; the fields are filled by walking the types,
so a new field is covered without a new test.
"""

from __future__ import annotations

import json
import os
import re
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from holdstill.disks import boot_gap
from holdstill.disks.boot_gap import GapExtent
from holdstill.keeper import enrolment, store
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import foreign, keeping, keys, terminals
from support.keeping import Board, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import RunStarted

KEPT = frozenset(
    {
        "BoardIdentity.name",  # whose it is: the signature is for it
        "Manifest.run",  # of the staging area
        "Manifest.previous",  # the chain
        "Moment.taken_at",  # checked, as are the next two on a disk with an MBR
        "Disk.id",
        "Partition.type",
        "Attachment.name",  # files of the store
        "Attachment.sha256",
        "Raw.digest",
    }
)
NAME = os.fsencode("evil" + foreign.HOSTILE.replace("\0", "").replace("/", ""))[:200] + b"\xff"
STATUS = f"Package: sh{foreign.HOSTILE}\nStatus: install ok installed\nVersion: 1{chr(0x9B)}2J\n\n"


class HostileBoard(Board[LocalKeeper]):
    """A board whose every word is meant to do harm."""

    def manifest(self, begun: RunStarted, index: bytes) -> Manifest:
        plain = super().manifest(begun, index)
        return foreign.hostile(plain, keep=KEPT)


@pytest.fixture
def kept(tmp_path: Path) -> str:
    """Return a store with two hostile captures of pier-3, between which something changed."""
    clock, pair = SystemClock(), keys.make_key(tmp_path / "key")
    made = store.create(tmp_path / "store", clock=clock)
    board = names.check_board("pier-3")
    enrolment.enrol(made, board, pair.public, clock=clock, limits=None)
    keeper = keeping.keeper_of(made, clock=clock, board=board, runner=LocalRunner())
    victim = HostileBoard(
        keeper,
        name=board,
        clock=FakeClock(clock.now()),
        sign=lambda data: signature.sign(data, pair.private, LocalRunner()),
        files={
            b"etc/" + NAME: b"one",
            b"etc/fstab": f"/dev/x / ext4 {foreign.HOSTILE}\n".encode(),
            b"boot/extlinux/extlinux.conf": f"label x\n  linux {foreign.HOSTILE}\n".encode(),
            b"boot/config.txt": f"kernel={foreign.HOSTILE}\n".encode(),
            b"var/lib/dpkg/status": STATUS.encode(),
        },
        gap=boot_gap.encode([GapExtent(512, foreign.HOSTILE.encode())]),
    )
    victim.capture()
    victim.files[b"etc/" + NAME] = b"two"
    victim.files[b"etc/new" + NAME] = b"three"
    victim.files[b"var/lib/dpkg/status"] = STATUS.replace("1", "2").encode()
    victim.capture()
    return str(made.root)


COMMANDS = {
    "list": ["list"],
    "show": ["show", "pier-3"],
    "compare": ["compare", "pier-3/1", "pier-3/2"],
    "find": ["find", "*evil*"],
    "find nothing": ["find", foreign.HOSTILE.replace("\0", "").replace("/", "") + "x"],
    "verify": ["verify"],
    "get": ["get", "pier-3", "/etc", "--to", "OUT"],
    "get of nothing": ["get", "pier-3", "/" + foreign.HOSTILE.replace("\0", ""), "--to", "OUT"],
    "rebuild": ["rebuild", "pier-3", "OUT.img", "--dry-run"],
    "pin": ["pin", "pier-3/2"],
    "thin": ["thin"],
    "a strange board": ["list", "\x1b]0;x\x07"],
    "a strange capture": ["show", "pier-3/\x1b[2J\u202e"],
    "a strange option": ["list", "--\x1b[2J\u202e"],
}


def words_of(name: str, kept: str, folder: Path) -> list[str]:
    """Return a command line, with the store and places for what it makes."""
    places = (str(folder / word) if word.startswith("OUT") else word for word in COMMANDS[name])
    return [*places, "--store", kept]


@pytest.mark.parametrize("name", COMMANDS)
def test_h6_no_command_lets_a_capture_speak_to_the_terminal(
    name: str, kept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip

    code = main.run(words_of(name, kept, tmp_path))

    said = "".join(capsys.readouterr())
    assert said
    assert foreign.is_clean(said)
    assert "Traceback" not in said
    assert code in {0, 2, 4, 7, 8, 10}
    assert not [line for line in said.splitlines() if line == "holdstill: a line of its own"]


@pytest.mark.parametrize("name", ["list", "show", "compare", "find", "verify", "rebuild"])
def test_h6_json_is_safe_to_print_and_loses_nothing(
    name: str, kept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:  # fmt: skip

    main.run([*words_of(name, kept, tmp_path), "--json"])

    said = capsys.readouterr().out
    assert foreign.is_clean(said)
    if name == "show":
        assert json.loads(said)["board"]["model"] == foreign.HOSTILE


def test_h6_the_captures_are_as_hostile_as_they_should_be(
    kept: str, capsys: pytest.CaptureFixture[str]
) -> None:

    main.run(["show", "pier-3", "--store", kept])
    shown = capsys.readouterr().out
    main.run(["compare", "pier-3/1", "pier-3/2", "--store", kept])
    compared = capsys.readouterr().out

    assert "\\x1b]0;owned\\x07" in shown
    assert "\\u202e" in shown
    assert "\\x9b" in shown
    assert "[bold red]markup[/]" in shown
    assert "\\x1b" in compared
    assert "\\xff" in compared


def test_h6_on_a_real_terminal_nothing_passes_but_our_own_styles(kept: str) -> None:
    with terminals.at_a_terminal("show", "pier-3", "--store", kept) as (terminal, process):
        terminal.to_the_end()
        process.wait(timeout=30)

    said = re.sub(r"\r|\x1b\[[0-9;]*m", "", terminal.said)
    assert "Capture 2 of pier-3" in said
    assert "\x1b" in terminal.said  # it is a terminal: headings are bold
    assert foreign.is_clean(said)


def replaced(path: Path, kind: str) -> None:
    """Put something of another kind in the place of a file."""
    path.parent.chmod(0o700)
    path.unlink()
    match kind:
        case "directory":
            path.mkdir()
        case "loop":
            path.symlink_to(path.name)
        case _:
            path.symlink_to("nowhere")


@pytest.mark.timeout(300)  # every file of a store, each in the way of every command
@pytest.mark.parametrize(
    "kind", ["directory", "dangling", pytest.param("loop", marks=pytest.mark.slow)]
)
def test_m14_something_else_where_a_file_belongs_is_told_in_words(
    kind: str, kept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = tmp_path / "store"
    by_name = {path.name: path for path in sorted(whole.rglob("*")) if path.is_file()}
    one_of_each = [path for name, path in by_name.items() if len(name) < 64]
    contents = [path for path in by_name.values() if path not in one_of_each]
    untold = []

    for path in (*one_of_each, *contents[:1]):
        spare = path.read_bytes()
        replaced(path, kind)
        for name in ("list", "show", "compare", "verify", "thin", "get of nothing"):
            code = main.run(words_of(name, kept, tmp_path))
            said = "".join(capsys.readouterr())
            if code == 70 or "Traceback" in said or not foreign.is_clean(said):
                untold.append((path.relative_to(whole), name, code, said[-600:]))
        if path.is_dir() and not path.is_symlink():
            path.rmdir()
        else:
            path.unlink()
        path.write_bytes(spare)

    assert len(one_of_each) >= 6
    assert untold == []
