"""A board of 32 bits, its kernel included: asked, captured from inside, rebuilt, booted.

Emulated, all of it takes most of an hour. What was captured is kept for the next run
(support/vm/narrow.py), so that the tests may be run some at a time.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, NamedTuple

import pytest

from support import loop, programs
from support.vm import board, cycle, evidence, here, kinds, machine, narrow
from support.vm.guest import churn, late_and_large

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
VOLUME = "/srv/volume"
ON_VOLUME = f"""
truncate --size=128M /srv/volume.img
mkfs.ext4 -q -O project /srv/volume.img
mkdir -p {VOLUME}
mount -o loop /srv/volume.img {VOLUME}
losetup --noheadings --output NAME --associated /srv/volume.img
"""
LATE_NS = 2_209_032_000_123_456_789
"""2040-01-01 12:00 UTC and some nanoseconds."""
LARGE = (3 << 30) + 5
SIZES = ("1200M", "4G")
"""Of rebuilt cards: the board's own has 2 GiB."""
GRADES = {"/": "point-in-time", "/boot/firmware": "read-only"}
CEILING = 5.0
"""Seconds after which the guard of the holder thaws if nobody dies."""


class Guest(NamedTuple):
    """The board, with a volume that has project ids on a device."""

    pier: machine.Machine
    device: str


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guest]:
    image = tmp_path_factory.mktemp("asked") / "card.img"
    board.build_card(board.tree(board.NARROW_ARM), image)
    with narrow.booted(image) as pier:
        device = pier.run("sh", "-ec", ON_VOLUME).decode().strip()
        yield Guest(pier, device)


@pytest.fixture(scope="module")
def told(guest: Guest) -> dict[str, object]:
    script = (board.GUEST / "narrow.py").read_bytes()
    words = (narrow.PYTHON, "-", VOLUME, guest.device)
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
    hold = f"{narrow.PYTHON} - '{step}' /run/journal {VOLUME}"
    # The holder ends by SIGKILL; what is written then has to wait for the guard.
    write = f"echo on >{VOLUME}/on; cut -d ' ' -f 1 /proc/uptime"
    words = f"mkdir -p /run/journal; {hold} || true; {write}"

    died, wrote = map(float, guest.pier.run("sh", "-c", words, stdin=script.encode()).split())

    measured(f"{step}: written {wrote - died:.2f} s after the death")
    assert wrote - died < CEILING / 2
    guest.pier.run("fsfreeze", "--freeze", VOLUME)
    guest.pier.run("fsfreeze", "--unfreeze", VOLUME)


@pytest.fixture(scope="module")
def once() -> narrow.Captured:
    return narrow.captured_once()


@pytest.fixture(scope="module")
def twice() -> narrow.Captured:
    return narrow.captured_twice()


def costs(original: cycle.Original) -> Iterator[str]:
    """Say what a capture took."""
    report = original.report
    yield f"{report.seconds:.0f} s, frozen {report.frozen_ms} ms of {report.window_ms} ms"
    yield f"longest writes {original.stall.longest_s} s, median {original.stall.median_s} s"
    yield f"agent {original.agent_kib} KiB, {original.agent_cpu_s} CPU s"
    yield f"{report.wire_bytes} bytes over the wire, {report.spool_bytes} read in the pause"
    yield "; ".join(original.steps)


def grades(original: cycle.Original) -> dict[object, object]:
    return {part["place"]: part["grade"] for part in original.report.parts}


def test_a_first_capture_is_sealed_from_inside(
    once: narrow.Captured, measured: Callable[[str], None]
) -> None:
    for line in costs(once.original):
        measured(line)

    assert grades(once.original) == GRADES
    assert once.original.report.warnings == []
    found = json.loads(once.inspected)
    assert found["board"]["architecture"] == "armv7l"
    assert found["refusals"] == []


def test_a_board_under_write_load_is_frozen_and_what_was_written_is_traced(
    twice: narrow.Captured, measured: Callable[[str], None]
) -> None:
    report, stall = twice.original.report, twice.original.stall
    for line in costs(twice.original):
        measured(line)

    assert grades(twice.original) == GRADES
    assert report.warnings == []
    root = report.parts[1]
    assert (root["large_files"], root["large_files_why"]) == ("traced", "")
    # The witness on the board saw writes stop for as long as the agent says, or nearly.
    assert stall.longest_s[0] * 1000 >= 0.8 * report.frozen_ms


def test_every_stored_byte_is_what_was_captured(twice: narrow.Captured) -> None:
    programs.run(here.HOLDSTILL, "verify", "--store", twice.store, timeout=600)

    briefs = here.Kept(twice.store).briefs()
    assert len(briefs) == 2
    assert all(brief["verified_at"] for brief in briefs)


def rebuilt(twice: narrow.Captured, image: Path, size: str) -> Path:
    report = here.rebuilt("pier-3", image, twice.store, "--size", size)
    assert report["bootable"], report
    assert report["checked_entries"] == report["entries"]
    return image


@pytest.mark.parametrize("size", SIZES)
def test_a_64_bit_kernel_sees_late_times_and_one_instant_in_the_copy(
    size: str, twice: narrow.Captured, tmp_path: Path
) -> None:
    image = rebuilt(twice, tmp_path / "card.img", size)

    with loop.attached(image) as disk:
        programs.run("e2fsck", "-fn", disk.partition(2), timeout=300)
        with loop.mounted(disk.partition(2), tmp_path / "root", options="ro") as root:
            srv = root / "srv"
            times = {name: (srv / name).lstat().st_mtime_ns for name in late_and_large.NAMES}
            assert times == dict.fromkeys(late_and_large.NAMES, LATE_NS)
            large = (srv / "large").stat()
            assert large.st_size == late_and_large.LARGE + len("ended")
            assert large.st_blocks * 512 < 1 << 20
            found = churn.check(srv / "churn")
    assert (found["blocks"], found["wrong"]) == (churn.BLOCKS, [])
    assert int(str(found["writes"])) > 0


@pytest.mark.parametrize("size", SIZES)
def test_the_copy_boots_to_a_login_and_is_the_same(
    size: str, twice: narrow.Captured, tmp_path: Path, measured: Callable[[str], None]
) -> None:
    image = rebuilt(twice, tmp_path / "card.img", size)

    with narrow.booted(image) as pier:
        narrow.at_rest(pier)
        copy, console = cycle.look(pier), pier.console
        look = (board.GUEST / "late_and_large.py").read_bytes()
        more = json.loads(pier.run(narrow.PYTHON, "-", "look", stdin=look))
        pier.stop(narrow.SECONDS)

    measured(f"at {size}: login after {pier.seconds_to_login} s")
    original = twice.original
    assert (copy.state, copy.failed_units) == (b"running\n", b"")
    assert kinds.MARKER in console
    assert "pier-3 login:" in console
    assert copy.readings[0] < copy.readings[1]
    assert evidence.broken_promises(copy.found) == []
    assert copy.machine_id == original.machine_id
    assert cycle.differing(original, copy) == {}
    # linux/fs.h: immutable and append-only, by the witness' own call.
    for name, flag in {b"kept": 0x10, b"grown": 0x20}.items():
        assert int(str(copy.entries[b"/srv/odd/" + name]["flags"])) & flag
    late = dict.fromkeys(late_and_large.NAMES, LATE_NS)
    assert more == {"times": late, "deep": 70_000, "end": "ended"}
