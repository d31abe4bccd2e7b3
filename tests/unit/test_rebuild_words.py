"""What `holdstill rebuild` refuses by its words alone, before it looks at a store."""

from pathlib import Path

import pytest

from holdstill.cli import main


@pytest.mark.parametrize(
    "name", ["pier-3.img.gz", "pier-3.7z", "PIER-3.IMG.BZ2", "PIER-3.ZIP", "pier-3.img.XZ"]
)
def test_an_image_is_not_given_an_ending_that_it_does_not_keep(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main.run(["rebuild", "pier-3", str(tmp_path / name)])

    assert code == 2
    assert "name it .img, .img.zst, .img.xz or .img.zip" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
