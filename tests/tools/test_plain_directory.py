"""A plain directory with a card image beside it: what the layout makes of the two."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import layout, mounts
from holdstill.demo import card, material
from holdstill.model.layout import Ext4, Fat
from holdstill.model.paths import BoardPath
from holdstill.system.process import LocalRunner

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    work = tmp_path_factory.mktemp("card")
    card.make(work / "card.img", LocalRunner(), size=160 << 20)
    return work / "card.img"


def test_the_directory_stands_for_the_root_of_the_card(image: Path, tmp_path: Path) -> None:
    root = BoardPath(bytes(tmp_path))

    found = layout.read_layout(root, devices=[image], all_mounts=mounts.read_mounts())

    assert found.disks[0].layout.id == f"0x{material.DISK_ID}"
    boot, files = found.parts
    assert isinstance(boot.file_system, Fat)
    assert boot.mount is None
    assert isinstance(files.file_system, Ext4)
    assert files.file_system.uuid == material.ROOT_UUID
    assert files.place == "/"
    assert files.mount is not None
    assert (files.mount.point, files.mount.type) == (root, layout.PLAIN_DIRECTORY)


def test_a_root_that_is_a_mount_is_not_taken_for_a_directory(image: Path) -> None:
    root = BoardPath(b"/proc")

    found = layout.read_layout(root, devices=[image], all_mounts=mounts.read_mounts())

    assert [part.mount for part in found.parts] == [None, None]
