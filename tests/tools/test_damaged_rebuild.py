"""h24: what a rebuild needs is read before anything is written: damage to it costs no image."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import DegradedError, TargetRefusedError, VerificationError
from holdstill.keeper import store as stores
from support import boards, command_line, plain_board
from support.plain_board import NEEDED, WAYS, PlainCapture

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable

pytestmark = pytest.mark.timeout(120)
OLD = os.urandom(70_000)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> PlainCapture:
    return plain_board.captured(tmp_path_factory.mktemp("plain"))


def rebuilt(
    kept: PlainCapture, *words: object, capture: str = "pier-3/1"
) -> subprocess.CompletedProcess[bytes]:
    return command_line.attempt("rebuild", capture, *words, "--store", kept.store)


@pytest.mark.parametrize("spoil", WAYS)
@pytest.mark.parametrize("what", NEEDED)
def test_h24_an_image_stays_as_it_was_when_the_store_is_damaged(
    kept: PlainCapture, tmp_path: Path, what: str, spoil: Callable[[Path], None]
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(OLD)

    with plain_board.spoilt(kept.places[what], spoil):
        planned = rebuilt(kept, tmp_path / "other.img", "--dry-run")
        made = rebuilt(kept, image, "--replace")

    for done in (planned, made):
        assert done.returncode in plain_board.REFUSALS, done.stderr
        assert b"holdstill: " in done.stderr
        assert b"Traceback" not in done.stderr
    assert image.read_bytes() == OLD
    assert list(tmp_path.iterdir()) == [image]


def test_a_dry_run_tells_of_known_damage_at_which_the_rebuild_will_stop(
    kept: PlainCapture, tmp_path: Path
) -> None:
    store = Path(shutil.copytree(kept.store, tmp_path / "boathouse"))
    known = PlainCapture(store, {})
    hostname = hashlib.sha256(b"pier-3\n").digest()
    plain_board.flipped(plain_board.content(stores.open_store(store), hostname))
    command_line.holdstill("verify", "--store", store, accepted=[VerificationError.exit_code])

    planned = rebuilt(known, tmp_path / "card.img", "--dry-run")
    made = rebuilt(known, tmp_path / "card.img")

    codes = (planned.returncode, made.returncode)
    assert codes == (DegradedError.exit_code, VerificationError.exit_code), made.stderr
    assert "the rebuild stops at them" in " ".join(planned.stdout.decode().split())
    assert "no image is left of it" in " ".join(made.stderr.decode().split())


@pytest.mark.parametrize("place", ["there.img", "folder", "nowhere/card.img", "there.img.xz"])
def test_a_dry_run_refuses_where_the_rebuild_would(
    kept: PlainCapture, tmp_path: Path, place: str
) -> None:
    for name in ("there.img", "there.img.xz"):
        (tmp_path / name).write_bytes(OLD)
    (tmp_path / "folder").mkdir()

    planned = rebuilt(kept, tmp_path / place, "--dry-run")
    made = rebuilt(kept, tmp_path / place)

    assert planned.returncode == made.returncode == TargetRefusedError.exit_code, planned
    assert planned.stderr == made.stderr


def test_h24_of_the_same_store_undamaged_the_image_is_made(
    kept: PlainCapture, tmp_path: Path
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(OLD)

    planned = rebuilt(kept, tmp_path / "other.img", "--dry-run")
    made = rebuilt(kept, image, "--replace")

    assert planned.returncode == 0, planned.stderr
    assert f" to {tmp_path}/other.img:" in " ".join(planned.stdout.decode().split())
    assert made.returncode == boards.NO_KERNEL, made.stderr
    assert image.stat().st_size == plain_board.SIZE
    assert list(tmp_path.iterdir()) == [image]
