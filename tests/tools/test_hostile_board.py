"""A board, a card and a keeper's settings full of hostile words: nothing reaches a terminal raw.

As test_hostile_words, for the commands that run on a board, on a card, or from a timer.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from support import boards, foreign, plain_board, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

WORDS = foreign.HOSTILE.replace("\0", "")
NAME = os.fsencode("evil" + WORDS.replace("/", ""))[:200] + b"\xff"


@dataclass(frozen=True)
class Hostile:
    """A board that was captured once, and its card."""

    root: Path
    card: Path
    settings: Path
    store: Path
    keeper_settings: Path


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hostile]:
    folder = tmp_path_factory.mktemp("hostile")
    card, root = plain_board.make_card(folder), folder / "root"
    fill(root)
    fill_boot(card, folder)
    with boards.kept_nearby(folder, root, more=f"disks: [{card}]\n") as kept:
        boards.holdstill("capture", "--settings", kept.settings)
        at_keeper = folder / "keeper.yaml"
        at_keeper.write_text(f"store: {kept.store}\n", encoding="utf-8")
        yield Hostile(root, card, kept.settings, kept.store, at_keeper)


def fill(root: Path) -> None:
    """Put hostile names, contents, targets and attributes into a root file system."""
    (root / "etc").mkdir(parents=True)
    (root / "etc/fstab").write_text(f"UUID={WORDS} / ext4 {WORDS} 0 1\n", encoding="utf-8")
    (root / "etc/hostname").write_text(WORDS, encoding="utf-8")
    (root / "etc/os-release").write_text(f'PRETTY_NAME="{WORDS}"\n', encoding="utf-8")
    with (root / "etc" / os.fsdecode(NAME)).open("wb") as file:
        file.write(b"one")
        os.setxattr(file.fileno(), b"user." + NAME[:180], WORDS.encode())
    (root / os.fsdecode(b"link" + NAME[:200])).symlink_to(os.fsdecode(NAME))


def fill_boot(card: Path, folder: Path) -> None:
    """Put boot files with hostile words into the card's FAT."""
    boot = folder / "boot"
    boot.mkdir()
    (boot / "config.txt").write_text(f"kernel={WORDS}\narm_64bit=1\n", encoding="utf-8")
    (boot / "cmdline.txt").write_text(f"root=PARTUUID={WORDS}\n", encoding="utf-8")
    (boot / "start4.elf").write_bytes(b"firmware")
    (boot / "extlinux").mkdir()
    menu = f"label x\n  linux {WORDS}\n  append root={WORDS}\n"
    (boot / "extlinux/extlinux.conf").write_text(menu, encoding="utf-8")
    programs.run("mcopy", "-s", "-Q", "-i", f"{card}@@{8192 * 512}", *boot.iterdir(), "::/")


COMMANDS = {
    "inspect": ["inspect", "--settings", "BOARD"],
    "capture": ["capture", "--settings", "BOARD"],
    "status": ["status", "--settings", "BOARD", "--keeper-settings", "KEEPER"],
    "audit": ["audit", "--settings", "BOARD"],
    "compare": ["compare", "--live", "--settings", "BOARD"],
    "bootcheck": ["bootcheck", "CARD"],
    "bootcheck, model": ["bootcheck", "CARD", "--model", WORDS],
    "watch": ["keeper", "watch", "--settings", "KEEPER"],
    "rehearse": ["rehearse", "pier-3", "--scratch", "SCRATCH", "--log", "LOG", "--store", "STORE"],
}


SAYS_THEM = {"compare", "bootcheck", "bootcheck, model", "rehearse"}
"""Commands that have a reason to name something hostile, and so must show that they escape it."""


def words_of(name: str, hostile: Hostile, scratch: str) -> list[str]:
    places = {
        "BOARD": hostile.settings, "KEEPER": hostile.keeper_settings, "CARD": hostile.card,
        "STORE": hostile.store, "SCRATCH": scratch,
        "LOG": f"{scratch}/console",
    }  # fmt: skip
    return [str(places.get(word, word)) for word in COMMANDS[name]]


@pytest.mark.timeout(120)
@pytest.mark.parametrize("more", [(), ("--json",)], ids=["text", "json"])
@pytest.mark.parametrize("name", COMMANDS)
def test_h6_no_command_lets_a_board_speak_to_the_terminal(
    name: str, more: tuple[str, ...], hostile: Hostile, capsys: pytest.CaptureFixture[str]
) -> None:
    (hostile.root / "etc" / os.fsdecode(NAME)).write_text(f"{name} {more}", encoding="ascii")

    with tempfile.TemporaryDirectory() as scratch:
        code = main.run([*words_of(name, hostile, scratch), *more])

    said = "".join(capsys.readouterr())
    assert said
    assert foreign.is_clean(said)
    assert "Traceback" not in said
    assert "\\x1b" in said or name not in SAYS_THEM or more
    assert code in {0, 2, 4, 7, 8, 9}, said
    assert not [line for line in said.splitlines() if line == "holdstill: a line of its own"]
