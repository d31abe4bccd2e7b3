"""Boot checks of boards whose root is a volume inside a partition."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from holdstill.rebuild import bootcheck
from holdstill.rebuild.boot import commandline, system
from holdstill.rebuild.boot.card import BootVolume
from holdstill.rebuild.boot.commandline import Initramfs
from holdstill.rebuild.boot.report import LinkState
from holdstill.system import byte_source
from unit.rebuild.boot.test_system_folder import Tree, card_of, system_in

if TYPE_CHECKING:
    from pathlib import Path

ROOT = BootVolume(
    number=502,
    kind="ext4",
    tree=Tree(system_in(b"")),
    mapped=("/dev/mapper/board--vg-root", "/dev/board-vg/root"),
)


@pytest.mark.parametrize("name", ["/dev/mapper/board--vg-root", "/dev/board-vg/root"])
def test_a_root_is_found_by_each_name_of_its_logical_volume(name: str) -> None:
    card = card_of({})
    card = replace(card, volumes=(*card.volumes, ROOT))

    (link,) = commandline.root_links(card, f"root={name} ro", initramfs=Initramfs.PRESENT)
    assert link.detail == f"{name} is /dev/mapper/board--vg-root"
    assert system.find_roots(card, [name]) == [ROOT]


def test_a_mapping_that_nobody_knows_is_unknown_and_not_missing() -> None:
    words = "root=/dev/mapper/other ro"
    (link,) = commandline.root_links(card_of({}), words, initramfs=Initramfs.PRESENT)

    assert link.detail == "/dev/mapper/other is not a partition"
    assert link.state is LinkState.UNKNOWN


@pytest.mark.parametrize("kind", ["crypto_LUKS", "LVM2_member"])
def test_what_may_have_the_system_in_it_makes_no_verdict_of_missing(
    kind: str, tmp_path: Path
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(bytes(1 << 20))
    with byte_source.opened(image) as gap:
        card = replace(card_of({}), gap=gap)
        locked = replace(card, volumes=(BootVolume(number=2, kind=kind),))

        (hidden,) = bootcheck.judge(locked).system
        (none,) = bootcheck.judge(card).system
    assert hidden.detail == f"partition 2 is {kind}, whose files only the kernel reads"
    assert not hidden.breaks
    assert none.detail == "no partition has a system"
    assert none.breaks
