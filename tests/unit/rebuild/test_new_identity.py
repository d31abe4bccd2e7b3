from __future__ import annotations

import re

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import UsageError
from holdstill.model.layout import Disk, Ext4, Fat, Raw, Swap, TableLabel
from holdstill.model.manifest import CapturedPart, Grade
from holdstill.rebuild import new_identity
from support.captured import GPT, MBR, pier_3


class Draw:
    """Random bytes that are the same in every run, and never twice the same."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, size: int) -> bytes:
        self.count += 1
        return bytes((self.count * 37 + n) % 256 for n in range(size))


@pytest.mark.parametrize("disk", [MBR, GPT])
def test_every_id_of_a_sibling_is_its_own(disk: Disk) -> None:
    old = pier_3(disk)

    new = new_identity.invent(old, "pier-4", Draw())

    assert new.manifest.disk.id != old.disk.id
    for number in (1, 2, 3):
        assert new.manifest.disk.partuuid(number) != old.disk.partuuid(number)
        before, after = old.part(number).file_system, new.manifest.part(number).file_system
        assert isinstance(before, Fat | Ext4 | Swap)
        assert isinstance(after, Fat | Ext4 | Swap)
        assert before.uuid != after.uuid
        assert new.ids[before.uuid] == after.uuid
        assert new.ids[old.disk.partuuid(number)] == new.manifest.disk.partuuid(number)
    assert new.manifest.swap_files[0].uuid != old.swap_files[0].uuid
    assert new.manifest.board.machine_id != old.board.machine_id
    assert (new.manifest.board.name, new.manifest.board.hostname) == ("pier-4", "pier-4")
    assert len(set(new.ids.values())) == len(new.ids) == 7


def test_all_else_stays() -> None:
    old = pier_3(GPT)

    new = new_identity.invent(old, "pier-4", Draw()).manifest

    places = [(p.number, p.start, p.size, p.type, p.name) for p in old.disk.partitions]
    assert [(p.number, p.start, p.size, p.type, p.name) for p in new.disk.partitions] == places
    before, after = old.part(2).file_system, new.part(2).file_system
    assert isinstance(before, Ext4)
    assert isinstance(after, Ext4)
    assert msgspec.structs.replace(after, uuid=before.uuid) == before
    assert new.index == old.index
    assert new.seq == old.seq


def test_ids_have_the_form_of_their_kind() -> None:
    mbr = new_identity.invent(pier_3(MBR), "pier-4", Draw()).manifest
    gpt = new_identity.invent(pier_3(GPT), "pier-4", Draw()).manifest

    # RFC 4122, 4.4: version 4 in the 13th digit, variant in the 17th; machine-id(5): 32 digits.
    uuid4 = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
    assert re.fullmatch(r"0x[0-9a-f]{8}", mbr.disk.id)
    assert re.fullmatch(r"[0-9a-f]{32}", mbr.board.machine_id)
    assert all(uuid4.fullmatch(p.uuid.lower()) and p.uuid.isupper() for p in gpt.disk.partitions)
    root = mbr.part(2).file_system
    assert isinstance(root, Ext4)
    assert uuid4.fullmatch(root.uuid)


def test_an_id_that_would_mean_none_is_not_drawn() -> None:
    drawn = iter([bytes(4), b"\1\0\0\0"])
    old = msgspec.structs.replace(pier_3(MBR), parts=(), swap_files=())

    new = new_identity.invent(
        old, "pier-4", lambda size: next(drawn) if size == 4 else bytes(range(size))
    )

    assert new.manifest.disk.id == "0x00000001"


def test_a_raw_partition_keeps_its_bytes_and_that_is_said() -> None:
    raw = CapturedPart(number=3, grade=Grade.READ_ONLY, file_system=Raw(digest="0" * 64, size=9))
    old = msgspec.structs.replace(pier_3(), parts=(*pier_3().parts[:2], raw))

    new = new_identity.invent(old, "pier-4", Draw())

    assert new.manifest.part(3) == raw
    assert "partition 3: is copied as it is, with every id inside it" in map(str, new.changes)


def test_a_board_without_a_table_or_a_machine_id_has_none_afterwards() -> None:
    board = msgspec.structs.replace(pier_3().board, machine_id="")
    disk = Disk(size=1 << 30, label=TableLabel.NONE)
    old = msgspec.structs.replace(pier_3(disk), board=board)

    new = new_identity.invent(old, "pier-4", Draw())

    assert new.manifest.disk == disk
    assert new.manifest.board.machine_id == ""


def test_what_had_no_id_gives_every_empty_text_none() -> None:
    without = CapturedPart(number=3, grade=Grade.READ_ONLY, file_system=Swap(uuid=""))
    old = msgspec.structs.replace(pier_3(), parts=(*pier_3().parts[:2], without))

    new = new_identity.invent(old, "pier-4", Draw())

    assert "" not in new.ids


def test_every_change_is_told_with_old_and_new() -> None:
    new = new_identity.invent(pier_3(GPT), "pier-4", Draw())

    told = [str(change) for change in new.changes]
    assert told[0] == f"disk: id {GPT.id} -> {new.manifest.disk.id}"
    for old, now in new.ids.items():
        assert any(old.lower() in line.lower() and now.lower() in line.lower() for line in told), (
            old
        )


@given(name=st.text(max_size=80))
def test_a_name_is_a_boards_or_refused(name: str) -> None:
    try:
        new = new_identity.invent(pier_3(), name, Draw())
    except UsageError:
        return
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", new.name)


@pytest.mark.parametrize("disk", [MBR, GPT])
def test_every_id_is_told_with_where_it_is_and_what_it_was(disk: Disk) -> None:
    made = new_identity.invent(pier_3(disk), "pier-4", Draw())

    old, new = pier_3(disk), made.manifest
    assert made.name == "pier-4"
    guids = [
        (f"partition {one.number}", "GUID", one.uuid, new.disk.partition(one.number).uuid)
        for one in old.disk.partitions
        if disk.label is TableLabel.GPT
    ]
    uuids = [
        (f"partition {part.number}", "UUID", part.file_system.uuid, now.file_system.uuid)
        for part, now in zip(old.parts, new.parts, strict=True)
        if isinstance(part.file_system, Fat | Ext4 | Swap)
        if isinstance(now.file_system, Fat | Ext4 | Swap)
    ]
    assert len(uuids) == len(old.parts)
    (swap,), (made_swap,) = old.swap_files, new.swap_files
    assert [(each.where, each.what, each.old, each.new) for each in made.changes] == [
        ("disk", "id", old.disk.id, new.disk.id),
        *guids,
        *uuids,
        ("/swapfile", "UUID of the swap file", swap.uuid, made_swap.uuid),
    ]
    assert all(each.old != each.new for each in made.changes)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("", "", "etc/hostname: removed"),
        ("a", "b", "etc/hostname: removed a -> b"),
        ("", "b", "etc/hostname: removed (none) -> b"),
        ("a", "", "etc/hostname: removed a -> (none)"),
    ],
)
def test_a_change_is_told_with_what_there_was_and_is(old: str, new: str, said: str) -> None:
    assert str(new_identity.IdentityChange("etc/hostname", "removed", old, new)) == said
