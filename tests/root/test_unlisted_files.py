"""find and get for files in a squashfs, which is captured as it is; also below an overlay."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from support import boards, loop, squashfs_board
from support.boards import holdstill
from support.command_line import attempt

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(120)


def said(*words: object) -> str:
    """Return what a command says that ends with 2: there is no such thing, or not so."""
    done = attempt(*words)
    assert done.returncode == 2, done.stdout + done.stderr
    return " ".join(done.stderr.decode().split())


def test_a_file_of_a_partition_that_is_captured_as_it_is_is_said_to_be_there(
    tmp_path: Path,
) -> None:
    taken = tmp_path / "raw-2.bin"
    with (
        squashfs_board.running(tmp_path) as board,
        boards.kept_nearby(tmp_path, board.root) as kept,
    ):
        holdstill("capture", "--settings", kept.settings)
        store = ("--store", kept.store)
        got = said("get", "pier-3", "/etc/hostname", "--to", tmp_path / "x", *store)
        numbered = said("get", "pier-3", "2:/etc/hostname", "--to", tmp_path / "x", *store)
        found = said("find", "/etc/hostname", "pier-3", *store)
        wild = said("find", "/etc/host*", "pier-3", *store)
        named = json.loads(holdstill("find", "readings", "pier-3", *store, "--json"))
        below = json.loads(holdstill("find", "/data/readings", "pier-3", *store, "--json"))
        holdstill("get", "pier-3", "raw-2.bin", "--to", taken, *store)

    where = "partition 2 (squashfs), which is captured as it is: its files are in no index"
    assert f"/etc/hostname was in {where}" in got
    assert f"that is in {where}" in numbered
    assert f"no capture lists /etc/hostname, which may be in {where}" in found
    assert where in wild
    for text in (got, found):
        assert "holdstill get pier-3/1 raw-2.bin" in text
        assert "mount -o ro,loop raw-2.bin /mnt" in text
    (of_names,) = named["boards"].values()
    assert [path["path"] for path in of_names["paths"]] == ["/data/readings"]
    assert [place["why"] for place in of_names["unlisted"]] == [where]
    assert below["boards"]["pier-3"]["unlisted"] == []
    # What is told to do gives the file: the kernel says so.
    with loop.mounted(taken, tmp_path / "at", options="ro,loop", kind="squashfs") as at:
        assert (at / "etc/hostname").read_text(encoding="ascii") == "pier-3\n"


def test_below_an_overlay_a_path_is_that_of_the_lower_layer(tmp_path: Path) -> None:
    with squashfs_board.running(tmp_path) as board:
        for name in ("upper", "work"):
            (board.root / "data" / name).mkdir()
        data = board.root / "data"
        options = f"lowerdir={board.root},upperdir={data}/upper,workdir={data}/work"
        with (
            loop.mounted(board.root, tmp_path / "over", options=options, kind="overlay") as over,
            loop.mounted(board.disk.partition(3), over / "data") as again,
            boards.kept_nearby(tmp_path, over) as kept,
        ):
            (again / "etc").mkdir()
            holdstill("capture", "--settings", kept.settings, accepted=[0, 8])
            store = ("--store", kept.store)
            found = said("find", "/etc/hostname", "pier-3", *store)
            got = said("get", "pier-3", "/etc/hostname", "--to", tmp_path / "x", *store)
            holdstill("get", "pier-3", "/data/readings", "--to", tmp_path / "y", *store)

    assert "which may be in partition 2 (squashfs)" in found
    assert "was in partition 2 (squashfs)" in got


def test_a_file_of_an_ext4_below_an_overlay_is_found_by_its_place(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board:
        (board.root / "etc/hostname").write_text("pier-3\n", encoding="ascii")
        with loop.mounted(tmp_path, tmp_path / "memory", kind="tmpfs") as memory:
            for name in ("upper", "work"):
                (memory / name).mkdir()
            options = f"lowerdir={board.root},upperdir={memory}/upper,workdir={memory}/work"
            with (
                loop.mounted(
                    board.root, tmp_path / "over", options=options, kind="overlay"
                ) as over,
                boards.kept_nearby(tmp_path, over) as kept,
            ):
                holdstill("capture", "--settings", kept.settings, accepted=[0, 8])
                store = ("--store", kept.store)
                found = json.loads(holdstill("find", "/etc/hostname", *store, "--json"))
                holdstill("get", "pier-3", "/etc/hostname", "--to", tmp_path / "x", *store)

    assert [path["path"] for path in found["boards"]["pier-3"]["paths"]] == ["/etc/hostname"]
    assert (tmp_path / "x").read_text(encoding="ascii") == "pier-3\n"
