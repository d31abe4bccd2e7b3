"""The way out of every command: consoles, lines, the streams themselves (h6)."""

from __future__ import annotations

import io
import json
import os
import re
import termios
from typing import Literal, Protocol

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table
from rich.text import Text

from holdstill.cli import options, progress, terminal
from holdstill.cli.consoles import Console
from support import foreign


class Says(Protocol):
    def __call__(self, *texts: str) -> None: ...


ANY_TEXT = st.text(st.characters(exclude_categories=()))
OWN_STYLE = re.compile(r"\x1b\[[0-9;]*m")


def printed(*things: object, style: str | None = None, is_terminal: bool = False) -> str:
    out = io.StringIO()
    colours: Literal["standard"] | None = "standard" if is_terminal else None
    console = Console(file=out, width=200, force_terminal=is_terminal, color_system=colours)
    console.print(*things, style=style)
    return out.getvalue()


def a_table(text: str) -> Table:
    made = Table(title=text, caption=text)
    made.add_column(text)
    made.add_row(text)
    made.add_row(Text(text))  # past the door for strings: the second look finds it
    return made


@given(text=ANY_TEXT)
def test_h6_a_console_lets_no_control_pass(text: str) -> None:
    for thing in (text, a_table(text), Text(text)):
        assert foreign.is_clean(printed(thing))


@given(text=ANY_TEXT)
def test_h6_on_a_terminal_only_our_own_styles_pass(text: str) -> None:
    assert foreign.is_clean(OWN_STYLE.sub("", printed(text, style="red", is_terminal=True)))


def test_h6_markup_in_foreign_text_is_text() -> None:
    assert "[bold red]x[/] :smile:" in printed("[bold red]x[/] :smile:")


def test_h6_a_style_of_somebody_elses_is_written_out() -> None:
    shown = printed("\x1b[31mred", style="yellow", is_terminal=True)

    assert "\x1b[33m" in shown  # ours: yellow (ECMA-48, 8.3.117)
    assert "\x1b[31m" not in shown
    assert "\\x1b[31mred" in shown


def test_h6_a_line_break_does_not_begin_a_line() -> None:
    assert printed("warning: x\nholdstill: y").splitlines() == ["warning: x", "  holdstill: y"]


@given(text=ANY_TEXT)
def test_h6_what_is_said_is_clean(text: str) -> None:
    out = io.StringIO()
    lines = progress.LineProgress(Console(file=out, width=200))
    lines.step(text)
    lines.warn(text)

    assert foreign.is_clean(out.getvalue())


@pytest.mark.parametrize("says", [terminal.say, terminal.warn])
def test_h6_lines_are_clean(says: Says, capsys: pytest.CaptureFixture[str]) -> None:
    says(foreign.HOSTILE, "\udcff")

    said = "".join(capsys.readouterr())
    assert foreign.is_clean(said)
    assert said.endswith("\\xff\n")


@given(text=ANY_TEXT)
def test_h6_a_stream_lets_only_visible_text_and_lines_pass(text: str) -> None:
    raw = io.BytesIO()
    stream = terminal.GuardedStream(raw, encoding="utf-8", newline="\n")
    stream.write(text)
    stream.flush()

    assert foreign.is_clean(raw.getvalue().decode())


@given(text=ANY_TEXT)
def test_h6_on_a_terminal_a_stream_lets_drawing_pass_as_well(text: str) -> None:
    drawing = "\r\x1b[2K\x1b[1A\x1b[?25l\x1b[31m"

    shown = terminal.guarded(f"{drawing}{text}", is_terminal=True)

    assert shown.startswith(drawing)
    assert foreign.is_clean(re.sub(r"\r|\x1b\[[0-9;]*[mABCDGHJK]|\x1b\[\?25[lh]", "", shown))


@pytest.mark.parametrize(
    "text", ["\x1b]0;t\x07", "\x1b]52;c;eA==\x07", "\x1bP+q\x1b\\", "\x1b[6n", "\x1b[c", "\x1bc",
             "\x1b[200~", "\x1b[?1049h", "\x9b31m"],
)  # fmt: skip
def test_h6_titles_pastes_and_questions_do_not_pass_on_a_terminal(text: str) -> None:
    # ECMA-48 (OSC, DCS, DSR, DA, RIS); xterm's control sequences (52, 200, 1049).
    assert foreign.is_clean(terminal.guarded(text, is_terminal=True))


@given(text=ANY_TEXT)
def test_h6_json_is_ascii_and_says_the_same(text: str) -> None:
    shown = options.as_json({"text": text, "in a list": (text,)})

    assert foreign.is_clean(shown)
    assert shown.isascii()
    assert json.loads(shown) == {"text": text, "in a list": [text]}


@pytest.mark.parametrize("width", [40, 80])
def test_warnings_are_folded_to_a_terminal_and_commands_stay_whole(
    width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, theirs = os.openpty()
    termios.tcsetwinsize(theirs, (24, width))
    text = f"warning: {'something is not as it should be, and ' * 4}`holdstill keeper watch --all`"
    with os.fdopen(theirs, "w", encoding="utf-8") as screen:
        monkeypatch.setattr("sys.stderr", screen)
        terminal.warn(text)
        screen.flush()
        lines = os.read(ours, 4096).decode().splitlines()
        monkeypatch.undo()
    os.close(ours)

    assert len(lines) > 2
    assert all(len(line) <= width for line in lines)
    assert any("`holdstill keeper watch --all`" in line for line in lines)
    assert " ".join(" ".join(lines).split()) == text
