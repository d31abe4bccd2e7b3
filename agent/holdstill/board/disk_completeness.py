"""What a board mounts, unlocks or boots from that is not on the captured disks. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import disk_order, loop_chain, mounts
from holdstill.board.named_finding import NamedFinding, left_out, missing, not_rebuildable
from holdstill.model import system_tables

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.board_facts import BlockDevice, BoardFacts, LoopFile, Number, PlacedMount
    from holdstill.model.system_tables import CrypttabEntry, FstabEntry

_BOOT_PLACES = frozenset({"/", *disk_order.BOOT_PLACES})
_KEPT_WITHOUT_A_NUMBER = frozenset({"btrfs", "zfs", "bcachefs", "ubifs", "jffs2", "yaffs2"})
"""File systems on disks or flash whose mounts may not show a block device's number."""


@dataclass(frozen=True)
class Elsewhere:
    """What is not on the captured disks.

    Attributes:
        findings: what the board needs of it.
        not_needed: mounts that nothing needs, in words.
    """

    findings: tuple[NamedFinding, ...]
    not_needed: tuple[str, ...]


def judge(facts: BoardFacts) -> Elsewhere:
    """Judge what is not on the captured disks."""
    board = _Board(facts)
    mounted = board.mounted()
    return Elsewhere(
        findings=(
            *board.below_the_disk(),
            *board.root_left_out(),
            *mounted.findings,
            *board.in_fstab(),
            *board.in_crypttab(),
            *board.root_of_command_line(),
        ),
        not_needed=(*mounted.not_needed, *board.absent()),
    )


class _Board:
    """Facts, with the ways to look them up."""

    def __init__(self, facts: BoardFacts) -> None:
        self.facts = facts
        self.by_number = {device.number: device for device in facts.devices}
        self.by_name = {device.name: device for device in facts.devices}
        self.captured = {part.id for part in facts.parts if part.id is not None}
        self.names = frozenset(
            system_tables.folded(name) for part in facts.parts for name in part.names
        )
        self.seen = {mounted.number for mounted in facts.mounts}
        self.places = {mounted.place: mounted for mounted in facts.mounts}

    @property
    def captured_disks(self) -> str:
        """What is captured, in words."""
        names = ", ".join(disk.device for disk in self.facts.disks)
        return f"the captured disk {names}" if len(self.facts.disks) == 1 else f"one of {names}"

    def disks_of(self, device: BlockDevice) -> list[str]:
        """Return the names of the disks that a device is made of in the end, itself if none."""
        found, todo, seen = list[str](), [device.name], set[str]()
        while todo:
            here = self.by_name.get(todo.pop())
            if here is None or here.name in seen:
                continue
            seen.add(here.name)
            whole = self.by_name.get(here.disk, here)
            below = here.below or whole.below
            if below:
                todo += below
            elif whole.name not in found:
                found.append(whole.name)
        return found

    def described(self, number: Number) -> str:
        """Return a device's name, and the disks below it."""
        device = self.by_number.get(number)
        if device is None:
            return f"device {number[0]}:{number[1]}"
        disks = [disk for disk in self.disks_of(device) if disk != device.name]
        kind = f", {_MAPPINGS[device.mapping]}" if device.mapping in _MAPPINGS else ""
        on = f" (on {', '.join(disks)}{kind})" if device.below and disks else ""
        on = f" ({self._described_file(device.file)})" if device.file else on
        return f"/dev/{device.name}{on}"

    def _described_file(self, file: LoopFile) -> str:
        is_out = file.path in self.facts.left_out_files and not file.is_deleted
        return f"{file}, which {_STAYS_OUT}" if is_out else str(file)

    # ---- the disk itself ------------------------------------------------------------------------

    def below_the_disk(self) -> Iterator[NamedFinding]:
        """Find what captured mappings and arrays lie on."""
        for disk in self.facts.disks:
            device = self.by_name.get(disk.name)
            if device is not None and device.below:
                yield from self._below(disk.device, device)

    def _below(self, captured: str, device: BlockDevice) -> Iterator[NamedFinding]:
        kind = _MAPPINGS.get(device.mapping, "made of other devices")
        below = ", ".join(f"/dev/{name}" for name in device.below)
        secret = (
            "; what is encrypted here is in the clear at the keeper"
            if device.mapping in {"CRYPT", "LUKS"}
            else ""
        )
        own = {disk.name for disk in self.facts.disks}
        for disk in self.disks_of(device):
            if disk in own:
                continue  # captured as well
            yield missing(
                f"/dev/{disk}",
                f"{captured} is {kind} ({below}): partition table, boot loader, headers "
                f"and other volumes of /dev/{disk} are not in the capture",
                "keep a copy of the disk itself",
            )
        yield not_rebuildable(
            captured,
            f"it is {kind}: a rebuild makes a plain file system without a partition table of it, "
            f"which boots nowhere{secret}",
            "files can be taken out with `holdstill get`",
        )

    def root_left_out(self) -> Iterator[NamedFinding]:
        """Find that / is in a file that stays out."""
        if self.facts.left_out_root:
            yield missing("/", f"{self.facts.left_out_root}, which {_STAYS_OUT}", _KEEP_IT)

    # ---- mounts ---------------------------------------------------------------------------------

    def mounted(self) -> Elsewhere:
        """Find the mounts of other disks that the board needs; and those that it does not."""
        needed: dict[Number | str, list[PlacedMount]] = {}
        not_needed = []
        for mounted in self.facts.mounts:
            if mounted.number in self.captured or self._is_in_captured_file(mounted.number):
                continue
            if mounted.place == "/" and mounted.mount.type == "overlay":
                continue  # what is below it is judged
            if self._is_needed(mounted):
                key = mounted.number if mounted.number[0] else mounted.mount.source
                needed.setdefault(key, []).append(mounted)
            elif not _is_layered_system(mounted):
                mount = mounted.mount
                not_needed.append(f"{mounted.place} ({mount.type}, {mount.source})")
        findings = tuple(
            self._mounted_elsewhere(group)
            for of_device in needed.values()
            for group in _by_what_holds_it(of_device)
        )
        return Elsewhere(findings, tuple(not_needed))

    def _mounted_elsewhere(self, group: list[PlacedMount]) -> NamedFinding:
        first = group[0]
        known = first.number in self.by_number
        device = self.described(first.number) if known else first.mount.source
        also = ", ".join(mounted.place for mounted in group[1:])
        is_booted = any(mounted.place in _BOOT_PLACES for mounted in group)
        boots = "; the board boots from it" if is_booted else ""
        why = f"{first.mount.type} on {device}, which is not {self.captured_disks}{boots}" + (
            f"; also mounted at {also}" if also else ""
        )
        disk = self._disk_to_add(first.number)
        names = self._device_names(first.number)
        if disk and not any(disk_order.is_of_the_system(one.place) for one in group):
            waits = (
                "fstab names it without `nofail`, so the board stops where it is not there"
                if any(self._is_waited_for(one) for one in group)
                else "the system starts without it"
            )
            how = (
                f"nothing of the system is on it, and {waits}; {_added(disk)} captures it as well"
            )
            return left_out(first.place, f"{why}: {how}", *names)
        advice = _KEEP_IT if self._is_left_out(first.number) else self._advice(disk)
        return missing(first.place, why, advice, *names)

    def _disk_to_add(self, number: Number | None) -> str:
        """Return the disk that the settings could name to have a device captured; "" for none."""
        device = self.by_number.get(number) if number else None
        if device is None or device.below or device.disk.startswith(disk_order.NO_DISKS):
            return ""
        if self._is_left_out(device.number):
            return ""
        top, device = device, loop_chain.device_below(device, self.by_number, self.seen)
        file, is_followed = device.file, device is not top
        if file and loop_chain.is_own(file, self.seen):
            return ""  # it was deleted, or is on no disk
        if file and not (is_followed or file.is_deleted):
            return ""  # nobody knows on which disk
        whole = self.by_name.get(device.disk, device)
        return "" if whole.below else f"/dev/{device.disk}"

    def _is_left_out(self, number: Number) -> bool:
        """Whether a device is in a file that stays out."""
        device = self.by_number.get(number)
        files = loop_chain.chain(device, self.by_number) if device else ()
        return any(file.path in self.facts.left_out_files for file in files)

    def _advice(self, disk: str) -> str:
        return f"{_added(disk)} captures it as well" if disk else _BY_OTHER_MEANS

    def _device_names(self, number: Number) -> tuple[str, ...]:
        device = self.by_number.get(number)
        if device is None:
            return ()
        return tuple(f"/dev/{name}" for name in {device.name, *self.disks_of(device)})

    def _is_in_captured_file(self, number: Number) -> bool:
        """Whether a device is in a file that is captured with all others of its file system."""
        device = self.by_number.get(number)
        below = [self.by_name[name] for name in self.disks_of(device)] if device else []
        return bool(below) and all(map(self._has_captured_file, below))

    def _has_captured_file(self, device: BlockDevice) -> bool:
        for file in loop_chain.chain(device, self.by_number):
            if file.is_deleted or file.path in self.facts.left_out_files:
                return False
            if file.number in self.captured:
                return True
        return False

    def _is_needed(self, mounted: PlacedMount) -> bool:
        """Whether a mount that is not on the captured disk belongs to the board."""
        if mounted.place == self.facts.store:
            return False  # the captures themselves
        device = self.by_number.get(mounted.number)
        if device is None:
            return mounted.number[0] != 0 or mounted.mount.type in _KEPT_WITHOUT_A_NUMBER
        if device.disk.startswith(disk_order.NO_DISKS):
            return False
        if mounted.place in _BOOT_PLACES or self._is_in_fstab(mounted):
            return True
        return not (mounts.is_temporary(mounted.place) or self._is_removable(device))

    def _is_in_fstab(self, mounted: PlacedMount) -> bool:
        return any(
            entry.point == mounted.place or self.facts.devices_of.get(entry.spec) == mounted.number
            for entry in self.facts.fstab
        )

    def _is_waited_for(self, mounted: PlacedMount) -> bool:
        return any(
            entry.point == mounted.place and not entry.may_fail for entry in self.facts.fstab
        )

    def _is_removable(self, device: BlockDevice) -> bool:
        return any(self.by_name[name].is_removable for name in self.disks_of(device))

    # ---- what the system's own tables name ------------------------------------------------------

    def in_fstab(self) -> Iterator[NamedFinding]:
        """Find what fstab names and nothing has mounted, on no partition that is captured."""
        for entry in self.facts.fstab:
            if not self._is_absent(entry) or entry.may_fail:
                continue
            is_swap = entry.kind == "swap"
            yield missing(
                entry.spec if is_swap else entry.point,
                f"fstab {'swaps to' if is_swap else 'mounts'} {self._led_to(entry.spec)}, which "
                f"is no partition of {self.captured_disks}",
                "correct fstab if it is out of date; else "
                + self._advice(self._disk_to_add(self.facts.devices_of.get(entry.spec))),
                entry.spec,
            )

    def absent(self) -> Iterator[str]:
        """Yield what the tables name, is not there now, and need not be, in words."""
        for entry in self.facts.fstab:
            if self._is_absent(entry) and entry.may_fail:
                yield f"{entry.point} (in fstab: {entry.spec}, not mounted)"
        for locked in self.facts.crypttab:
            if self._is_unknown(locked.spec) and locked.may_fail:
                yield f"{locked.name} (in crypttab: {locked.spec})"

    def _is_absent(self, entry: FstabEntry) -> bool:
        """Whether an entry of fstab is about a device that is neither mounted nor captured."""
        return entry.point not in self.places and self._is_unknown(entry.spec)

    def in_crypttab(self) -> Iterator[NamedFinding]:
        """Find what crypttab unlocks that is on no partition that is captured."""
        for entry in self.facts.crypttab:
            if self._is_unknown(entry.spec) and not self._is_mapped(entry) and not entry.may_fail:
                yield missing(
                    entry.spec,
                    f"crypttab unlocks {self._led_to(entry.spec)} as {entry.name}, which is no "
                    f"partition of {self.captured_disks}",
                    self._advice(self._disk_to_add(self.facts.devices_of.get(entry.spec))),
                    entry.name,
                    f"/dev/mapper/{entry.name}",
                )

    def _is_mapped(self, entry: CrypttabEntry) -> bool:
        """Whether the mapping of an entry is made of the captured disk, as far as one can see."""
        number = self.facts.devices_of.get(f"/dev/mapper/{entry.name}")
        device = self.by_number.get(number) if number else None
        if device is None:
            return False
        own = {disk.name for disk in self.facts.disks}
        return not own.isdisjoint((*self.disks_of(device), device.name))

    def root_of_command_line(self) -> Iterator[NamedFinding]:
        """Find a root= that leads to no captured partition."""
        root = self.facts.root_argument
        if root and self._is_unknown(root):
            yield missing(
                f"root={root}",
                f"the kernel was started with it, and {self._led_to(root)} is no partition of "
                f"{self.captured_disks}",
                "`disks` in the settings names the disks that are captured",
            )

    def _is_unknown(self, spec: str) -> bool:
        """Whether a name is that of a device, and of none that is captured."""
        name = system_tables.normal_spec(spec)
        kind, equals, _ = name.partition("=")
        number = self.facts.devices_of.get(spec)
        if not (equals and kind in system_tables.BY.values()) and not name.startswith("/dev/"):
            return False  # a network's, a file, memory
        if name.removeprefix("/dev/").startswith(disk_order.NO_DISKS) or name in _NO_NAMES:
            return False
        return number not in self.captured and system_tables.folded(name) not in self.names

    def _led_to(self, spec: str) -> str:
        number = self.facts.devices_of.get(spec)
        return f"{spec} ({self.described(number)})" if number in self.by_number else spec


def _is_layered_system(mounted: PlacedMount) -> bool:
    """Whether it is / or a folder in it, as an overlay, which has nothing of its own."""
    return mounted.mount.type == "overlay" and mounted.place.count("/") == 1


def _by_what_holds_it(mounted: list[PlacedMount]) -> list[list[PlacedMount]]:
    """Group the mounts of one file system, each behind the first one that shows all that it does.

    The owner's word about a folder is none about what is beside it on the same disk.
    """
    groups: list[list[PlacedMount]] = []
    for one in sorted(mounted, key=lambda each: len(each.mount.inside.raw)):
        for group in groups:
            if mounts.is_below(one.mount.inside, group[0].mount.inside):
                group.append(one)
                break
        else:
            groups.append([one])
    return groups


def _added(disk: str) -> str:
    return f"`disks: [auto, {disk}]` in the settings"


_STAYS_OUT = "`exclude` in the settings, or the defaults, leave out"
_KEEP_IT = "`include` in the settings wins over both"
_BY_OTHER_MEANS = "copy this by other means"
_NO_NAMES = frozenset({"/dev/root", "/dev/nfs"})
"""What root= says where the kernel or the initramfs knows it otherwise."""
_MAPPINGS = {
    "CRYPT": "an unlocked encrypted volume",
    "LUKS": "an opened encrypted container",
    "LVM": "a logical volume",
    "md": "an array",
    "mirror": "a mirror",
    "bcache": "a cached disk",
    "mapping": "a mapping",
}
