"""What a keeper notes of what it has sent."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from holdstill.offsite import sent
from holdstill.offsite.head import Head, OpenPart, PackObject, PackRows, SealedPart
from holdstill.offsite.pack_format import Row
from holdstill.offsite.pack_writer import Pack
from holdstill.offsite.sent import Sent

CONTENTS = tuple(hashlib.sha256(bytes([n])).digest() for n in range(3))


@pytest.fixture
def noted(tmp_path: Path) -> Iterator[Sent]:
    with sent.opened(tmp_path / sent.NAME) as opened:
        opened.note_made()
        yield opened


def pack(name: str, *digests: bytes) -> Pack:
    rows = b"".join(Row(digest, 100, 50, 0).encode() for digest in digests)
    return Pack(name * 64, 1000, "", b"k" * 80, rows)


def head_of(noted: Sent, **changed: object) -> Head:
    """Return the head that the keeper would put now."""
    untold = noted.untold()
    told = OpenPart(
        number=noted.last_head().number + 1, keeper="0" * 16, previous=noted.last_head().digest,
        at="", came=tuple(one for one, _ in untold),
    )  # fmt: skip
    sealed = SealedPart(packs=tuple(rows for _, rows in untold))
    return Head(msgspec.structs.replace(told, **changed), sealed, f"digest of {told.number}")


def test_a_head_is_known_for_ours_before_anybody_says_that_it_was_put(noted: Sent) -> None:
    noted.note_pack(pack("a", *CONTENTS), version="v", until="")
    made = head_of(noted)

    assert not noted.is_begun(made.digest)
    noted.begin_head(made.digest)

    assert noted.is_begun(made.digest)
    assert not noted.is_begun("another")
    assert noted.every_head() == {made.digest}
    noted.note_head(made, version="v", until="", size=1)
    assert not noted.is_in_doubt()
    assert noted.every_head() == {made.digest}
    # Also when it was merged, and is gone.
    noted.forget_head(1)
    assert noted.heads() == ()
    assert noted.every_head() == {made.digest}


def test_notes_that_are_new_take_what_is_there_until_all_of_it_is_taken(tmp_path: Path) -> None:
    with sent.opened(tmp_path / sent.NAME) as opened:
        assert opened.is_being_made()
        assert not opened.is_begun("")
        opened.begin_head("ours")
        assert opened.is_being_made()
        opened.note_made()
        assert not opened.is_being_made()
        assert opened.is_begun("ours")


def test_a_head_that_was_put_unheard_tells_of_its_packs_once(noted: Sent) -> None:
    noted.note_pack(pack("a", *CONTENTS), version="v", until="")
    made = head_of(noted)
    noted.begin_head(made.digest)

    noted.take(made, version="w", size=1, packs={"a" * 64: "v"}, is_found=False)

    assert noted.untold() == ()
    assert not noted.is_in_doubt()
    assert noted.pack_of(CONTENTS[0]) == "a" * 64
    assert not noted.last_head().is_found


def test_what_a_found_head_tells_counts_for_nothing_until_it_is_sent(noted: Sent) -> None:
    """Whoever has put the head can have named any content, and any pack."""
    noted.note_pack(pack("a", *CONTENTS), version="v", until="")
    told = head_of(noted)
    noted.take(told, version="w", size=1, packs={"a" * 64: "v"}, is_found=True)

    assert not noted.has(CONTENTS[0])
    assert noted.sent(b"\0", b"\xff" * 33) == frozenset()
    assert noted.pack_of(CONTENTS[0]) is None
    # What is in the pack keeps it there as long as nothing takes its place.
    assert len([*noted.located(b"\0", b"\xff" * 33)]) == len(CONTENTS)

    noted.note_pack(pack("b", CONTENTS[0]), version="v", until="")
    noted.note_head(head_of(noted), version="v", until="", size=1)

    assert noted.has(CONTENTS[0])
    assert noted.sent(b"\0", b"\xff" * 33) == {CONTENTS[0]}
    assert noted.pack_of(CONTENTS[0]) == "b" * 64
    assert noted.pack_of(CONTENTS[1]) is None


def test_a_pack_of_another_keeper_takes_the_place_of_nothing(noted: Sent) -> None:
    noted.note_pack(pack("a", CONTENTS[0], CONTENTS[1]), version="v", until="")
    noted.note_pack(pack("b", *CONTENTS), version="v", until="", is_foreign=True)
    noted.note_head(head_of(noted), version="v", until="", size=1)

    ours, other = noted.packs()
    assert {*noted.contents(ours.id)} == {*CONTENTS[:2]}
    assert noted.contents(other.id) == (CONTENTS[2],)
    assert noted.has(CONTENTS[2])
    # No capture leaves on the word of another keeper.
    assert noted.pack_of(CONTENTS[0]) == "a" * 64
    assert noted.pack_of(CONTENTS[2]) is None


def test_whose_a_pack_is_is_in_the_head_that_tells_of_it(noted: Sent) -> None:
    noted.note_pack(pack("a", *CONTENTS), version="v", until="", is_foreign=True)

    ((told, rows),) = noted.untold()

    assert told == PackObject(name="a" * 64, size=1000)
    assert rows == PackRows(
        name="a" * 64, sealed_key=b"k" * 80, rows=pack("a", *CONTENTS).rows, is_foreign=True
    )


def test_a_content_that_is_packed_again_is_in_the_newer_pack(noted: Sent) -> None:
    noted.note_pack(pack("a", *CONTENTS), version="v", until="")
    noted.note_pack(pack("b", CONTENTS[0]), version="v", until="")

    older, newer = noted.packs()

    assert {*noted.contents(older.id)} == {*CONTENTS[1:]}
    assert noted.contents(newer.id) == (CONTENTS[0],)
