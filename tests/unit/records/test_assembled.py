from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import DamagedContentError, SecurityError, VerificationError
from holdstill.model import pieces
from holdstill.records import assembled
from support import descriptors, keeping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Attachment
    from holdstill.model.pieces import Part


@dataclass(frozen=True)
class Contents:
    """Contents in a folder, by digest."""

    folder: Path

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        yield from parts

    def open(self, digest: bytes) -> int:
        return os.open(self.folder / digest.hex(), os.O_RDONLY)


def test_an_attachment_that_is_larger_than_it_can_be_is_not_read(tmp_path: Path) -> None:
    body = b"boot" * 1000
    for name, content in keeping.pieces_of(body).items():
        (tmp_path / name).write_bytes(content)
    attachment = keeping.attachment("gap.bin", body)

    assert assembled.read(Contents(tmp_path), attachment, limit=len(body)) == body
    with pytest.raises(SecurityError, match=r"gap\.bin has 3\.9 KiB"):
        assembled.read(Contents(tmp_path), attachment, limit=len(body) - 1)


PIECE = 16 << 10
BODY = b"a" * PIECE + bytes(2 * PIECE) + b"b" * PIECE + b"end"
"""Of five pieces: two are holes, and the last is short."""


def stored(folder: Path, body: bytes = BODY) -> Attachment:
    for name, content in keeping.pieces_of(body).items():
        (folder / name).write_bytes(content)
    return keeping.attachment("raw-5.bin", body)


def test_what_was_taken_apart_is_put_together(tmp_path: Path) -> None:
    attachment = stored(tmp_path)
    before = descriptors.count()

    listed = assembled.read_list(Contents(tmp_path), attachment)
    assert listed.piece == PIECE
    all_parts = list(assembled.parts(Contents(tmp_path), listed, "x"))
    some = list(assembled.parts(Contents(tmp_path), listed, "x", {all_parts[2][0]}))
    with assembled.as_file(Contents(tmp_path), attachment) as path:
        assert path.read_bytes() == BODY
        with pytest.raises(FileExistsError):
            assembled.write(Contents(tmp_path), attachment, path)

    assert not path.exists()
    assert [(part.offset, data[:1]) for part, data in all_parts] == [
        (0, b"a"), (3 * PIECE, b"b"), (4 * PIECE, b"e")
    ]  # fmt: skip
    assert some == all_parts[2:]
    assert assembled.read(Contents(tmp_path), attachment, limit=len(BODY)) == BODY
    assert descriptors.count() == before


def test_a_copy_goes_where_it_should_and_leaves_what_is_in_the_place_of_holes(
    tmp_path: Path,
) -> None:
    attachment = stored(tmp_path)
    (tmp_path / "disk").write_bytes(b"x" * (len(BODY) + 200))
    with (tmp_path / "disk").open("r+b") as disk:
        assembled.copy(Contents(tmp_path), attachment, disk.fileno(), at=100)

    hole = BODY[:PIECE] + b"x" * (2 * PIECE) + BODY[3 * PIECE :]
    assert (tmp_path / "disk").read_bytes() == b"x" * 100 + hole + b"x" * 100


@pytest.mark.parametrize("spoilt", ["list", "piece"])
@pytest.mark.parametrize("how", ["changed", "longer", "gone"])
def test_damage_is_told_by_what_it_is_of(tmp_path: Path, spoilt: str, how: str) -> None:
    attachment = stored(tmp_path)
    listed = assembled.read_list(Contents(tmp_path), attachment)
    digest = attachment.sha256 if spoilt == "list" else next(listed.pieces())[0].hex()
    path = tmp_path / digest
    if how == "gone":
        path.unlink()
    else:
        path.write_bytes(path.read_bytes()[:-1] + (b"x" if how == "changed" else b"xx"))
    before = descriptors.count()

    with pytest.raises((VerificationError, FileNotFoundError)) as caught:
        assembled.read(Contents(tmp_path), attachment, limit=len(BODY))

    if how != "gone":
        assert isinstance(caught.value, DamagedContentError)
        assert caught.value.digest == digest
        said = "the list of raw-5.bin" if spoilt == "list" else "a piece of raw-5.bin"
        assert said in str(caught.value)
    assert descriptors.count() == before


def test_a_list_of_another_size_is_not_what_the_manifest_means(tmp_path: Path) -> None:
    attachment = stored(tmp_path)
    larger = msgspec.structs.replace(attachment, size=len(BODY) + 1)

    with pytest.raises(SecurityError, match=f"is of {len(BODY)} bytes, the manifest says"):
        assembled.read_list(Contents(tmp_path), larger)


def test_a_list_has_no_more_bytes_than_one_of_the_smallest_pieces(tmp_path: Path) -> None:
    body = os.urandom(3 * 4096)
    made = pieces.of_reader(len(body), 4096, lambda start, count: body[start : start + count])
    attachment = msgspec.structs.replace(
        keeping.attachment("raw-5.bin", body), sha256=made.digest().hex()
    )
    (tmp_path / made.digest().hex()).write_bytes(made.encode())
    smaller = msgspec.structs.replace(attachment, size=2 * 4096)

    assert assembled.read_list(Contents(tmp_path), attachment) == made
    with pytest.raises(SecurityError, match="more than it can have"):
        assembled.read_list(Contents(tmp_path), smaller)


def test_a_piece_that_is_shorter_than_listed_is_refused_though_it_is_as_named(
    tmp_path: Path,
) -> None:
    body = b"short"
    forged = pieces.build(2 * PIECE, PIECE, [pieces.piece_digest(body)] * 2)
    (tmp_path / forged.digest().hex()).write_bytes(forged.encode())
    (tmp_path / pieces.piece_digest(body).hex()).write_bytes(body)
    attachment = msgspec.structs.replace(
        keeping.attachment("raw-5.bin", body), sha256=forged.digest().hex(), size=2 * PIECE
    )

    with pytest.raises(SecurityError, match=f"raw-5.bin has 5 bytes, not {PIECE}"):
        assembled.read(Contents(tmp_path), attachment, limit=2 * PIECE)


@pytest.mark.parametrize("which", ["list", "piece"])
def test_what_a_disk_does_not_give_is_told_with_what_to_do(tmp_path: Path, which: str) -> None:
    """read(2): EISDIR where a directory is."""
    attachment = stored(tmp_path)
    piece = pieces.piece_digest(BODY[:PIECE]).hex()
    digest = attachment.sha256 if which == "list" else piece
    limit = PIECE if which == "piece" else 10**6
    (tmp_path / digest).unlink()
    (tmp_path / digest).mkdir()
    assert (tmp_path / digest).stat().st_size <= limit

    with pytest.raises(VerificationError, match=rf"{which} of raw-5\.bin cannot be") as caught:
        assembled.read(Contents(tmp_path), attachment, limit=len(BODY))

    assert f"(content {digest})" in str(caught.value)
    assert "holdstill verify" in caught.value.hint
