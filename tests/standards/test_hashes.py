"""SHA-256: FIPS 180-4 and the example messages that NIST publishes for it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
MILLION_A = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
NIST = [
    (b"", EMPTY),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, MILLION_A),
]


@pytest.mark.parametrize(("message", "digest"), NIST, ids=["empty", "abc", "56 bytes", "million"])
def test_a_file_is_hashed_as_nist_says(tmp_path: Path, message: bytes, digest: str) -> None:
    (tmp_path / "message").write_bytes(message)

    assert files.hash_file(tmp_path / "message").hex() == digest


# NIST, additional examples for SHA-256, as public test suites quote them: 1,000,000 bytes of zero,
# which in a sparse file are not even read.
def test_a_hole_is_hashed_as_the_zeroes_that_it_stands_for(tmp_path: Path) -> None:
    with (tmp_path / "hole").open("wb") as file:
        file.truncate(1_000_000)

    digest = files.hash_file(tmp_path / "hole").hex()

    assert digest == "d29751f2649b32ff572b5e0a9f541ea660a50f94ff0beedfb0b692b924cc8025"


def test_only_the_given_size_is_hashed(tmp_path: Path) -> None:
    (tmp_path / "message").write_bytes(b"abc and more")

    with files.opened(tmp_path / "message", os.O_RDONLY) as handle:
        digest = files.hash_open_file(handle, 3)

    assert digest.hex() == NIST[1][1]
