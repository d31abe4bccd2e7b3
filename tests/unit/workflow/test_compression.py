"""Which contents are compressed: measured on real bytes."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.model.line_settings import Compress
from holdstill.workflow import compression

if TYPE_CHECKING:
    from pathlib import Path

KIB = 1 << 10
THIN, FAST = 125_000.0, 1e12
TEXT = b"".join(b"2026-11-30T02:%02d:%02d tide 3.%02d m\n" % (n // 60 % 60, n % 60, n % 97)
                for n in range(40_000))  # fmt: skip


@pytest.fixture
def paths(tmp_path: Path) -> dict[str, Path]:
    """Large files, packed and text; and small ones of text."""
    bodies = {"packed": os.urandom(600 * KIB), "text": TEXT[: 500 * KIB]}
    bodies |= {f"small-{n}": TEXT[n * 100 : n * 100 + 4000] for n in range(100)}
    for name, body in bodies.items():
        (tmp_path / name).write_bytes(body)
    return {name: tmp_path / name for name in bodies}


def test_on_a_thin_line_text_is_compressed_and_what_is_packed_is_not(
    paths: dict[str, Path],
) -> None:
    chosen = compression.choose(paths, Compress.AUTO, THIN)

    assert set(chosen.plain) == {"packed"}
    assert set(chosen.compressed) == set(paths) - {"packed"}
    assert chosen.compressed_bytes == 500 * KIB + 100 * 4000


@pytest.mark.parametrize("rate", [0.0, FAST])
def test_on_a_fast_or_unknown_line_nothing_is(paths: dict[str, Path], rate: float) -> None:
    assert compression.choose(paths, Compress.AUTO, rate).compressed == {}


def test_on_a_fast_line_few_are_tried(tmp_path: Path) -> None:
    paths = {f"{n}": tmp_path / f"{n}" for n in range(60)}
    for path in paths.values():
        path.write_bytes(TEXT[: 100 * KIB])
        os.utime(path, (0, 0))  # so that reading it shows (inode(7), relatime)

    compression.choose(paths, Compress.AUTO, FAST)
    fast = read(paths)
    compression.choose(paths, Compress.AUTO, THIN)

    assert 0 < fast <= 4
    assert read(paths) == len(paths)


def read(paths: dict[str, Path]) -> int:
    """Return how many files have been read since their times were set."""
    return sum(path.stat().st_atime > 0 for path in paths.values())


def test_small_files_that_are_packed_are_sent_as_they_are(tmp_path: Path) -> None:
    paths = {f"{n}": tmp_path / f"{n}" for n in range(200)}
    for path in paths.values():
        path.write_bytes(os.urandom(3000))

    assert compression.choose(paths, Compress.AUTO, THIN) == (paths, {}, 0)


def test_the_settings_decide_for_all(paths: dict[str, Path]) -> None:
    assert compression.choose(paths, Compress.NO, THIN).plain == paths
    assert compression.choose(paths, Compress.YES, FAST).compressed == paths


def test_a_few_bytes_get_no_transfer_of_their_own(paths: dict[str, Path]) -> None:
    little = {"packed": paths["packed"], "small-1": paths["small-1"]}
    much = {"text": paths["text"], "tiny": paths["small-2"].with_name("tiny")}
    much["tiny"].write_bytes(os.urandom(80 * KIB))

    assert compression.choose(little, Compress.AUTO, THIN).compressed == {}
    assert compression.choose(much, Compress.AUTO, THIN).plain == {}


def test_what_is_gone_or_no_file_holds_nobody_up(tmp_path: Path, paths: dict[str, Path]) -> None:
    os.mkfifo(tmp_path / "pipe")
    odd = {**paths, "gone": tmp_path / "gone", "pipe": tmp_path / "pipe"}

    chosen = compression.choose(odd, Compress.AUTO, THIN)

    assert {*chosen.plain, *chosen.compressed} == set(odd)
    assert "text" in chosen.compressed
