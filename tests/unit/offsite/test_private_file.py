import os
import threading
from pathlib import Path

import pytest

from holdstill.errors import UsageError
from holdstill.offsite import private_file


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o610, 0o666])
def test_a_secret_that_others_may_read_or_change_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "secret"
    path.write_bytes(b"words")
    path.chmod(mode)

    with pytest.raises(UsageError, match="others may read"):
        private_file.read(path)
    path.chmod(0o600)
    assert private_file.read(path) == b"words"


def test_a_pipe_is_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path, 0o600)
    writer = threading.Thread(target=path.write_bytes, args=(b"words",))
    writer.start()

    assert private_file.read(path) == b"words"
    writer.join()
