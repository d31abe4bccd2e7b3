from __future__ import annotations

import fcntl
import os
import resource
import socket
import stat
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError, TargetFailedError, TargetRefusedError
from holdstill.model.sizes import GIB, MIB
from holdstill.rebuild import rebuild_target
from holdstill.rebuild.rebuild_target import Existing, Target
from support import descriptors

if TYPE_CHECKING:
    from collections.abc import Callable


class DeliberateError(Exception):
    """What a test raises inside a block."""


def test_an_image_appears_when_it_is_complete_and_not_before(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"

    with rebuild_target.claimed_image(path, size=64 * MIB) as image:
        os.pwrite(image.handle, b"card", MIB)
        there_meanwhile = path.exists()

    assert not there_meanwhile
    assert path.stat().st_size == 64 * MIB
    assert stat.S_IMODE(path.stat().st_mode) == 0o600  # everything secret of a board is in it
    assert path.stat().st_blocks * 512 < MIB
    assert [each.name for each in tmp_path.iterdir()] == ["pier-3.img"]


def test_nothing_is_left_of_an_image_that_failed(tmp_path: Path) -> None:
    with (
        pytest.raises(DeliberateError),
        rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB),
    ):
        raise DeliberateError

    assert list(tmp_path.iterdir()) == []


def test_an_image_that_exists_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"
    path.write_bytes(b"the only copy")

    with (
        pytest.raises(TargetRefusedError, match="exists and is left alone"),
        rebuild_target.claimed_image(path, size=MIB),
    ):
        pytest.fail("it was claimed")

    assert path.read_bytes() == b"the only copy"


def test_an_image_that_comes_to_exist_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"

    with (
        pytest.raises(TargetRefusedError, match="has come to exist"),
        rebuild_target.claimed_image(path, size=MIB),
    ):
        path.write_bytes(b"somebody else's")

    assert path.read_bytes() == b"somebody else's"
    assert len(list(tmp_path.iterdir())) == 1


def test_an_image_that_is_named_as_replaceable_is_replaced_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"
    path.write_bytes(b"yesterday")

    with rebuild_target.claimed_image(path, size=MIB, existing=Existing.REPLACE) as image:
        meanwhile = path.read_bytes()
        os.pwrite(image.handle, b"today", 0)

    assert meanwhile == b"yesterday"
    assert path.read_bytes().startswith(b"today\0")


def test_a_replaceable_image_outlives_a_failure(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"
    path.write_bytes(b"yesterday")

    with (
        pytest.raises(DeliberateError),
        rebuild_target.claimed_image(path, size=MIB, existing=Existing.REPLACE),
    ):
        raise DeliberateError

    assert path.read_bytes() == b"yesterday"


@pytest.mark.parametrize("existing", Existing)
def test_a_folder_is_no_image(tmp_path: Path, existing: Existing) -> None:
    with (
        pytest.raises(TargetRefusedError, match="is a folder, not an image"),
        rebuild_target.claimed_image(tmp_path, size=MIB, existing=existing),
    ):
        pytest.fail("it was claimed")


@pytest.mark.parametrize("existing", Existing)
def test_a_symlink_is_no_image(tmp_path: Path, existing: Existing) -> None:
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    link = tmp_path / "pier-3.img"
    link.symlink_to(precious)

    with (
        pytest.raises(TargetRefusedError, match="is a symbolic link, not an image"),
        rebuild_target.claimed_image(link, size=MIB, existing=existing),
    ):
        pytest.fail("it was claimed")

    assert precious.read_bytes() == b"precious"


def test_a_planted_draft_leads_nowhere(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    (tmp_path / ".pier-3.img.draft").symlink_to(precious)

    with (
        pytest.raises(TargetRefusedError, match="cannot make"),
        rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB),
    ):
        pytest.fail("it was claimed")

    assert precious.read_bytes() == b"precious"


def test_a_folder_that_nobody_may_write_to_is_told_with_what_to_do() -> None:
    target = Path("/sys/pier-3.img")  # of root neither: sysfs makes files, and nobody else

    with (
        pytest.raises(TargetRefusedError, match="Permission denied") as caught,
        rebuild_target.claimed_image(target, size=MIB),
    ):
        pytest.fail("it was claimed")

    assert "`ls -ld /sys` shows whose it is" in caught.value.hint


def test_a_draft_that_is_another_name_of_a_file_is_left_alone(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_bytes(b"precious")
    (tmp_path / ".pier-3.img.draft").hardlink_to(precious)

    with (
        pytest.raises(TargetRefusedError, match="not a draft of ours"),
        rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB),
    ):
        pytest.fail("it was claimed")

    assert precious.read_bytes() == b"precious"


def test_the_draft_of_a_run_that_died_is_taken_over(tmp_path: Path) -> None:
    (tmp_path / ".pier-3.img.draft").write_bytes(b"half a card")

    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB) as image:
        found = os.pread(image.handle, MIB, 0)

    assert found == bytes(MIB)
    assert (tmp_path / "pier-3.img").stat().st_size == MIB


def test_the_draft_of_a_run_that_lives_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"

    with rebuild_target.claimed_image(path, size=MIB) as first:
        os.pwrite(first.handle, b"first", 0)
        with (
            pytest.raises(BusyError, match="another run is writing"),
            rebuild_target.claimed_image(path, size=2 * MIB),
        ):
            pytest.fail("it was claimed twice")

    assert path.read_bytes() == b"first".ljust(MIB, b"\0")


def test_a_folder_that_is_missing_is_named(tmp_path: Path) -> None:
    with (
        pytest.raises(TargetRefusedError, match=r"there is no folder .*/nowhere"),
        rebuild_target.claimed_image(tmp_path / "nowhere/pier-3.img", size=MIB),
    ):
        pytest.fail("it was claimed")


def test_a_size_that_no_file_can_have_there_is_refused_with_the_reason(tmp_path: Path) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (MIB, limits[1]))
    try:
        with (
            pytest.raises(TargetRefusedError, match="cannot hold a file of 1"),
            rebuild_target.claimed_image(tmp_path / "pier-3.img", size=GIB),
        ):
            pytest.fail("it was claimed")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)

    assert list(tmp_path.iterdir()) == []


def test_a_draft_that_cannot_be_named_for_another_reason_is_told_as_it_is(tmp_path: Path) -> None:
    draft = tmp_path / "draft"
    draft.write_bytes(b"card")

    with pytest.raises(FileNotFoundError):
        rebuild_target.publish(draft, tmp_path / "gone/pier-3.img", existing=Existing.KEEP)

    assert draft.read_bytes() == b"card"


def test_both_ends_are_wiped_and_the_middle_is_not(tmp_path: Path) -> None:
    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=4 * MIB) as image:
        os.pwrite(image.handle, b"\xff" * (4 * MIB), 0)

        rebuild_target.invalidate(image)

        left = os.pread(image.handle, 4 * MIB, 0)
    assert left == bytes(MIB) + b"\xff" * (2 * MIB) + bytes(MIB)


@pytest.mark.parametrize("size", [3 * MIB, MIB // 2])
def test_a_partition_that_is_left_empty_has_both_ends_cleared_and_nothing_beside_it(
    tmp_path: Path, size: int
) -> None:
    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=5 * MIB) as image:
        os.pwrite(image.handle, b"\xff" * (5 * MIB), 0)

        rebuild_target.clear_ends(image, MIB, size)

        left = os.pread(image.handle, 5 * MIB, 0)
    kept = max(size - 2 * MIB, 0)
    ends = bytes(min(MIB, size))
    cleared = ends + b"\xff" * kept + (ends if kept else b"")
    assert left == b"\xff" * MIB + cleared + b"\xff" * (4 * MIB - size)


def test_what_was_flushed_is_read_back(tmp_path: Path) -> None:
    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB) as image:
        os.pwrite(image.handle, b"card", 0)

        rebuild_target.flush_and_drop_caches(image)

        assert os.pread(image.handle, 4, 0) == b"card"


def test_a_question_mark_in_a_name_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    folder = tmp_path / "what?"
    folder.mkdir()

    for place in (tmp_path / "pier?3.img", folder / "pier-3.img"):
        with (
            pytest.raises(TargetRefusedError, match="question mark"),
            rebuild_target.claimed_image(place, size=MIB),
        ):
            pytest.fail("it was claimed")

    assert [path.name for path in tmp_path.rglob("*")] == ["what?"]


@pytest.mark.parametrize(
    ("size", "ranges"),
    [
        (0, []),
        (2 * MIB, []),
        (2 * MIB + 1, [(MIB, 1)]),
        (GIB + 2 * MIB, [(MIB, GIB)]),
        (2 * GIB + 2 * MIB, [(MIB, GIB), (GIB + MIB, GIB)]),
        (2 * GIB + 3 * MIB, [(MIB, GIB), (GIB + MIB, GIB), (2 * GIB + MIB, MIB)]),
    ],
)
def test_all_of_a_card_but_its_ends_is_discarded(size: int, ranges: list[tuple[int, int]]) -> None:
    assert list(rebuild_target.discardable(size)) == ranges


def test_whatever_else_is_there_is_called_what_it_is(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket"))

    for place, kind in (
        (tmp_path / "pipe", "a pipe"),
        (tmp_path / "socket", "a socket"),
        (Path("/dev/null"), "a character device"),
    ):
        with pytest.raises(TargetRefusedError, match=f"{place} is {kind}, not an image") as caught:
            rebuild_target.check_image_path(place, existing=Existing.REPLACE)
        assert "/dev/sdX" in caught.value.hint
    rebuild_target.check_image_path(tmp_path / "new.img")


def test_a_claim_says_what_it_is_and_costs_no_descriptor(tmp_path: Path) -> None:
    path = tmp_path / "pier-3.img"
    before = descriptors.count()

    with rebuild_target.claimed_image(path, size=MIB) as image:
        assert image == Target(tmp_path / ".pier-3.img.draft", image.handle, MIB, str(path))
        assert (image.is_device, image.has_begun) == (False, False)
        assert image.path.stat().st_ino == os.fstat(image.handle).st_ino
        rebuild_target.invalidate(image)
        assert image.has_begun
    with pytest.raises(TargetRefusedError), rebuild_target.claimed_image(path, size=MIB):
        pytest.fail("it was claimed")

    assert descriptors.count() == before


def test_a_draft_is_gone_afterwards_unless_it_was_published(tmp_path: Path) -> None:
    with rebuild_target.drafted(tmp_path / "pier-3.img", size=MIB) as draft:
        assert draft.path.stat().st_size == MIB

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("how", ["gone", "another"])
def test_a_draft_that_another_run_has_just_published_is_not_taken(
    tmp_path: Path, how: str
) -> None:
    draft = tmp_path / "draft"
    draft.touch()
    with draft.open("r+b") as mine:
        draft.rename(tmp_path / "published")
        if how == "another":
            draft.touch()

        with pytest.raises(BusyError, match="just finished with"):
            rebuild_target._lock(mine.fileno(), draft)


def test_a_draft_is_locked_as_long_as_it_is_held(tmp_path: Path) -> None:
    with rebuild_target.drafted(tmp_path / "pier-3.img", size=MIB) as draft:
        with draft.path.open("rb") as other, pytest.raises(BlockingIOError):
            fcntl.flock(other, fcntl.LOCK_SH | fcntl.LOCK_NB)
        assert draft.path.exists()


# link(2): EPERM where a file system makes no hard links; a directory never gets one.
def test_where_there_are_no_hard_links_a_draft_is_renamed(tmp_path: Path) -> None:
    draft = tmp_path / "draft"
    draft.mkdir()

    rebuild_target.publish(draft, tmp_path / "pier-3.img", existing=Existing.KEEP)

    assert [path.name for path in tmp_path.iterdir()] == ["pier-3.img"]


def test_where_there_are_no_hard_links_the_place_is_looked_at_again(tmp_path: Path) -> None:
    draft = tmp_path / "draft"
    draft.mkdir()

    with pytest.raises(TargetRefusedError, match="question mark"):
        rebuild_target.publish(draft, tmp_path / "pier?3.img", existing=Existing.KEEP)

    assert [path.name for path in tmp_path.iterdir()] == ["draft"]


def test_an_image_is_not_discarded_nor_touched(tmp_path: Path) -> None:
    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=4 * MIB) as image:
        os.pwrite(image.handle, b"\xff" * (4 * MIB), 0)

        assert rebuild_target.discard(image) is False

        assert os.pread(image.handle, 4 * MIB, 0) == b"\xff" * (4 * MIB)
        assert not image.has_begun


def test_what_a_kernel_cannot_discard_stays_and_is_no_failure(tmp_path: Path) -> None:
    """ioctl(2): ENOTTY, the descriptor is of no such kind: a file here, whatever is said."""
    path = tmp_path / "card"
    path.write_bytes(bytes(3 * MIB))
    with path.open("r+b") as file:
        card = Target(path, file.fileno(), 3 * MIB, "card", is_device=True)

        assert rebuild_target.discard(card) is False
        assert card.has_begun
        small = Target(path, file.fileno(), 2 * MIB, "card", is_device=True)
        assert rebuild_target.discard(small) is True  # nothing lies between its ends
        with pytest.raises(OSError, match="Inappropriate ioctl"):
            rebuild_target.flush_and_drop_caches(card)  # a device's cache is another than a file's


def test_a_card_that_fails_is_named(tmp_path: Path) -> None:
    """ioctl(2), fsync(2): EBADF, here for a descriptor that is closed."""
    handle = os.open(tmp_path, os.O_RDONLY)
    os.close(handle)
    card = Target(tmp_path, handle, 3 * MIB, "the card", is_device=True)

    with pytest.raises(TargetFailedError, match="the card failed: Bad file descriptor"):
        rebuild_target.discard(card)
    with pytest.raises(TargetFailedError, match="the card did not take what was written") as said:
        rebuild_target.flush(handle, "the card")
    assert said.value.hint == "do not use this card again"


@pytest.mark.parametrize("do", [rebuild_target.invalidate, rebuild_target.flush_and_drop_caches])
def test_what_must_be_on_the_medium_is_written_out(do: Callable[[Target], None]) -> None:
    """fsync(2): EINVAL of what takes every write and cannot be written out, as null(4)."""
    handle = os.open(os.devnull, os.O_RDWR)
    target = Target(Path(os.devnull), handle, 0, "the card", is_device=False)

    with pytest.raises(TargetFailedError, match="the card did not take what was written"):
        do(target)

    os.close(handle)


@pytest.mark.parametrize("existing", [Existing.KEEP, Existing.REPLACE])
def test_the_name_of_a_complete_image_is_written_out_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, existing: Existing
) -> None:
    """fsync(2): that of a file says nothing of the entry in its directory."""
    written: list[tuple[int, list[str]]] = []
    sync = os.fsync

    def noted(handle: int) -> None:
        written.append((os.fstat(handle).st_ino, sorted(path.name for path in tmp_path.iterdir())))
        sync(handle)

    monkeypatch.setattr(os, "fsync", noted)
    with rebuild_target.claimed_image(tmp_path / "pier-3.img", size=MIB, existing=existing):
        pass

    inode, names = written[-1]
    assert inode == tmp_path.stat().st_ino
    assert "pier-3.img" in names
