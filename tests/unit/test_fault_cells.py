"""Every cell of the capture fault matrix (FAULTS 2.4, C3 to C12) has its test, or a reason.

A test proves a cell if its name, or the id of one of its cases, carries it: columns, then row, as
in `c5_c6_kill_9`. Columns: c3 (C3-C4), c5, c6 (C6-C7), c8 (C8-C9), c10, c11, c12.
"""

from __future__ import annotations

import re

import pytest

from support.inventory import named

COLUMN_OF = {3: 3, 4: 3, 5: 5, 6: 6, 7: 6, 8: 8, 9: 8, 10: 10, 11: 11, 12: 12}
ALL = (3, 5, 6, 8, 10, 11, 12)
MATRIX = {
    "kill_9": ALL,
    "power_loss_board": ALL,
    "power_loss_host": ALL,
    "ssh_drop": ALL,
    "host_disk_full": (3, 5, 6, 10, 11, 12),
    "board_disk_full": (3, 5, 6, 8),
    "read_error": (3, 5, 6, 10, 11, 12),
    "clock_jump": ALL,
    "hook_hangs": (5, 6, 8),
    "hook_fails": (5, 8),
    "freeze_fails": (6,),
    "thaw_fails": (6, 8),
    "file_vanishes": (3, 6, 10),
    "file_changes_type": (3, 6),
    "file_grows": (3, 6, 10),
    "huge_file": (3, 6),
    "concurrent_run": (3, 11, 12),
    "stale_lock": (3, 5, 6),
    "host_key_changed": (3, 5, 6, 8, 12),
    "tampered_tree": (3, 10, 11, 12),
    "altered_manifest": (3, 10, 11, 12),
    "out_of_memory": (3, 5, 6, 8, 10),
    "signal": ALL,
}
"""Rows, and the columns in which the matrix has anything but a dash."""
OTHERWISE = {
    "c12_ssh_drop": "captures are thinned by the keeper itself, over no connection",
    "c12_host_key_changed": "captures are thinned by the keeper itself, over no connection",
    "c5_host_disk_full": "nothing is said to the keeper in the pause: it shows at c10",
    "c6_host_disk_full": "nothing is said to the keeper in the pause: it shows at c10",
}
"""Cells that cannot come about in the design that was chosen."""
CELL = re.compile(r"(?<![a-z0-9])((?:c\d{1,2}_)+)(" + "|".join(MATRIX) + r")(?![a-z0-9])")


def cells_in(text: str) -> set[str]:
    """Return the cells that a name carries, each under the first step of its column."""
    return {
        f"c{COLUMN_OF[int(step)]}_{row}"
        for steps, row in CELL.findall(text)
        for step in re.findall(r"\d+", steps)
        if int(step) in COLUMN_OF
    }


CELLS = [f"c{column}_{row}" for row, columns in MATRIX.items() for column in columns]


@pytest.mark.parametrize("cell", CELLS)
def test_a_cell_has_a_test_or_a_reason(cell: str) -> None:
    carrying = [test for test, words in named().items() if cell in cells_in(words)]

    assert bool(carrying) is not (cell in OTHERWISE)


def test_no_listed_cell_is_gone() -> None:
    assert OTHERWISE.keys() <= set(CELLS)


def test_names_are_read_as_they_are_meant() -> None:
    assert cells_in("test_c3_c5_kill_9_leaves_it") == {"c3_kill_9", "c5_kill_9"}
    assert cells_in("test_c4_kill_9 c9_signal") == {"c3_kill_9", "c8_signal"}
    assert cells_in("test_kill_9_and_c7_killing") == set()
