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
from holdstill.model.layout import Container, Disk, Swap, TableLabel
from holdstill.model.manifest import (
    FORMAT,
    LIMIT,
    Attachment,
    BoardIdentity,
    CapturedPart,
    Grade,
    Manifest,
    Moment,
    Pause,
)
from holdstill.records import manifest_file

pytestmark = pytest.mark.timeout(120)  # many examples, perhaps on a busy machine

DIGEST = "0" * 64
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
    fields = {field.encode_name: values(field.type) for field in msgspec.structs.fields(kind)}
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
    Grade: st.sampled_from(Grade),
    TableLabel: st.sampled_from(TableLabel),
}


def of_our_format(drawn: object) -> Manifest:
    assert isinstance(drawn, Manifest)
    return msgspec.structs.replace(drawn, format=FORMAT)


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
        disk=Disk(size=4 << 30, label=TableLabel.DOS, id="0x9a3c5d2e"),
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
        (b"seq: 42", b"seq: forty-two", "seq: expected `int`"),
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
