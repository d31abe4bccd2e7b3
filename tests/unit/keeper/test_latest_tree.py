"""The tree of the newest capture shows it, whatever it showed before."""

from __future__ import annotations

import fcntl
import hashlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.errors import PreflightError
from holdstill.keeper import enrolment, latest_tree
from holdstill.keeper.account import Account
from holdstill.model import names, paths
from holdstill.model.entries import Entry, EntryType
from holdstill.model.settings import BoardLimits
from holdstill.model.sizes import BLOCK
from holdstill.records import index_file, manifest_file
from holdstill.records.index_queries import PlacedEntry
from holdstill.system.files import open_beneath, opened
from support import keeping
from support.keeping import MEMORY, PIER_3, Board, FakeClock, QuickDisk

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.keeper.account import Balance
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

    LocalBoard = Board[LocalKeeper]

NAMES = st.sampled_from([b"a", b"b", b"etc", b"a.d", b"gauge\xff"])
PATHS = st.lists(NAMES, min_size=1, max_size=3).map(b"/".join)
TREES = st.dictionaries(
    PATHS, st.sampled_from([b"", b"1.42 m", b"1.43 m", b"1.44 m"]), max_size=12
)


def without_nested(files: Mapping[bytes, bytes]) -> dict[bytes, bytes]:
    """Drop files that lie below what is a file itself."""
    return {
        path: content
        for path, content in files.items()
        if not any(path.startswith(other + b"/") for other in files)
    }


def tree_of(top: Path) -> dict[str, bytes | None]:
    """Return what is in a tree, by another way than made it: None for a folder."""
    found: dict[str, bytes | None] = {}
    for folder, folders, files in os.walk(top):
        here = Path(folder).relative_to(top)
        found |= dict.fromkeys(str(here / name) for name in folders)
        found |= {str(here / name): Path(folder, name).read_bytes() for name in files}
    return found


def expected(files: Mapping[bytes, bytes]) -> dict[str, bytes | None]:
    """Return what a capture's tree must have: folders, and files that are not empty."""
    found: dict[str, bytes | None] = {}
    for path, content in files.items():
        parts = os.fsdecode(path).split("/")
        found |= {"/".join(parts[:depth]): None for depth in range(1, len(parts))}
        if content:
            found[os.fsdecode(path)] = content
    return found


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        yield Path(made)


def board_on(store: Store, clock: FakeClock) -> LocalBoard:
    return Board(keeping.keeper_of(store, clock=clock), clock=clock)


def refreshed(store: Store) -> Path:
    """Refresh pier-3's tree; return the folder of its partition."""
    keeping.show_latest(store)
    return store.board_folder(PIER_3) / "latest" / "2"


@pytest.mark.timeout(240)
@settings(max_examples=25, deadline=None)
@given(nights=st.lists(TREES.map(without_nested), min_size=2, max_size=4))
def test_the_tree_shows_every_night_whatever_the_night_before_was(
    nights: list[dict[bytes, bytes]],
) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        clock = FakeClock()
        store = keeping.make_store(Path(made, "boathouse"), clock=clock)
        board = board_on(store, clock)
        for files in nights:
            board.files = files
            name = board.capture().name
            clock.advance(86_400)

            assert tree_of(refreshed(store)) == expected(files)
            assert latest_tree.shown(store, PIER_3) == name


@pytest.fixture
def board(folder: Path) -> LocalBoard:
    """A board with one file, and one capture that its tree shows."""
    clock = FakeClock()
    board = board_on(keeping.make_store(folder / "boathouse", clock=clock), clock)
    board.files = {b"etc/hosts": b"pier-3", b"etc/fstab": b"UUID=1"}
    board.capture()
    refreshed(board.keeper._store)
    return board


@pytest.fixture
def store(board: LocalBoard) -> Store:
    return board.keeper._store


def test_files_are_contents_under_their_own_names(board: LocalBoard, store: Store) -> None:
    path = refreshed(store) / "etc" / "hosts"

    digest = names.check_digest(hashlib.sha256(b"pier-3").hexdigest())
    assert path.samefile(store.contents.path(digest))


def test_a_change_leaves_what_did_not_change_as_it_is(board: LocalBoard, store: Store) -> None:
    before = (refreshed(store) / "etc").stat().st_ino
    board.files[b"etc/hosts"] = b"pier-4"
    board.capture()

    tree = refreshed(store)

    assert (tree / "etc").stat().st_ino == before
    assert (tree / "etc" / "hosts").read_bytes() == b"pier-4"


def test_a_change_that_was_cut_off_is_begun_anew(board: LocalBoard, store: Store) -> None:
    tree = refreshed(store)
    (tree.parent / latest_tree.SHOWS).unlink()
    (tree / "etc" / "half").write_bytes(b"left over")

    assert tree_of(refreshed(store)) == expected(board.files)


def test_a_tree_of_a_capture_that_was_thinned_is_made_anew(
    board: LocalBoard, store: Store
) -> None:
    tree = refreshed(store)
    (tree.parent / latest_tree.SHOWS).write_text("000009-20261125T021503Z\n")
    (tree / "etc" / "odd").write_bytes(b"of another capture")

    assert tree_of(refreshed(store)) == expected(board.files)


def test_one_process_at_a_time_changes_it(board: LocalBoard, store: Store) -> None:
    board.files[b"etc/hosts"] = b"pier-4"
    board.capture()
    before = latest_tree.shown(store, PIER_3)
    with (store.board_folder(PIER_3) / "latest.lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)

        refreshed(store)

        assert latest_tree.shown(store, PIER_3) == before


def test_a_tree_that_is_not_wanted_any_more_is_removed_and_pins_nothing(
    board: LocalBoard, store: Store
) -> None:
    board.files[b"etc/hosts"] = b"pier-4"
    board.capture()
    top = refreshed(store)
    digest = names.check_digest(hashlib.sha256(b"pier-4").hexdigest())
    assert store.contents.path(digest).stat().st_nlink == 2

    keeping.show_latest(store, is_wanted=False)

    assert not top.exists()
    assert store.contents.path(digest).stat().st_nlink == 1


def test_a_name_that_is_not_text_is_in_the_tree(board: LocalBoard, store: Store) -> None:
    board.files[b"srv/\xff\xfe\nodd"] = b"odd"
    board.capture()

    tree = os.fsencode(refreshed(store))

    assert Path(os.fsdecode(tree + b"/srv/\xff\xfe\nodd")).read_bytes() == b"odd"


def test_the_longest_path_there_can_be_is_in_the_tree(board: LocalBoard, store: Store) -> None:
    parents = [b"d" * 255] * 15 + [b"e" * 254]
    path = b"/".join([*parents, b"f"])
    board.files = {path: b"deep down"}
    board.capture()

    assert len(path) == paths.PATH_MAX
    with opened(refreshed(store)) as top:
        found = open_beneath(top, b"/".join(parents), os.O_RDONLY | os.O_DIRECTORY)
        assert os.stat(b"f", dir_fd=found).st_size == len(b"deep down")
        os.close(found)


class FewLinks(QuickDisk):
    """A file system that allows a file five names."""

    def link_at(self, source: str, name: bytes, at: int) -> None:
        if Path(source).stat().st_nlink >= 5:
            raise OSError(31, "Too many links")
        super().link_at(source, name, at)


def test_names_beyond_the_links_that_a_file_may_have_are_left_out(folder: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(folder / "crowded", clock=clock, disk=FewLinks())
    board = board_on(store, clock)
    board.files = {b"licence %02d" % n: b"AS IS" for n in range(11)}
    board.capture()

    found = tree_of(refreshed(store))

    assert found == {f"licence {n:02}": b"AS IS" for n in range(4)}
    assert [brief.faults for brief in board.keeper.captures()] == [()]


def test_an_index_that_did_not_change_changes_only_the_name(
    board: LocalBoard, store: Store
) -> None:
    seq_of_the_rows = board.keeper.captures()[-1].seq
    index = keeping.index_bytes({2: board.entries()}, seq=seq_of_the_rows)
    begun = board.keeper.begin()
    data = manifest_file.encode(board.describe(begun, index))
    name = board.keeper.seal(data, board.signed(data)).name
    assert len({brief.index for brief in board.keeper.captures()}) == 1
    tree = store.board_folder(PIER_3) / "latest" / "2"
    (tree / "etc" / "hosts").unlink()  # would be put back by a new tree

    assert tree_of(refreshed(store)) == {"etc": None, "etc/fstab": b"UUID=1"}
    assert latest_tree.shown(store, PIER_3) == name


def compared(
    folder: Path, before: list[Entry], after: list[Entry]
) -> tuple[list[PlacedEntry], list[PlacedEntry]] | None:
    older, newer = folder / "older", folder / "newer"
    keeping.write_index(older, {2: before})
    keeping.write_index(newer, {2: after})
    with index_file.opened_beside(newer, older) as index:
        found = latest_tree.compare(index, 2)
    return found and (found.removed, found.added)


def a_file(name: bytes, size: int = 6) -> Entry:
    return Entry(b"", name, EntryType.FILE, size=size, digest=b"d" * 32)


def test_parts_that_differ_too_much_are_not_compared_to_the_end(folder: Path) -> None:
    half = latest_tree.CHANGES_MAX // 2
    before = [a_file(b"a%06d" % number) for number in range(half)]
    after = [a_file(b"b%06d" % number) for number in range(half + 1)]

    assert compared(folder, before, after) is None
    found = compared(folder, before, after[:-1])
    assert found is not None
    assert [len(entries) for entries in found] == [half, half]


def test_a_file_of_another_size_is_another_file(folder: Path) -> None:
    before, after = (PlacedEntry(b"", b"f", b"d" * 32, size) for size in (6, 7))

    assert compared(folder, [a_file(b"f", 6)], [a_file(b"f", 7)]) == ([before], [after])
    assert compared(folder, [a_file(b"f", 6)], [a_file(b"f", 6)]) == ([], [])


def test_a_directory_in_the_place_of_an_empty_file_is_new(folder: Path) -> None:
    empty = Entry(b"", b"f", EntryType.FILE)
    directory = Entry(b"", b"f", EntryType.DIRECTORY, mode=0o755)
    placed = PlacedEntry(b"", b"f", b"", 0)

    assert compared(folder, [empty], [directory]) == ([], [placed])
    assert compared(folder, [directory], [empty]) == ([placed], [])


def test_h9_m12_a_tree_of_empty_directories_is_charged_and_limited(folder: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock)
    board = board_on(store, clock)
    board.files = {b"srv/hosts": b"pier-3"}
    first = board.capture().name
    keeping.show_latest(store, clock=clock)
    board.files |= {b"srv/%04d/empty" % number: b"" for number in range(500)}
    second = board.capture().name
    limited = keeping.no_limits(store.root, limits=BoardLimits(inodes_per_day=400))

    with pytest.raises(PreflightError, match="inodes_per_day"):
        keeping.show_latest(store, settings=limited, clock=clock)

    assert latest_tree.shown(store, PIER_3) == first
    before = balance(store, clock).today
    keeping.show_latest(store, clock=clock)
    assert latest_tree.shown(store, PIER_3) == second
    spent = before.growth_to(balance(store, clock).today)
    made = list((store.board_folder(PIER_3) / "latest" / "2" / "srv").glob("*/"))
    assert spent.inodes == 500 == len([path for path in made if path.is_dir()])
    assert spent.bytes >= 500 * BLOCK


def test_directories_are_charged_though_their_paths_from_the_root_are_too_long(
    board: LocalBoard, store: Store
) -> None:
    clock = FakeClock()
    keeping.show_latest(store, clock=clock)
    parents = b"/".join([b"d" * 255] * 15)
    board.files = {parents + b"/%0200d/f" % number: b"deep" for number in range(30)}
    board.capture()
    before = balance(store, clock).today

    keeping.show_latest(store, clock=clock)

    spent = before.growth_to(balance(store, clock).today)
    assert spent.inodes == 15 + 30
    assert spent.bytes >= (15 + 30) * BLOCK


def test_a_tree_leaves_the_last_names_of_a_content_to_those_who_fetch_it(
    board: LocalBoard, store: Store, folder: Path
) -> None:
    """ext4 allows a file 65,000 names (docs.kernel.org, filesystems/ext4, "Directory Entries")."""
    shared = store.contents.path(names.check_digest(hashlib.sha256(b"pier-3").hexdigest()))
    for number in range(latest_tree.LINKS_MOST - shared.stat().st_nlink - 1):
        (folder / str(number)).hardlink_to(shared)
    board.files |= {b"etc/one": b"pier-3", b"etc/two": b"pier-3"}
    board.capture()

    shown = {path.name for path in (refreshed(store) / "etc").iterdir()}

    assert shown == {"hosts", "fstab", "one"}
    assert shared.stat().st_nlink == latest_tree.LINKS_MOST


def balance(store: Store, clock: FakeClock) -> Balance:
    enrolled = enrolment.read(store, PIER_3)
    return Account(store, enrolled, keeping.no_limits(store.root), clock=clock).balance()
