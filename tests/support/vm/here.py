"""Capture a board's card in this machine, mounted from an image, as the settings allow.

Faster than an agent inside an emulated board, and the store is the same.
"""

from __future__ import annotations

import json
import sys
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from support import keys, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from subprocess import CompletedProcess

HOLDSTILL = Path(sys.executable).with_name("holdstill")


@dataclass(frozen=True)
class Kept:
    """A store with captures of pier-3."""

    store: Path

    def briefs(self) -> list[dict[str, str]]:
        """Return what the keeper says of the captures."""
        said = programs.run(HOLDSTILL, "list", "pier-3", "--store", self.store, "--json")
        found: list[dict[str, str]] = json.loads(said)["boards"]["pier-3"]
        return found


def capture(image: Path, work: Path) -> Kept:
    """Make a store and a key, and capture the card into it."""
    with card_here(image, work) as place:
        return captured(place, work)


def captured(place: Mapping[str, str | list[str]], work: Path) -> Kept:
    """Make a store and a key, and capture what the settings of a place say."""
    kept = Kept(work / "store")
    holdstill("keeper", "init", kept.store)
    key = keys.make_key(work / "key")
    enrol = ("keeper", "enrol", kept.store, "pier-3", "--key", "-")
    holdstill(*enrol, stdin=key.public.encode())
    with tempfile.TemporaryDirectory(dir="/dev/shm") as spool:
        settings = {
            "board": "pier-3",
            "keeper": f"{kept.store}",
            "key": f"{key.private}",
            "state": f"{work}/state",
            "spool": spool,
            **place,
        }
        (work / "board.yaml").write_text(json.dumps(settings), encoding="ascii")
        holdstill("capture", "--settings", work / "board.yaml")
    return kept


@contextmanager
def card_here(image: Path, work: Path) -> Iterator[dict[str, str | list[str]]]:
    """Attach a card to this machine; give what the board's settings say of its place."""
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), work / "root") as root,
        loop.thaw_guard(root),
    ):
        yield {"root": f"{root}", "disks": [f"{disk.device}"]}


def holdstill(*words: str | Path, stdin: bytes = b"") -> None:
    """Run the product; a success may have something to say."""
    done = programs.attempt(HOLDSTILL, *words, stdin=stdin, timeout=600)
    assert done.returncode in {0, 8}, done


def rebuilt(board: str, image: Path, store: Path, *words: str | Path) -> dict[str, object]:
    """Rebuild the newest capture of a board into an image; return the report."""
    command = (HOLDSTILL, "rebuild", board, image, "--store", store, "--json", *words)
    said: dict[str, object] = json.loads(programs.run(*command, timeout=600))
    return said


def rehearse(
    kept: Kept, work: Path, *, programs_in: str = "", sign: str = ""
) -> CompletedProcess[bytes]:
    """Rehearse the newest capture; the console goes to a file beside the scratch.

    Args:
        programs_in: where programs are looked for, if it is not where they usually are.
        sign: what on the console means success; by default a login prompt.
    """
    store, log = ("--store", kept.store), ("--log", work / "console")
    room = ("--scratch", work, "--seconds", "600")
    words = (
        "rehearse",
        "pier-3",
        *store,
        *log,
        *room,
        *(("--sign", sign) if sign else ()),
        "--json",
    )
    search = ("env", f"PATH={programs_in}") if programs_in else ()
    return programs.attempt(*search, HOLDSTILL, *words, timeout=900)
