from __future__ import annotations

import gzip
import os
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from holdstill.model.manifest import Attachment
from holdstill.rebuild.boot import captured_card, card, commandline, firmware, kernels, system
from holdstill.rebuild.boot.report import (
    BootReport,
    Chain,
    ChainLink,
    KernelFile,
    found,
    lacking,
    missing,
    unknown,
)
from support import captured

AREAS = tuple(Attachment(name=n, sha256="0" * 64, size=1) for n in ("boot0.bin", "gp0.bin"))


# What boots from nowhere (0), or from what nobody knows, may boot from any.
@pytest.mark.parametrize(
    ("config", "areas"),
    [(None, ("boot0",)), (0x00, ("boot0",)), (0x08, ("boot0",)), (0x10, ()), (0x38, ())],
)
def test_a_board_needs_the_area_that_its_emmc_boots_from(
    config: int | None, areas: tuple[str, ...]
) -> None:
    made = replace(captured.pier_3(), boot_areas=AREAS)
    made = replace(made, disk=replace(made.disk, emmc_boot=config))

    assert captured_card.boot_areas(made) == areas


TEXT = b"\0" * 3000 + b"Linux version 6.1.0-18-arm64 (debian) #1 SMP\0"


def x86(version: str) -> bytes:
    """Return the head of an x86 kernel (Linux Documentation/arch/x86/boot.rst)."""
    head = bytearray(0x1000)
    head[0x202:0x206] = b"HdrS"
    head[0x20E:0x210] = struct.pack("<H", 0x600)
    head[0x800 : 0x800 + len(version)] = version.encode()
    return bytes(head)


@pytest.mark.parametrize(
    "content",
    [
        TEXT,
        gzip.compress(TEXT),
        b"MZ" + os.urandom(100) + b"\x1f\x8b\x08junk" + gzip.compress(TEXT) + b"tail",
        x86("6.1.0-18-arm64 (debian) #1 SMP"),
        gzip.compress(b"\0" * ((1 << 20) - 3010) + TEXT),
    ],
)
def test_a_kernel_tells_its_version(content: bytes) -> None:
    assert kernels.version_inside(content) == "6.1.0-18-arm64"


@pytest.mark.parametrize("content", [b"", b"\x1f\x8b\x08", b"Linux version x ", b"HdrS" * 200])
def test_what_does_not_tell_has_no_version(content: bytes) -> None:
    assert kernels.version_inside(content) == ""


def test_no_more_beginnings_are_tried_than_chance_and_an_honest_kernel_have() -> None:
    nothing = b"\x1f\x8b\x08junk"
    tried = nothing * (kernels.BEGINNINGS_MOST - 1) + gzip.compress(TEXT)

    assert kernels.version_inside(tried) == "6.1.0-18-arm64"
    assert kernels.version_inside(nothing + tried) == ""


@given(st.binary(max_size=3000))
def test_no_bytes_whatever_are_too_odd(content: bytes) -> None:
    kernels.version_inside(content)
    system.elf_interpreter(b"\x7fELF" + content)


@pytest.mark.parametrize(
    ("path", "version"),
    [
        (b"boot/vmlinuz-6.1.0-18-arm64", "6.1.0-18-arm64"),
        (b"Image-6.6.31.gz", "6.6.31"),
        (b"EFI/Linux/linux-6.12.25.efi", "6.12.25"),
        (b"kernel8.img", ""),
        (b"vmlinuz", ""),
    ],
)
def test_a_kernels_name_may_tell_its_version(path: bytes, version: str) -> None:
    assert kernels.version_in_name(path) == version


# What boards of this kind say in /proc/device-tree/model: printed by boards in the issues of
# hardware-detecting libraries (a secondary source); without "Rev" in u-boot
# dts/upstream/src/arm/broadcom.
@pytest.mark.parametrize(
    ("model", "generation"),
    [
        ("Raspberry Pi Model B Plus Rev 1.2", 1),
        ("Raspberry Pi Zero W Rev 1.1", 1),
        ("Raspberry Pi Zero 2 W Rev 1.0", 3),
        ("Raspberry Pi 2 Model B Rev 1.1", 2),
        ("Raspberry Pi Model B+", 1),
        ("Raspberry Pi 3 Model B+", 3),
        ("Raspberry Pi 3 Model B Plus Rev 1.3", 3),
        ("Raspberry Pi 4 Model B Rev 1.4", 4),
        ("Raspberry Pi 400 Rev 1.0", 4),
        ("Raspberry Pi Compute Module 4 Rev 1.0", 4),
        ("Raspberry Pi 5 Model B Rev 1.0", 5),
        ("Raspberry Pi 500 Rev 1.0", 5),
        ("Some Board Rev 4", 0),
        ("", 0),
    ],
)
def test_a_model_is_of_a_generation(model: str, generation: int) -> None:
    assert firmware.generation_of(model) == generation


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("root=/dev/sda1 ro", "/dev/sda1"),
        ("ro root=/dev/sda1 root=UUID=2", "UUID=2"),
        ('x="a b" root="LABEL=my disk"', "LABEL=my disk"),
        ("xroot=/dev/sda1", None),
        ('root=/dev/sda1 "unclosed', "/dev/sda1"),
    ],
)
def test_the_last_value_of_a_parameter_counts(line: str, value: str | None) -> None:
    assert commandline.value(line, "root") == value


@pytest.mark.parametrize(
    ("spec", "is_one"),
    [
        ("UUID=1", True),
        ("PARTLABEL=root", True),
        ("/dev/disk/by-uuid/1", True),
        ("/dev/mmcblk0p2", True),
        ("/dev/nvme0n1p1", True),
        ("/dev/sda1", True),
        ("/dev/sda", False),
        ("/dev/mapper/vg-root", False),
        ("tmpfs", False),
        ("boathouse:/srv/tides", False),
        ("//boathouse/tides", False),
        ("/swapfile", False),
        ("MEMBER=1", False),
    ],
)
def test_some_words_of_fstab_name_partitions(spec: str, *, is_one: bool) -> None:
    assert card.names_a_partition(spec) == is_one


KERNEL = KernelFile(1, b"vmlinuz")


@pytest.mark.parametrize(
    ("chains", "links", "boots"),
    [
        ([Chain("a", (found("x"),), KERNEL)], [found("init")], True),
        ([Chain("a", (unknown("x", ""),), KERNEL)], [unknown("fstab", "")], True),
        ([Chain("a", (lacking("x", ""),), KERNEL)], [lacking("modules", "")], True),
        ([Chain("a", (missing("x", ""),), KERNEL)], [found("init")], False),
        ([Chain("a", (found("x"),), KERNEL)], [missing("init", "")], False),
        ([Chain("a", (found("x"),))], [found("init")], False),
        (
            [Chain("a", (missing("x", ""),), KERNEL), Chain("b", (found("x"),), KERNEL)],
            [found("init")],
            True,
        ),
    ],
)
def test_a_card_boots_when_one_chain_is_whole_and_the_system_is(
    chains: list[Chain], links: list[ChainLink], *, boots: bool
) -> None:
    report = BootReport(tuple(chains), tuple(links))

    assert report.is_bootable == boots
    assert list(report.lines())[-1] == (
        "verdict: nothing that a boot needs is missing; not booted yet"
        if boots
        else "verdict: does not boot as it is"
    )


@pytest.mark.parametrize(
    ("chains", "links", "verdict", "why"),
    [
        ([Chain("a", (found("x"),), KERNEL)], [unknown("system", "xfs")], "unknown", "xfs"),
        ([Chain("a", (missing("x", ""),), KERNEL)], [unknown("system", "xfs")], "broken", "xfs"),
        ([Chain("a", (unknown("loader", ""),), KERNEL)], [unknown("fstab", "")], "whole", ""),
        ([], [found("init")], "unknown", "nothing on it is known to boot"),
    ],
)
def test_nobody_promises_a_boot_of_what_was_not_looked_into(
    chains: list[Chain], links: list[ChainLink], verdict: str, why: str
) -> None:
    report = BootReport(tuple(chains), tuple(links))

    assert report.verdict == verdict
    assert why in "".join(report.unseen())
    assert (
        f"verdict: {verdict}" in "\n".join(report.lines()).replace("not known", "unknown")
    ) == (verdict == "unknown")
