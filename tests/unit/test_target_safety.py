"""Every way in which a card is kept from harm, and its owner from a bad card, has its tests."""

from __future__ import annotations

import pytest

from support.inventory import named

SHOWN_BY = {
    "claimed alone to the end": (
        "test_a_card_is_claimed_from_the_first_byte_to_the_last",
        "test_s45_nobody_mounts_a_claimed_card",
        "test_a_second_claim_is_refused_while_the_first_is_held",
    ),
    "the disk that the system runs on": (
        "test_the_disk_of_the_running_system_is_refused_whatever_is_said",
        "test_the_disk_that_the_system_runs_from_is_found_through_what_is_stacked_on_it",
    ),
    "mounted": (
        "test_a_mounted_disk_is_refused",
        "test_a_disk_with_one_mounted_partition_is_refused",
    ),
    "swapped to": ("test_a_disk_that_is_swapped_to_is_refused",),
    "in a volume group": (
        "test_a_member_of_a_volume_group_is_named_twice",
        "test_what_is_stacked_on_a_partition_is_a_use_of_the_disk",
    ),
    "in a RAID": ("test_a_raid_on_the_whole_disk_is_a_use",),
    "behind another device": (
        "test_a_disk_behind_another_device_is_refused",
        "test_a_loop_device_over_a_partition_is_a_use_of_the_disk",
    ),
    "a partition, a file, a link": (
        "test_a_partition_is_refused",
        "test_a_regular_file_is_no_device",
        "test_a_symlink_to_a_device_is_refused_and_its_end_is_named",
    ),
    "read-only": ("test_a_read_only_device_is_refused",),
    "too small": ("test_a_device_that_is_too_small_is_refused_with_the_shortfall",),
    "larger than a card is likely to be": (
        "test_a_device_larger_than_a_card_is_named_twice",
        "test_the_limit_of_a_likely_card_is_the_callers",
    ),
    "model, serial, size and contents are shown": (
        "test_a_named_card_is_claimed_and_shown_with_what_it_holds",
        "test_a_card_in_a_usb_reader_is_known_by_model_and_the_readers_serial",
    ),
    "named by serial or size, in a terminal or a script": (
        "test_in_a_terminal_the_size_is_typed_after_everything_was_shown",
        "test_another_word_in_a_terminal_leaves_the_card_as_it_was",
        "test_a_device_that_nobody_named_is_refused",
        "test_serial_and_size_both_name_a_card",
    ),
    "lies about its size": (
        "test_a_card_that_drops_what_is_written_past_its_end_is_found_before",
        "test_a_card_whose_end_is_not_there_is_found",
        "test_a_card_that_has_less_than_it_claims_is_found",
    ),
    "drops writes": (
        "test_a_card_that_loses_something_in_its_middle_is_found_when_it_is_read_back",
    ),
    "the table comes last": (
        "test_steps_come_in_the_order_that_never_leaves_a_valid_table_too_early",
        "test_whatever_fails_no_table_stays_and_the_error_says_so",
    ),
    "interrupted: no table, and it can be run again": (
        "test_a_rebuild_that_is_killed_leaves_no_table_and_can_be_run_again",
        "test_a_failure_after_the_beginning_leaves_no_table",
    ),
}


@pytest.mark.parametrize("danger", SHOWN_BY)
def test_a_danger_to_a_card_has_its_tests(danger: str) -> None:
    assert set(SHOWN_BY[danger]) <= {test.rpartition("::")[2] for test in named()}
