"""What is read past memory is hashed as hashlib hashes it, holes and odd ends included."""

import hashlib
import os
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from holdstill.model import pieces
from holdstill.system import files, uncached_read
from holdstill.system.uncached_read import PiecesRead

PIECES = st.lists(
    st.tuples(st.integers(0, 100), st.integers(1, 9000)), max_size=4
)  # 4 KiB block to start in, bytes of data


@given(PIECES, st.integers(0, 5000))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_file_with_holes_has_the_digest_of_its_bytes(
    tmp_path: Path, spans: list[tuple[int, int]], tail: int
) -> None:
    path = tmp_path / "file"
    with path.open("wb") as file:
        for block, length in spans:
            file.seek(block * 4096)
            file.write(os.urandom(length))
        file.truncate(path.stat().st_size + tail)
    content = path.read_bytes()

    with files.opened(path) as handle:
        found = uncached_read.hash_uncached(handle, len(content))

        read = uncached_read.read_pieces(handle, len(content))

    assert found == hashlib.sha256(content).digest()
    assert read == PiecesRead(listed_of(content), (), len(content))


def listed_of(content: bytes) -> pieces.PieceList:
    size = len(content)
    return pieces.of_reader(size, pieces.PIECE, lambda at, count: content[at : at + count])


def test_a_file_larger_than_a_chunk_is_read_to_its_end(tmp_path: Path) -> None:
    content = os.urandom(3 * files.CHUNK + 12_345)
    (tmp_path / "file").write_bytes(content)

    with files.opened(tmp_path / "file") as handle:
        assert (
            uncached_read.hash_uncached(handle, len(content)) == hashlib.sha256(content).digest()
        )


def test_a_descriptor_is_given_back_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"x" * 5000)

    with files.opened(tmp_path / "file") as handle:
        uncached_read.hash_uncached(handle, 5000)

        assert os.pread(handle, 3, 1) == b"xxx"  # a direct read would refuse this
