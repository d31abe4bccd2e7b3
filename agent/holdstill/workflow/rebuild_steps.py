"""Carries out the steps of a rebuild on a claimed target, each by the writer that it needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, assert_never

from holdstill.disks import (
    array_writer,
    boot_gap,
    boot_gap_writer,
    emmc_area_check,
    emmc_area_writer,
    emmc_areas,
    luks_check,
    luks_writer,
    lvm_writer,
    partition_table_check,
    partition_table_writer,
    raw_writer,
)
from holdstill.errors import TargetFailedError
from holdstill.filesystems import writer_input
from holdstill.filesystems.ext4 import ext4_writer
from holdstill.filesystems.fat import fat_writer, syslinux
from holdstill.filesystems.kernel_filled import kernel_writer
from holdstill.filesystems.swap import swap_writer
from holdstill.rebuild import counterfeit_probe, rebuild_target
from holdstill.rebuild.steps import (
    AnyStep,
    ClearTables,
    Flush,
    LeaveEmpty,
    MakeArray,
    MakeExt4,
    MakeFat,
    MakeLuks,
    MakeLvm,
    MakeOther,
    MakeSwap,
    PartStep,
    PutBootArea,
    PutGap,
    PutRaw,
    ReadBack,
    WriteTable,
)
from holdstill.workflow import read_back, rebuild_stages, unencrypted_file

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.layout import FileSystem
    from holdstill.rebuild.rebuild_target import Target
    from holdstill.workflow.rebuild_dependencies import RebuildDependencies
    from holdstill.workflow.rebuild_source import RebuildSource
    from holdstill.workflow.unencrypted_file import UnencryptedFile


class StepWriter:
    """Does the steps of one rebuild, in the order in which it is called with them.

    Attributes:
        entries: file-system entries that were written.
        written: bytes of contents that were written, holes included.
        checked: entries that were read back by other code and found as captured.
        verify_seconds: of reading back.
        warnings: what is not as on the captured card.
        boot_areas: devices of an eMMC's areas that were written and read back.
    """

    def __init__(
        self, target: Target, source: RebuildSource, outside: RebuildDependencies
    ) -> None:
        self._target, self._source, self._outside = target, source, outside
        contents = source.overlay.over(source.capture)
        is_local = source.capture.is_local
        self._contents = writer_input.LocalContents(contents) if is_local else contents
        self._sizes = {part.number: part.content_bytes for part in source.manifest.parts}
        self._before = self._total = 0
        self._is_probed = False
        self._made: dict[int, FileSystem] = {}
        self._inside: UnencryptedFile | None = None
        self._containers: list[MakeLuks] = []
        self._given = b""
        self.entries = self.written = self.checked = 0
        self.verify_seconds = 0.0
        self.warnings: list[str] = []
        self.boot_areas: list[str] = []

    def __call__(self, step: AnyStep) -> None:
        """Do one step.

        Raises:
            HoldstillError, OSError: it failed.
        """
        path, machine = self._path(step), self._outside.machine
        number = step.number if isinstance(step, PartStep) else 0
        if isinstance(step, MakeFat | MakeSwap) and not step.inside:
            # What was said at the end of a partition outlives these; others clear it themselves.
            rebuild_target.clear_ends(self._target, step.offset, step.size)
        self._before, self._total = self.written, self._sizes.get(number, 0)
        match step:
            case ClearTables():
                self._clear_tables()
            case PutGap():
                self._put_gap(step)
            case PutBootArea():
                self._put_boot_area(step)
            case MakeFat():
                self._make_fat(step)
            case MakeExt4():
                self._make_ext4(step)
            case MakeOther():
                self._make_other(step)
            case MakeSwap():
                swap_writer.make(
                    path, offset=step.offset, size=step.size, parameters=step.parameters
                )
            case PutRaw():
                raw_writer.write(
                    path, offset=step.offset, size=step.size, parameters=step.parameters,
                    pieces=self._source.raw_pieces(step.number),
                )  # fmt: skip
            case LeaveEmpty() if step.inside:
                pass  # of what is inside nothing was written before
            case LeaveEmpty():
                rebuild_target.clear_ends(self._target, step.offset, step.size)
            case MakeLvm():
                lvm_writer.write(
                    path, offset=step.offset, size=step.size, parameters=step.parameters,
                    members=step.members, volumes=step.volumes,
                )  # fmt: skip
            case MakeArray():
                array_writer.write(
                    path, offset=step.offset, size=step.size, content=step.content,
                    parameters=step.parameters,
                )  # fmt: skip
            case MakeLuks():
                self._make_luks(step)
            case Flush():
                rebuild_target.flush_and_drop_caches(self._target)
            case ReadBack():
                self._read_back(step)
            case WriteTable():
                partition_table_writer.write(path, step.disk, machine)
                partition_table_check.check(path, step.disk)
            case unknown:
                assert_never(unknown)

    def advance(self, count: int) -> None:
        """Count bytes that were written (`writer_input.ByteCounter`)."""
        self.written += count
        self._outside.progress.update(self.written - self._before, self._total)

    def _path(self, step: AnyStep) -> Path:
        """Return where a step writes: what is inside a container is made in a file first."""
        is_inside = isinstance(step, PartStep) and step.inside
        return self._inside_of_containers() if is_inside else self._target.path

    def _inside_of_containers(self) -> Path:
        """Return the file in which what is to be encrypted is made, at its place on the target."""
        if self._inside is None:
            self._inside = unencrypted_file.made(self._target.size)
        return self._inside.path

    def _make_luks(self, step: MakeLuks) -> None:
        self._containers.append(step)
        luks_writer.write(
            self._target.path, self._inside_of_containers(), offset=step.offset, size=step.size,
            parameters=step.parameters, passphrase=self._passphrase(),
            keys=self._source.keys_of(step.number), machine=self._outside.machine,
        )  # fmt: skip

    def _passphrase(self) -> bytes:
        if not self._given:
            self._given = self._outside.passphrase()
        return self._given

    def close(self) -> None:
        """Take away what was needed for writing only."""
        if self._inside is not None:
            self._inside.remove()

    def _clear_tables(self) -> None:
        rebuild_target.invalidate(self._target)
        rebuild_target.discard(self._target)
        if self._target.is_device and not self._is_probed:
            self._is_probed = True  # a failed step clears the tables again: no second probe then
            self._outside.progress.step(rebuild_stages.PROBE)
            counterfeit_probe.probe_target(self._target)

    def _put_gap(self, step: PutGap) -> None:
        runs = self._source.boot_gap(step.attachment)
        boot_gap_writer.check(runs, disk=self._source.manifest.disk)
        free, lost = boot_gap.where_free(runs, step.disk)
        boot_gap_writer.write(self._target.path, free, disk=step.disk)
        self.warnings += [
            f"bytes {run.offset:,} to {run.end:,}, which were between partitions, are left out: "
            "a partition is there now"
            for run in lost
        ]

    def _put_boot_area(self, step: PutBootArea) -> None:
        areas = {area.area: area for area in emmc_areas.find(self._target.path)}
        if step.area not in areas:
            raise TargetFailedError(
                f"{step.device} is gone", hint="look for it with `lsblk`, and start over"
            )
        listed, pieces = self._source.pieces_of(step.attachment)
        emmc_area_writer.write(areas[step.area], size=listed.size, pieces=pieces)
        emmc_area_check.check(areas[step.area], listed)
        self.boot_areas.append(step.device)

    def _make_fat(self, step: MakeFat) -> None:
        self._made[step.number] = step.parameters
        entries = _CountedEntries(self._source.written(step.number))
        machine = self._outside.machine
        fat_writer.make(
            self._path(step), offset=step.offset, size=step.size, parameters=step.parameters,
            entries=entries, contents=self._contents, machine=machine, progress=self,
        )  # fmt: skip
        self.entries += entries.count
        for loader in entries.loaders:
            # It finds its own file by sector numbers, which its installer must write.
            if syslinux.is_installed():
                syslinux.install(
                    self._path(step), offset=step.offset, loader=loader, machine=machine
                )
            else:
                self.warnings.append(syslinux.not_installed(loader, number=step.number))

    def _make_ext4(self, step: MakeExt4) -> None:
        machine, path = self._outside.machine, self._path(step)
        made, filled = ext4_writer.write(
            path, offset=step.offset, size=step.size, parameters=step.parameters,
            entries=self._source.written(step.number), contents=self._contents, machine=machine,
            heads=swap_writer.file_headers(step.swap_files), progress=self,
        )  # fmt: skip
        self._made[step.number] = made
        ext4_writer.finish(path, offset=step.offset, parameters=step.parameters, machine=machine)
        self.entries += filled.entries
        self.warnings += filled.warnings

    def _make_other(self, step: MakeOther) -> None:
        machine, path = self._outside.machine, self._path(step)
        kernel_writer.make(
            path, offset=step.offset, size=step.size, parameters=step.parameters, machine=machine,
            owner=next(((top.uid, top.gid) for top in self._source.entries(step.number)), (0, 0)),
        )  # fmt: skip
        filled = kernel_writer.populate(
            path, offset=step.offset, size=step.size, parameters=step.parameters,
            entries=self._source.written(step.number), again=self._source.entries(step.number),
            contents=self._contents, heads=swap_writer.file_headers(step.swap_files),
            machine=machine, subvolumes=self._source.subvolumes(step.number), progress=self,
        )  # fmt: skip
        self.entries += filled.entries
        self.warnings += filled.warnings

    def _read_back(self, step: ReadBack) -> None:
        started = self._outside.clock.monotonic()
        inside = self._inside.path if self._inside else None
        report = read_back.check(
            self._target, self._source, step.disk, self._contents, self._outside,
            file_systems=self._made, inside=inside,
        )  # fmt: skip
        for container in self._containers:
            luks_check.check(
                self._target.path, self._inside_of_containers(), offset=container.offset,
                size=container.size, parameters=container.parameters,
                passphrase=self._passphrase(), keys=self._source.keys_of(container.number),
                machine=self._outside.machine,
            )  # fmt: skip
        self.verify_seconds = self._outside.clock.monotonic() - started
        self.checked = report.entries
        self.warnings += [f"not checked: {text}" for text in report.unchecked]


@dataclass
class _CountedEntries:
    """The entries of a FAT, counted, and among them the loaders that must be installed."""

    entries: Iterator[Entry]
    count: int = 0
    loaders: list[Entry] = field(default_factory=list)

    def __iter__(self) -> Iterator[Entry]:
        for entry in self.entries:
            self.count += 1
            if syslinux.is_loader(entry):
                self.loaders.append(entry)
            yield entry
