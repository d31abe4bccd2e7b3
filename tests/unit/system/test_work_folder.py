"""Folders for work in progress: gone at their end, and what was left is at the next beginning."""

from __future__ import annotations

import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import work_folder

if TYPE_CHECKING:
    import pytest


def test_a_folder_is_ours_alone_and_gone_at_the_end(tmp_path: Path) -> None:
    with work_folder.made(tmp_path) as folder:
        mode = folder.stat().st_mode & 0o777
        (folder / "below").mkdir()

    assert mode == 0o700
    assert list(tmp_path.iterdir()) == []


def test_it_is_where_temporary_files_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))

    with work_folder.made() as folder:
        assert folder.parent == tmp_path


def test_what_is_large_is_on_the_disk_unless_somebody_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk, said = tmp_path / "disk", tmp_path / "said"
    disk.mkdir()
    said.mkdir()
    # Filesystem Hierarchy Standard 3.0, 5.15
    assert Path("/var/tmp") == work_folder._ON_DISK  # noqa: S108
    monkeypatch.setattr(work_folder, "_ON_DISK", disk)
    monkeypatch.setattr(tempfile, "tempdir", str(said))

    monkeypatch.delenv("TMPDIR", raising=False)
    with work_folder.made_on_disk() as folder:
        assert folder.parent == disk
    monkeypatch.setenv("TMPDIR", str(said))
    with work_folder.made_on_disk() as folder:
        assert folder.parent == said


def test_where_there_is_no_such_disk_it_is_with_the_temporary_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(work_folder, "_ON_DISK", tmp_path / "none")
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.delenv("TMPDIR", raising=False)

    with work_folder.made_on_disk() as folder:
        assert folder.parent == tmp_path


def test_the_names_of_others_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "holdstill-mount-x").mkdir()

    with work_folder.made(tmp_path, prefix="send-"), work_folder.made(tmp_path):
        pass

    assert [left.name for left in tmp_path.iterdir()] == ["holdstill-mount-x"]


def test_the_folder_of_a_run_that_was_killed_is_removed_and_that_of_a_live_one_is_not(
    tmp_path: Path,
) -> None:
    dead = tmp_path / f"{work_folder.PREFIX}of-the-dead"
    dead.mkdir()
    (dead / "0123").symlink_to("/etc/hostname")

    with work_folder.made(tmp_path) as first, work_folder.made(tmp_path) as second:
        assert set(tmp_path.iterdir()) == {first, second}

    assert list(tmp_path.iterdir()) == []


def test_runs_that_begin_and_end_at_once_do_not_trip_over_each_other(tmp_path: Path) -> None:
    def come_and_go(number: int) -> None:
        for _ in range(40):
            with work_folder.made(tmp_path) as folder:
                (folder / str(number)).symlink_to("/etc/hostname")

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(come_and_go, range(8)))

    assert list(tmp_path.iterdir()) == []


def test_what_only_looks_like_a_left_over_folder_is_left_alone(tmp_path: Path) -> None:
    memory, elsewhere = tmp_path / "memory", tmp_path / "elsewhere"
    for folder in (memory, elsewhere):
        folder.mkdir()
    (elsewhere / "kept").touch()
    (memory / f"{work_folder.PREFIX}link").symlink_to(elsewhere)
    (memory / f"{work_folder.PREFIX}file").touch()
    (memory / f"{work_folder.PREFIX}old").mkdir()

    with work_folder.made(memory) as folder:
        names = {each.name for each in memory.iterdir()}

    assert names == {f"{work_folder.PREFIX}link", f"{work_folder.PREFIX}file", folder.name}
    assert (elsewhere / "kept").exists()
