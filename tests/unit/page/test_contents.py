"""Contents of captured files: shown, and taken out."""

from __future__ import annotations

import hashlib
import io
import struct
import tarfile
import tracemalloc
import zipfile
import zlib
from html import unescape
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import portable_name
from holdstill.page import file_name, picture, place, plain_text
from holdstill.page.guard import FILE_POLICY, PICTURE_POLICY
from holdstill.page.roles import Role
from holdstill.records import assembled
from holdstill.workflow import extract
from support import keeping, page_walk
from support.archive_tree import EVIL, HOSTILE
from support.keeping import FakeSignatures

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from support.asgi_client import Answer
    from support.odd_board import OddBoard
    from support.page import Visited

FIRST = "000001-20261125T021503Z"
SECOND = "000002-20261125T021603Z"


def png(width: int = 3, height: int = 2) -> bytes:
    """Return a white picture."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress((b"\0" + b"\xff" * 3) * 2)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


JPEG = b"\xff\xd8\xff\xe1\x00\x08Exif\0\0\xff\xff\xc0\x00\x11\x08\x00\x02\x00\x03\x03" + bytes(12)
GIF = b"GIF89a" + struct.pack("<HH", 3, 2) + bytes(20)
WEBP_HEAD = b"RIFF\x20\0\0\0WEBP"
PICTURES = {
    "image/png": png(),
    "image/jpeg": JPEG,
    "image/gif": GIF,
    "image/webp": WEBP_HEAD + b"VP8X\x0a\0\0\0\0\0\0\0\x02\0\0\x01\0\0",
}


def at(path: bytes, page: str, capture: str = FIRST, **more: bytes) -> str:
    fields = place.asked(part=2, path=path, **more)
    return unescape(f"/boards/pier-3/{capture}/{page}?{fields}")


def taken(visited: Visited, board: OddBoard, files: dict[bytes, bytes], page: str) -> list[Answer]:
    """Have files captured, and ask for a page about each."""
    board.files = {b"odd/more": b"more", **files}
    name = board.capture().name
    return [visited.client.get(at(path, page, name)) for path in files]


def got(store: Store, path: bytes, to: Path) -> bytes:
    """Take a file out as `holdstill get` does."""
    stored = BoardCaptures(store, keeping.PIER_3, FakeSignatures()).capture(FIRST)
    with assembled.opened_index(stored) as index:
        extract.extract(stored, index, 2, path, to=to)
    return to.read_bytes()


def test_a_file_is_taken_out_as_get_does_it(odd: Visited, store: Store, tmp_path: Path) -> None:
    for number, name in enumerate(HOSTILE):
        answer = odd.client.get(at(b"odd/" + name, "file"))

        assert answer.status == 200
        assert answer.body == got(store, b"odd/" + name, tmp_path / str(number))
        assert int(answer.headers["content-length"]) == len(answer.body)
        assert answer.headers["content-type"] == "application/octet-stream"
        assert answer.headers["content-security-policy"] == FILE_POLICY
        assert answer.headers["content-disposition"] == file_name.disposition(name)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_suggested_name_is_no_path_and_no_header(name: bytes) -> None:
    said = file_name.disposition(name, ending=".tar")

    assert said.isascii()
    assert said.isprintable()
    plain = said.split('"')[1]
    assert said.count('"') == 2
    assert not {*plain} & {*"/\\:*?<>|;%"}
    assert not plain.startswith(".")


def test_a_damaged_file_is_told_on_a_page(odd: Visited, store: Store) -> None:
    _damage(store, b"pier-3\n")

    for page in ("file", "text"):
        answer = odd.client.get(at(b"etc/hostname", page))
        assert answer.status == 500
        assert "not the captured one" in answer.text
        assert "#ier" not in answer.text


def test_a_damaged_folder_is_told_on_a_page_or_breaks_off(
    odd: Visited, store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    _damage(store, b"pier-3\n")
    _damage(store, EVIL + b"~root")

    told = odd.client.get(at(b"etc", "archive") + "&as=tar")
    broken = odd.client.get(at(b"", "archive", SECOND) + "&as=tar")

    assert told.is_whole
    assert not broken.is_whole
    (said,) = caplog.records  # no fault of ours, so no traceback
    assert "odd/~root" in said.getMessage()
    assert said.exc_info is None
    assert told.status == 500
    assert "not the captured one" in told.text


def _damage(store: Store, content: bytes) -> None:
    digest = hashlib.sha256(content).hexdigest()
    path = store.root / "content" / digest[:2] / digest
    path.chmod(0o600)
    path.write_bytes(b"#" + content[1:])


def test_a_folder_is_taken_out(odd: Visited) -> None:
    tar = odd.client.get(at(b"odd", "archive") + "&as=tar")
    packed = odd.client.get(at(b"odd", "archive") + "&as=zip")

    assert tar.headers["content-disposition"].startswith(
        'attachment; filename="pier-3-000001-odd.tar"'
    )
    with tarfile.open(fileobj=io.BytesIO(tar.body), errors="surrogateescape") as archive:
        for name in HOSTILE:
            file = archive.extractfile("odd/" + name.decode(errors="surrogateescape"))
            assert file is not None
            assert file.read().endswith(name)
    with zipfile.ZipFile(io.BytesIO(packed.body)) as other:
        for name in HOSTILE:
            assert other.read(f"odd/{portable_name.portable(name)}").endswith(name)


def test_the_top_is_taken_out_under_the_name_of_the_board(odd: Visited) -> None:
    packed = odd.client.get(at(b"", "archive") + "&as=zip")

    with zipfile.ZipFile(io.BytesIO(packed.body)) as archive:
        assert archive.read("pier-3/etc/hostname") == b"pier-3\n"


def test_a_text_is_shown_line_by_line(odd: Visited) -> None:
    answer = odd.client.get(at(b"odd/a.", "text"))
    shown = "".join(page_walk.read(answer.text).words)

    assert "<script>alert(1)</script>\n</pre><img src=x onerror=alert(1)>\\x1b[2J\\u202e" in shown
    assert "\\xff\ttab" in shown
    assert "This is no UTF-8 text" in shown


def test_of_a_long_text_the_beginning_is_shown(odd: Visited, board: OddBoard) -> None:
    body = b"x" * (plain_text.LIMIT - 1) + "\u00e9 behind".encode()
    (answer,) = taken(odd, board, {b"long": body}, "text")

    assert "The first 256.0 KiB of" in answer.text
    assert "no UTF-8 text" not in answer.text
    assert "behind" not in answer.text


@pytest.mark.parametrize(
    ("data", "is_cut", "expected"),
    [
        (b"", False, True),
        ("\u00e9\n".encode(), False, True),
        (b"a\xc3", True, True),
        (b"a\xc3", False, False),
        (b"\xc3a", True, False),
        (b"\xff", True, False),
        (b"a\0", False, False),
    ],
)
def test_text_is_told_from_other_bytes(data: bytes, *, is_cut: bool, expected: bool) -> None:
    assert plain_text.is_text(data, is_cut=is_cut) is expected


def test_a_first_empty_line_is_shown() -> None:
    assert plain_text.shown(b"\nx") == "\n\nx"  # HTML Standard, 13.1.2.5: the first is dropped


@pytest.mark.parametrize("unit", [b"\n", b"\t", b"a\n", b"\x01", b"<", "\u202e".encode()])
def test_a_text_of_hostile_bytes_takes_little_memory(unit: bytes) -> None:
    data = unit * (plain_text.LIMIT // len(unit))
    tracemalloc.start()
    try:
        shown = plain_text.shown(data)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()

    assert len(shown) > len(data) // len(unit)
    assert peak < 12 << 20


@given(st.binary())
def test_a_shown_text_has_its_lines_and_nothing_else_that_steers(data: bytes) -> None:
    shown = plain_text.shown(data)

    assert shown.count("\n") == data.count(b"\n") + 1
    assert shown.count("\t") == data.count(b"\t")
    assert shown.replace("\n", "").replace("\t", "").isprintable()


@pytest.mark.parametrize("kind", PICTURES)
def test_a_picture_is_sent_as_what_it_is(odd: Visited, board: OddBoard, kind: str) -> None:
    name = b"<img src=x>.html"
    (shown,) = taken(odd, board, {name: PICTURES[kind]}, "picture")
    (source,) = page_walk.read(shown.text).pictures
    sent = odd.client.get(unescape(source))

    assert f"{kind}, 3 x 2 pixels" in shown.text
    assert sent.body == PICTURES[kind]
    assert sent.headers["content-type"] == kind
    assert sent.headers["x-content-type-options"] == "nosniff"
    assert sent.headers["content-security-policy"] == PICTURE_POLICY
    assert sent.headers["content-disposition"].startswith("inline; ")


HOSTILE_PICTURES = {
    b"svg.png": b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
    b"xml.svg": b"<?xml version='1.0'?><svg xmlns='http://www.w3.org/2000/svg'/>",
    b"page.gif": b"<html><script>alert(1)</script>",
    b"script.js": b"alert(1)",
    b"wide.png": png(1 << 30, 1),
    b"bomb.png": png(16_000, 16_000),
    b"none.png": png(0, 0),
    b"cut.png": png()[:20],
    b"cut.jpg": JPEG[:12],
    b"looping.jpg": b"\xff\xd8" + b"\xff\xe0\x00\x00" * 1000,
    b"bare.gif": b"GIF89a",
    b"bare.webp": WEBP_HEAD + b"VP8X\x0a\0\0\0",
    b"odd.webp": WEBP_HEAD + b"ALPH" + bytes(30),
    b"icon.ico": b"\0\0\1\0\1\0",
    b"empty.png": b"",
    b"long.png": png() + bytes(picture.SIZE_MOST - len(png()) - 40),
}


def test_what_is_no_picture_is_not_shown(odd: Visited, board: OddBoard) -> None:
    files = {name: body for name, body in HOSTILE_PICTURES.items() if name != b"long.png"}

    for page in ("picture", "picture/bytes"):
        for answer, name in zip(taken(odd, board, files, page), files, strict=True):
            assert answer.status == 404, name
            assert answer.headers["content-type"].startswith("text/html")


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (PICTURES["image/webp"], picture.Picture("image/webp", 3, 2)),
        (
            WEBP_HEAD + b"VP8L" + bytes(4) + b"\x2f" + struct.pack("<I", 2 | 1 << 14) + b"\0",
            picture.Picture("image/webp", 3, 2),
        ),
        (
            WEBP_HEAD + b"VP8 " + bytes(7) + b"\x9d\x01\x2a" + struct.pack("<HH", 3, 2),
            picture.Picture("image/webp", 3, 2),
        ),
        (GIF, picture.Picture("image/gif", 3, 2)),
    ],
)
def test_a_picture_says_how_large_it_is(data: bytes, expected: picture.Picture) -> None:
    assert picture.read(data) == expected
    assert expected.is_bearable


def test_head_of_an_archive_draws_no_more_than_its_beginning(odd: Visited) -> None:
    odd.enter(Role.FILES)
    fields = place.asked(part=2, path=b"", **{"as": b"zip"})
    path, _, query = unescape(f"/boards/pier-3/{FIRST}/archive?{fields}").partition("?")

    answer = odd.client.ask("HEAD", path, query=query)

    assert answer.status == 200
    assert answer.headers["content-disposition"].startswith("attachment")
    assert answer.body == b""
