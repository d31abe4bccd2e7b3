from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import pytest

from holdstill.system import tracefs

if TYPE_CHECKING:
    from pathlib import Path


def test_a_directory_that_is_no_tracefs_is_not_taken_for_one(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="not a tracefs") as caught:
        tracefs.open_mounted(tmp_path)

    assert caught.value.errno == errno.ENODEV
