"""Rebuild a capture as a bootable card or image: write what was decided, then look at it."""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol

from holdstill.disks import boot_gap, boot_gap_writer, partition_table_writer, raw_writer
from holdstill.errors import LayoutError, LinkError, VerificationError
from holdstill.filesystems import writer_input
from holdstill.filesystems.ext4 import ext4_writer
from holdstill.filesystems.fat import fat_writer, syslinux
from holdstill.filesystems.kernel_filled import kernel_writer
from holdstill.filesystems.swap import swap_writer
from holdstill.model import names
from holdstill.model.layout import Record, Swap
from holdstill.rebuild import (
    bootcheck,
    counterfeit_probe,
    device_safety,
    execute_plan,
    new_identity,
    sibling_changes,
)
from holdstill.rebuild import target as targets
from holdstill.rebuild.boot.report import BootReport
from holdstill.rebuild.counterfeit_probe import TargetMedium
from holdstill.rebuild.overlay import Overlay
from holdstill.rebuild.ssh_host_keys import SshKeygen
from holdstill.records import index_file
from holdstill.system import byte_source, files
from holdstill.verify import card_check

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.disks.boot_gap import GapExtent
    from holdstill.filesystems.writer_input import ContentSource
    from holdstill.model.entries import Entry
    from holdstill.model.layout import FileSystem
    from holdstill.model.manifest import Manifest, SwapFile
    from holdstill.rebuild.planner import Plan
    from holdstill.rebuild.steps import (
        AnyStep,
        MakeExt4,
        MakeFat,
        MakeOther,
        MakeSwap,
        PutGap,
        PutRaw,
        ReadBack,
        WriteTable,
    )
    from holdstill.rebuild.target import Target
    from holdstill.records.index_file import Index
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.verify.card_check import CardReport
    from holdstill.workflow.ports import Progress


class Capture(Protocol):
    """A sealed capture to rebuild from."""

    @property
    def index_path(self) -> Path:
        """Its index."""

    @property
    def gap_path(self) -> Path | None:
        """Its boot gap, None when there was nothing in it."""

    def raw_path(self, number: int) -> Path:
        """Return the bytes of a raw partition."""

    def manifest(self) -> Manifest:
        """Return its manifest."""

    def open(self, digest: bytes) -> int:
        """Open a content; the caller closes."""


class RebuildReport(Record, frozen=True, kw_only=True):
    """How a rebuild went.

    Attributes:
        target: what was written.
        size: bytes of it.
        written_bytes: contents that were copied.
        checked_entries: entries that were read back by other code and found as captured.
        bootable: whether every link of a boot chain is on the target, as far as it can tell.
        boot_trouble: links that are missing.
        notes: what is not as on the captured card.
        changes: what a sibling has otherwise.
        left_out: files whose contents are damaged in the store, by their paths on the board.
    """

    board: str
    capture: str
    target: str
    size: int
    entries: int
    written_bytes: int
    checked_entries: int
    seconds: float
    verify_seconds: float
    bootable: bool
    boot_trouble: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class RebuildDependencies:
    """What a rebuild is handed."""

    machine: Runner
    clock: Clock
    tell: Progress


class Ahead(Protocol):
    """Passes entries on, having seen to it that their contents are at hand."""

    def __call__(
        self, entries: Iterable[Entry], wanted: Callable[[Entry], bool] = ...
    ) -> Iterator[Entry]:
        """Yield the same entries; wanted are those whose contents will be asked for."""


def at_hand(
    entries: Iterable[Entry],
    wanted: Callable[[Entry], bool] = bool,  # noqa: ARG001  the shape of Ahead
) -> Iterator[Entry]:
    """Pass entries on whose contents all lie on this machine."""
    yield from entries


@dataclass(frozen=True)
class RebuildSource:
    """What is rebuilt: a capture, with its files as they are to be on the target.

    Attributes:
        ahead: sees to it that contents are at hand, where the store is elsewhere.
    """

    name: str
    manifest: Manifest
    index: Index
    contents: ContentSource
    capture: Capture
    overlay: Overlay = field(default_factory=Overlay)
    ahead: Ahead = at_hand

    def entries(self, part: int) -> Iterator[Entry]:
        """Yield the entries of a partition as they are to be on the target."""
        return self.overlay.adjusted(part, self.index.entries(part))

    def written(self, part: int) -> Iterator[Entry]:
        """Yield the same entries for a writer, who asks for each content in its turn."""
        return self.overlay.adjusted(part, self.ahead(self.index.entries(part)))

    def measured(self, part: int) -> Iterator[Entry]:
        """Yield the same entries for one who looks for the holes in sparse files."""
        sparse = self.ahead(self.index.entries(part), lambda entry: bool(entry.sparse))
        return self.overlay.adjusted(part, sparse)


@contextmanager
def opened(capture: Capture, name: str, *, ahead: Ahead = at_hand) -> Iterator[RebuildSource]:
    """Hold a capture open for rebuilding it as it was: a replacement for the board's card.

    Args:
        capture: here or elsewhere.
        name: what reports call it.
        ahead: brings contents here that lie elsewhere.
    """
    manifest = capture.manifest()
    _check_digest(files.hash_file(capture.index_path).hex(), manifest.index.sha256, "index")
    with index_file.opened(capture.index_path) as index:
        yield RebuildSource(name, manifest, index, capture, capture, ahead=ahead)


def sibling(
    source: RebuildSource, name: str, machine: Runner
) -> tuple[RebuildSource, tuple[str, ...]]:
    """Turn a source into that of another board; return it with a list of what is otherwise."""
    gap_path = source.capture.gap_path
    made = sibling_changes.make_sibling(
        source.manifest,
        new_identity.invent(source.manifest, names.check_board(name), os.urandom),
        files=source.index,
        contents=source.contents,
        tools=sibling_changes.SiblingTools(os.urandom, SshKeygen(machine)),
        gap=gap_path.read_bytes() if gap_path else b"",
        lost=source.overlay.lost,
    )
    changes = (*map(str, made.changes), *(f"left as it is: {change}" for change in made.left))
    changed = replace(source, manifest=made.manifest, overlay=made.overlay)
    return changed, changes


def carry_out_on(
    target: Target, plan: Plan, source: RebuildSource, means: RebuildDependencies
) -> RebuildReport:
    """Write a decided plan to a claimed target, and read all of it back by other code.

    Raises:
        TargetFailedError: writing failed; the target has no valid partition table.
        VerificationError: what was read back differs, or the store was damaged.
    """
    started = means.clock.monotonic()
    writers = _Writers(target, source, means)
    execute_plan.carry_out(plan, writers, begin=lambda step: means.tell.step(_words(step)))
    boot = _boot_report(target, source)
    return RebuildReport(
        board=source.manifest.board.name,
        capture=source.name,
        target=target.name,
        size=target.size,
        entries=writers.entries,
        written_bytes=writers.written,
        checked_entries=writers.checked,
        seconds=round(means.clock.monotonic() - started, 2),
        verify_seconds=round(writers.verify_seconds, 2),
        bootable=boot.is_bootable,
        boot_trouble=tuple(_broken_links(boot)),
        notes=(*plan.notes, *writers.warnings),
    )


def _boot_report(target: Target, source: RebuildSource) -> BootReport:
    opened = byte_source.OpenFile(target.handle, size=target.size)
    try:
        return bootcheck.check(opened, model=source.manifest.board.model)
    except LayoutError:  # a file system without a table: no board's firmware starts from that
        return BootReport((), ())


def _broken_links(boot: BootReport) -> Iterator[str]:
    for chain in boot.chains:
        yield from (f"{chain.name}: {link}" for link in chain.links if link.breaks)
    yield from (f"system: {link}" for link in boot.system if link.breaks)
    if not boot.chains:
        yield "nothing on it is known to boot"


def _words(step: AnyStep) -> str:
    number = getattr(step, "number", None)
    text = type(step).__struct_config__.tag
    words = str(text).replace("-", " ")
    return f"{words} {number}" if number else words


class _Writers:
    """Puts a capture on a target: the real parts behind carry_out.Writers."""

    def __init__(self, target: Target, source: RebuildSource, means: RebuildDependencies) -> None:
        self._target = target
        self._source = source
        self._means = means
        laid_over = source.overlay.over(source.contents)
        self._contents = (
            writer_input.LocalContents(laid_over) if source.ahead is at_hand else laid_over
        )
        self._total = sum(part.content_bytes for part in source.manifest.parts)
        self.entries = self.written = self.checked = 0
        self._is_probed = False
        self._made: dict[int, FileSystem] = {}
        self._gap: list[GapExtent] = []
        self.verify_seconds = 0.0
        self.warnings: list[str] = []

    def advance(self, count: int) -> None:
        """Take note of bytes that were written."""
        self.written += count
        self._means.tell.update(self.written, self._total)

    def clear_tables(self) -> None:
        targets.invalidate(self._target)
        device_safety.discard(self._target)
        if self._target.is_device and not self._is_probed:
            self._is_probed = True  # it is cleared again if a step fails; then it is not asked
            self._means.tell.step("checking that the card keeps what is written to it")
            medium = TargetMedium(self._target)
            counterfeit_probe.probe(medium, needed=self._target.size, nonce=os.urandom(16))

    def gap(self, step: PutGap) -> None:
        path = self._source.capture.gap_path
        data = path.read_bytes() if path is not None else b""
        found = hashlib.sha256(data).hexdigest()
        _check_digest(found, step.attachment.sha256, "boot gap")
        self._gap = boot_gap.decode(data)
        boot_gap_writer.write(self._target.path, self._gap, disk=step.disk)

    def fat(self, step: MakeFat) -> None:
        self._made[step.number] = step.parameters
        entries = _Counted(self._source.written(step.number))
        fat_writer.make(
            self._target.path, offset=step.offset, size=step.size, parameters=step.parameters,
            entries=entries, contents=self._contents, machine=self._means.machine, progress=self,
        )  # fmt: skip
        self.entries += entries.count
        for loader in entries.loaders:
            self._install(loader, step)

    def _install(self, loader: Entry, step: MakeFat) -> None:
        if not syslinux.is_installed():
            self.warnings.append(syslinux.not_installed(loader, number=step.number))
            return
        syslinux.install(
            self._target.path, offset=step.offset, loader=loader, machine=self._means.machine
        )

    def ext4(self, step: MakeExt4) -> None:
        machine, path = self._means.machine, self._target.path
        made, filled = ext4_writer.write(
            path, offset=step.offset, size=step.size, parameters=step.parameters,
            entries=self._source.written(step.number), contents=self._contents, machine=machine,
            heads=_swap_heads(step.swap_files), progress=self,
        )  # fmt: skip
        self._made[step.number] = made
        ext4_writer.finish(path, offset=step.offset, parameters=step.parameters, machine=machine)
        self.entries += filled.entries
        self.warnings += filled.warnings

    def other(self, step: MakeOther) -> None:
        machine, path = self._means.machine, self._target.path
        kernel_writer.make(
            path, offset=step.offset, size=step.size, parameters=step.parameters, machine=machine,
            owner=next(((top.uid, top.gid) for top in self._source.entries(step.number)), (0, 0)),
        )  # fmt: skip
        filled = kernel_writer.populate(
            path, offset=step.offset, size=step.size, parameters=step.parameters,
            entries=self._source.written(step.number), again=self._source.entries(step.number),
            contents=self._contents, heads=_swap_heads(step.swap_files), machine=machine,
            progress=self,
        )  # fmt: skip
        self.entries += filled.entries
        self.warnings += filled.warnings

    def swap(self, step: MakeSwap) -> None:
        swap_writer.make(
            self._target.path, offset=step.offset, size=step.size, parameters=step.parameters
        )

    def raw(self, step: PutRaw) -> None:
        with files.opened(self._source.capture.raw_path(step.number)) as content:
            raw_writer.write(
                self._target.path, offset=step.offset, size=step.size,
                parameters=step.parameters, content=content,
            )  # fmt: skip

    def flush(self) -> None:
        targets.flush_and_drop_caches(self._target)

    def table(self, step: WriteTable) -> None:
        partition_table_writer.write(self._target.path, step.disk, self._means.machine)

    def read_back(self, step: ReadBack) -> None:
        started = self._means.clock.monotonic()
        report = card_check.check_contents(
            self._target.path, self._source.manifest, disk=step.disk,
            expected=self._source.entries, file_systems=self._made, gap=self._gap,
            progress=lambda done: self._means.tell.update(done, self._total),
            machine=self._means.machine,
        )  # fmt: skip
        self.verify_seconds = self._means.clock.monotonic() - started
        self.checked = report.entries
        self.warnings += [f"not checked: {text}" for text in report.unchecked]
        self._check_stored(report)
        report.raise_if_different()

    def _check_stored(self, report: CardReport) -> None:
        """Raise if it was the store that had other bytes; what the card did is told then, too.

        What cannot be asked for now, such as over a link that is gone, is left to be the card's.
        """
        lost = []
        for digest, path in report.altered:
            with suppress(OSError, LinkError):
                if not writer_input.is_stored(self._contents, digest):
                    lost.append(path)
        if not lost:
            return
        others = report.total - len(lost)
        more = f"; nor are {len(lost) - 1} others" if len(lost) > 1 else ""
        card = f"; and in {others} other places the card itself differs" if others else ""
        raise writer_input.not_the_content_of(lost[0], f"{writer_input.OTHER_BYTES}{more}{card}")


def _swap_heads(swap_files: tuple[SwapFile, ...]) -> Mapping[bytes, bytes]:
    return {
        file.path.encode(): swap_writer.header(
            Swap(uuid=file.uuid, label=file.label), size=file.size
        )
        for file in swap_files
        if file.uuid
    }


@dataclass
class _Counted:
    """A stream of a FAT's entries that counts itself, and notes loaders that must be installed."""

    entries: Iterator[Entry]
    count: int = 0
    loaders: list[Entry] = field(default_factory=list)

    def __iter__(self) -> Iterator[Entry]:
        for entry in self.entries:
            self.count += 1
            if syslinux.is_loader(entry):
                self.loaders.append(entry)
            yield entry


def _check_digest(found: str, wanted: str, what: str) -> None:
    if found != wanted:
        raise VerificationError(
            f"the stored {what} is not what the manifest says",
            hint="the store was damaged or changed: run `holdstill verify`",
        )
