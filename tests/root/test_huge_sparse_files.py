"""A file of 1 TiB that is nearly all hole costs what its data costs, from board to card."""

import json
import os
from pathlib import Path

import pytest

from support import boards, loop
from support.boards import holdstill
from support.loop import MIB

pytestmark = pytest.mark.timeout(300)
TIB = 1 << 40
AT = (0, 3 * 4096 + 5, TIB // 2 + 17, TIB - 4)
"""Where data is: at both ends, off every border, and in the middle."""


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs"])
def test_only_its_data_is_read_sent_stored_and_written(tmp_path: Path, kind: str) -> None:
    size = (384 if kind == "ext4" else 480) * MIB
    with boards.kept_nearby(tmp_path, tmp_path / "root") as kept:
        with boards.running(tmp_path, kind=kind, size=size) as live:
            with (live.root / "lastlog").open("wb") as file:
                for offset in AT:
                    os.pwrite(file.fileno(), b"data", offset)
                os.ftruncate(file.fileno(), TIB)
            told = json.loads(holdstill("capture", "--settings", kept.settings, "--json"))
            os.utime(live.root / "lastlog")  # to be looked at again
            holdstill("capture", "--settings", kept.settings)
            same = json.loads(
                holdstill(
                    "compare", "pier-3", "--live", "--settings", kept.settings,
                    "--store", kept.store, "--json", accepted=[0, 1],
                )
            )  # fmt: skip
        image = tmp_path / "rebuilt.img"
        holdstill("rebuild", "pier-3", image, "--store", kept.store, accepted=[boards.NO_KERNEL])
        verdict = json.loads(
            holdstill("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
        )

    assert told["new_bytes"] < 64 * MIB
    assert same is not None
    assert (verdict["total"], verdict["unchecked"]) == (0, [])
    with loop.attached(image) as disk:
        options = "ro,norecovery,nouuid" if kind == "xfs" else "ro"
        with loop.mounted(disk.partition(2), tmp_path / "again", options=options) as at:
            status = (at / "lastlog").stat()
            assert (status.st_size, status.st_blocks * 512 <= MIB) == (TIB, True)
            with (at / "lastlog").open("rb") as file:
                for offset in AT:
                    assert os.pread(file.fileno(), 8, offset).startswith(b"data")
