from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from holdstill.demo import material
from holdstill.demo.material import Share

if TYPE_CHECKING:
    from pathlib import Path


def test_a_share_ends_at_its_number_of_files(tmp_path: Path) -> None:
    for number in range(10):
        (tmp_path / f"{number}").write_bytes(b"x")

    chosen = material.chosen_files((Share(str(tmp_path), 4, 1 << 20),))

    assert [path[-1:] for path in chosen] == [b"0", b"1", b"2", b"3"]


def test_a_share_ends_at_its_size(tmp_path: Path) -> None:
    for number in range(10):
        (tmp_path / f"{number}").write_bytes(bytes(100))

    assert len(material.chosen_files((Share(str(tmp_path), 100, 350),))) == 3


def test_large_files_are_left_alone_and_links_are_taken_as_links(tmp_path: Path) -> None:
    (tmp_path / "large").write_bytes(bytes(material.LARGEST + 1))
    (tmp_path / "link").symlink_to("large")

    chosen = material.chosen_files((Share(str(tmp_path), 100, 1 << 30),))

    assert [path.rpartition(b"/")[2] for path in chosen] == [b"link"]


def test_a_name_of_no_encoding_is_chosen_like_any_other(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    with open(bytes(tmp_path / "sub") + b"/#\xff\n", "wb"):  # noqa: PTH123  pathlib knows no bytes
        pass

    (chosen,) = material.chosen_files((Share(str(tmp_path), 100, 1 << 30),))

    assert chosen == bytes(tmp_path).lstrip(b"/") + b"/sub/#\xff\n"


def test_nothing_of_the_machine_but_what_is_below_usr_is_chosen() -> None:
    assert all(share.directory.startswith("/usr/") for share in material.SHARES)


def test_command_line_and_fstab_name_the_partitions_of_the_card() -> None:
    assert f"root=PARTUUID={material.DISK_ID}-02 " in material.command_line()
    assert [line.split()[:2] for line in material.fstab().splitlines()[1:]] == [
        [f"PARTUUID={material.DISK_ID}-01", "/boot/firmware"],
        [f"PARTUUID={material.DISK_ID}-02", "/"],
    ]


def test_everything_that_the_firmware_is_told_to_load_is_there() -> None:
    files = material.boot_files()

    words = dict(
        line.replace(" ", "=", 1).split("=", 1) if "=" not in line else line.split("=", 1)
        for line in files["config.txt"].decode().splitlines()
        if not line.startswith("#")
    )

    assert words["kernel"] in files
    assert words["initramfs"].split()[0] in files
    assert words["device_tree"] in files
    assert f"overlays/{words['dtoverlay']}.dtbo" in files


def test_the_device_tree_is_one_by_its_own_header() -> None:
    # Devicetree Specification 0.4, 5.2 and 5.4: header of ten big-endian words, tokens.
    tree = material.device_tree()

    magic, total, structure, strings, reserved, version, compatible = struct.unpack_from(
        ">7I", tree
    )
    strings_size, structure_size = struct.unpack_from(">2I", tree, 32)

    assert (magic, total, version, compatible) == (0xD00DFEED, len(tree), 17, 16)
    assert tree[reserved : reserved + 16] == bytes(16)
    assert tree[strings : strings + strings_size] == b"compatible\0"
    assert struct.unpack_from(">I", tree, structure) == (1,)
    assert struct.unpack_from(">I", tree, structure + structure_size - 4) == (9,)


def test_the_kernel_carries_the_magic_and_its_size() -> None:
    # Linux Documentation/arch/arm64/booting.rst: image_size at 16, magic at 56.
    kernel = material.kernel()

    assert struct.unpack_from("<Q", kernel, 16) == (len(kernel),)
    assert kernel[56:60] == b"ARM\x64"


def test_a_directory_that_this_machine_does_not_have_gives_nothing() -> None:
    assert material.chosen_files((Share("/nonexistent", 10, 10),)) == []


def test_noise_is_always_the_same_for_a_name() -> None:
    assert material.noise("a", 64) == material.noise("a", 64)
    assert material.noise("a", 64) != material.noise("b", 64)
