"""The life of a board of 32 bits, captured twice from inside; each step is kept for the next run.

Emulated, either takes minutes. The second capture is of a board that has been started again, with
more to see: files that 32 bits have no room for, and one that is written to all the time.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import msgspec

from support import programs
from support.vm import board, cycle, kept, kinds, machine

if TYPE_CHECKING:
    from contextlib import AbstractContextManager
    from pathlib import Path

PYTHON = "/opt/holdstill/bin/python3"
"""Of the agent's environment."""
CHURN = "/srv/churn"
HARDWARE = machine.Hardware(reaches_host=True)
SECONDS = 900
"""For the board to let us in, and to come to rest, beside other work."""
_ORIGINAL, _INSPECTED, _CARD = "original", "inspected.json", "card.img"


@dataclass(frozen=True)
class Captured:
    """What was kept of a board that was captured."""

    folder: Path

    @property
    def store(self) -> Path:
        """The keeper's store."""
        return self.folder / cycle.STORE

    @property
    def inspected(self) -> bytes:
        """What inspect said before the first capture."""
        return (self.folder / _INSPECTED).read_bytes()

    @property
    def original(self) -> cycle.Original:
        """What was seen of the board around its newest capture."""
        raw = (self.folder / _ORIGINAL).read_bytes()
        return msgspec.msgpack.decode(raw, type=cycle.Original)


def booted(
    image: Path, *, hardware: machine.Hardware | None = None
) -> AbstractContextManager[machine.Machine]:
    """Boot a card of this board."""
    card = board.Card(image, board.Ids(), board.tree(board.NARROW_ARM))
    return machine.booted(
        card, machine.from_narrow_u_boot(image), hardware=hardware, seconds=SECONDS
    )


def at_rest(pier: machine.Machine) -> None:
    """Wait until all that starts with the board has started."""
    pier.run("systemctl", "is-system-running", "--wait", timeout=SECONDS)


def captured_once() -> Captured:
    """Return the board after its first capture, shut down."""
    return Captured(kept.kept("narrow-once", board.NARROW_ARM, _first))


def captured_twice() -> Captured:
    """Return what is left of the board after its second capture: its captures."""
    return Captured(kept.kept("narrow-twice", board.NARROW_ARM, _second))


def _first(folder: Path) -> None:
    image = folder / _CARD
    board.build_card(board.tree(board.NARROW_ARM), image)
    with cycle.keeper(folder) as at, booted(image, hardware=HARDWARE) as pier:
        at_rest(pier)
        cycle.prepare(pier)
        pier.put("/etc/systemd/system/marker.service", kinds.UNIT.encode())
        pier.run("systemctl", "enable", "marker")
        cycle.enrol(pier, at)
        inspected = pier.run("holdstill", "inspect", "--json", timeout=SECONDS)
        (folder / _INSPECTED).write_bytes(inspected)
        _capture(folder, pier, at)
        pier.stop(SECONDS)
    shutil.rmtree(folder / "server")


def _second(folder: Path) -> None:
    before = captured_once().folder
    for name in (_CARD, _INSPECTED, cycle.STORE):
        programs.run("cp", "--archive", "--sparse=always", before / name, folder, timeout=300)
    image = folder / _CARD
    with cycle.serving(folder) as at, booted(image, hardware=HARDWARE) as pier:
        at_rest(pier)
        cycle.introduce(pier, at)
        pier.run(PYTHON, "-", "make", stdin=(board.GUEST / "late_and_large.py").read_bytes())
        pier.put("/root/churn.py", (board.GUEST / "churn.py").read_bytes())
        pier.run("systemd-run", "--unit=churn", "python3", "/root/churn.py", "write", CHURN)
        _capture(folder, pier, at)
    # The card is lost here, with the board on it: nobody shut it down.
    image.unlink()
    shutil.rmtree(folder / "server")


def _capture(folder: Path, pier: machine.Machine, at: cycle.Keeper) -> None:
    original = cycle.capture(pier, at)
    steps = [f"login {pier.seconds_to_login:.0f} s", *original.steps]
    (folder / _ORIGINAL).write_bytes(msgspec.msgpack.encode(replace(original, steps=steps)))
