"""The main job on real file systems, a real SSH server and a real rsync."""

import json
import os
from pathlib import Path

import pytest

from support import boards, edge_case_tree, loop, programs
from support.boards import GPT, MBR, holdstill

MIB = 1 << 20


def captured(settings: Path) -> dict[str, object]:
    report = json.loads(holdstill("capture", "--settings", settings, "--json"))
    assert isinstance(report, dict)
    return report


def table_of(path: Path) -> dict[str, object]:
    answer = json.loads(programs.run("sfdisk", "--json", path))["partitiontable"]
    rows = [{key: row.get(key) for key in ("start", "type", "uuid", "name", "bootable")}
            for row in answer["partitions"]]  # fmt: skip
    return {"label": answer["label"], "id": answer["id"], "partitions": rows}


@pytest.mark.timeout(180)
@pytest.mark.parametrize("script", [MBR, GPT], ids=["mbr", "gpt"])
def test_a_board_becomes_smaller_and_larger_cards_that_are_exactly_it(
    tmp_path: Path, script: str
) -> None:
    with boards.running(tmp_path, script=script) as board:
        (board.root / "torture").mkdir()
        edge_case_tree.build(board.root / "torture", big_directory=500)
        huge = os.fsdecode(edge_case_tree.HUGE)  # has tests of its own
        (board.root / "torture" / huge).unlink()
        with board.disk.device.open("r+b") as device:
            device.seek(1 << 20)
            device.write(b"a loader in the boot gap" * 50)
        with boards.kept(tmp_path, board) as kept:
            report = captured(kept.settings)
            for size in (220, 700):
                target = tmp_path / f"{size}.img"
                said = json.loads(holdstill("rebuild", "pier-3", target, "--size", f"{size}M",
                                            "--store", kept.store, "--json",
                                            accepted=[boards.NO_KERNEL]))  # fmt: skip

                assert said["checked_entries"] == said["entries"]
                assert boot_gap(target) == boot_gap(board.disk.device) != bytes(100)
                assert table_of(target) == table_of(board.disk.image)
                check_file_systems(target)
                check_by_mounting(target, board.root, tmp_path)

    assert report["parts"][1]["grade"] == "point-in-time"  # type: ignore[index]
    assert report["frozen_ms"] > 0  # type: ignore[operator]


def boot_gap(card: Path) -> bytes:
    with card.open("rb") as opened:
        opened.seek(1 << 20)
        return opened.read(100)


def check_file_systems(image: Path) -> None:
    programs.run("e2fsck", "-fn", f"{image}?offset={90112 * 512}")
    boot = image.with_suffix(".boot")
    with image.open("rb") as whole, boot.open("wb") as part:
        whole.seek(8192 * 512)
        part.write(whole.read(81920 * 512))
    programs.run("fsck.vfat", "-n", boot)
    programs.run("sfdisk", "--verify", image)


def check_by_mounting(image: Path, root: Path, folder: Path) -> None:
    """The kernel and rsync are the second witnesses: every name, content and attribute agrees."""
    with (
        loop.attached(image) as disk,
        loop.mounted(disk.partition(2), folder / "rebuilt", options="ro,noload") as at,
    ):
        said = programs.run(
            "rsync", "-aHAXn", "--checksum", "--delete", "--itemize-changes",
            "--numeric-ids", f"{root}/", f"{at}/", timeout=120,
        )  # fmt: skip
    assert said.decode(errors="replace").splitlines() == []
