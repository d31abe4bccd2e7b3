"""Set-up of the machine that it runs on: in a mount namespace, so that this one stays as it is."""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdstill.model import pieces
from support import boards
from support.boards import holdstill

pytestmark = pytest.mark.timeout(180)


@dataclass(frozen=True)
class Shelter:
    """Folders that take the place of /etc and /var/lib for what runs inside."""

    folder: Path

    def prepare(self) -> None:
        """Copy /etc, but what a holdstill of this machine's own has there."""
        shutil.copytree(
            "/etc", self.folder / "etc", symlinks=True, ignore_dangling_symlinks=True,
            ignore=shutil.ignore_patterns("holdstill"),
        )  # fmt: skip
        (self.folder / "lib").mkdir()

    def run(self, *words: object, accepted: Sequence[int] = (0,)) -> bytes:
        """Run the product inside."""
        script = (
            'mount --bind "$1/etc" /etc && mount --bind "$1/lib" /var/lib && shift && exec "$@"'
        )
        tool = (sys.executable, "-m", "holdstill", *map(str, words))
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", script, "sh", os.fspath(self.folder), *tool],
            stdin=subprocess.DEVNULL, capture_output=True, check=False,
        )  # fmt: skip
        assert done.returncode in accepted, f"{words}: {done.returncode}\n{done.stderr.decode()}"
        return done.stdout


def test_one_command_inspects_sets_up_and_takes_a_first_capture(tmp_path: Path) -> None:
    shelter = Shelter(tmp_path / "shelter")
    shelter.prepare()
    with boards.running(tmp_path) as board:
        (board.root / "srv").mkdir(exist_ok=True)
        (board.root / "srv/readings.db").write_bytes(os.urandom(pieces.PIECED_FROM))
        store = tmp_path / "store"
        holdstill("keeper", "init", store)
        said = shelter.run(
            "setup", "--keeper", store, "--board", "pier-3", "--disk", board.disk.device,
            "--board-root", board.root, "--capture",
        ).decode()  # fmt: skip
        sealed = json.loads(holdstill("list", "pier-3", "--store", store, "--json"))["boards"][
            "pier-3"
        ]
        again = shelter.run("capture", "--json")
        removed = shelter.run("setup", "--remove", "--yes").decode()
        left = json.loads(holdstill("list", "pier-3", "--store", store, "--json"))["boards"][
            "pier-3"
        ]

    assert "rootfs" in said  # inspect has shown the file systems
    assert "Sealed pier-3/000001-" in said
    assert [brief["faults"] for brief in sealed] == [[]]
    assert json.loads(again)["seq"] == 2
    assert "/etc/holdstill/board.yaml" in removed
    assert not (tmp_path / "shelter/etc/holdstill").exists()
    assert not (tmp_path / "shelter/lib/holdstill").exists()
    assert len(left) == 2
    assert not any(brief["faults"] for brief in left)


def test_a_board_that_cannot_be_captured_is_told_before_anything_is_written(
    tmp_path: Path,
) -> None:
    shelter = Shelter(tmp_path / "shelter")
    shelter.prepare()
    store = tmp_path / "store"
    holdstill("keeper", "init", store)

    shelter.run("setup", "--keeper", store, "--board", "pier-3", "--disk", tmp_path / "no-such",
                accepted=(4,))  # fmt: skip

    assert not (tmp_path / "shelter/etc/holdstill").exists()


def test_f3_a_store_on_the_captured_card_is_told_before_anything_is_written(
    tmp_path: Path,
) -> None:
    shelter = Shelter(tmp_path / "shelter")
    shelter.prepare()
    with boards.running(tmp_path) as board:
        (board.root / "srv").mkdir()
        store = board.root / "srv/store"
        holdstill("keeper", "init", store)
        words = ("setup", "--keeper", store, "--board", "pier-3", "--disk", board.disk.device,
                 "--board-root", board.root)  # fmt: skip

        shelter.run(*words, accepted=(4,))
        is_written = (tmp_path / "shelter/etc/holdstill").exists()
        said = shelter.run(*words, "--store-on-card").decode()

    assert not is_written
    assert f"note: the store {store} is on {board.disk.device} itself" in said
    written = (tmp_path / "shelter/etc/holdstill/board.yaml").read_text(encoding="utf-8")
    assert "store_on_card: accept\n" in written
