"""A manifest from a board that was broken into: rightly signed, and meant to do harm."""

from __future__ import annotations

import hashlib
import re
from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.errors import DocumentError, HoldstillError, SecurityError, VerificationError
from holdstill.keeper import sealing
from holdstill.keeper.local import LocalKeeper
from holdstill.model import pieces
from holdstill.model.layout import Raw
from holdstill.model.manifest import LIMIT, Attachment, CapturedPart, Grade
from holdstill.records import index_schema, manifest_file
from support import keeping
from support.keeping import PIER_3, Board, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import RunStarted

LocalBoard = Board[LocalKeeper]


@pytest.fixture
def board(tmp_path: Path) -> LocalBoard:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    return Board(keeping.keeper_of(store, clock=clock), clock=clock, files={b"f": b"x"})


@pytest.fixture
def begun(board: LocalBoard) -> RunStarted:
    begun = board.keeper.begin()
    board.deliver(begun)
    board.attach(begun)
    return begun


def summed(body: bytes) -> bytes:
    """Return a manifest's body with a right last line."""
    return body + b"checksum: " + hashlib.sha256(body).hexdigest().encode() + b"\n"


def honest(board: LocalBoard, begun: RunStarted) -> Manifest:
    return board.manifest(begun, board.index(seq=begun.seq))


def body_of(board: LocalBoard, begun: RunStarted) -> bytes:
    return manifest_file.encode(honest(board, begun)).rpartition(b"checksum: ")[0]


def refuse(board: LocalBoard, data: bytes) -> str:
    with pytest.raises((SecurityError, DocumentError, VerificationError)) as caught:
        board.keeper.seal(data, board.signed(data))
    assert board.keeper.captures() == ()
    return str(caught.value)


def test_the_honest_one_is_sealed(board: LocalBoard, begun: RunStarted) -> None:
    data = summed(body_of(board, begun))

    assert board.keeper.seal(data, board.signed(data)).name


def test_a_manifest_cut_off_anywhere_in_its_end_is_refused(
    board: LocalBoard, begun: RunStarted
) -> None:
    data = summed(body_of(board, begun))

    for length in range(len(data) - 200, len(data)):
        with pytest.raises(SecurityError, match=r"cut short|checksum is wrong"):
            manifest_file.decode(data[:length])


def test_c10_altered_manifest_one_flipped_bit_anywhere_in_a_manifest_is_noticed(
    board: LocalBoard, begun: RunStarted
) -> None:
    data = summed(body_of(board, begun))

    for position in range(len(data)):
        bent = bytearray(data)
        bent[position] ^= 1
        with pytest.raises(SecurityError):
            manifest_file.decode(bytes(bent))


def test_s20_a_manifest_above_the_limit_is_refused_before_it_is_read(
    board: LocalBoard, begun: RunStarted
) -> None:
    assert "larger than" in refuse(board, summed(b"#" * LIMIT + b"\n"))


@pytest.mark.parametrize(
    "addition",
    [
        b"extra: 1\n",
        b"seq: 1\n",
        b"bomb: &a [1, 2]\nmore: *a\n",
        b"warnings: !!python/object/apply:os.system ['id']\n",
        b"deep: " + b"[" * 40 + b"]" * 40 + b"\n",
        b"--- {}\n",
        b"\xff\xfe\n",
        b"? [complex, key]\n: 1\n",
    ],
)
def test_s22_yaml_with_more_in_it_than_a_manifest_is_refused(
    board: LocalBoard, begun: RunStarted, addition: bytes
) -> None:
    refuse(board, summed(body_of(board, begun) + addition))


def test_s24_the_signature_is_over_the_very_bytes_that_are_read(
    board: LocalBoard, begun: RunStarted
) -> None:
    data = summed(body_of(board, begun))
    alike = summed(body_of(board, begun) + b"\n")  # the same meaning in other bytes

    with pytest.raises(SecurityError, match="signature"):
        board.keeper.seal(alike, board.signed(data))


def test_s34_a_manifest_without_a_signature_is_refused(
    board: LocalBoard, begun: RunStarted
) -> None:
    data = summed(body_of(board, begun))

    with pytest.raises(SecurityError, match="signature"):
        board.keeper.seal(data, b"")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (rb"format: 1", b"format: 2", "format 2"),
        (rb"seq: 1\n", b"seq: -1\n", "seq"),
        (rb"seq: 1\n", b"seq: 99999999999999999999\n", "seq"),
        (rb"seq: 1\n", b"seq: '1'\n", "seq"),
        (rb"name: pier-3", b"name: ../../etc", "board is"),
        (rb"name: index.sqlite", b"name: ../../../ledger.jsonl", "the index must be named"),
        (rb"name: gap.bin", b"name: manifest.yaml", "a boot gap must be named"),
        (rb"taken_at: [^\n]*", b"taken_at: 2026-13-45T99:99:99Z", "taken_at"),
        (rb"taken_at: [^\n]*", b"taken_at: ../../../x", "taken_at"),
        (rb"taken_at: [^\n]*", b"taken_at: 0001-01-01T00:00:00Z", "no clock of a board"),
        (rb"taken_at: [^\n]*", b"taken_at: 9999-12-31T23:59:59Z", "no clock of a board"),
        (rb"taken_at: [^\n]*", b"taken_at: 1969-12-31T23:59:59Z", "no clock of a board"),
        (rb"taken_at: [^\n]*", b"taken_at: 2446-01-01T00:00:00Z", "no clock of a board"),
        (rb"taken_at: [^\n]*", b"taken_at: 2026-11-25T02:15:03+14:00", "taken_at"),
        (rb"grade: point-in-time", b"grade: perfect", "grade"),
        (rb"entries: \d+", b"entries: 6000000", "more than the 5,000,000"),
        (rb"entries: \d+", b"entries: 3", "the manifest says 3"),
        (rb"sha256: [0-9a-f]{64}", b"sha256: ../" + b"a" * 61, "no digest"),
        (rb"size: 33\n", b"size: 1000000000000\n", "the manifest says 1000000000000"),
        (rb"size: 33\n", b"size: 1125899906842625\n", "cannot have 1125899906842625 bytes"),
        (rb"size: 33\n", b"size: -9\n", "gap.size: expected a whole number"),
        (rb"size: 33\n", b"size: 0\n", "cannot have 0 bytes"),
    ],
)
def test_s30_s25_h7_a_value_that_is_wrong_is_refused_and_named(
    board: LocalBoard, begun: RunStarted, old: bytes, new: bytes, said: str
) -> None:
    body, count = re.subn(old, new.replace(b"\\", b"\\\\"), body_of(board, begun), count=1)
    assert count == 1

    assert said in refuse(board, summed(body))


@pytest.mark.parametrize("text", ["../../../x", "2026-13-45T99:99:99Z", "2026-11-25T02:15:03"])
def test_a_capture_is_never_named_by_what_is_no_date(
    board: LocalBoard, begun: RunStarted, text: str
) -> None:
    manifest = honest(board, begun)
    moment = msgspec.structs.replace(manifest.moment, taken_at=text)

    with pytest.raises(SecurityError, match="taken_at"):
        sealing.name_of(msgspec.structs.replace(manifest, moment=moment))


# The epoch of Unix, and the end of ext4's dates: Linux Documentation/filesystems/ext4/inodes.rst,
# inode timestamps (2446-05-10).
@pytest.mark.parametrize("moment", [b"1970-01-01T00:00:00Z", b"2445-12-31T23:59:59Z"])
def test_a_clock_that_is_far_off_keeps_nothing_from_being_sealed(
    board: LocalBoard, begun: RunStarted, moment: bytes
) -> None:
    body = re.sub(rb"taken_at: [^\n]*", b"taken_at: " + moment, body_of(board, begun))
    data = summed(body)

    assert board.keeper.seal(data, board.signed(data)).name


def test_an_index_that_is_too_large_is_refused_before_it_is_read(
    board: LocalBoard, begun: RunStarted
) -> None:
    plain = honest(board, begun)
    huge = msgspec.structs.replace(plain.index, size=index_schema.SIZE_MAX + 1)
    data = manifest_file.encode(msgspec.structs.replace(plain, index=huge))

    assert f"an index of {index_schema.SIZE_MAX + 1} bytes is too large" in refuse(board, data)


@pytest.mark.parametrize(
    "raws",
    [
        ["raw-3.bin"],
        ["raw-2.bin", "raw-2.bin"],
        ["../raw-2.bin"],
        ["raw-02.bin"],
        ["raw-2.bin\n"],
        ["tree"],
    ],
)
def test_s25_attachments_are_named_by_their_partitions_and_nothing_else(
    board: LocalBoard, begun: RunStarted, raws: list[str]
) -> None:
    attached = tuple(keeping.attachment(name, b"boot code") for name in raws)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), raws=attached))

    assert "raws" in refuse(board, data)


@pytest.mark.parametrize(
    "names",
    [["boot0.bin", "boot0.bin"], ["boot2.bin"], ["boot0-2.bin"], ["gap.bin"], ["../boot0.bin"]],
    ids=["twice", "no-area", "of-another-disk", "another-thing", "a-path"],
)
def test_a_boot_area_that_no_disk_has_is_refused(
    board: LocalBoard, begun: RunStarted, names: list[str]
) -> None:
    areas = tuple(keeping.attachment(name, b"a loader") for name in names)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), boot_areas=areas))

    assert "boot_areas: names must be of boot0.bin, boot1.bin, gp0.bin" in refuse(board, data)


def test_a_partition_that_is_listed_twice_is_refused(board: LocalBoard, begun: RunStarted) -> None:
    plain = honest(board, begun)
    twice = CapturedPart(number=2, grade=Grade.LIVE, file_system=Raw())
    data = manifest_file.encode(msgspec.structs.replace(plain, parts=(*plain.parts, twice)))

    assert "listed 2 times" in refuse(board, data)


def test_an_index_with_a_partition_that_is_not_listed_is_refused(
    board: LocalBoard, begun: RunStarted
) -> None:
    index = keeping.index_bytes({2: board.entries(), 7: board.entries()})
    board.bring(begun, index)
    described = keeping.attachment("index.sqlite", index)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), index=described))

    assert "a partition that the manifest does not list" in refuse(board, data)


@pytest.mark.parametrize(
    "content",
    [
        b"boot code",
        b"holdstill pieces" + bytes(16),
        pieces.PieceList(9, 4096, bytes(24) + (2).to_bytes(8)).encode(),
        pieces.PieceList(1 << 40, 1 << 16, bytes(24) + (1 << 24).to_bytes(8)).encode(),
    ],
    ids=["no-list", "odd-header", "too-many-holes", "another-size"],
)
def test_a_list_that_is_none_is_refused(
    board: LocalBoard, begun: RunStarted, content: bytes
) -> None:
    digest = hashlib.sha256(content).hexdigest()
    board.carry({digest: content}, begun.folders[0])
    board.keeper.ingest([digest])
    gap = Attachment(name="gap.bin", sha256=digest, size=9)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), gap=gap))

    assert "list of gap.bin" in refuse(board, data)


def test_a_list_that_names_what_is_not_there_has_it_asked_for(
    board: LocalBoard, begun: RunStarted
) -> None:
    wanted = hashlib.sha256(b"another board's secret").digest()
    content = pieces.build(9, 4096, [wanted]).encode()
    digest = hashlib.sha256(content).hexdigest()
    board.carry({digest: content}, begun.folders[0])
    board.keeper.ingest([digest])
    gap = Attachment(name="gap.bin", sha256=digest, size=9)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), gap=gap))

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.send) == ("", (wanted.hex(),))


def test_a_piece_of_another_size_than_the_list_says_is_refused(
    board: LocalBoard, begun: RunStarted
) -> None:
    content = pieces.build(9, 4096, [hashlib.sha256(b"x").digest()]).encode()  # 1 byte, not 9
    digest = hashlib.sha256(content).hexdigest()
    board.carry({digest: content}, begun.folders[0])
    board.keeper.ingest([digest])
    gap = Attachment(name="gap.bin", sha256=digest, size=9)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), gap=gap))

    assert "does not have 9 bytes" in refuse(board, data)


@pytest.mark.parametrize("content", [b"thief's gap", keeping.GAP[:-1], keeping.GAP + b"x"])
def test_a_boot_gap_that_is_no_gap_file_is_refused(
    board: LocalBoard, begun: RunStarted, content: bytes
) -> None:
    board.bring(begun, content)
    gap = keeping.attachment("gap.bin", content)
    data = manifest_file.encode(msgspec.structs.replace(honest(board, begun), gap=gap))

    assert refuse(board, data).startswith("manifest: gap.bin: ")


SCRAPS = [
    b"format: 1\n", b"agent: x\n", b"board:\n", b"  name: pier-3\n", b"seq: 1\n", b"- ", b"[",
    b"{", b"}", b"]", b"|\n", b">\n", b"'", b'"', b": ", b"\t", b"&a ", b"*a", b"!!x ", b"<<: ",
    b"%YAML",
]  # fmt: skip


@given(data=st.binary(max_size=400))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_with_a_right_last_line_are_refused_in_order(
    board: LocalBoard, data: bytes
) -> None:
    document = summed(data + b"\n")
    board.keeper.begin()

    with pytest.raises(HoldstillError):
        board.keeper.seal(document, board.signed(document))


@given(pieces=st.lists(st.sampled_from(SCRAPS), max_size=30))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_s22_scraps_of_yaml_are_refused_in_order(board: LocalBoard, pieces: list[bytes]) -> None:
    document = summed(b"".join(pieces) + b"\n")
    board.keeper.begin()

    with pytest.raises(HoldstillError):
        board.keeper.seal(document, board.signed(document))


def test_s36_escapes_in_a_manifest_reach_no_terminal_raw(
    board: LocalBoard, begun: RunStarted
) -> None:
    body = body_of(board, begun).replace(b"name: pier-3", b'name: "pier\\e[2J\\n3"', 1)

    said = refuse(board, summed(body))

    assert "\x1b" not in said
    assert PIER_3 not in said.partition("ledger")[0]
