"""What members of arrays say of them, against what Linux and mdadm wrote, and against itself.

What is expected of the recorded ones is what `mdadm --examine` said of them in that guest.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.disks import md_superblock
from holdstill.errors import LayoutError
from holdstill.model.layout import ArrayMember
from support.recorded_arrays import MIB, MIRROR_10, MIRROR_12, STRIPE, Member

ROOT = ArrayMember(
    uuid="66863cc6:b8336585:7de1d0c3:898c955d", name="pier-md:root", version="1.2", members=2,
    first_byte=2048 * 512,
)  # fmt: skip
BOOT = ArrayMember(
    uuid="89eb42b5:f89e1653:96a2ca89:715c66bf", name="pier-md:boot", version="1.0", members=2,
    first_byte=0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("recorded", "member", "sectors"), [(MIRROR_12, ROOT, 407552), (MIRROR_10, BOOT, 204672)]
)
def test_a_mirror_is_read_as_mdadm_reads_it(
    recorded: Member, member: ArrayMember, sectors: int
) -> None:
    found = md_superblock.read(recorded)

    assert found == (member, md_superblock.MIRROR, sectors, False)
    assert md_superblock.place(member.version, recorded.size) == recorded.at


def test_another_level_is_told_apart() -> None:
    found = md_superblock.read(STRIPE)

    assert (found.level, found.member.name) == (0, "pier-md:fast")


@pytest.mark.parametrize("byte", [0, 4, 20, 40, 72, 80, 92, 130, 144, 200, 216, 220, 256])
def test_a_superblock_with_a_wrong_byte_is_none(byte: int) -> None:
    wrong = bytes([MIRROR_12.superblock[byte] ^ 1])

    with pytest.raises(LayoutError, match="no superblock"):
        md_superblock.read(MIRROR_12.changed(byte, wrong))


@pytest.mark.parametrize("size", [0, 4096, 8191, 12288])
def test_what_has_no_room_for_one_has_none(size: int) -> None:
    with pytest.raises(LayoutError, match="no superblock"):
        md_superblock.read(Member(size, 4096, bytes(4096)))


def test_one_at_a_place_of_another_version_is_none() -> None:
    with pytest.raises(LayoutError, match="no superblock"):
        md_superblock.read(MIRROR_12._replace(at=0))


@given(
    st.sampled_from(["1.0", "1.1", "1.2"]), st.integers(1, 256), st.integers(64, 10_000),
    st.text("abcdefgh0123:._-", max_size=32), st.binary(min_size=16, max_size=16),
)  # fmt: skip
def test_what_is_made_is_read_back(
    version: str, members: int, sectors: int, name: str, id_: bytes
) -> None:
    first = 0 if version == "1.0" else MIB
    uuid = ":".join(id_.hex()[at : at + 8] for at in range(0, 32, 8))
    member = ArrayMember(uuid=uuid, name=name, version=version, members=members, first_byte=first)
    size = first + sectors * 512 + 12 * 1024
    at = md_superblock.place(version, size)
    content = sectors * 512

    own = md_superblock.made(member, at=at, size=size, content=content)

    assert md_superblock.read(Member(size, at, own)) == (member, 1, sectors, False)
    assert at >= content or at + len(own) <= first
