from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import freeze_order
from holdstill.board.mounts import Mount
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from pathlib import Path


def mount(point: bytes, device: tuple[int, int], source: str = "/dev/mmcblk0p2") -> Mount:
    return Mount(device, BoardPath(b"/"), BoardPath(point), "rw", "ext4", source)


def points(order: list[Mount]) -> list[bytes]:
    return [m.point.raw for m in order]


def test_the_deepest_is_frozen_first_and_root_last() -> None:
    wanted = [
        mount(b"/", (179, 2)),
        mount(b"/boot", (179, 1)),
        mount(b"/srv/tide/readings", (8, 1)),
        mount(b"/srv/tide", (8, 2)),
    ]

    order = freeze_order.freeze_order(wanted, {})

    assert points(order) == [b"/srv/tide/readings", b"/srv/tide", b"/boot", b"/"]


def test_a_bind_mount_is_not_frozen_again() -> None:
    wanted = [mount(b"/", (179, 2)), mount(b"/srv/www", (179, 2)), mount(b"/data", (8, 1))]

    order = freeze_order.freeze_order(wanted, {})

    assert points(order) == [b"/data", b"/"]


def test_what_stands_on_a_file_comes_before_what_holds_the_file() -> None:
    wanted = [mount(b"/", (179, 2)), mount(b"/srv/deep/data", (8, 1)), mount(b"/image", (7, 0))]

    order = freeze_order.freeze_order(wanted, {(7, 0): frozenset({(8, 1)})})

    assert points(order) == [b"/image", b"/srv/deep/data", b"/"]


def test_a_root_on_a_file_is_frozen_before_the_disk_with_the_file() -> None:
    wanted = [mount(b"/", (7, 0)), mount(b"/host", (8, 1))]

    order = freeze_order.freeze_order(wanted, {(7, 0): frozenset({(8, 1)})})

    assert points(order) == [b"/", b"/host"]


devices = st.integers(0, 5).map(lambda minor: (7, minor))


@given(
    st.lists(st.tuples(devices, st.integers(0, 4)), max_size=8),
    st.dictionaries(devices, st.frozensets(devices, max_size=3), max_size=6),
)
def test_every_file_system_once_and_none_below_its_floor(
    wanted: list[tuple[tuple[int, int], int]],
    stands_on: dict[tuple[int, int], frozenset[tuple[int, int]]],
) -> None:
    # Given no circles: a device may only stand on one with a smaller number.
    sane = {d: frozenset(b for b in below if b < d) for d, below in stands_on.items()}
    mounts = [mount(b"/" + b"x/" * depth, device) for device, depth in wanted]

    order = [m.device for m in freeze_order.freeze_order(mounts, sane)]

    assert sorted(order) == sorted({m.device for m in mounts})
    for device in order:
        for below in sane.get(device, frozenset()) & set(order):
            assert order.index(device) < order.index(below)


def test_a_circle_of_devices_ends() -> None:
    wanted = [mount(b"/a", (7, 1)), mount(b"/b", (7, 2))]
    circle = {(7, 1): frozenset({(7, 2)}), (7, 2): frozenset({(7, 1)})}

    assert len(freeze_order.freeze_order(wanted, circle)) == 2


def test_what_is_in_files_of_frozen_file_systems_at_any_depth_is_frozen_as_well() -> None:
    root, deep, deeper = mount(b"/", (179, 2)), mount(b"/a", (7, 0)), mount(b"/a/b", (7, 1))
    other = mount(b"/other", (7, 2))
    squashed = replace(mount(b"/snap", (7, 3)), options="ro")
    stands_on = {
        (7, 0): frozenset({(179, 2)}), (7, 1): frozenset({(7, 0)}), (7, 2): frozenset({(8, 1)}),
        (7, 3): frozenset({(179, 2)}), (179, 2): frozenset[tuple[int, int]](),
    }  # fmt: skip
    again = replace(deep, point=BoardPath(b"/again"))
    everything = [root, replace(deep, is_covered=True), deeper, other, squashed, again]

    found = freeze_order.standing_on([root], everything, stands_on)

    assert points(found) == [b"/a/b", b"/again"]
    order = freeze_order.freeze_order([root, *found], stands_on)
    assert points(order) == [b"/a/b", b"/again", b"/"]
    assert freeze_order.standing_on([root, *found], everything, stands_on) == []


def test_what_is_in_a_file_and_cannot_be_frozen_is_told() -> None:
    fat = replace(mount(b"/srv/stick", (7, 0), "/dev/loop0"), type="vfat")

    (told,) = freeze_order.not_held([fat, mount(b"/a", (7, 1))], {"ext4"})

    assert "/srv/stick (vfat, /dev/loop0)" in told
    assert "power cut" in told


class TestReading:
    """A /sys as the kernel lays it out (Documentation/ABI/testing/sysfs-block)."""

    @pytest.fixture
    def sys(self, tmp_path: Path) -> Path:
        (tmp_path / "dev" / "block").mkdir(parents=True)
        return tmp_path

    def disk(self, sys: Path, name: str, number: str) -> Path:
        place = sys / "devices" / name
        place.mkdir(parents=True)
        (place / "dev").write_text(number + "\n", encoding="ascii")
        (sys / "dev" / "block" / number).symlink_to(place)
        return place

    def loop(self, sys: Path, name: str, number: str, file: bytes) -> Path:
        place = self.disk(sys, name, number)
        (place / "loop").mkdir()
        (place / "loop" / "backing_file").write_bytes(file + b"\n")
        return place

    def paths(self, device: tuple[int, int], sys: Path) -> set[str]:
        return {file.path for file in freeze_order.backing_files(device, (), sys=sys, dev=sys)}

    def test_a_disk_has_no_file_below_it(self, sys: Path) -> None:
        self.disk(sys, "mmcblk0", "179:0")

        assert self.paths((179, 0), sys) == set()

    def test_a_device_that_is_gone_has_none_either(self, sys: Path) -> None:
        assert self.paths((179, 9), sys) == set()

    def test_a_loop_device_tells_its_file(self, sys: Path) -> None:
        self.loop(sys, "loop0", "7:0", b"/data/card image")

        assert self.paths((7, 0), sys) == {"/data/card image"}

    def test_a_file_without_a_name_still_tells_its_directory(self, sys: Path) -> None:
        self.loop(sys, "loop0", "7:0", b"/data/card.img (deleted)")

        assert self.paths((7, 0), sys) == {"/data/card.img"}

    def test_a_partition_of_a_loop_device_stands_on_the_same_file(self, sys: Path) -> None:
        disk = self.loop(sys, "loop0", "7:0", b"/data/card.img")
        part = self.disk(sys, "loop0/loop0p1", "259:0")
        (part / "partition").write_text("1\n", encoding="ascii")

        assert part.parent == disk
        assert self.paths((259, 0), sys) == {"/data/card.img"}

    def test_files_are_found_through_mapped_devices(self, sys: Path) -> None:
        mapped = self.disk(sys, "dm-0", "253:0")
        (mapped / "slaves").mkdir()
        for number in (0, 1):
            lower = self.loop(sys, f"loop{number}", f"7:{number}", b"/data/%d" % number)
            (mapped / "slaves" / lower.name).symlink_to(lower)
            (lower / "device").mkdir()  # as a disk has, beside its number

        assert self.paths((253, 0), sys) == {"/data/0", "/data/1"}

    def test_devices_that_stand_on_each_other_are_followed_no_deeper_than_any_are(
        self, sys: Path
    ) -> None:
        one, other = (self.disk(sys, f"dm-{number}", f"253:{number}") for number in (0, 1))
        for upper, lower in ((one, other), (other, one)):
            (upper / "slaves").mkdir()
            (upper / "slaves" / lower.name).symlink_to(lower)

        assert self.paths((253, 0), sys) == set()

    def test_mounts_are_related_through_the_file(self, sys: Path) -> None:
        self.loop(sys, "loop0", "7:0", b"/data/card.img")
        everything = [
            mount(b"/", (179, 2)),
            mount(b"/data", (8, 1)),
            mount(b"/image", (7, 0), "/dev/loop0"),
        ]

        found = freeze_order.read_stacking(everything, sys=sys, dev=sys)

        assert found[7, 0] == {(8, 1)}
        assert found[179, 2] == found[8, 1] == frozenset()

    def test_a_file_system_on_its_own_file_is_no_circle(self, sys: Path) -> None:
        self.loop(sys, "loop0", "7:0", b"/image/itself")

        found = freeze_order.read_stacking([mount(b"/image", (7, 0))], sys=sys, dev=sys)

        assert found[7, 0] == frozenset()

    @pytest.mark.parametrize(("layers", "is_found"), [(15, True), (16, False)])
    def test_so_many_layers_are_followed_and_no_more(
        self, sys: Path, layers: int, *, is_found: bool
    ) -> None:
        lower = self.loop(sys, "loop0", "7:0", b"/data/card.img")
        for number in range(layers):
            upper = self.disk(sys, f"dm-{number}", f"253:{number}")
            (upper / "slaves").mkdir()
            (upper / "slaves" / lower.name).symlink_to(lower)
            lower = upper

        found = self.paths((253, layers - 1), sys)

        assert found == ({"/data/card.img"} if is_found else set())

    def test_a_file_system_without_a_number_of_its_own_stands_on_all_devices_of_its_pool(
        self, sys: Path
    ) -> None:
        """null(4): /dev/null has the number 1:3; here the kernel says that btrfs is on it."""
        pool = sys / "fs/btrfs/0a1b/devices"
        pool.mkdir(parents=True)
        for name, number in (("null", "1:3"), ("loop1", "7:1")):
            (pool / name).symlink_to(self.loop(sys, name, number, f"/data/{name}".encode()))
        other = sys / "fs/btrfs/9f8e/devices"
        other.mkdir(parents=True)
        (other / "loop2").symlink_to(self.loop(sys, "loop2", "7:2", b"/srv/other"))
        everything = [
            mount(b"/image", (0, 44), "/dev/null"),
            mount(b"/data/null", (8, 1)),
            mount(b"/data/loop1", (8, 2)),
            mount(b"/srv", (8, 3)),
            mount(b"/proc", (0, 5), "proc"),
            mount(b"/gone", (0, 6), "/dev/no such device"),
        ]

        found = freeze_order.read_stacking(everything, sys=sys, dev=sys)

        assert found[0, 44] == {(8, 1), (8, 2)}
        assert found[0, 5] == found[0, 6] == frozenset()
