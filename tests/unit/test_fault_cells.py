"""Every cell of the capture fault matrix (FAULTS 2.4, C3 to C12) has its test, or a reason.

A test proves a cell if its name, or the id of one of its cases, carries it: columns, then row, as
in `c5_c6_kill_9`. Tests that had another name before are listed here with the cells they prove.
Columns: c3 (C3-C4), c5, c6 (C6-C7), c8 (C8-C9), c10, c11, c12.
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
MATRIX_TESTS = "unit/keeper/test_fault_matrix.py"
CUTS = ("tools/test_store_cuts.py::"
        "test_a_store_holds_the_old_state_or_the_new_one_whatever_call_fails")  # fmt: skip
DELTA = "root/test_delta.py"
UNNAMED = {
    "c12_kill_9": f"{MATRIX_TESTS}::test_c12_kill_in_the_middle_of_thinning_leaves_each_victim_"
    "whole_or_gone",
    "c12_power_loss_board": "unit/keeper/test_thin.py::"
    "test_a_staging_that_nobody_came_back_for_is_given_up",
    "c11_power_loss_host": f"{MATRIX_TESTS}::test_c11_power_loss_at_the_host_leaves_the_old_or_"
    "the_new_whole",
    "c12_power_loss_host": CUTS,
    "c3_host_disk_full": f"{MATRIX_TESTS}::test_c4_host_disk_full_is_refused_before_anything_is_"
    "sent",
    "c11_host_disk_full": "root/test_store_trouble.py::"
    "test_a_full_disk_stops_a_sealing_and_harms_no_capture",
    "c12_host_disk_full": CUTS,
    "c5_read_error": f"{DELTA}::test_a_content_that_the_card_does_not_give_back_is_marked_under_"
    "all_names",
    "c6_read_error": f"{DELTA}::test_a_content_that_the_card_does_not_give_back_is_marked_under_"
    "all_names",
    "c3_read_error": "unit/workflow/test_banking.py::"
    "test_an_unreadable_file_is_tried_twice_then_listed_and_never_zero_filled",
    "c10_read_error": f"{MATRIX_TESTS}::test_c10_host_read_error_stops_the_run_with_code_7",
    "c11_read_error": CUTS,
    "c11_clock_jump": f"{MATRIX_TESTS}::test_c11_a_clock_that_jumps_back_changes_no_order",
    "c5_hook_hangs": "root/test_hooks.py::test_a_hook_that_never_ends_is_bounded_and_undone",
    "c5_hook_fails": "root/test_hooks.py::test_the_second_of_three_fails",
    "c8_hook_fails": "unit/board/test_hooks.py::"
    "test_a_service_that_does_not_resume_keeps_no_other_back",
    "c6_freeze_fails": "root/test_freeze.py::"
    "test_a_freeze_of_somebody_else_is_refused_and_left_alone",
    "c6_thaw_fails": "unit/board/test_freeze.py::test_a_thaw_that_fails_at_first_is_tried_again",
    "c8_thaw_fails": "unit/board/test_freeze.py::"
    "test_a_thaw_that_keeps_failing_is_told_and_the_others_are_thawed",
    "c3_file_vanishes": "tools/test_bulk.py::test_a_vanished_file_does_not_stop_the_others",
    "c6_file_vanishes": f"{DELTA}::test_what_is_gone_while_it_should_be_still_is_an_error",
    "c10_file_vanishes": "unit/keeper/test_service.py::"
    "test_sealing_names_the_contents_that_are_lacking",
    "c3_file_changes_type": "root/test_scan.py::"
    "test_no_symlink_is_followed_on_the_way_to_a_content",
    "c6_file_changes_type": f"{DELTA}::test_what_changes_while_it_should_be_still_is_an_error",
    "c3_file_grows": "unit/workflow/test_banking.py::"
    "test_a_file_that_changes_under_our_hands_stays_pending",
    "c6_file_grows": "unit/board/test_spool.py::"
    "test_a_file_that_changes_while_it_is_copied_is_refused",
    "c10_file_grows": "unit/workflow/test_banking.py::"
    "test_what_arrives_otherwise_than_it_was_hashed_is_pending_again",
    "c3_huge_file": "unit/workflow/test_rounds.py::"
    "test_dirt_that_comes_faster_than_the_link_carries_it_ends_the_rounds_early",
    "c6_huge_file": f"{DELTA}::test_too_large_a_delta_is_refused_in_the_pause_and_swept_before",
    "c11_concurrent_run": f"{MATRIX_TESTS}::"
    "test_c11_concurrent_publishing_of_one_number_is_refused",
    "c5_stale_lock": "root/test_hooks.py::"
    "test_what_a_killed_run_left_quiet_is_resumed_by_the_next",
    "c6_stale_lock": "root/test_guard.py::test_a_killed_guard_and_agent_leave_it_to_the_ladder",
    "c3_tampered_tree": f"{MATRIX_TESTS}::test_c4_tampered_base_is_not_built_upon",
    "c10_tampered_tree": f"{MATRIX_TESTS}::"
    "test_c10_tampered_staging_is_sent_again_and_never_stored",
    "c11_tampered_tree": f"{MATRIX_TESTS}::"
    "test_c11_tampered_capture_is_told_and_nothing_is_deleted",
    "c12_tampered_tree": "unit/keeper/test_thin.py::"
    "test_i10_nothing_is_thinned_while_a_capture_is_suspicious",
    "c3_altered_manifest": f"{MATRIX_TESTS}::test_c4_tampered_base_is_not_built_upon",
    "c10_altered_manifest": "unit/keeper/test_hostile_manifest.py::"
    "test_one_flipped_bit_anywhere_in_a_manifest_is_noticed",
    "c11_altered_manifest": "unit/keeper/test_captures.py::test_a_bit_flipped_in_a_manifest_shows",
    "c12_altered_manifest": f"{MATRIX_TESTS}::"
    "test_c12_read_error_stops_thinning_before_it_deletes",
    "c10_out_of_memory": f"{MATRIX_TESTS}::test_c10_memory_runs_out_and_the_run_is_taken_back",
    "c12_signal": CUTS,
}
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

    assert carrying or UNNAMED.get(cell) in named() or cell in OTHERWISE


def test_no_listed_cell_or_test_is_gone() -> None:
    assert {*UNNAMED, *OTHERWISE} <= set(CELLS)
    assert set(UNNAMED.values()) <= named().keys()


def test_names_are_read_as_they_are_meant() -> None:
    assert cells_in("test_c3_c5_kill_9_leaves_it") == {"c3_kill_9", "c5_kill_9"}
    assert cells_in("test_c4_kill_9 c9_signal") == {"c3_kill_9", "c8_signal"}
    assert cells_in("test_kill_9_and_c7_killing") == set()
