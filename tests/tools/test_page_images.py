"""Images made by the keeper's page, of a real capture: ordered, watched, taken away, and equal."""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.page.roles import Role
from holdstill.system.process import LocalRunner
from support import command_line, page_jobs, plain_board, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.page import Visited

pytestmark = pytest.mark.timeout(180)
UNPACK = {
    ".img": ("cat",),
    ".img.zst": ("zstd", "--decompress", "--stdout"),
    ".img.xz": ("xz", "--decompress", "--stdout"),
    ".img.zip": ("unzip", "-p"),
}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return plain_board.captured(tmp_path_factory.mktemp("plain")).store


@pytest.fixture(scope="module")
def capture(store: Path) -> str:
    board = names.check_board("pier-3")
    (brief,) = BoardCaptures(stores.open_store(store), board, LocalRunner()).briefs()
    return f"pier-3/{brief.name}"


@pytest.fixture
def visit(store: Path, tmp_path: Path) -> Iterator[Visited]:
    with page_jobs.visited(store, tmp_path) as found:
        yield found


def left(folder: Path) -> list[str]:
    """Return what is in the folders of jobs, but for what a page keeps of them."""
    kept = {"order.json", "status.json", "progress.json", "outcome.json", "log", "console"}
    return sorted(each.name for each in (folder / "work").glob("*/*") if each.name not in kept)


@pytest.mark.parametrize("packing", UNPACK)
def test_an_image_is_that_of_the_command_and_its_checksum_is_right(
    visit: Visited, capture: str, store: Path, tmp_path: Path, packing: str
) -> None:
    reference = tmp_path / "reference.img"
    command_line.attempt("rebuild", capture, reference, "--store", store)

    shown = page_jobs.ended(visit, page_jobs.ordered(visit, capture, format=packing))
    image, checksum = page_jobs.links(shown)

    name = image.rpartition("/")[2]
    assert name == f"pier-3-000001{packing}"
    answer = visit.client.get(image)
    (tmp_path / name).write_bytes(answer.body)
    (tmp_path / f"{name}.sha256").write_bytes(visit.client.get(checksum).body)
    # GNU coreutils is the judge of what its own option takes.
    programs.run(
        "env", f"--chdir={tmp_path}", "sha256sum", "--check", "--strict", f"{name}.sha256"
    )
    assert hashlib.sha256(answer.body).hexdigest() in shown
    unpacked = programs.run(*UNPACK[packing], tmp_path / name)
    assert len(unpacked) == plain_board.SIZE
    assert different(unpacked, reference.read_bytes()) == []
    assert left(tmp_path) == [name] + ([] if packing in {".img"} else [])


def different(one: bytes, other: bytes) -> list[int]:
    """Return the MiB in which two images differ."""
    mib = 1 << 20
    return [
        at for at in range(len(other) // mib) if one[at * mib :][:mib] != other[at * mib :][:mib]
    ]
