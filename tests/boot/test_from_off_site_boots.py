"""A board whose keeper is gone: its card is rebuilt from the off-site copy alone, and boots.

The object server is a real one. Of the keeper nothing is left when the card is made: its store is
deleted first, and what makes the card has the address, the access key and the recovery key.
"""

from __future__ import annotations

import base64
import shutil
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pytest

from holdstill.offsite import offsite_settings
from holdstill.offsite.offsite_settings import OffsiteSettings
from holdstill.offsite.recovery_key import RecoveryKey
from support import programs, seaweed
from support.offsite import access_key_file
from support.vm import board, cycle, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.seaweed import Seaweed
    from support.vm.cycle import Copy, Original

pytestmark = pytest.mark.timeout(1500)


@dataclass(frozen=True)
class Recovered:
    """A board, the card made without its keeper, and what was seen on both."""

    card: board.Card
    original: Original
    copy: Copy
    watch: cycle.Stopwatch


@pytest.fixture(scope="module")
def recovered(tmp_path_factory: pytest.TempPathFactory) -> Recovered:
    folder, watch = tmp_path_factory.mktemp("keeper"), cycle.Stopwatch()
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    course = cycle.Course()
    card = board.build_card(board.tree(course.flavour), folder / "card.img", ids=course.ids)
    with seaweed.running() as server:
        key = RecoveryKey.made()
        with cycle.keeper(folder) as at:
            original = cycle.be_captured(card, at, course, watch)
            set_up(at.store, server, key, access_key_file(folder / "bucket.key", seaweed.KEEPER))
            address = offsite_settings.read(at.store).address
            with watch.step("off-site"):
                at.run("offsite", "upload", "--store", at.store, timeout=600)
        shutil.rmtree(folder)
        with watch.step("rebuild"):
            rebuild(address, key, elsewhere)
    rebuilt = board.Card(elsewhere / "card.img", card.ids, card.tree)
    hardware = replace(course.hardware, reaches_host=False)
    with machine.booted(rebuilt, course.copy_starts(rebuilt.image), hardware=hardware) as pier:
        copy = cycle.look(pier)
        pier.stop()
    return Recovered(card, original, copy, watch)


def set_up(store: Path, server: Seaweed, key: RecoveryKey, access: Path) -> None:
    keys = key.of_keeper
    settings = OffsiteSettings(
        address=str(server.address()), keeper="0123456789abcdef", lock_days=2,
        recipient=base64.b64encode(keys.recipient).decode(),
        heads=base64.b64encode(keys.heads).decode(), access_key=str(access),
    )  # fmt: skip
    offsite_settings.write(store, settings)


def rebuild(address: str, key: RecoveryKey, folder: Path) -> None:
    """Make the card as its owner would, on a machine that never saw the keeper."""
    words = folder / "paper.txt"
    words.write_text("\n".join(key.lines), encoding="ascii")
    words.chmod(0o600)
    access = access_key_file(folder / "bucket.key", seaweed.KEEPER)
    programs.run(
        cycle.HOLDSTILL, "rebuild", "pier-3", folder / "card.img", "--store", address,
        "--recovery-key", words, "--access-key", access, "--cache", folder, timeout=900,
    )  # fmt: skip


def test_the_board_runs_and_no_unit_has_failed(
    recovered: Recovered, measured: Callable[[str], None]
) -> None:
    measured(str(recovered.watch))

    assert (recovered.copy.state, recovered.copy.failed_units) == (b"running\n", b"")
    assert recovered.copy.readings[0] < recovered.copy.readings[1]


def test_every_entry_is_as_it_was(recovered: Recovered) -> None:
    assert cycle.differing(recovered.original, recovered.copy) == {}
    assert len(recovered.original.entries) > 500


def test_the_files_of_the_gauge_are_of_one_instant(recovered: Recovered) -> None:
    assert evidence.broken_promises(recovered.copy.found) == []
