"""The keeper's timers as they are shipped, under a real systemd, on a machine that is a keeper.

The store holds a whole board, captured from its card. The clock is set forward until every timer
has elapsed, and what they start has to succeed in its sandbox; the rehearsal too, which runs an
emulator in the emulator and takes its time.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, here, machine, offline, spoil, units

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * 3600)]

DEEDS = ("verify", "thin", "watch", "rehearse@pier-3")
EXPECTED = {
    "verify": "every content is good",
    "thin": "pier-3",
    "watch": "pier-3",
    "rehearse@pier-3": "booted",
}
STORE_DISK = "/dev/vdb"
AT_ONCE = b"[Timer]\nRandomizedDelaySec=0\n"
"""systemd makes up for what was missed after a delay drawn anew, up to twelve hours here."""
PATIENT = """\
[Service]
ExecStart=
ExecStart=/usr/local/bin/holdstill rehearse %i --scratch ${STATE_DIRECTORY} \
  --log ${STATE_DIRECTORY}/%i.console --seconds 5400 --sign "Run /init|Loading, please wait"
"""
"""Emulated twice, a boot takes many times as long: its kernel's start is sign enough here."""


def keeper_card(folder: Path) -> board.Card:
    """Return a card of a machine with all that a keeper needs."""
    return board.build_card(board.tree(board.KEEPING), folder / "keeper.img", size=4 << 30)


def store_disk(folder: Path) -> Path:
    """Capture a board that starts by its boot code; return a disk that holds the store."""
    card = board.build_card(board.tree(), folder / "card.img")
    spoil.no_loader(card.image)
    here.capture(card.image, folder)
    (folder / "srv").mkdir()
    (folder / "store").rename(folder / "srv/holdstill")
    image = folder / "store.img"
    image.touch()
    made = ("mke2fs", "-q", "-F", "-t", "ext4", "-d", folder / "srv", image, "1g")
    programs.run(*made, timeout=300)
    return image


def conversions(tree: board.Tree, folder: Path) -> bytes:
    """Return glibc's conversion tables, packed: mkfs.vfat needs them, and the tree has none."""
    fetched = offline.debian(tree, folder / "apt", ("--reinstall", "libc6"))
    (package,) = (fetched / "var/cache/apt/archives").glob("libc6_*.deb")
    programs.run("dpkg-deb", "--extract", package, folder / "libc6")
    words = ("tar", "-cC", folder / "libc6", "usr/lib/x86_64-linux-gnu/gconv")
    return programs.run(*words)


def furnish(pier: Machine, folder: Path) -> None:
    """Make the machine a keeper."""
    pier.run("systemctl", "is-system-running", "--wait", timeout=300)
    tables = conversions(pier.card.tree, folder)
    pier.run("tar", "--no-same-owner", "-xC", "/", stdin=tables)
    units.install(pier)
    pier.run("mount", STORE_DISK, "/srv")
    pier.run("chown", "-R", "keeper:keeper", "/srv/holdstill")
    pier.put("/etc/holdstill/keeper.yaml", b"store: /srv/holdstill\n")
    pier.run("chmod", "755", "/etc/holdstill")
    pier.run("chmod", "644", "/etc/holdstill/keeper.yaml")
    pier.put(
        "/etc/systemd/system/holdstill-keeper-rehearse@.service.d/patient.conf", PATIENT.encode()
    )
    for timer in sorted(units.UNITS.glob("holdstill-keeper-*.timer")):
        pier.put(f"/etc/systemd/system/{timer.name}.d/at-once.conf", AT_ONCE)
    pier.run("systemctl", "daemon-reload")


def elapse(pier: Machine) -> dict[str, dict[str, str]]:
    """Start the timers, let forty days go by in a moment, and see what they start."""
    for deed in DEEDS:
        pier.run("systemctl", "start", f"holdstill-keeper-{deed}.timer")
    asked = "ActiveState,NextElapseUSecRealtime"
    before = {
        deed: units.properties(pier, f"holdstill-keeper-{deed}.timer", asked) for deed in DEEDS
    }
    pier.run("date", "--set", "+40 days")
    return before


def outcome(pier: Machine, deed: str) -> dict[str, str]:
    asked = "ActiveState,Result,ExecMainStatus,ExecMainExitTimestampMonotonic"
    return units.properties(pier, f"holdstill-keeper-{deed}.service", asked)


def is_over(pier: Machine, deed: str) -> bool:
    """Tell whether a service was started and has ended."""
    seen = outcome(pier, deed)
    ended = seen["ExecMainExitTimestampMonotonic"] not in {"", "0"}
    return ended and seen["ActiveState"] in {"inactive", "failed"}


def test_every_timer_of_the_keeper_starts_what_succeeds_in_its_sandbox(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    keeper = keeper_card(tmp_path)
    disk = ("-drive", f"file={store_disk(tmp_path)},format=raw,if=virtio,cache=unsafe")
    words = (*machine.from_uefi(keeper.image), *disk)
    with machine.booted(keeper, words, hardware=machine.Hardware(memory_mib=2560)) as pier:
        furnish(pier, tmp_path)
        timers = elapse(pier)
        results = {}
        start = time.monotonic()
        for deed in DEEDS:
            units.wait(lambda deed=deed: is_over(pier, deed), 6000)  # type: ignore[misc]
            measured(f"{deed} was over after {time.monotonic() - start:.0f} s")
            said = units.words(pier, f"holdstill-keeper-{deed}.service")
            results[deed] = (outcome(pier, deed)["Result"], said)
        ledger = pier.run("cat", "/srv/holdstill/boards/pier-3/ledger.jsonl").decode()

    assert {timer["ActiveState"] for timer in timers.values()} == {"active"}
    assert all(timer["NextElapseUSecRealtime"] for timer in timers.values())
    for deed, (result, said) in results.items():
        assert result == "success", f"{deed}: {said}"
        assert EXPECTED[deed] in said, f"{deed}: {said}"
    assert "booted" in ledger
