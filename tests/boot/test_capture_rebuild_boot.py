"""A live board is captured over the network, rebuilt from the keeper's store, and booted alone.

The only proof that a card is bootable is that it booted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support.vm import cycle, evidence

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.vm.cycle import Life

pytestmark = pytest.mark.timeout(1500)


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Life:
    return cycle.live(tmp_path_factory.mktemp("life"), cycle.Course())


def test_the_rebuilt_board_runs_and_no_unit_has_failed(
    life: Life, measured: Callable[[str], None]
) -> None:
    measured(str(life.watch))
    measured(f"agent: {life.original.agent_kib} KiB, {life.original.agent_cpu_s} CPU s")
    measured(f"capture, step by step: {'; '.join(life.original.steps)}")
    measured(f"over the wire: {life.original.report.wire_bytes} bytes")

    assert (life.copy.state, life.copy.failed_units) == (b"running\n", b"")
    assert life.copy.readings[0] < life.copy.readings[1]


def test_the_files_of_the_gauge_are_of_one_instant(life: Life) -> None:
    assert evidence.broken_promises(life.copy.found) == []


def test_the_newest_reading_is_of_the_moment_of_the_capture(
    life: Life, measured: Callable[[str], None]
) -> None:
    before = (life.original.instant_ns - life.copy.found.database.newest_ns) / 1e9

    measured(f"newest reading {before:.3f} s before the instant")
    # Ten readings a second, and an emulated board that may be held up by its host.
    assert -life.original.report.window_ms / 1000 <= before < 2


def test_every_file_system_has_the_grade_that_was_promised(
    life: Life, measured: Callable[[str], None]
) -> None:
    report, stall = life.original.report, life.original.stall

    measured(f"frozen {report.frozen_ms} ms, window {report.window_ms} ms")
    measured(f"longest writes of a service {stall.longest_s} s, median {stall.median_s} s")
    grades = {part["place"]: part["grade"] for part in report.parts}
    assert grades == {"/": "point-in-time", "/boot/firmware": "read-only"}
    assert report.frozen_ms < 5000
    # The witness on the board saw writes stop for as long as the agent says, or nearly.
    assert stall.longest_s[0] * 1000 >= 0.8 * report.frozen_ms


def test_a_replacement_has_the_ids_of_the_original(life: Life) -> None:
    ids = life.card.ids
    fat = f"{ids.fat[:4]}-{ids.fat[4:]}"

    rows = [line.split() for line in life.copy.devices.decode().splitlines() if line.strip()]

    assert [ids.partition(1), fat, "BOOTFS", "/boot/firmware"] in rows
    assert [ids.partition(2), ids.root, "rootfs", "/"] in rows
    assert life.copy.machine_id == life.original.machine_id


def test_every_entry_is_as_it_was(life: Life) -> None:
    assert cycle.differing_entries(life) == {}
    assert len(life.original.entries) > 500
