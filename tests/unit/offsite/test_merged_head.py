"""One head in place of many tells the same as they did."""

from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import merged_head
from holdstill.offsite.head import (
    Head,
    LedgerPart,
    OpenPart,
    PackObject,
    PackRows,
    SealedPart,
    SentCapture,
)

BOARDS = ("pier-3", "pier-4")


@st.composite
def told_heads(draw: st.DrawFn) -> list[Head]:
    """Draw heads as a keeper makes them: packs and captures come and go, ledgers grow."""
    there: list[str] = []
    held: list[tuple[str, str]] = []
    ends = dict.fromkeys(BOARDS, 0)
    made = []
    for number in range(1, draw(st.integers(2, 12))):
        came = [f"{number:02}{one:062}" for one in range(draw(st.integers(0, 3)))]
        went = [name for name in there if draw(st.booleans())]
        fresh = [(board, f"{number:06}") for board in BOARDS if draw(st.booleans())]
        released = [name for name in held if draw(st.booleans())]
        ledgers = []
        for board in BOARDS:
            begin = draw(st.sampled_from([0, ends[board]]))
            ends[board] = begin + 10
            ledgers.append(
                LedgerPart(board=board, offset=begin, length=10, digest=bytes([number]))
            )
        there = [name for name in there if name not in went] + came
        held = [name for name in held if name not in released] + fresh
        made.append(
            _head(number, came, went, fresh, released, ledgers if draw(st.booleans()) else [])
        )
    return made


def _head(
    number: int, came: list[str], went: list[str], fresh: list[tuple[str, str]],
    released: list[tuple[str, str]], ledgers: list[LedgerPart],
) -> Head:  # fmt: skip
    told = OpenPart(
        number=number, keeper="k", previous="", at="", went=tuple(went),
        came=tuple(PackObject(name=name, size=number) for name in came),
    )  # fmt: skip
    sealed = SealedPart(
        packs=tuple(PackRows(name=n, sealed_key=b"", rows=n.encode()) for n in came),
        captures=tuple(
            SentCapture(board=board, brief=_brief(name), documents=(b"", b"", bytes([number])))
            for board, name in fresh
        ),
        ledgers=tuple(ledgers), released=tuple(released),
    )  # fmt: skip
    return Head(told, sealed, "")


def _brief(name: str) -> CaptureBrief:
    return CaptureBrief(name=name, seq=1, manifest="", index="", grade="", taken_at="")


def state(heads: Sequence[Head]) -> object:
    """Return what holds after all of them, as the documents of a head say it."""
    packs: dict[str, bytes] = {}
    captures: dict[tuple[str, str], SentCapture] = {}
    ledgers: list[LedgerPart] = []
    for one in heads:
        packs |= {pack.name: pack.rows for pack in one.sealed.packs}
        for name in one.open.went:
            packs.pop(name, None)
        for sent in one.sealed.captures:
            captures.setdefault((sent.board, sent.brief.name), sent)
        for which in one.sealed.released:
            captures.pop(which, None)
        for part in one.sealed.ledgers:
            ledgers = [p for p in ledgers if p.board != part.board or p.offset < part.offset]
            ledgers.append(part)
    return packs, captures, sorted(ledgers, key=lambda part: (part.board, part.offset))


@given(told_heads(), st.data())
def test_a_merged_head_tells_what_its_heads_told(heads: list[Head], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(heads) - 1)) if heads else 0
    end = data.draw(st.integers(first, len(heads)))
    came, went, sealed = merged_head.merged(heads[first:end])
    told = OpenPart(number=1, keeper="k", previous="", at="", came=came, went=went)
    again = Head(told, sealed, "")

    assert {pack.name for pack in came} == {pack.name for pack in sealed.packs}
    # In place of them, and after them, while they are still there.
    assert state([*heads[:first], again, *heads[end:]]) == state(heads)
    assert state([*heads[:end], again, *heads[end:]]) == state(heads)


def test_few_heads_and_large_ones_are_let_be() -> None:
    small, large = 1000, merged_head.LARGEST

    assert merged_head.run([(n, small) for n in range(1, 65)]) == []
    assert merged_head.run([(n, small) for n in range(1, 66)]) == list(range(1, 66))
    assert merged_head.run([(1, large), *((n, small) for n in range(2, 70))]) == list(range(2, 70))
    assert merged_head.run([(n, large) for n in range(1, 200)]) == []
    # Nor more than goes into one that readers take.
    middling = [(n, merged_head.TOGETHER // 40) for n in range(1, 66)]
    assert merged_head.run(middling) == list(range(26, 66))
    assert merged_head.run([(n, 3 * small // 2) for n, small in middling]) == []
