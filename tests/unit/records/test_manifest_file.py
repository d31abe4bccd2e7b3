"""Manifests: what is written is read back, and what was touched is refused before parsing.

FAULTS 2.7 (tests 6 and 7), S20, S22, S23, S24, S32 and S36.
"""

from __future__ import annotations

import functools
import hashlib
import typing

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import DocumentError, HoldstillError, SecurityError
from holdstill.model import layout_check, tree_views
from holdstill.model.attachment_names import EMMC_AREAS, area_name
from holdstill.model.card_reading import CardReading
from holdstill.model.finding import FindingKind
from holdstill.model.layout import (
    ArrayMember,
    Container,
    Disk,
    Ext4,
    FileSystem,
    Luks,
    LvmPv,
    Other,
    Partition,
    Subvolume,
    Swap,
    TableLabel,
)
from holdstill.model.manifest import (
    FORMAT,
    LIMIT,
    Attachment,
    BoardIdentity,
    CapturedPart,
    FurtherDisk,
    Grade,
    Manifest,
    Moment,
    Pause,
    RootFile,
)
from holdstill.model.tree_views import TreeView
from holdstill.records import manifest_file

pytestmark = pytest.mark.timeout(120)  # many examples, perhaps on a busy machine

DIGEST = "0" * 64
SLOT = Partition(number=2, start=2048, size=4096, type="82")
TEXTS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["no", "null", "~", "", "1e5", "010", "12:30", " x", "x ", "a: b", "- a", "#",
                     "\n", "a\nb", "'", '"', "\\", "\x85", "\u2028", "\ufeff", "é", "\x1b[31m",
                     "&a", "*a", "!t", "%", "@", "`", "{", "true", "---", "...", "?", "=", "<<"]),
).filter(lambda text: all(not 0xD800 <= ord(c) <= 0xDFFF for c in text))  # fmt: skip
NUMBERS = st.integers(0, 2**53)
SECONDS = st.floats(0, 1e12, allow_nan=False)


def records(kind: type[msgspec.Struct]) -> st.SearchStrategy[object]:
    """Build any record of a kind, every field of it drawn."""
    bounds = layout_check.BOUNDS.get(kind, {})
    fields = {
        field.name: st.sampled_from(bounds[field.name])
        if field.name in bounds
        else values(field.type)
        for field in msgspec.structs.fields(kind)
    }
    return st.builds(kind, **fields)


def values(kind: object) -> st.SearchStrategy[object]:
    """Draw what a field of this type may hold."""
    if kind in SIMPLE:
        return SIMPLE[kind]
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return records(kind)
    origin, parts = typing.get_origin(kind), typing.get_args(kind)
    if origin is tuple:
        return st.lists(values(parts[0]), max_size=2).map(tuple)
    return st.one_of([values(part) for part in parts])


SIMPLE: dict[object, st.SearchStrategy[object]] = {
    int: NUMBERS,
    str: TEXTS,
    bool: st.booleans(),
    float: SECONDS,
    type(None): st.none(),
    FindingKind: st.sampled_from(FindingKind),
    Grade: st.sampled_from(Grade),
    TableLabel: st.sampled_from(TableLabel),
}


def sensible(disk: Disk) -> Disk:
    """Number a drawn disk's partitions, and give an MBR values that it can have."""
    change = msgspec.structs.replace
    slots = [change(slot, number=n, slot=0) for n, slot in enumerate(disk.partitions, 1)]
    if disk.label is TableLabel.DOS:
        disk = change(disk, id="0x9a3c5d2e")
        slots = [change(slot, type="83") for slot in slots]
    # Volumes and what they are in: tests/unit/model/test_volume_check.py.
    return change(disk, partitions=tuple(slots), volumes=())


def named_areas(drawn: tuple[Attachment, ...], place: int) -> tuple[Attachment, ...]:
    """Give drawn areas the names that those of disk 1, 2, ... have."""
    names = (area_name(area, place) for area in EMMC_AREAS)
    pairs = zip(names, drawn, strict=False)
    return tuple(msgspec.structs.replace(area, name=name) for name, area in pairs)


def of_our_format(drawn: object) -> Manifest:
    """Make a drawn manifest sensible in the few things that are checked beyond types."""
    assert isinstance(drawn, Manifest)
    change = msgspec.structs.replace
    disk = sensible(drawn.disk)
    slots = disk.partitions
    further = tuple(
        change(
            one,
            disk=sensible(one.disk).as_further(place),
            boot_areas=named_areas(one.boot_areas, place),
        )
        for place, one in enumerate(drawn.further_disks, start=2)
    )
    parts = [change(part, number=n) for n, part in enumerate(drawn.parts[: len(slots)], 1)]
    apart = Subvolume | LvmPv | Luks | ArrayMember
    parts = [part for part in parts if not isinstance(part.file_system, apart)]
    seen = [(), (TreeView(inside="deploy/a", place="/"), TreeView(inside="state", place="/var"))]
    parts = [change(part, views=seen[not n and bool(part.views)]) for n, part in enumerate(parts)]
    parts = [
        change(part, file_system=change(part.file_system, inode_size=256))
        if isinstance(part.file_system, Ext4)
        else part
        for part in parts
    ]
    has_root = any(view.is_root for part in parts for view in part.seen)
    in_file = RootFile(partition=parts[0].number if parts else 0, path="/live/root.sqsh")
    return change(
        drawn,
        root_file=in_file if drawn.root_file and parts and not has_root else None,
        format=FORMAT,
        seq=drawn.seq % 10**6 + 1,
        moment=change(drawn.moment, taken_at="2026-11-25T02:15:03Z"),
        card=change(drawn.card, at="2026-11-24T02:20:00Z") if drawn.card else None,
        disk=disk,
        boot_areas=named_areas(drawn.boot_areas, 1),
        further_disks=further,
        parts=tuple(parts),
        swap_files=tuple(change(s, partition=1) for s in drawn.swap_files) if slots else (),
    )


MANIFESTS = records(Manifest).map(of_our_format)


def plain() -> Manifest:
    return Manifest(
        format=FORMAT,
        agent="1.0",
        board=BoardIdentity(name="pier-3"),
        seq=42,
        run="run00042",
        previous=DIGEST,
        moment=Moment(taken_at="2026-11-25T02:15:03Z", monotonic=17.5, clock_trusted=True),
        disk=Disk(size=4 << 30, label=TableLabel.DOS, id="0x9a3c5d2e", partitions=(SLOT,)),
        parts=(CapturedPart(number=2, grade=Grade.POINT_IN_TIME, file_system=Swap(uuid="u")),),
        pause=Pause(frozen_ms=97.0),
        index=Attachment(name="index.sqlite", sha256=DIGEST, size=8192),
    )


@functools.cache
def encoded() -> bytes:
    return manifest_file.encode(plain())


def signed(body: bytes) -> bytes:
    """Put the right last line behind a body."""
    return body + b"checksum: " + hashlib.sha256(body).hexdigest().encode() + b"\n"


def seen_at(*views: tuple[str, str]) -> Manifest:
    part = CapturedPart(
        number=2,
        grade=Grade.POINT_IN_TIME,
        file_system=Other(type="xfs"),
        views=tuple(TreeView(inside=inside, place=place) for inside, place in views),
    )
    return msgspec.structs.replace(plain(), parts=(part,))


@pytest.mark.parametrize(
    ("inside", "place", "said"),
    [
        ("deploy/a", "/", ""),
        ("deploy/a b", "/var/lib/x y", ""),
        ("", "/data", ""),
        ("/deploy", "/", "is no path of a folder"),
        ("deploy/../etc", "/", "is no path of a folder"),
        ("deploy//a", "/", "is no path of a folder"),
        ("deploy\x00", "/", "is no path of a folder"),
        ("deploy\n", "/", "is no path of a folder"),
        ("deploy", "", "is no place"),
        ("deploy", "var", "is no place"),
        ("deploy", "/var/../..", "is no place"),
        ("deploy", "/var/", "is no place"),
    ],
)
def test_a_view_is_of_a_folder_at_a_place(inside: str, place: str, said: str) -> None:
    made = seen_at((inside, place))
    if not said:
        assert manifest_file.decode(manifest_file.encode(made)) == made
        return
    assert said in refused(made)


def test_there_is_one_root_and_an_end_to_views() -> None:
    assert "2 and 2 are both seen at /" in refused(seen_at(("a", "/"), ("b", "/")))
    many = (("a", f"/{n}") for n in range(tree_views.MOST + 1))
    assert f"expected {tree_views.MOST} at most" in refused(seen_at(*many))


@pytest.mark.parametrize(
    ("number", "path", "said"),
    [
        (2, "/live/root.sqsh", ""),
        (9, "/live/root.sqsh", "there is no partition 9"),
        (2, "/", "is no path of a file"),
        (2, "", "is no path of a file"),
        (2, "/live/../x", "is no path of a file"),
        (2, "/x\n", "is no path of a file"),
    ],
)
def test_a_root_file_is_on_one_of_the_partitions(number: int, path: str, said: str) -> None:
    made = msgspec.structs.replace(
        seen_at(("a", "/srv")), root_file=RootFile(partition=number, path=path)
    )
    if not said:
        assert manifest_file.decode(manifest_file.encode(made)) == made
        return
    assert said in refused(made)


def test_a_root_file_is_all_of_the_root() -> None:
    root_file = RootFile(partition=2, path="/x")
    made = msgspec.structs.replace(seen_at(("a", "/")), root_file=root_file)

    assert "root_file: / is a partition, or in one, as well" in refused(made)


@given(manifest=MANIFESTS)
def test_whatever_is_written_is_read_back(manifest: Manifest) -> None:
    assert manifest_file.decode(manifest_file.encode(manifest)) == manifest


def test_the_same_manifest_is_always_the_same_bytes() -> None:
    assert manifest_file.encode(plain()) == encoded()
    assert manifest_file.digest(encoded()) == hashlib.sha256(encoded()).hexdigest()


# FAULTS 2.7, test 6.
@pytest.mark.parametrize("cut", range(1, 201))
def test_s24_a_manifest_that_was_cut_short_is_refused_before_it_is_parsed(cut: int) -> None:
    with pytest.raises(SecurityError, match=r"cut short|checksum is wrong"):
        manifest_file.decode(encoded()[:-cut])


# FAULTS 2.7, test 7: every single bit of the last line.
@pytest.mark.parametrize("at", range(1, 76))
def test_s24_a_flipped_bit_in_the_last_line_is_refused(at: int) -> None:
    for bit in range(8):
        data = bytearray(encoded())
        data[-at] ^= 1 << bit

        with pytest.raises(SecurityError):
            manifest_file.decode(bytes(data))


@given(at=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_s24_a_flipped_bit_anywhere_is_refused(at: int, bit: int) -> None:
    data = bytearray(encoded())
    data[at % len(data)] ^= 1 << bit

    with pytest.raises(SecurityError):
        manifest_file.decode(bytes(data))


@given(data=st.binary(max_size=300))
def test_any_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(SecurityError):
        manifest_file.decode(data)


@given(body=st.binary(max_size=300))
def test_s22_any_body_with_the_right_checksum_is_refused_too(body: bytes) -> None:
    with pytest.raises(HoldstillError):
        manifest_file.decode(signed(body + b"\n"))


@pytest.mark.parametrize("extra", [0, 1])
def test_s20_a_manifest_ends_at_its_limit(extra: int) -> None:
    body = encoded()[:-75]
    filled = body + b"#" * (LIMIT - len(body) - 75 - 1 + extra) + b"\n"

    if extra:
        with pytest.raises(SecurityError, match="larger than a manifest may be"):
            manifest_file.decode(signed(filled))
    else:
        assert manifest_file.decode(signed(filled)) == plain()


@pytest.mark.parametrize("version", ["2", "0", "'1'", "null", "1.5", "[1]"])
def test_another_format_is_refused_in_words(version: str) -> None:
    body = encoded()[:-75].replace(b"format: 1\n", f"format: {version}\n".encode())

    with pytest.raises(SecurityError, match=r"format .* is not one that this version reads"):
        manifest_file.decode(signed(body))


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (b"seq: 42", b"seq: forty-two", "seq: must be a whole number"),
        (b"seq: 42", b"seqq: 42", 'seqq: unknown key; did you mean "seq"'),
        (b"seq: 42", b"seq: 42\nseq: 43", "'seq' stands here twice"),
        (b"seq: 42", b"seq: &a 42", "anchors and aliases"),
        (b"seq: 42", b"seq: !!int 42", "tags"),
        (b"grade: point-in-time", b"grade: perfect", "parts[0].grade: expected one of "),
        (b"kind: swap", b"kind: swamp", "parts[0].file_system"),
        (b"frozen_ms: 97.0", b"frozen_ms: 1e999", "finite"),
    ],
)
def test_s22_a_well_signed_document_is_still_checked_strictly(
    old: bytes, new: bytes, problem: str
) -> None:
    body = encoded()[:-75]
    assert old in body

    with pytest.raises(DocumentError) as failure:
        manifest_file.decode(signed(body.replace(old, new)))

    assert problem in str(failure.value)


# YAML 1.1, 5.4, counts these as line breaks, which folding in quotes turns into others.
@pytest.mark.parametrize("text", ["\x85", "a\x85b", "\u2028", "a\u2029b", "a\r\nb"])
def test_what_yaml_takes_for_a_line_break_is_read_back_as_itself(text: str) -> None:
    manifest = msgspec.structs.replace(plain(), agent=text)

    assert manifest_file.decode(manifest_file.encode(manifest)).agent == text


# FAULTS S36: a name that was shown is text by now; the document itself must not carry escapes.
def test_s36_control_characters_are_escaped_in_the_bytes() -> None:
    tricky = msgspec.structs.replace(plain(), warnings=("\x1b[2Jgone\u202e",))

    data = manifest_file.encode(tricky)

    assert b"\x1b" not in data
    assert manifest_file.decode(data) == tricky


# FAULTS S32: number and predecessor are inside the signed bytes.
def test_s32_the_chain_is_part_of_what_is_signed() -> None:
    earlier = msgspec.structs.replace(plain(), seq=41)

    assert manifest_file.decode(encoded()).previous == DIGEST
    assert manifest_file.digest(manifest_file.encode(earlier)) != manifest_file.digest(encoded())


def test_a_capture_is_as_consistent_as_its_weakest_part() -> None:
    def graded(*grades: Grade) -> Grade:
        parts = tuple(
            CapturedPart(number=n, grade=g, file_system=Container()) for n, g in enumerate(grades)
        )
        return msgspec.structs.replace(plain(), parts=parts).grade

    assert graded(Grade.READ_ONLY, Grade.POINT_IN_TIME) is Grade.POINT_IN_TIME
    assert graded(Grade.SETTLED, Grade.POINT_IN_TIME) is Grade.SETTLED
    assert graded(Grade.SETTLED, Grade.LIVE, Grade.READ_ONLY) is Grade.LIVE
    assert graded() is Grade.LIVE


def refused(manifest: Manifest) -> str:
    with pytest.raises(DocumentError) as caught:
        manifest_file.decode(manifest_file.encode(manifest))
    return str(caught.value)


def numbered(number: int, kind: FileSystem) -> CapturedPart:
    return CapturedPart(number=number, grade=Grade.READ_ONLY, file_system=kind)


SECOND = Disk(
    size=1 << 30, label=TableLabel.DOS, id="0x11223344",
    partitions=(Partition(number=1, start=2048, size=4096, type="83"),),
)  # fmt: skip
BTRFS = numbered(2, Other(type="btrfs"))


def test_a_boot_area_is_one_that_its_disk_can_have() -> None:
    change = msgspec.structs.replace

    def areas(*names: str) -> tuple[Attachment, ...]:
        return tuple(Attachment(name=name, sha256=DIGEST, size=512) for name in names)

    second = FurtherDisk(disk=SECOND.as_further(2), boot_areas=areas("boot0-2.bin", "gp3-2.bin"))
    good = change(plain(), boot_areas=areas("boot0.bin", "boot1.bin"), further_disks=(second,))

    assert manifest_file.decode(manifest_file.encode(good)) == good
    for names in (("boot0-2.bin",), ("boot0.bin", "boot0.bin"), ("boot0.bin;reboot",)):
        assert "boot_areas: names must be" in refused(change(plain(), boot_areas=areas(*names)))
    wrong = change(second, boot_areas=areas("boot0.bin"))
    told = refused(change(plain(), further_disks=(wrong,)))
    assert "further_disks[0].boot_areas: names must be" in told


def test_a_second_disk_has_partitions_that_are_numbered_on() -> None:
    change = msgspec.structs.replace
    good = change(plain(), further_disks=(FurtherDisk(disk=SECOND.as_further(2)),))
    assert manifest_file.decode(manifest_file.encode(good)) == good

    told = refused(change(plain(), further_disks=(FurtherDisk(disk=SECOND),)))
    assert "further_disks[0].disk.partitions: expected numbers from 1001 on" in told
    many = tuple(FurtherDisk(disk=SECOND.as_further(n)) for n in range(2, 10))
    assert "further_disks: expected fewer than 8" in refused(change(plain(), further_disks=many))
    twice = change(SECOND, partitions=SECOND.partitions * 2).as_further(2)
    told = refused(change(plain(), further_disks=(FurtherDisk(disk=twice),)))
    assert "further_disks[0].disk.partitions: slot 1 is listed 2 times" in told
    far = change(SECOND.partitions[0], number=1000)
    told = refused(change(plain(), disk=change(plain().disk, partitions=(SLOT, far))))
    assert "disk.partitions: 1000 is no slot of a partition table" in told


@pytest.mark.parametrize(
    ("within", "number", "kind", "said"),
    [
        (BTRFS, 2000256, Subvolume(of=2, path="@"), ""),
        (BTRFS, 2000256, Subvolume(of=2, path="@/var/lib/two words"), ""),
        (numbered(2, Other(type="xfs")), 2000256, Subvolume(of=2, path="@"), "is no btrfs"),
        (BTRFS, 2000256, Subvolume(of=3, path="@"), "partition 3, which is no btrfs"),
        (BTRFS, 3000256, Subvolume(of=2, path="@"), "3000256 is no number of a subvolume"),
        (BTRFS, 2, Subvolume(of=2, path="@"), "number 2 is listed 2 times"),
        (BTRFS, 2000256, Subvolume(of=2, path=""), "is no path of a subvolume"),
        (BTRFS, 2000256, Subvolume(of=2, path="../x"), "is no path of a subvolume"),
        (BTRFS, 2000256, Subvolume(of=2, path="/x"), "is no path of a subvolume"),
        (BTRFS, 2000256, Subvolume(of=2, path="a//b"), "is no path of a subvolume"),
        (BTRFS, 2000256, Subvolume(of=2, path="a\0b"), "is no path of a subvolume"),
    ],
)
def test_a_subvolume_is_one_of_a_btrfs(
    within: CapturedPart, number: int, kind: Subvolume, said: str
) -> None:
    made = msgspec.structs.replace(plain(), parts=(within, numbered(number, kind)))

    if said:
        assert said in refused(made)
    else:
        assert manifest_file.decode(manifest_file.encode(made)) == made


def test_one_subvolume_is_there_once() -> None:
    twins = (numbered(2000256, Subvolume(of=2, path="@")),
             numbered(2000257, Subvolume(of=2, path="@")))  # fmt: skip
    made = msgspec.structs.replace(plain(), parts=(BTRFS, *twins))

    assert "parts: 2000256 and 2000257 are one subvolume" in refused(made)


def test_m2_a_part_that_its_disk_lacks_is_refused() -> None:
    disk = msgspec.structs.replace(plain().disk, partitions=())

    said = refused(msgspec.structs.replace(plain(), disk=disk))

    assert "parts: no disk has a partition 2" in said


def test_m2_a_part_that_stands_there_twice_is_refused() -> None:
    said = refused(msgspec.structs.replace(plain(), parts=plain().parts * 2))

    assert "parts: number 2 is listed 2 times" in said


# RFC 3339, 5.6: a date-time has an offset, and its fields have ranges; the year 0 is no year of
# Python's calendar.
@pytest.mark.parametrize(
    "text", ["2026-11-25T02:15:03", "2026-11-25", "2026-02-30T00:00:00Z", "0000-01-01T00:00:00Z",
             "2026-11-25T02:15:03+01:00", "", "now", "2026-11-25T02:15:03Z\n"],
)  # fmt: skip
def test_m2_a_date_that_is_no_moment_in_utc_is_refused(text: str) -> None:
    moment = msgspec.structs.replace(plain().moment, taken_at=text)

    assert "moment.taken_at: expected a moment" in refused(
        msgspec.structs.replace(plain(), moment=moment)
    )
    assert "card.at: expected a moment" in refused(
        msgspec.structs.replace(plain(), card=CardReading(at=text))
    )


@pytest.mark.parametrize("number", [-(2**63), -1, 2**60 + 1, 2**63])
def test_a_number_that_no_card_has_is_refused_with_its_path(number: int) -> None:
    disk = msgspec.structs.replace(plain().disk, entries_lba=number)

    assert "disk.entries_lba: expected a whole number" in refused(
        msgspec.structs.replace(plain(), disk=disk)
    )


_ROOM = LIMIT - 2000
_HEAD = b"format: 1\n"


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"parts: [" + b"[]," * (_ROOM // 3) + b"]\n", "more than 20,000 keys and values"),
        (b"parts:\n" + b"- a\n" * (_ROOM // 4), "more than 20,000 keys and values"),
        (b"".join(b"k%06d: 1\n" % n for n in range(_ROOM // 11)), "more than 20,000"),
        (b"agent: " + b"a" * _ROOM + b"\n", "a text of more than 16,384 characters"),
        (b"agent: a\n" + b"  a\n" * (_ROOM // 4), "a text of more than 16,384 characters"),
        (b'agent: "' + b"\\x1b" * (_ROOM // 4) + b'"\n', "a text of more than"),
        (b"parts: " + b"[" * 40 + b"]" * 40 + b"\n", "nested too deeply"),
    ],
    ids=["empty lists", "short texts", "keys", "a long text", "a folded text", "escapes", "depth"],
)
def test_m3_a_manifest_that_is_dear_to_decode_is_refused_by_its_shape(
    body: bytes, why: str
) -> None:
    with pytest.raises(DocumentError, match=why):
        manifest_file.decode(signed(_HEAD + body))


def test_m3_of_very_many_problems_the_first_are_listed() -> None:
    body = _HEAD + b"".join(b"k%06d: 1\n" % n for n in range(9000))

    with pytest.raises(DocumentError) as caught:
        manifest_file.decode(signed(body))

    assert len(caught.value.problems) == 100
