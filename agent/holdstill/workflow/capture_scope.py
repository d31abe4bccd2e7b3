"""The board as one capture sees it: its layout, the way for each partition, and open trees."""

from __future__ import annotations

import os
import secrets
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import (
    btrfs_subvolumes,
    fanotify,
    freeze_order,
    identity,
    layout,
    mount_top,
    mounts,
    needed_disks,
    path_filter,
    private_mount,
    root_file,
    scan,
    stacked_volumes,
    whole_trees,
)
from holdstill.board.ctime_window import InodeClock
from holdstill.board.fanotify import EventDetector
from holdstill.board.inode_table_detector import InodeTableDetector
from holdstill.board.inode_tables import InodeTables
from holdstill.board.path_filter import Choice, PathFilter
from holdstill.board.private_mount import PrivateMount
from holdstill.board.scan import PathRules, Scanner
from holdstill.board.stat_detector import StatDetector, StatDetectorWithoutInodes
from holdstill.board.unmounted_fat import UnmountedFat
from holdstill.board.write_counter import WriteCounter
from holdstill.errors import LayoutError, VerificationError
from holdstill.model import sizes
from holdstill.model.layout import Ext4, Fat, Other, Subvolume, Volume
from holdstill.model.paths import BoardPath
from holdstill.model.store_address import FolderAddress
from holdstill.system import byte_source, clocks
from holdstill.workflow import capture_method, capture_refusals, in_the_clear, store_on_card
from holdstill.workflow.capture_method import CaptureMethod
from holdstill.workflow.mounted_tree import MountedTree

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from holdstill.board.followed_files import FollowedFiles
    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock
    from holdstill.workflow.board_state import BoardState
    from holdstill.workflow.capture_method import MethodChoice

MOUNTED = frozenset(
    {
        CaptureMethod.FROZEN,
        CaptureMethod.READ_ONLY,
        CaptureMethod.REMOUNTED,
        CaptureMethod.SETTLED,
        CaptureMethod.LIVE,
    }
)
HELD_BY_NOBODY = frozenset({CaptureMethod.PRIVATE, CaptureMethod.UNMOUNTED, CaptureMethod.RAW})
"""How partitions are captured that need not be mounted."""


@dataclass(frozen=True)
class CaptureScope:
    """What is to be captured, and how."""

    settings: BoardSettings
    board: BoardLayout
    chosen: dict[int, MethodChoice]
    all_mounts: tuple[Mount, ...]

    def parts(self, *wanted: CaptureMethod) -> list[BoardPart]:
        """Return the partitions that are captured in one of these ways."""
        return [part for part in self.board.parts if self.chosen[part.number].method in wanted]

    def frozen(self) -> list[Mount]:
        """Return the mounts of the file systems that are frozen for their files."""
        return [part.mount for part in self.parts(CaptureMethod.FROZEN) if part.mount is not None]

    def stacked(
        self, all_mounts: Sequence[Mount] | None = None, *, also: Iterable[Mount] = ()
    ) -> list[Mount]:
        """Return the writable mounts of what is in files of what is frozen.

        Args:
            all_mounts: as of now.
            also: what is frozen, too, for it was made writable meanwhile.
        """
        now = all_mounts or self.all_mounts
        stands_on = freeze_order.read_stacking(now)
        return freeze_order.standing_on([*self.frozen(), *also], now, stands_on)

    def excludes(self) -> tuple[str, ...]:
        """Return the patterns whose contents stay out: defaults, the user's, and our own."""
        root, own = self.settings.root, (self.settings.state, self.settings.spool)
        inside = [f"/{path.relative_to(root)}" for path in own if path.is_relative_to(root)]
        if store := store_on_card.inside(self.settings, self.board, self.all_mounts):
            inside.append(store)
        return (*path_filter.DEFAULT_EXCLUDES, *self.settings.exclude, *inside)

    def leaves_out(self, part: BoardPart, path: bytes) -> bool:
        """Whether a file of a partition stays out, by the patterns."""
        return _rules(self, part, frozenset()).choose(path) is not Choice.WHOLE

    def excludes_on(self, part: BoardPart) -> tuple[str, ...]:
        """Return the patterns that can matter on one partition, for the manifest."""
        return tuple(
            pattern
            for pattern in self.excludes()
            if any(path_filter.matters_at(pattern, view.place) for view in part.seen)
        )


def survey_board(settings: BoardSettings) -> CaptureScope:
    """Find out what the board is made of, and decide how each partition is captured.

    Raises:
        LayoutError: the disk cannot be understood.
        PreflightError: a partition cannot be captured with these settings.
    """
    all_mounts = mounts.read_mounts()
    board = read_board(settings, all_mounts)
    chosen = capture_method.choose_all(board, settings)
    for refusal in capture_refusals.of_board(settings, board, chosen, all_mounts):
        raise refusal
    left_out = tuple(
        f"partition {part.number} ({sizes.human(part.size)}) is left out: "
        f"{chosen[part.number].why}"
        for part in board.parts
        if chosen[part.number].method is CaptureMethod.LEFT_OUT
    )
    told = filter(None, [in_the_clear.remark(board, chosen)])
    board = replace(board, warnings=(*board.warnings, *left_out, *told))
    return CaptureScope(settings, board, chosen, all_mounts)


def read_board(settings: BoardSettings, all_mounts: tuple[Mount, ...]) -> BoardLayout:
    """Find out what the disks are made of that are to be captured.

    Raises:
        LayoutError: one cannot be understood.
    """
    root, address = BoardPath(os.fsencode(settings.root)), settings.keeper
    store = address.path if isinstance(address, FolderAddress) else None
    devices = needed_disks.find(settings.disks, root, all_mounts, store=store)
    board = layout.read_layout(root, devices=devices, all_mounts=all_mounts)
    mine = [mount for mount in all_mounts if mounts.is_below(mount.point, root)]
    board = stacked_volumes.with_volumes(board, root, mine)
    board = replace(board, parts=layout.with_card_below(board.parts, root, all_mounts))
    board = whole_trees.with_views(board, root, all_mounts)
    board = root_file.with_root_file(board, root, all_mounts)
    whole = btrfs_subvolumes.with_subvolumes(board, root, all_mounts, snapshots=settings.snapshots)
    return btrfs_subvolumes.without(whole, set(map(str, settings.leave_out)))


@dataclass(frozen=True)
class OpenTrees:
    """The open trees of a scope.

    Attributes:
        mounted: trees of mounted file systems, by partition.
        unmounted: trees of unmounted ones that are read without the kernel.
        bindings: what the baselines of mounted trees are good for: rules, and more.
        counters: of what is written to partitions that nobody has mounted.
    """

    mounted: dict[int, MountedTree]
    unmounted: dict[int, UnmountedFat]
    bindings: dict[int, str]
    counters: dict[int, WriteCounter]

    @property
    def all(self) -> tuple[MountedTree | UnmountedFat, ...]:
        """Every tree."""
        return (*self.mounted.values(), *self.unmounted.values())

    @property
    def numbers(self) -> frozenset[int]:
        """The partitions that have files in the index."""
        return frozenset(tree.part for tree in self.all)

    @property
    def written(self) -> frozenset[int]:
        """Unmounted partitions that somebody has written to since they were opened."""
        return frozenset(n for n, counter in self.counters.items() if counter.has_grown)


@contextmanager
def open_trees(
    scope: CaptureScope,
    memory: BoardState,
    directory: Path,
    clock: Clock,
    followed: FollowedFiles,
) -> Iterator[OpenTrees]:
    """Hold the trees of a scope open.

    Args:
        scope: the board.
        memory: gives the detectors the baselines of the last capture.
        directory: in memory, for contents that cannot be read in place.
        clock: for the detectors.
        followed: large files that are followed; begun before.
    """
    with ExitStack() as undo:
        found = OpenTrees({}, {}, {}, {})
        for part in scope.parts(*HELD_BY_NOBODY):
            if part.mount is None:
                found.counters[part.number] = WriteCounter(part.device)
        swap_files = read_swap_files(scope.settings.root)
        roots = undo.enter_context(_opened_roots(scope))
        for part in scope.parts(*MOUNTED):
            kept = _rules(scope, part, swap_files)
            found.bindings[part.number] = f"{kept.fingerprint} {_identity_of(scope.board, part)}"
            tree = _mounted(
                part, roots[part.number], kept, memory, clock, followed,
                bound_to=found.bindings[part.number],
            )  # fmt: skip
            found.mounted[part.number] = undo.enter_context(tree)
        hidden = undo.enter_context(_opened_private(scope))
        for part in scope.parts(CaptureMethod.PRIVATE):
            unwritten = _unwritten_since(found.counters[part.number])
            bound_to = f"{unwritten} {_identity_of(scope.board, part)}"
            found.bindings[part.number] = bound_to
            found.mounted[part.number] = undo.enter_context(
                _private(part, hidden[part.number], memory, clock, bound_to)
            )
        for part in scope.parts(CaptureMethod.UNMOUNTED):
            window = undo.enter_context(layout.opened_part(scope.board, part))
            found.unmounted[part.number] = UnmountedFat(part.number, window, directory)
        yield found


@contextmanager
def _opened_roots(scope: CaptureScope) -> Iterator[dict[int, int]]:
    """Hold the root directory of every mounted tree open.

    Raises:
        PreflightError: a subvolume is gone.
    """
    with ExitStack() as undo:
        found: dict[int, int] = {}
        for part in scope.parts(*MOUNTED):
            assert part.mount is not None  # noqa: S101  it is mounted
            opened: AbstractContextManager[int]
            if isinstance(part.file_system, Subvolume):
                opened = btrfs_subvolumes.opened(found[part.partition], part.file_system)
            elif part.is_top or (part.views and part.mount.inside.raw != b"/"):
                opened = mount_top.whole(part.mount)
            elif part.mount.is_covered:
                opened = mount_top.opened(part.mount)  # nothing is mounted in a mount of our own
            else:
                opened = _opened_bare(part.mount)
            found[part.number] = undo.enter_context(opened)
        yield found


@contextmanager
def _opened_bare(mount: Mount) -> Iterator[int]:
    with mount_top.opened(mount) as top, scan.opened_root(b"/proc/self/fd/%d" % top) as handle:
        yield handle


def _rules(scope: CaptureScope, part: BoardPart, swap_files: frozenset[bytes]) -> PathFilter:
    if not part.seen:  # the owner's words are about what is seen below the root
        return PathFilter(exclude=(), swap_files=frozenset())
    return PathFilter(
        exclude=scope.excludes(),
        include=(*scope.settings.include, *_inner(scope, part)),
        swap_files=swap_files,
        views=part.seen,
    )


def _inner(scope: CaptureScope, part: BoardPart) -> list[str]:
    """Return where subvolumes are seen in a tree: the way to each is kept, if excluded or not."""
    top = part.place.rstrip("/") + "/"
    return [
        other.place
        for other in scope.board.parts
        if other.partition == part.partition and other is not part and other.place.startswith(top)
    ]


def _identity_of(board: BoardLayout, part: BoardPart) -> str:
    """Return what tells a partition from another that has its number after a change of disks."""
    disk = board.disk_of(part).layout
    area = disk.area(part.partition)
    inside = area.uuid or area.name if isinstance(area, Volume) else ""
    return f"{disk.label} {disk.id} {disk.partition_below(part.partition).in_table} {inside}"


def _unwritten_since(counter: WriteCounter) -> str:
    """Return what binds a baseline to this state of an unmounted partition.

    A new image of a spare slot may have the very inodes of the old one, and other contents: change
    times prove nothing across a write from outside, nor across a boot, after which nobody knows.
    """
    start = counter.start
    is_told = start is not None and start.anywhere is not None
    return f"{identity.boot_id()} {start if is_told else secrets.token_hex()}"


@contextmanager
def _opened_private(scope: CaptureScope) -> Iterator[dict[int, PrivateMount]]:
    """Hold every tree open that is reached by a mount of ours alone.

    Raises:
        PreflightError: one is not as it was a moment ago.
    """
    with ExitStack() as undo:
        found: dict[int, PrivateMount] = {}
        for part in scope.parts(CaptureMethod.PRIVATE):
            if isinstance(part.file_system, Subvolume):
                top = found[part.partition]
                opened = btrfs_subvolumes.opened(top.root, part.file_system)
                mount = PrivateMount(undo.enter_context(opened), top.device)
            else:
                mount = undo.enter_context(private_mount.opened(scope.board, part))
                btrfs_subvolumes.check_as_found(part, mount.root)
            found[part.number] = mount
        yield found


@contextmanager
def _private(
    part: BoardPart, mount: PrivateMount, memory: BoardState, clock: Clock, bound_to: str
) -> Iterator[MountedTree]:
    with ExitStack() as undo:
        here = replace(part, device=mount.device)
        tables = undo.enter_context(_tables(here, mount.root))
        scanner = _private_scanner(part, mount, tables)
        detector = undo.enter_context(_detector(here, mount.root, tables, clock))
        detector.start_from(memory.baseline(part.number), bound_to=bound_to)
        yield MountedTree(part.number, scanner, detector)


def _private_scanner(part: BoardPart, mount: PrivateMount, tables: InodeTables | None) -> Scanner:
    rules, is_one = PathFilter(exclude=()), _is_one_of_several(part)
    return Scanner(
        mount.root,
        rules,
        inodes=tables,
        is_one_of_several=is_one,
        has_projects=_has_projects(part),
        has_encryption=in_the_clear.encrypts_folders(part.file_system),
    )


@contextmanager
def _mounted(
    part: BoardPart,
    root: int,
    kept: PathFilter,
    memory: BoardState,
    clock: Clock,
    followed: FollowedFiles,
    *,
    bound_to: str,
) -> Iterator[MountedTree]:
    with ExitStack() as undo:
        tables = undo.enter_context(_tables(part, root))
        scanner = _scanner(part, root, kept, tables)
        detector = undo.enter_context(_detector(part, root, tables, clock))
        detector.start_from(memory.baseline(part.number), bound_to=bound_to)
        yield MountedTree(part.number, scanner, detector, followed.parts.get(part.number))


def _scanner(part: BoardPart, root: int, kept: PathFilter, tables: InodeTables | None) -> Scanner:
    assert part.mount is not None  # noqa: S101  it is mounted
    if part.mount.type != "vfat":
        return Scanner(
            root, kept, inodes=tables, is_one_of_several=_is_one_of_several(part),
            has_projects=_has_projects(part),
            has_encryption=in_the_clear.encrypts_folders(part.file_system),
        )  # fmt: skip
    west = clocks.kernel_minutes_west()
    shift = scan.fat_shift_ns(part.mount.options, minutes_west=west)
    return Scanner(root, kept, flavour=PathRules.FAT, fat_shift_ns=shift)


def _has_projects(part: BoardPart) -> bool:
    """Whether files may have project ids: for all others nobody pays for asking."""
    kind = part.file_system
    if isinstance(kind, Ext4):
        return "project" in kind.features
    return isinstance(kind, Other) and kind.type == "xfs"


def _is_one_of_several(part: BoardPart) -> bool:
    """Whether it is one tree of a btrfs with several."""
    return part.is_top or isinstance(part.file_system, Subvolume)


@contextmanager
def open_scanners(scope: CaptureScope) -> Iterator[dict[int, Scanner]]:
    """Hold scanners of what the kernel can show open, with the rules of a capture."""
    with ExitStack() as undo:
        found = {}
        swap_files = read_swap_files(scope.settings.root)
        roots = undo.enter_context(_opened_roots(scope))
        for part in scope.parts(*MOUNTED):
            rules = _rules(scope, part, swap_files)
            root = roots[part.number]
            tables = undo.enter_context(_tables_for_projects(part, root))
            found[part.number] = _scanner(part, root, rules, tables)
        hidden = undo.enter_context(_opened_private(scope))
        for part in scope.parts(CaptureMethod.PRIVATE):
            mount = hidden[part.number]
            here = replace(part, device=mount.device)
            tables = undo.enter_context(_tables_for_projects(here, mount.root))
            found[part.number] = _private_scanner(part, mount, tables)
        yield found


@contextmanager
def _tables_for_projects(part: BoardPart, root: int) -> Iterator[InodeTables | None]:
    """Hold the inode tables open if nothing else has the project ids of symlinks and the like."""
    if isinstance(part.file_system, Ext4) and _has_projects(part):
        with _tables(part, root) as tables:
            yield tables
    else:
        yield None


@contextmanager
def _tables(part: BoardPart, root: int) -> Iterator[InodeTables | None]:
    """Hold the inode tables of a mounted ext4 open; None where there are none to follow."""
    if not isinstance(part.file_system, Ext4) or not part.device.is_block_device():
        yield None
        return
    if os.fstat(root).st_dev != part.device.stat().st_rdev:
        yield None
        return
    with byte_source.opened(part.device) as source:
        try:
            tables = InodeTables(source)
        except (LayoutError, VerificationError):
            yield None
            return
        yield tables


@contextmanager
def _detector(
    part: BoardPart, root: int, tables: InodeTables | None, clock: Clock
) -> Iterator[InodeTableDetector | StatDetector]:
    """Hold the best way to find changes that there is for a file system."""
    stamps_of = InodeClock(clock, clocks.coarse_now_ns)
    with ExitStack() as undo:
        if tables is not None:
            yield InodeTableDetector(root, tables, stamps_of)
        elif isinstance(part.file_system, Fat):
            yield StatDetectorWithoutInodes(root, stamps_of)
        elif _is_one_of_several(part):
            yield StatDetector(root, stamps_of)  # the kernel's reports are of all of them together
        elif part.mount is not None and part.mount.type in capture_method.FREEZABLE:
            # Only this kernel changes these; a network file system's changes are no events here.
            try:
                queue = undo.enter_context(fanotify.listening(root, own=os.getpid()))
            except OSError:  # too old a kernel, a btrfs subvolume
                yield StatDetector(root, stamps_of)
                return
            yield EventDetector(root, stamps_of, queue)
        else:
            yield StatDetector(root, stamps_of)


def read_swap_files(root: Path) -> frozenset[bytes]:
    """Return the files that are in use as swap, as paths of the board (proc(5), swaps)."""
    try:
        lines = Path("/proc/swaps").read_bytes().splitlines()[1:]
    except OSError:
        return frozenset()
    top = os.fsencode(root).rstrip(b"/")
    names = [mounts.unescape(line.split()[0]) for line in lines if line.split()[1:2] == [b"file"]]
    return frozenset(name.removeprefix(top) for name in names if name.startswith(top + b"/"))
