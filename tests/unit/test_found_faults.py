"""Every fault that attacks on a keeper have found once has its test, or a reason.

A test's name carries the fault, as in `test_h16_...`; h: found by an attacker, m: smaller ones,
f: met by a new user, d: on an unusual board, l: on an unusual keeper.
"""

from __future__ import annotations

import re

import pytest

from support.inventory import named

LOST = {
    "h13": "verify read neither gap, raw areas nor the digest of the index",
    "h14": "a date in the future kept verify from reading for years",
    "h16": "garbage was told by link counts, which a copy of the store does not keep",
    "h17": "a board's own retention was read by nobody",
    "h20": "a missing enrolment made its captures' contents garbage",
    "h21": "a capture that was sealed meanwhile lost a content",
    "h24": "a damaged gap was noticed only after the old table had gone",
    "f3": "a store on the card that is captured",
}
"""What was lost, or called good."""
FALSE_ALARMS = {
    "f1": "one verify as root, and the keeper's user could verify no more",
    "f2": "one enrolment as root, and every board was locked out",
    "h11": "as f1: a cache that cannot be written",
    "h12": "as f2: files of root's in a store",
    "h22": "two verify at once",
    "l1": "a user without a name was taken for a bad signature",
    "m5": "verify beside thin",
    "m7": "verify on a full disk",
    "m9": "verify on a read-only store",
}
STOLEN = {
    "f11": "alarms that reach nobody",
    "f15": "as m19",
    "h1": "made-up digests with an older content each filled the disk",
    "h2": "a digest alone was enough to read another board's file",
    "h3": "files in a directory of the staging were not counted",
    "h4": "a transfer that was over quickly was not counted",
    "h5": "a directory 1,030 deep ended thin",
    "h6": "control characters reached root's terminal",
    "h7": "a capture of the year 1 ended verify",
    "h8": "a manifest that was sealed already reset the account",
    "h9": "names and directories were not counted",
    "h10": "one board ended thin for all others",
    "h15": "inodes were not counted",
    "h18": "holes were hashed again and again",
    "h19": "what a board may bring was limited for each run only",
    "h23": "the default settings let one board fill the disk",
    "m1": "a damaged enrolment ended list for all boards",
    "m2": "a manifest with a part that the disk lacks",
    "m3": "a manifest that takes long to decode",
    "m4": "a directory in the place of a file",
    "m6": "get onto a full disk",
    "m8": "min_free of keeper.yaml was used by nobody",
    "m10": "a capture that arrived in the future kept watch silent",
    "m11": "an index that takes much memory to check",
    "m12": "as h9: empty directories",
    "m13": "a damaged cache ended verify for ever",
    "m14": "as m4: links",
    "m15": "as f11",
    "m16": "negative sizes",
    "m17": "copies for reading were not counted",
    "m18": "a keeper with odd answers",
    "m19": "no command withdrew or replaced a key",
}
"""What one stolen board could do to the keeper and to the others."""
FAULTS = LOST | FALSE_ALARMS | STOLEN


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_that_was_found_once_has_a_test(fault: str) -> None:
    assert [test for test, words in named().items() if fault in faults_in(words)]


def faults_in(words: str) -> frozenset[str]:
    """Return the faults that a test's name, or a class's, carries."""
    return frozenset(re.findall(r"(?<![a-z0-9])[hmfl][1-9][0-9]?(?![a-z0-9])", words.lower()))


def test_a_fault_is_a_word_of_its_own() -> None:
    assert faults_in("test_h16_a_copy H3-x test_m4_m14") == {"h16", "h3", "m4", "m14"}
    assert faults_in("test_sh5_h5x_f2fs m") == frozenset()
