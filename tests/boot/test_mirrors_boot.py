"""A board with its root on a mirror (md), captured while it writes, rebuilt and really booted.

Captured by the agent in an emulated machine, whose kernel has md; rebuilt here, where there is
none. Debian's own initramfs has to start the arrays, each with one member, by the mdadm.conf that
was captured; the kernel then gets the second one, which the rebuild left empty.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, evidence, here, kinds, layers, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = [pytest.mark.timeout(3600), pytest.mark.slow]


@pytest.fixture(scope="module")
def kept(copied_store: Callable[[Path], Path]) -> Path:
    """Return a folder with a store of the board's captures."""
    return copied_store(layers.captured_mirrors())


def test_inspect_grades_what_a_running_mirror_holds_as_what_it_is() -> None:
    found = json.loads((layers.captured_mirrors() / "inspected.json").read_bytes())
    parts = {part["number"]: part for part in found["parts"]}

    assert {n: (part["how"], part["grade"], part["mount"]) for n, part in parts.items()} == {
        1: ("unmounted", "read-only", ""),
        2: ("identity", "read-only", ""),
        501: ("frozen", "point-in-time", "/srv"),
        3: ("left out", "read-only", ""),
        4: ("identity", "read-only", ""),
        502: ("frozen", "point-in-time", "/"),
    }
    assert found["refusals"] == []


def test_show_says_what_was_in_which_partition_and_how_still_it_was(kept: Path) -> None:
    with layers.store(kept) as store:
        said = programs.run(
            here.HOLDSTILL, "show", layers.MIRRORS.name, "--store", store, "--json"
        )
        told = programs.run(here.HOLDSTILL, "show", layers.MIRRORS.name, "--store", store)
    parts = {part["number"]: part for part in json.loads(said)["parts"]}

    for number, place in ((501, "/srv"), (502, "/")):
        assert (parts[number]["mount"], parts[number]["grade"]) == (place, "point-in-time")
        assert parts[number]["large_files"] != "traced"
    text = told.decode()
    assert "501 is the content of the array md1, in 2" in text
    assert "502 is the content of the array md0, in 4" in text


@pytest.mark.parametrize("size", ["1700M", "4G"])
def test_a_root_on_a_mirror_boots_smaller_and_larger_and_takes_a_second_member(
    size: str, kept: Path, layered: board.Card, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    image = tmp_path / "card.img"
    with layers.store(kept) as store:
        report = here.rebuilt(layers.MIRRORS.name, image, store, "--size", size)
    assert report["bootable"], report
    assert report["checked_entries"] == report["entries"]
    assert f"{report}".count("comes back DEGRADED, with one of its 2 members") == 2

    firmware = machine.from_uefi(image)
    with machine.booted(layered, firmware, hardware=layers.HARDWARE) as pier:
        pier.run("sh", "-c", "until systemctl -q is-active tide-gauge; do sleep 1; done")
        found = evidence.decode(pier.run("cat", "/run/tide-gauge/found.json"))
        assert evidence.broken_promises(found) == []
        assert found.database.count > 1
        mounts = pier.run("findmnt", "-rno", "TARGET,SOURCE,FSTYPE").decode()
        assert "/ /dev/md0 ext4" in mounts
        assert "/srv /dev/md1 ext4" in mounts
        before = pier.run("cat", "/proc/mdstat").decode()
        assert before.count("[2/1] [U_]") == 2, before
        # As the plan says; the kernel copies all that the first one has.
        pier.run("mdadm", "--manage", "/dev/md1", "--add", "/dev/vda3")
        pier.run("sh", "-c", "mdadm --wait /dev/md1 || true", timeout=300)
        assert "[2/2] [UU]" in pier.run("cat", "/proc/mdstat").decode()
        assert kinds.MARKER in pier.console
        measured(f"mirrors at {size}: login after {pier.seconds_to_login} s")
        pier.stop()
