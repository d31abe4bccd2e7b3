"""Large files that are followed on the card of a running board: its root, by its own kernel.

What tests/root/test_followed_sequences.py does on loop devices. HOLDSTILL_SEQUENCES says how many.
"""

from __future__ import annotations

import io
import json
import os
import tarfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support.followed_sequences import Tally
from support.vm import board, machine

if TYPE_CHECKING:
    from collections.abc import Callable

SEQUENCES = int(os.environ.get("HOLDSTILL_SEQUENCES", "200"))
AT_ONCE = 20
PYTHON = "/opt/holdstill/bin/python3"
HERE = "/root/sequences"
pytestmark = [pytest.mark.slow, pytest.mark.timeout(600 + 60 * SEQUENCES)]


def test_what_was_taken_is_what_the_frozen_root_holds(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    card = board.build_card(board.tree(), tmp_path / "card.img")

    with machine.booted(card, machine.from_sd_card(card.image)) as pier:
        pier.run("mkdir", HERE)
        pier.run("tar", "-xf", "-", "-C", HERE, stdin=support_modules())
        pier.run("mkdir", f"{HERE}/files", "/run/notes")
        root = pier.run("findmnt", "--noheadings", "--output", "SOURCE,FSTYPE", "/").split()
        tally = Tally()
        for first in range(0, SEQUENCES, AT_ONCE):
            end = min(first + AT_ONCE, SEQUENCES)
            words = ["-m", "support.followed_sequences", f"{HERE}/files", "ext4"]
            words += [str(first), str(end), "/run/notes"]
            said = pier.run(
                "env", f"PYTHONPATH={HERE}", PYTHON, *words, timeout=300 + 60 * AT_ONCE
            )
            tally.add(Tally(**json.loads(said)))
            measured(
                f"{tally.sequences} sequences on the root of a board: {len(tally.wrong)} wrong; "
                f"{tally.taken} of {tally.pieces} pieces were taken in the pause"
            )

    assert root[0].startswith(b"/dev/mmcblk")
    assert root[1] == b"ext4"
    assert tally.wrong == []
    assert tally.sequences == SEQUENCES
    assert not any(tally.noticed), tally.noticed  # the trace has lost nothing
    # Here it takes long until all is frozen, and more files are replaced by others meanwhile.
    assert tally.whole < SEQUENCES * 0.8
    assert tally.taken < tally.pieces * 0.9


def support_modules() -> bytes:
    """Return what tests share, as a tar."""
    archive = io.BytesIO()
    folder = Path(board.__file__).parents[1]
    with tarfile.open(fileobj=archive, mode="w") as tar:
        for module in folder.glob("*.py"):
            tar.add(module, f"support/{module.name}")
    return archive.getvalue()
