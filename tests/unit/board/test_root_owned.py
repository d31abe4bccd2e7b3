from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from holdstill.board import root_owned
from holdstill.errors import SecurityError, UsageError

FILE, DIRECTORY, LINK, FIFO = stat.S_IFREG, stat.S_IFDIR, stat.S_IFLNK, stat.S_IFIFO


class FakeFiles:
    """A tree in which all belongs to root, but for what a test says."""

    def __init__(self) -> None:
        self.found: dict[str, tuple[int, int]] = {}
        self.links: dict[str, str] = {}
        for directory in ("/", "/usr", "/usr/bin", "/usr/local", "/usr/local/bin", "/home"):
            self.add(directory, DIRECTORY | 0o755)
        self.add("/usr/bin/sh", FILE | 0o755)
        self.add("/usr/local/bin/gauge", FILE | 0o755)

    def add(self, path: str, mode: int, *, owner: int = 0) -> None:
        self.found[path] = (mode, owner)

    def link(self, path: str, target: str, *, owner: int = 0) -> None:
        self.add(path, LINK | 0o777, owner=owner)
        self.links[path] = target

    def lstat(self, path: Path) -> os.stat_result:
        if str(path) not in self.found:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
        mode, owner = self.found[str(path)]
        return os.stat_result((mode, 1, 1, 1, owner, 0, 0, 0, 0, 0))

    def readlink(self, path: Path) -> Path:
        return Path(self.links[str(path)])


@pytest.fixture
def files() -> FakeFiles:
    return FakeFiles()


def test_a_program_of_root_may_run(files: FakeFiles) -> None:
    root_owned.check_command(["/usr/local/bin/gauge", "hold"], files)


def test_a_bare_name_is_looked_up(files: FakeFiles) -> None:
    root_owned.check_command(["gauge", "hold"], files)


def test_a_link_of_root_is_followed(files: FakeFiles) -> None:
    files.link("/bin", "usr/bin")

    root_owned.check_command(["/bin/sh"], files)


@pytest.mark.parametrize("place", ["/", "/usr", "/usr/local/bin", "/usr/local/bin/gauge"])
@pytest.mark.parametrize("mode", [0o775, 0o757, 0o777, 0o1777])
def test_s40_nothing_on_the_way_may_be_writable_by_others(
    place: str, mode: int, files: FakeFiles
) -> None:
    kind = FILE if place.endswith("gauge") else DIRECTORY
    files.add(place, kind | mode)

    with pytest.raises(SecurityError, match="others than root"):
        root_owned.check_command(["/usr/local/bin/gauge"], files)


@pytest.mark.parametrize("place", ["/usr/local", "/usr/local/bin/gauge"])
def test_nothing_on_the_way_may_belong_to_somebody_else(place: str, files: FakeFiles) -> None:
    kind = FILE if place.endswith("gauge") else DIRECTORY
    files.add(place, kind | 0o755, owner=1000)

    with pytest.raises(SecurityError, match="belongs to user 1000"):
        root_owned.check_command(["/usr/local/bin/gauge"], files)


def test_the_way_behind_a_link_counts(files: FakeFiles) -> None:
    files.add("/home/pi", DIRECTORY | 0o755, owner=1000)
    files.add("/home/pi/gauge", FILE | 0o755)
    files.link("/usr/bin/gauge", "/home/pi/gauge")

    with pytest.raises(SecurityError, match="/home/pi"):
        root_owned.check_command(["/usr/bin/gauge"], files)


def test_a_link_of_somebody_else_is_refused(files: FakeFiles) -> None:
    files.link("/usr/bin/gauge", "/usr/local/bin/gauge", owner=1000)

    with pytest.raises(SecurityError, match="1000"):
        root_owned.check_command(["/usr/bin/gauge"], files)


def test_the_script_of_an_interpreter_counts(files: FakeFiles) -> None:
    files.add("/home/hold.sh", FILE | 0o777)

    with pytest.raises(SecurityError, match=r"hold\.sh"):
        root_owned.check_command(["sh", "/home/hold.sh"], files)


def test_an_argument_of_an_ordinary_program_does_not(files: FakeFiles) -> None:
    files.add("/home/level", FILE | 0o666, owner=1000)

    root_owned.check_command(["/usr/local/bin/gauge", "/home/level"], files)


@pytest.mark.parametrize("kind", [DIRECTORY, FIFO])
def test_only_a_regular_file_is_a_program(kind: int, files: FakeFiles) -> None:
    files.add("/usr/bin/odd", kind | 0o755)

    with pytest.raises(SecurityError, match="no regular file"):
        root_owned.check_command(["/usr/bin/odd"], files)


def test_a_missing_program_is_a_mistake_in_the_settings(files: FakeFiles) -> None:
    with pytest.raises(UsageError, match="cannot find"):
        root_owned.check_command(["/usr/bin/missing"], files)
    with pytest.raises(UsageError, match="there is no program"):
        root_owned.check_command(["missing"], files)


def test_a_relative_path_is_refused(files: FakeFiles) -> None:
    with pytest.raises(UsageError, match="absolute"):
        root_owned.check_command(["./gauge"], files)


def test_a_circle_of_links_ends(files: FakeFiles) -> None:
    files.link("/usr/bin/a", "/usr/bin/b")
    files.link("/usr/bin/b", "/usr/bin/a")

    with pytest.raises(SecurityError, match="too many links"):
        root_owned.check_command(["/usr/bin/a"], files)


def test_dots_lead_where_they_lead(files: FakeFiles) -> None:
    files.link("/usr/bin/gauge", "../local/bin/gauge")

    root_owned.check_command(["/usr/bin/gauge"], files)
