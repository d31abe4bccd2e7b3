"""`holdstill keeper enrol` as a person runs it."""

from pathlib import Path

import pytest

from holdstill.cli import main
from support import keys


def test_addresses_that_cannot_be_written_enrol_nobody(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, key = str(tmp_path / "store"), keys.make_key(tmp_path / "key")
    main.run(["keeper", "init", store])

    code = main.run(["keeper", "enrol", store, "pier-3", "--key", f"{key.private}.pub",
                     "--from", 'bad"quote'])  # fmt: skip

    assert code == 2
    assert "is enrolled" not in capsys.readouterr().err
    assert list((tmp_path / "store" / "boards").iterdir()) == []
