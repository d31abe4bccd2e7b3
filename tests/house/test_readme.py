"""README for eyes: its picture, how soon a command comes, and where each claim is proven."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from support import terminal_picture, terminal_screen

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
PICTURE = "configs/demo/demo.svg"
SCREEN = 40
"""Lines."""
LINK = re.compile(r"\[[^]]*\]\((?P<path>[^)#:]+)\)")


def proofs() -> dict[str, list[str]]:
    """Return the claims of the table of what is proven, with the files that each names."""
    section = README.partition("\n## What is proven\n")[2].partition("\n## ")[0]
    rows = [line for line in section.splitlines() if line.startswith("| ")][1:]
    return {row.split("|")[1].strip(): LINK.findall(row) for row in rows}


def drawn() -> str:
    return (TOP / PICTURE).read_text(encoding="utf-8")


def test_the_first_command_comes_within_two_screens() -> None:
    before, block, _ = README.partition("\n```sh\n")

    assert block
    assert len(before.splitlines()) <= 2 * SCREEN


def test_the_picture_is_shown_and_is_what_its_renderer_draws() -> None:
    lines, title = terminal_picture.read(drawn())

    assert f"]({PICTURE})" in README
    assert terminal_picture.draw(lines, title) == drawn()
    assert lines[0].text == "$ configs/demo/run"
    assert all(len(line.text) <= terminal_picture.COLUMNS for line in lines)


def test_the_picture_asks_nobody_for_anything() -> None:
    # A namespace is a name, and nothing is fetched from there (Namespaces in XML 1.0, 3).
    assert re.findall(r"https?:[^\"]*", drawn()) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"<script|<image|@import|url\((?!#)|href", drawn())


def test_every_claim_names_its_proof() -> None:
    assert len(proofs()) >= 10
    assert [claim for claim, files in proofs().items() if not files] == []


@pytest.mark.parametrize("path", sorted({path for files in proofs().values() for path in files}))
def test_a_proof_is_a_file_with_tests_or_with_what_was_measured(path: str) -> None:
    if path.startswith("tests/bench/results/"):
        assert re.search(r"^\| .*\d", (TOP / path).read_text(encoding="utf-8"), re.MULTILINE)
    else:
        assert re.search(r"^def test_", (TOP / path).read_text(encoding="utf-8"), re.MULTILINE)


@pytest.mark.parametrize(
    ("said", "seen"),
    [
        pytest.param("one\r\ntwo\r\n", ["one", "two"], id="lines"),
        pytest.param("10 %\r20 %\rdone\r\n", ["done"], id="written over"),
        pytest.param("long words\rx\r\n", ["xong words"], id="in part"),
        pytest.param("busy\r\n\r\x1b[1A\x1b[2Kdone\r\n", ["done"], id="taken back"),
        pytest.param("\x1b[?25l\x1b[1mbold\x1b[0m\r\n", ["bold"], id="colours"),
        pytest.param("one\r\n\r\nthree\r\n\r\n", ["one", "", "three"], id="empty lines"),
    ],
)
def test_a_screen_has_what_a_terminal_would_have(said: str, seen: list[str]) -> None:
    whole, piecemeal, rest = terminal_screen.Screen(), terminal_screen.Screen(), ""

    assert whole.write(said, 1) == ""
    for letter in said:
        rest = piecemeal.write(rest + letter, 1)

    assert [line.text for line in whole.lines()] == seen
    assert [line.text for line in piecemeal.lines()] == seen


def test_hostile_text_is_drawn_as_it_is() -> None:
    line = terminal_screen.Line(1.5, "  </text><script> & ]]>")

    assert terminal_picture.read(terminal_picture.draw((line,), "<&>")) == ((line,), "<&>")
