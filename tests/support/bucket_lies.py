"""Heads and packs that lie, as who has stolen a keeper can put them.

6 are made without the keeper's key of heads, 17 with it: 4 of these under the name of a keeper
that there is not. Whatever they say, what was told before stays as it was told.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.keeper import enrolment, ledger, store
from holdstill.keeper.board_captures import MANIFEST
from holdstill.offsite import head, in_memory, keeper_heads, pack_format, seal_ahead
from holdstill.offsite.pack_writer import PackWriter
from holdstill.records import manifest_file, signature
from holdstill.system.process import LocalRunner
from support import keys
from support.bucket_harms import heads, packs, put

if TYPE_CHECKING:
    from holdstill.offsite.head import Head
    from support.offsite import CopiedStore

INVENTED = "0" * 16
"""A keeper that is none; of all names it comes first."""


def forged(held: CopiedStore, number: int, key: bytes, **changed: object) -> None:
    """Put a head that tells something else, made with a key."""
    last = heads(held)[-1]
    real = head.decode(held.bucket.read(last), held.key.of_keeper.heads)
    told = {"number": number, "previous": real.digest} | changed
    part = head.OpenPart(
        number=number, keeper=real.open.keeper, at=real.open.at, previous=str(told["previous"])
    )
    data = head.encode(part, real.sealed, key)
    put(held, keeper_heads.key_of(real.open.keeper, number), data)


def _last(held: CopiedStore) -> Head:
    return head.decode(held.bucket.read(heads(held)[-1]), held.key.of_keeper.heads)


def head_of_a_stranger(held: CopiedStore) -> None:
    forged(held, 3, os.urandom(32))


def head_far_off(held: CopiedStore) -> None:
    forged(held, 9_999_999_999, os.urandom(32))


def head_from_before(held: CopiedStore) -> None:
    put(held, keeper_heads.key_of(_last(held).open.keeper, 3), held.bucket.read(heads(held)[0]))


def head_under_another_name(held: CopiedStore) -> None:
    put(held, keeper_heads.key_of("f" * 16, 1), held.bucket.read(heads(held)[0]))


def head_cut_short(held: CopiedStore) -> None:
    whole = held.bucket.read(heads(held)[-1])
    put(held, keeper_heads.key_of(_last(held).open.keeper, 3), whole[: len(whole) // 2])


def head_with_another_open_part(held: CopiedStore) -> None:
    whole = held.bucket.read(heads(held)[-1])
    put(held, heads(held)[-1].key, whole.replace(b'"number":2', b'"number":3'))


# And with it:


def put_lie(held: CopiedStore, sealed: head.SealedPart, **told: object) -> None:
    real = _last(held).open
    parts = {"number": 3, "keeper": real.keeper, "at": real.at, "previous": _last(held).digest}
    part = head.OpenPart(**(parts | told))  # type: ignore[arg-type]
    data = head.encode(part, sealed, held.key.of_keeper.heads)
    put(held, keeper_heads.key_of(part.keeper, part.number), data)


def _told(held: CopiedStore, number: int) -> Head:
    return head.decode(held.bucket.read(heads(held)[number]), held.key.of_keeper.heads)


def first_head(held: CopiedStore) -> Head:
    return _told(held, 0)


def all_packs_went(held: CopiedStore) -> None:
    names = tuple(one.key.removeprefix("packs/") for one in packs(held))
    put_lie(held, head.SealedPart(), went=names)


def all_released(held: CopiedStore) -> None:
    names = ((sent.board, sent.brief.name) for sent in first_head(held).sealed.captures)
    put_lie(held, head.SealedPart(released=tuple(names)))


def all_merged_to_nothing(held: CopiedStore) -> None:
    put_lie(held, head.SealedPart(), merges=1)


def other_documents(held: CopiedStore) -> None:
    captures = (
        head.SentCapture(board=one.board, brief=one.brief, documents=(bytes(32),) * 3)
        for one in first_head(held).sealed.captures
    )
    put_lie(held, head.SealedPart(captures=tuple(captures)))


def boards_with_odd_names(held: CopiedStore) -> None:
    captures = (
        head.SentCapture(board="../../etc", brief=one.brief, documents=one.documents)
        for one in first_head(held).sealed.captures
    )
    put_lie(held, head.SealedPart(captures=tuple(captures)))


def another_key_of_a_pack(held: CopiedStore) -> None:
    packs_of = (
        head.PackRows(name=one.name, sealed_key=b"k" * 80, rows=one.rows)
        for one in first_head(held).sealed.packs
    )
    put_lie(held, head.SealedPart(packs=tuple(packs_of)))


def rows_that_point_elsewhere(held: CopiedStore) -> None:
    def moved(rows: bytes) -> bytes:
        return b"".join(
            r._replace(offset=r.offset + 1).encode() for r in pack_format.rows_of(rows)
        )

    packs_of = (
        head.PackRows(name=one.name, sealed_key=one.sealed_key, rows=moved(one.rows))
        for one in first_head(held).sealed.packs
    )
    put_lie(held, head.SealedPart(packs=tuple(packs_of)))


def _packed(held: CopiedStore, *contents: bytes) -> tuple[head.PackObject, head.PackRows]:
    """Put a pack that is sealed for the owner, as the keeper's are; return what to tell of it."""
    with seal_ahead.pool() as pool, tempfile.TemporaryDirectory() as folder:
        writer = PackWriter(Path(folder, "pack"), held.key.of_keeper, pool)
        for data in contents:
            handle = in_memory.opened(data)
            writer.add(hashlib.sha256(data).digest(), handle)
            os.close(handle)
        pack = writer.finish()
        put(held, keeper_heads.pack_key(pack.name), Path(folder, "pack").read_bytes())
    told = head.PackObject(name=pack.name, size=pack.size)
    return told, head.PackRows(name=pack.name, sealed_key=pack.sealed_key, rows=pack.rows)


def another_content_of_a_digest(held: CopiedStore) -> None:
    """Under a digest that is there, another content, in a pack as the keeper's are."""
    digest = next(pack_format.rows_of(first_head(held).sealed.packs[0].rows)).digest
    told, real = _packed(held, b"another content")
    (row,) = pack_format.rows_of(real.rows)
    lie = head.PackRows(
        name=real.name, sealed_key=real.sealed_key, rows=row._replace(digest=digest).encode()
    )
    put_lie(held, head.SealedPart(packs=(lie,)), came=(told,))


def every_content_in_a_pack_of_junk(held: CopiedStore) -> None:
    """Who believes it lets the good packs go."""
    _lie_of_junk(held)


def _lie_of_junk(held: CopiedStore, **told: object) -> None:
    junk, real = _packed(held, os.urandom(200_000))
    digests = {
        row.digest for number in (0, 1) for one in _told(held, number).sealed.packs
        for row in pack_format.rows_of(one.rows)
    }  # fmt: skip
    rows = b"".join(pack_format.Row(one, 100, 50, 1).encode() for one in sorted(digests))
    lie = head.PackRows(name=real.name, sealed_key=real.sealed_key, rows=rows)
    put_lie(held, head.SealedPart(packs=(lie,)), came=(junk,), **told)


def other_lines_of_a_ledger(held: CopiedStore) -> None:
    lie = head.LedgerPart(board="pier-3", offset=0, length=5, digest=bytes(32))
    put_lie(held, head.SealedPart(ledgers=(lie,)))


def a_gap_and_a_new_beginning(held: CopiedStore) -> None:
    put_lie(held, head.SealedPart(), number=40, previous="ab" * 32)


def rows_cut_short(held: CopiedStore) -> None:
    _lie_of_rows(held, bytes(pack_format.ROW_SIZE - 1))


def rows_behind_every_end(held: CopiedStore) -> None:
    _lie_of_rows(held, pack_format.Row(bytes(32), 1 << 63, 1, 0).encode())


def _lie_of_rows(held: CopiedStore, rows: bytes) -> None:
    lie = head.PackRows(name="ab" * 32, sealed_key=b"k" * 80, rows=rows)
    put_lie(
        held, head.SealedPart(packs=(lie,)), keeper=INVENTED, number=1, previous="",
        came=(head.PackObject(name="ab" * 32, size=1000),),
    )  # fmt: skip


def a_head_far_off_that_merges_all(held: CopiedStore) -> None:
    """Whoever makes a set of these numbers runs out of memory."""
    put_lie(held, head.SealedPart(), number=9_999_999_999, merges=1)


def another_keeper_that_says_otherwise(held: CopiedStore) -> None:
    """Its name sorts before that of the real one, and it says something else of everything."""
    first = first_head(held).sealed
    sealed = head.SealedPart(
        packs=tuple(
            head.PackRows(name=one.name, sealed_key=b"k" * 80, rows=one.rows)
            for one in first.packs
        ),
        captures=tuple(
            head.SentCapture(board=one.board, brief=one.brief, documents=(bytes(32),) * 3)
            for one in first.captures
        ),
        ledgers=(head.LedgerPart(board="pier-3", offset=0, length=5, digest=bytes(32)),),
        released=tuple((one.board, one.brief.name) for one in first.captures),
    )  # fmt: skip
    put_lie(held, sealed, keeper=INVENTED, number=1, previous="", came=first_head(held).open.came)


def a_ledger_that_gives_all_up(held: CopiedStore) -> None:
    """A sound chain, in the place of the board's own."""
    _lie_of_lines(held, _forgotten(held, b""), 0)


def another_keepers_ledger_that_gives_all_up(held: CopiedStore) -> None:
    """Of a keeper that tells of the captures, too, as they are."""
    captures = tuple(one for number in (0, 1) for one in _told(held, number).sealed.captures)
    _lie_of_lines(held, _forgotten(held, b""), 0, captures, keeper=INVENTED, number=1, previous="")


def _forgotten(held: CopiedStore, before: bytes) -> bytes:
    names = tuple(
        one.brief.name for number in (0, 1) for one in _told(held, number).sealed.captures
    )
    event = ledger.ForgottenEvent(captures=names)
    return ledger.next_lines(ledger.parse(before), [event], at="2026-11-30T02:15:00Z")


def _lie_of_lines(
    held: CopiedStore, lines: bytes, offset: int, captures: tuple[head.SentCapture, ...] = (),
    **told: object,
) -> None:  # fmt: skip
    came, rows = _packed(held, lines)
    part = head.LedgerPart(
        board="pier-3", offset=offset, length=len(lines), digest=hashlib.sha256(lines).digest()
    )
    sealed = head.SealedPart(packs=(rows,), captures=captures, ledgers=(part,))
    put_lie(held, sealed, came=(came,), **told)


def lines_that_give_all_up(held: CopiedStore) -> None:
    """Behind the board's own lines, as its keeper would have written them. Not in THAT_LIE."""
    before = (held.root / "boards/pier-3/ledger.jsonl").read_bytes()
    _lie_of_lines(held, _forgotten(held, before), len(before))


def a_capture_by_another_key(held: CopiedStore, **told: object) -> str:
    """A newer capture, signed by a key that only the enrolment beside it has; return that key."""
    pair = keys.make_key(held.folder / "thief")
    (real,) = _told(held, 1).sealed.captures
    folder = held.root / "boards/pier-3"
    name = f"{999_999:06}{real.brief.name[6:]}"
    manifest = manifest_file.decode(
        (folder / "captures" / real.brief.name / MANIFEST).read_bytes(), "manifest"
    )
    other = manifest_file.encode(msgspec.structs.replace(manifest, seq=999_999))
    key = enrolment.Key.added(pair.public, "2026-11-30T02:15:00Z")
    enrolled = msgspec.structs.replace(
        enrolment.decode((folder / "enrolment.yaml").read_bytes(), "enrolment"), keys=(key,)
    )
    documents = (
        other, signature.sign(other, pair.private, LocalRunner()),
        store.encode(enrolled),
    )  # fmt: skip
    came, rows = _packed(held, *documents)
    brief = msgspec.structs.replace(real.brief, name=name, seq=999_999)
    digests = tuple(hashlib.sha256(one).digest() for one in documents)
    capture = head.SentCapture(board="pier-3", brief=brief, documents=digests)  # type: ignore[arg-type]
    put_lie(held, head.SealedPart(packs=(rows,), captures=(capture,)), came=(came,), **told)
    return signature.fingerprint(pair.public)


WITHOUT_KEYS = (
    head_of_a_stranger, head_far_off, head_from_before, head_under_another_name, head_cut_short,
    head_with_another_open_part,
)  # fmt: skip
UNDER_ANOTHER_NAME = (
    rows_cut_short, rows_behind_every_end, another_keeper_that_says_otherwise,
    another_keepers_ledger_that_gives_all_up,
)  # fmt: skip
IN_ITS_NAME = (
    all_packs_went, all_released, all_merged_to_nothing, other_documents, boards_with_odd_names,
    another_key_of_a_pack, rows_that_point_elsewhere, another_content_of_a_digest,
    every_content_in_a_pack_of_junk, other_lines_of_a_ledger, a_ledger_that_gives_all_up,
    a_gap_and_a_new_beginning, a_head_far_off_that_merges_all,
)  # fmt: skip
THAT_LIE = (*WITHOUT_KEYS, *UNDER_ANOTHER_NAME, *IN_ITS_NAME)
