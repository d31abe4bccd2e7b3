"""A store: made in empty places only, and opened without a change."""

from __future__ import annotations

import errno
import os
import re
import resource
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from holdstill.errors import DocumentError, MachineError, PreflightError, SecurityError, UsageError
from holdstill.keeper import odd_places
from holdstill.keeper import store as stores
from holdstill.keeper.store_disk import StoreDisk
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, QuickDisk


def test_a_new_store_says_what_its_file_system_can_do(tmp_path: Path) -> None:
    store = stores.create(tmp_path / "boathouse", clock=FakeClock())

    assert store.facts.created == "2026-11-25T02:15:03Z"
    assert store.facts.abilities.complaints() == ()  # the tests' own file system is a plain one
    assert sorted(item.name for item in store.root.iterdir()) == [
        "READ-ME-FIRST.txt", "boards", "content", "store.yaml", "trash",
    ]  # fmt: skip


def test_making_a_store_again_opens_it(tmp_path: Path) -> None:
    first = stores.create(tmp_path / "boathouse", clock=FakeClock())
    before = keeping.snapshot(first.root)

    second = stores.create(tmp_path / "boathouse", clock=FakeClock())

    assert second.facts == first.facts
    assert keeping.snapshot(first.root) == before


def test_the_page_of_an_older_version_is_written_again_by_whoever_comes_and_all_come_at_once(
    tmp_path: Path,
) -> None:
    store = stores.create(tmp_path / "boathouse", clock=FakeClock())
    page = store.root / stores.BY_HAND
    wanted = page.read_bytes()

    for _ in range(20):
        page.write_bytes(b"the page of an older version")
        with ThreadPoolExecutor(8) as boards:
            for done in [boards.submit(store.lay_out) for _ in range(8)]:
                done.result()
        assert page.read_bytes() == wanted
    assert list(store.trash.iterdir()) == []


def test_opening_a_store_changes_nothing(tmp_path: Path) -> None:
    root = keeping.make_store(tmp_path / "boathouse", clock=FakeClock()).root
    before = keeping.snapshot(root)

    stores.open_store(root)

    assert keeping.snapshot(root) == before


def test_a_directory_that_holds_something_else_is_refused(tmp_path: Path) -> None:
    (tmp_path / "photographs").mkdir()

    with pytest.raises(UsageError, match=r"no store: it holds photographs"):
        stores.create(tmp_path, clock=FakeClock())

    assert [item.name for item in tmp_path.iterdir()] == ["photographs"]


@pytest.mark.parametrize("left", ["boards/pier-3", "content/ab/something"])
def test_a_store_that_lost_its_store_yaml_is_not_made_anew(tmp_path: Path, left: str) -> None:
    (tmp_path / left).mkdir(parents=True)

    with pytest.raises(UsageError, match="no store") as made:
        stores.create(tmp_path, clock=FakeClock())
    with pytest.raises(MachineError, match=f"{tmp_path}/store.yaml is gone; the rest") as opened:
        stores.open_store(tmp_path)

    assert made.value.hint == f"this was a store, and its store.yaml is gone: {opened.value.hint}"


def test_a_store_that_lost_its_store_yaml_gets_one_as_it_is_told(tmp_path: Path) -> None:
    clock = FakeClock()
    root = keeping.make_store(tmp_path / "boathouse", clock=clock).root
    (root / "store.yaml").unlink()
    with pytest.raises(MachineError) as refused:
        stores.open_store(root)
    told = re.findall(r"`([^`]+)`", refused.value.hint)

    assert told == [
        f"holdstill keeper init {root}/fresh", f"mv {root}/fresh/store.yaml {root}",
        f"rm -r {root}/fresh",
    ]  # fmt: skip
    stores.create(root / "fresh", clock=clock)
    (root / "fresh/store.yaml").rename(root / "store.yaml")
    shutil.rmtree(root / "fresh")
    store = stores.open_store(root)

    Board(keeping.keeper_of(store, clock=clock), clock=clock).capture()
    assert odd_places.found(store) == ()


def test_an_empty_file_system_can_become_a_store(tmp_path: Path) -> None:
    (tmp_path / "lost+found").mkdir()

    assert stores.create(tmp_path, clock=FakeClock()).root == tmp_path


def test_a_place_without_a_store_is_not_opened(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not a store"):
        stores.open_store(tmp_path)


def test_a_store_of_another_format_is_refused(tmp_path: Path) -> None:
    root = stores.create(tmp_path / "boathouse", clock=FakeClock()).root
    text = (root / "store.yaml").read_text("ascii")
    (root / "store.yaml").write_text(text.replace("format: 1", "format: 2"), "ascii")

    with pytest.raises(SecurityError, match="format 2"):
        stores.open_store(root)


class Without(QuickDisk):
    """A disk that cannot do some things, as on shares and FAT."""

    def link_at(self, source: str, name: bytes, at: int) -> None:
        raise OSError(errno.EPERM, "no hard links here")


class CannotRename(QuickDisk):
    def rename(self, source: Path, target: Path) -> None:
        raise OSError(errno.EACCES, "no rename here")


def test_a_file_system_without_hard_links_is_told(tmp_path: Path) -> None:
    store = stores.create(tmp_path / "share", clock=FakeClock(), disk=Without())

    assert not store.facts.abilities.hard_links
    assert "no hard links" in store.facts.abilities.complaints()[0]


def test_a_file_system_that_cannot_rename_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PreflightError, match="cannot hold a store"):
        stores.create(tmp_path / "share", clock=FakeClock(), disk=CannotRename())

    assert not (tmp_path / "share" / "store.yaml").exists()


def test_a_store_without_hard_links_keeps_captures_all_the_same(tmp_path: Path) -> None:
    clock, disk = FakeClock(), Without()
    store = keeping.make_store(tmp_path / "share", clock=clock, disk=disk)
    board = keeping.Board(keeping.keeper_of(store, clock=clock), files={b"etc/fstab": b"x" * 50})

    name = board.capture().name

    capture = board.keeper.capture(name)
    assert capture.faults == ()
    keeping.show_latest(store)
    assert not (store.board_folder(keeping.PIER_3) / "latest").exists()
    handle = capture.open(bytes.fromhex(board.sent[0]))
    assert os.read(handle, 100) == b"x" * 50
    os.close(handle)
    begun = board.keeper.begin()
    board.files[b"etc/new"] = b"never sent"
    data = board.attach(begun)
    assert len(board.keeper.seal(data, board.signed(data)).lacking) == 1


def test_a_tree_follows_no_symlink_when_it_is_removed(tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "precious").write_bytes(b"x")
    (tmp_path / "tree" / "deep").mkdir(parents=True)
    (tmp_path / "tree" / "deep" / "out").symlink_to(tmp_path / "outside")

    StoreDisk().remove_tree(tmp_path / "tree")

    assert not (tmp_path / "tree").exists()
    assert (tmp_path / "outside" / "precious").exists()


def test_removing_what_is_gone_is_fine(tmp_path: Path) -> None:
    StoreDisk().remove_tree(tmp_path / "gone")

    assert list(tmp_path.iterdir()) == []


def test_a_clone_keeps_holes_and_is_another_inode(tmp_path: Path) -> None:
    source = tmp_path / "source"
    with source.open("wb") as file:
        file.truncate(64 << 20)
        file.seek(32 << 20)
        file.write(b"in the middle")

    StoreDisk().clone(source, tmp_path / "target")

    target = tmp_path / "target"
    assert target.read_bytes() == source.read_bytes()
    assert target.stat().st_blocks * 512 < 1 << 20
    assert target.stat().st_ino != source.stat().st_ino


# By `rsync -dR` a board can make directories as deep as a path is long (PATH_MAX 4096: 2,047
# of one letter), and deeper from inside. A process may have 1,024 files open (common practice).
@pytest.mark.parametrize("depth", [63, 64, 65, 130, 3000])
def test_h5_a_tree_of_any_depth_is_removed_with_few_files_open(depth: int, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / "tree").mkdir()
    here = os.open(tmp_path / "tree", os.O_RDONLY)
    for _ in range(depth):
        os.mkdir("d", dir_fd=here)
        os.symlink(outside, "link", dir_fd=here)
        os.close(os.open("file", os.O_CREAT | os.O_WRONLY, 0o600, dir_fd=here))
        below = os.open("d", os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = below
    os.close(here)
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)
    used = len(list(Path("/proc/self/fd").iterdir()))
    resource.setrlimit(resource.RLIMIT_NOFILE, (used + 100, limits[1]))
    try:
        StoreDisk().remove_tree(tmp_path / "tree")
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)

    assert [path.name for path in tmp_path.iterdir()] == ["outside"]


def test_a_tree_that_two_remove_at_once_or_that_is_added_to_is_no_fault(tmp_path: Path) -> None:
    """As two collections do, and a transfer that has not noticed its end."""

    class Beside(StoreDisk):
        """Does something to the tree beside each removal of a file."""

        def unlink_at(self, name: bytes, at: int) -> None:
            if name == b"gone":
                os.unlink(name, dir_fd=at)
            super().unlink_at(name, at)
            if name == b"late":
                (top / "inside" / "later").touch()

    top = tmp_path / "top"
    (top / "inside").mkdir(parents=True)
    for name in ("gone", "late", "plain"):
        (top / "inside" / name).touch()

    Beside().remove_tree(top)

    assert list(tmp_path.iterdir()) == []


def test_a_store_whose_first_file_a_power_cut_has_emptied_says_so(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    (store.root / "store.yaml").write_bytes(b"")

    with pytest.raises(DocumentError, match="it is empty, as a file may be after a power cut"):
        stores.open_store(store.root)


def test_who_wants_contents_alone_comes_in_between_those_that_share_them(tmp_path: Path) -> None:
    """flock(2) would let one share follow the other: two who take turns are enough."""
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    has_begun, is_over = threading.Event(), threading.Event()

    def share() -> None:
        """Hold a share until a while after the next one has begun."""
        while not is_over.is_set():
            with store.using_contents():
                has_begun.set()
                is_over.wait(0.02)

    sharing = [threading.Thread(target=share) for _ in range(8)]
    for each in sharing:
        each.start()
    has_begun.wait()
    try:
        for _ in range(3):
            with store.alone_with_contents():
                pass
    finally:
        is_over.set()
        for each in sharing:
            each.join()


def test_who_uses_contents_for_long_keeps_out_nobody_but_the_collection(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    is_alone, newcomers = threading.Event(), list[int]()

    def alone() -> None:
        with store.alone_with_contents():
            is_alone.set()

    waiting = threading.Thread(target=alone)
    with store.using_contents():  # a board's proof of many contents, say
        waiting.start()
        for number in range(3):
            with store.using_contents():
                newcomers.append(number)
            assert not is_alone.wait(stores.AT_GATE / 2)

    waiting.join()

    assert newcomers == [0, 1, 2]
    assert is_alone.is_set()


def test_a_name_that_was_cut_off_is_no_board(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    path = store.root / stores.REMEMBERED
    path.write_bytes(b"pier-3\npie")

    assert store.lost_boards() == ()


def test_no_flipped_bit_makes_a_board_that_never_was(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    store.known_boards.note(PIER_3, 7)
    path = store.root / stores.REMEMBERED
    sound = path.read_bytes()

    for place in range(8 * len(sound)):
        spoiled = bytearray(sound)
        spoiled[place // 8] ^= 1 << place % 8
        path.write_bytes(spoiled)
        assert store.lost_boards() == ()
        assert store.known_boards.newest(PIER_3) == 0
        assert not store.known_boards.is_sound()

    store.known_boards.note(PIER_3, 7)
    assert path.read_bytes() == sound
    assert store.known_boards.is_sound()
