"""Tables that fit: whatever the cells and the width, nothing is cut and no word divided."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.cli import columns, consoles
from holdstill.cli.columns import Column, Table
from holdstill.cli.consoles import Console

WORDS = st.text(st.sampled_from("abcxyz0189/.-"), min_size=1, max_size=30)
CELLS = st.lists(WORDS, max_size=6).map(" ".join)


def a_table(*rows: tuple[str, ...]) -> Table:
    made = Table(
        Column("part", is_number=True), Column("mounted"), Column("grade", rank=1),
        Column("why", rank=2), Column("start", rank=3, is_detail=True),
    )  # fmt: skip
    for row in rows:
        made.add_row(*row)
    return made


ROW = ("2", "/srv/readings", "consistent", "it can be frozen by its file system", "8192")


@given(rows=st.lists(st.tuples(*[CELLS] * 5), max_size=4), width=st.integers(20, 130))
def test_a_table_has_every_word_whole_and_a_line_over_the_width_only_for_a_longer_word(
    rows: list[tuple[str, ...]], width: int
) -> None:
    shown = a_table(*rows).lines(width)

    for line in shown:
        longest = max(map(len, line.split()), default=0)
        assert len(line) <= width or len(line) <= longest + 2 * columns.INDENT + len("mounted: ")
    said = " ".join(shown).replace(";", " ").split()
    kept = [word for row in rows for cell in row[:4] for word in cell.split() if cell != "-"]
    assert not set(kept).difference(said)


def test_what_has_room_is_a_row() -> None:
    heading, row = a_table(ROW).lines(100)

    assert heading.split() == ["part", "mounted", "grade", "why", "start"]
    assert row.split() == " ".join(ROW).split()


def test_what_has_none_stands_below_and_a_detail_goes_first() -> None:
    shown = a_table(ROW)

    lines = shown.lines(40)

    assert lines[0] == "part  mounted        grade"
    assert lines[1] == "   2  /srv/readings  consistent"
    assert lines[2:] == ["    why: it can be frozen by its file", "      system"]
    assert shown.left_out(40) == ("start",)


def printed(text: str, width: int, *, is_terminal: bool) -> list[str]:
    out = io.StringIO()
    wide = width if is_terminal else consoles.NO_WIDTH
    Console(file=out, width=wide, force_terminal=is_terminal, color_system=None).print(text)
    return out.getvalue().splitlines()


def test_a_sentence_is_folded_between_words_and_hangs() -> None:
    shown = printed("  NEEDS A LOOK: /a/very/long/path/that/has/no/room is gone", 24,
                    is_terminal=True)  # fmt: skip

    assert shown == ["  NEEDS A LOOK:", "    /a/very/long/path/that/has/no/room", "    is gone"]


def test_what_is_no_terminal_has_a_sentence_in_one_line() -> None:
    text = "a word " * 100 + "ends"

    assert printed(text, 80, is_terminal=False) == [text]


@pytest.mark.parametrize("text", ["\x1b[2Jx", "[bold]x[/bold]", "two\nlines"])
def test_foreign_text_stays_harmless_when_it_is_folded(text: str) -> None:
    shown = printed(text * 9, 12, is_terminal=True)

    assert "\x1b" not in "".join(shown)


def test_a_command_and_a_path_are_never_divided() -> None:
    command = "`sudo holdstill rebuild pier-3 /dev/sdX --store /srv/holdstill`"
    path = "/srv/holdstill/boards/pier-3/captures/000042-20261129T023011Z/manifest.yaml"
    text = f"what to do: say {command}, or look into {path} for what is there"

    lines = columns.folded(text, 60)

    assert sum(f"{command}," in line for line in lines) == 1
    assert sum(path in line for line in lines) == 1
    assert " ".join(line.strip() for line in lines) == text
    for line in lines:
        assert len(line) <= 60 or line.strip() in {f"{command},", path}


@given(text=st.text(st.sampled_from("ab `/.-"), max_size=80), width=st.integers(10, 40))
def test_odd_backticks_lose_nothing(text: str, width: int) -> None:
    folded = columns.folded(text.strip(), width)

    assert " ".join(folded).split() == text.split()
