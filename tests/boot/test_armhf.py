"""A board of 32 bits, its kernel included: asked, captured from inside, rebuilt, booted."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import pytest

from support import programs
from support.vm import board, cycle, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
PYTHON = "/opt/holdstill/bin/python3"
VOLUME = "/srv/volume"
ON_VOLUME = f"""
truncate --size=128M /srv/volume.img
mkfs.ext4 -q -O project /srv/volume.img
mkdir -p {VOLUME}
mount -o loop /srv/volume.img {VOLUME}
losetup --noheadings --output NAME --associated /srv/volume.img
"""
HARDWARE = machine.Hardware(reaches_host=True)
LATE_NS = 2_209_032_000_123_456_789
LARGE = (3 << 30) + 5
CEILING = 5.0
"""Seconds after which the guard of the holder thaws if nobody dies."""


class Guest(NamedTuple):
    """The board, with a volume that has project ids on a device."""

    pier: machine.Machine
    device: str


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    image = tmp_path_factory.mktemp("card") / "card.img"
    return board.build_card(board.tree(board.NARROW_ARM), image)


@pytest.fixture(scope="module")
def guest(card: board.Card, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guest]:
    image = tmp_path_factory.mktemp("asked") / "card.img"
    programs.run("cp", "--sparse=always", card.image, image)
    own = replace(card, image=image)
    with machine.booted(own, machine.from_narrow_u_boot(image), seconds=900) as pier:
        device = pier.run("sh", "-ec", ON_VOLUME).decode().strip()
        yield Guest(pier, device)


@pytest.fixture(scope="module")
def told(guest: Guest) -> dict[str, object]:
    script = (board.GUEST / "narrow.py").read_bytes()
    words = (PYTHON, "-", VOLUME, guest.device)
    answers: dict[str, object] = json.loads(guest.pier.run(*words, stdin=script, timeout=300))
    return answers


def test_the_board_is_one_of_32_bits(told: dict[str, object]) -> None:
    assert (told["machine"], told["word"]) == ("armv7l", 4)
    # As gcc makes them of linux/fs.h for this architecture (tests/tools/test_kernel_headers.py).
    assert told["numbers"] == [0x80046601, 0x80041272]


def test_flags_and_generation_are_what_lsattr_reads(told: dict[str, object]) -> None:
    found = told["flags"]
    assert isinstance(found, dict)
    # linux/fs.h: immutable 0x10, append-only 0x20, no access times 0x80.
    assert found["flags"] & 0xB0 == 0xB0
    assert {*"iaA"} <= {*found["letters"]}
    assert found["gen"] == found["generation"] != 0
    assert "d" in str(told["set"])


def test_project_ids_are_read_and_set(told: dict[str, object]) -> None:
    assert told["projects"] == {"read": 42, "set": 2_000_000_000, "told": 2_000_000_000}


def test_a_file_of_more_than_2_gib_is_opened_and_mapped(told: dict[str, object]) -> None:
    found = told["large"]
    assert isinstance(found, dict)
    assert (found["size"], found["end"]) == (LARGE, "ended")
    assert found["extents"] == [3 << 30]
    assert found["ranges"] == [[3 << 30, LARGE]]


def test_a_time_after_2038_is_seen(told: dict[str, object]) -> None:
    found = told["late"]
    assert isinstance(found, dict)
    assert (found["agents"], found["opened"]) == (LATE_NS, LATE_NS)
    # errno 75, EOVERFLOW: the C library of Debian 12 has times of 32 bits on this architecture.
    assert found["plain"] == -75


def test_the_kernel_tells_of_changes_in_both_ways(told: dict[str, object]) -> None:
    assert told["events"] == {"heard": True, "noted": True}


def test_the_small_calls_answer(told: dict[str, object]) -> None:
    assert told["device"] == [128 << 20, 128 << 20]  # as ours and as blockdev(8) say
    # linux/magic.h: EXT4_SUPER_MAGIC. linux/ioprio.h: class 2 is above bit 13; 7 is the last.
    assert (told["kind"], told["served"]) == (0xEF53, 2 << 13 | 7)
    assert told["lock"] == 0
    assert told["minutes_west"] == 0


@pytest.mark.parametrize("step", ["after freezing volume", "inside", "before thawing volume"])
def test_a_killed_agent_leaves_nothing_frozen(
    guest: Guest, step: str, measured: Callable[[str], None]
) -> None:
    script = (board.PROJECT / "tests/support/holder.py").read_text()
    hold = f"{PYTHON} - '{step}' /run/journal {VOLUME}"
    # The holder ends by SIGKILL; what is written then has to wait for the guard.
    write = f"echo on >{VOLUME}/on; cut -d ' ' -f 1 /proc/uptime"
    words = f"mkdir -p /run/journal; {hold} || true; {write}"

    died, wrote = map(float, guest.pier.run("sh", "-c", words, stdin=script.encode()).split())

    measured(f"{step}: written {wrote - died:.2f} s after the death")
    assert wrote - died < CEILING / 2
    guest.pier.run("fsfreeze", "--freeze", VOLUME)
    guest.pier.run("fsfreeze", "--unfreeze", VOLUME)


@pytest.fixture(scope="module")
def life(card: board.Card, tmp_path_factory: pytest.TempPathFactory) -> Lived:
    """Capture the board twice from inside, the second time with more to see; rebuild the last."""
    folder = tmp_path_factory.mktemp("life")
    image = folder / "card.img"
    programs.run("cp", "--sparse=always", card.image, image)
    own = replace(card, image=image)
    with cycle.keeper(folder) as at:
        with machine.booted(
            own, machine.from_narrow_u_boot(image), hardware=HARDWARE, seconds=900
        ) as pier:
            cycle.prepare(pier)
            cycle.enrol(pier, at)
            inspected = pier.run("holdstill", "inspect", "--json", timeout=900)
            first = cycle.capture(pier, at)
            pier.run(PYTHON, "-", stdin=LATE_AND_LARGE.encode())
            second = cycle.capture(pier, at)
        rebuilt = cycle.rebuild(at, folder / "rebuilt.img", own)
    with machine.booted(rebuilt, machine.from_narrow_u_boot(rebuilt.image), seconds=900) as pier:
        copy, more = cycle.look(pier), pier.run(PYTHON, "-", stdin=LOOK_AT_THEM.encode())
        pier.stop()
    return Lived(inspected, first, second, copy, json.loads(more))


LATE_AND_LARGE = """
import ctypes, os, struct
os.makedirs("/srv/late/inside")
libc = ctypes.CDLL(None)
def late(path):
    times = struct.pack("=qqqq", 2209032000, 1, 2209032000, 123456789)
    assert libc.syscall(412, -100, path.encode(), ctypes.c_char_p(times), 0x100) == 0
for name, content in {"small": b"s", "empty": b"", "inside/deep": b"d" * 70000}.items():
    with open("/srv/late/" + name, "wb") as file:
        file.write(content)
    late("/srv/late/" + name)
os.symlink("nowhere", "/srv/late/link")
late("/srv/late/link")
late("/srv/late/inside")
with open("/srv/large", "wb") as file:
    file.truncate(3 << 30)
    file.seek(3 << 30)
    file.write(b"ended")
os.sync()
"""
LOOK_AT_THEM = """
import json, os
from holdstill.system import file_status, files
from pathlib import Path
found = {}
with files.opened(Path("/srv"), os.O_RDONLY) as top:
    for name in ("late/small", "late/empty", "late/inside", "late/inside/deep", "late/link"):
        found[name] = file_status.of_name(top, name.encode()).st_mtime_ns
found["deep"] = len(open("/srv/late/inside/deep", "rb").read())
with open("/srv/large", "rb") as file:
    file.seek(3 << 30)
    found["large"] = file.read().decode()
print(json.dumps(found))
"""


class Lived(NamedTuple):
    """What was seen of the board and of its copy."""

    inspected: bytes
    first: cycle.Original
    second: cycle.Original
    copy: cycle.Copy
    more: dict[str, object]


def test_two_captures_are_taken_from_inside(life: Lived, measured: Callable[[str], None]) -> None:
    for name, original in (("first", life.first), ("second", life.second)):
        report = original.report
        measured(f"{name}: {report.seconds:.0f} s, frozen {report.frozen_ms} ms")
        measured(f"{name}: longest writes {original.stall.longest_s[0]} s, {report.warnings}")
        measured(f"{name}: {original.agent_kib} KiB, {original.agent_cpu_s} CPU s")
    assert life.second.report.warnings == []
    assert life.second.report.parts[1]["grade"] == life.first.report.parts[1]["grade"]


def test_its_copy_boots_and_is_the_same(life: Lived) -> None:
    copy, second = life.copy, life.second
    assert (copy.state, copy.failed_units) == (b"running\n", b"")
    assert copy.readings[0] < copy.readings[1]
    assert evidence.broken_promises(copy.found) == []
    assert copy.machine_id == second.machine_id
    assert {
        path: (second.entries.get(path), copy.entries.get(path))
        for path in second.entries.keys() | copy.entries.keys()
        if second.entries.get(path) != copy.entries.get(path)
    } == {}


def test_late_times_and_a_large_file_come_back(life: Lived) -> None:
    late = ("late/small", "late/empty", "late/inside", "late/inside/deep", "late/link")
    assert life.more == {**dict.fromkeys(late, LATE_NS), "deep": 70000, "large": "ended"}
