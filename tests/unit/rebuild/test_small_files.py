"""Which files of a capture are found by a pattern, and which of them are read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import VerificationError
from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.rebuild.small_files import LIMIT, SmallFileReader
from support import descriptors
from support.captured import CapturedFiles

if TYPE_CHECKING:
    from pathlib import Path

PART = 2
NETWORK = "etc/network/*.conf"


@pytest.fixture
def files(tmp_path: Path) -> CapturedFiles:
    """Files, and what has the name of a file and is none, below and beside each other."""
    made = CapturedFiles(tmp_path)
    for path in ("etc/network/a.conf", "etc/network/b.conf", "etc/network/b.conf.old"):
        made.add(PART, path, path)
    made.add(PART, "etc/network/folder.conf/c.conf", "in a folder")
    made.add(PART, "etc/.hidden/d.conf", "hidden")
    made.add(1, "etc/network/of-boot.conf", "on another partition")
    made.put(PART, Entry(b"etc/network", b"link.conf", EntryType.SYMLINK, target=b"a.conf"))
    made.put(PART, Entry(b"etc/network", b"pipe.conf", EntryType.FIFO))
    return made


def found(files: CapturedFiles, pattern: str, *, part: int = PART) -> list[str]:
    reader = SmallFileReader(files, files.contents)
    return [entry.path.decode() for entry in reader.matching(part, pattern)]


# glob(7): * and ? match no slash.
@pytest.mark.parametrize(
    ("pattern", "names"),
    [
        ("etc/network/a.conf", ["etc/network/a.conf"]),
        (NETWORK, ["etc/network/a.conf", "etc/network/b.conf"]),
        ("etc/network/?.conf", ["etc/network/a.conf", "etc/network/b.conf"]),
        ("etc/network/[b-c].conf", ["etc/network/b.conf"]),
        ("etc/*/d.conf", ["etc/.hidden/d.conf"]),
        ("etc/*/*/c.conf", ["etc/network/folder.conf/c.conf"]),
        ("*/network/a.conf", ["etc/network/a.conf"]),
        ("etc/network/folder.conf", []),
        ("etc/network/link.conf", []),
        ("etc/network/pipe.conf", []),
        ("etc/network/link.conf/*", []),
        ("etc/network", []),
        ("etc/a.conf", []),
        ("*.conf", []),
    ],
)
def test_a_pattern_names_regular_files_component_by_component(
    files: CapturedFiles, pattern: str, names: list[str]
) -> None:
    assert found(files, pattern) == names


def test_nothing_that_is_read_stays_open(files: CapturedFiles) -> None:
    reader = SmallFileReader(files, files.contents)
    before = descriptors.count()

    list(reader.small(PART, NETWORK))
    reader.content_of(PART, b"etc/network/a.conf")

    assert descriptors.count() == before


def test_each_partition_has_its_own_files(files: CapturedFiles) -> None:
    assert found(files, NETWORK, part=1) == ["etc/network/of-boot.conf"]
    assert found(files, NETWORK, part=3) == []


def test_small_files_are_read_whole_and_say_where_they_are(files: CapturedFiles) -> None:
    reader = SmallFileReader(files, files.contents)

    small = list(reader.small(PART, NETWORK))

    assert [(file.part, file.path, file.content) for file in small] == [
        (PART, b"etc/network/a.conf", b"etc/network/a.conf"),
        (PART, b"etc/network/b.conf", b"etc/network/b.conf"),
    ]
    assert small[0].where == "partition 2: etc/network/a.conf"


@pytest.mark.parametrize(("size", "is_read"), [(0, True), (LIMIT, True), (LIMIT + 1, False)])
def test_a_file_is_small_up_to_the_limit(tmp_path: Path, size: int, *, is_read: bool) -> None:
    files = CapturedFiles(tmp_path)
    files.add(PART, "etc/f", bytes(size))
    reader = SmallFileReader(files, files.contents)

    assert [file.content for file in reader.small(PART, "etc/f")] == [bytes(size)][:is_read]
    assert reader.content_of(PART, b"etc/f") == (bytes(size) if is_read else b"")
    assert reader.has(PART, b"etc/f")


def test_a_file_whose_content_was_left_out_has_none_to_read(tmp_path: Path) -> None:
    files = CapturedFiles(tmp_path)
    files.put(PART, Entry(b"", b"f", EntryType.FILE, size=5, omitted=Omitted.UNREADABLE))
    reader = SmallFileReader(files, files.contents)

    assert list(reader.small(PART, "f")) == []
    assert reader.content_of(PART, b"f") == b""
    assert reader.has(PART, b"f")


def test_what_is_damaged_is_there_and_not_read(files: CapturedFiles) -> None:
    lost = frozenset({(PART, b"etc/network/a.conf"), (1, b"etc/network/b.conf")})
    reader = SmallFileReader(files, files.contents, lost)

    assert [file.path for file in reader.small(PART, NETWORK)] == [b"etc/network/b.conf"]
    assert reader.content_of(PART, b"etc/network/a.conf") == b""
    assert reader.content_of(PART, b"etc/network/b.conf") == b"etc/network/b.conf"
    assert reader.has(PART, b"etc/network/a.conf")


def test_only_a_regular_file_is_one_and_what_is_not_there_is_none(files: CapturedFiles) -> None:
    reader = SmallFileReader(files, files.contents)

    assert not reader.has(PART, b"etc/network")
    assert not reader.has(PART, b"etc/network/link.conf")
    assert not reader.has(PART, b"etc/nothing")
    assert reader.content_of(PART, b"etc/nothing") == b""


@pytest.mark.parametrize("spoilt", [b"other", b"right and more", b"righ"])
def test_a_content_of_other_bytes_or_of_another_length_is_refused(
    files: CapturedFiles, spoilt: bytes
) -> None:
    entry = files.add(PART, "etc/f", b"right")
    path = files.contents.folder / entry.digest.hex()
    path.write_bytes(spoilt)
    reader = SmallFileReader(files, files.contents)

    with pytest.raises(VerificationError, match="etc/f"):
        reader.content_of(PART, b"etc/f")
    with pytest.raises(VerificationError, match="etc/f"):
        list(reader.small(PART, "etc/*"))
