"""A passphrase from a file: as somebody would type it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.cli import rebuild
from holdstill.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_the_end_of_its_line_is_none_of_it(tmp_path: Path, end: bytes) -> None:
    file = tmp_path / "passphrase"
    file.write_bytes(b"low tide, 4 o'clock" + end)

    assert rebuild._passphrase(file) == b"low tide, 4 o'clock"


@pytest.mark.parametrize(
    "content", [b"\xef\xbb\xbfword", b"one\ntwo\n", b"a\tb", b"a\x7f", b"a\n\n"]
)
def test_what_nobody_can_type_is_refused(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "passphrase"
    file.write_bytes(content)

    with pytest.raises(UsageError, match="nobody can type"):
        rebuild._passphrase(file)


def test_letters_of_another_keyboard_are_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "passphrase"
    file.write_text("größe", encoding="utf-8")

    assert rebuild._passphrase(file) == "größe".encode()
    assert "another keyboard" in capsys.readouterr().err
