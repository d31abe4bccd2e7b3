"""verify by a user who may not write, or has no name, or on a store that nobody may write to."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.system.clocks import SystemClock
from support import loop, programs
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator
    from io import RawIOBase

HOLDSTILL = Path(sys.executable).with_name("holdstill")
NOBODY, NAMELESS = 65534, 4242421
"""A user that every system has (Debian policy manual, 9.2.2), and one that none has."""
MIB = 1 << 20
pytestmark = pytest.mark.timeout(120)


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    with loop.ext4_volume(tmp_path, size=48 * MIB) as mounted:
        yield mounted


@pytest.fixture
def house(volume: Path, tmp_path: Path) -> SignedStore:
    """A store on that volume with one capture; others may go through the folders above it."""
    made = SignedStore(volume)
    made.enrol("pier-3")
    made.capture("pier-3", {b"f": b"reading"}, clock=FakeClock(SystemClock().now()))
    for folder in (volume, tmp_path, *list(tmp_path.parents)[:-2]):
        folder.chmod(folder.stat().st_mode | 0o011)
    return made


def give(house: SignedStore, user: int) -> None:
    programs.run("chown", "-R", f"{user}:{user}", house.root)


def verify(house: SignedStore, *words: str, user: int = 0) -> subprocess.CompletedProcess[bytes]:
    become = ("setpriv", f"--reuid={user}", f"--regid={user}", "--clear-groups")
    return programs.attempt(*become, HOLDSTILL, "verify", "--store", house.root, *words)


def test_f1_h11_verified_by_root_once_the_keepers_user_finds_all_good_for_ever(
    house: SignedStore,
) -> None:
    give(house, NOBODY)

    by_root = verify(house)
    ledger = house.root / "boards/pier-3/ledger.jsonl"
    before = ledger.read_bytes()
    by_user = verify(house, "--json", user=NOBODY)

    assert (by_root.returncode, by_user.returncode) == (0, 0), by_user
    report = json.loads(by_user.stdout)
    assert [name[:7] for name in report["captures"]] == ["pier-3/"]
    assert report["notes"] == []
    assert ledger.read_bytes() != before


def test_h11_what_another_user_may_not_read_is_no_damage(house: SignedStore) -> None:
    give(house, 0)
    house.root.chmod(0o755)
    for folder in (house.root / "boards", house.root / "boards/pier-3"):
        folder.chmod(0o755)

    done = verify(house, user=NOBODY)

    said = done.stdout + done.stderr
    assert done.returncode == 4, said
    assert f"sudo holdstill verify --store {house.root}".encode() in said
    assert b"DAMAGED" not in said
    assert b"TRUSTWORTHY" not in said
    assert b"Traceback" not in said


def test_m7_a_store_that_is_mounted_read_only_is_verified_all_the_same(
    house: SignedStore, volume: Path
) -> None:
    programs.run("mount", "-o", "remount,ro", volume)
    try:
        done = verify(house, "--json")
    finally:
        programs.run("mount", "-o", "remount,rw", volume)

    report = json.loads(done.stdout)
    assert done.returncode == 0, report
    assert len(report["captures"]) == 1
    cache, ledger = report["notes"]
    assert "verified.sqlite" in cache
    assert ledger.startswith("pier-3: what was found cannot be noted in its ledger: ")


def pour(file: RawIOBase, chunk: bytes) -> None:
    while True:
        file.write(chunk)


def test_h22_a_store_on_a_full_disk_is_verified_all_the_same(
    house: SignedStore, volume: Path
) -> None:
    with (volume / "ballast").open("wb", buffering=0) as file:
        for chunk in (b"x" * MIB, b"x" * 4096, b"x"):
            with pytest.raises(OSError, match="No space left"):
                pour(file, chunk)

    done = verify(house, "--json")

    report = json.loads(done.stdout)
    assert done.returncode == 0, report
    assert len(report["captures"]) == 1


def test_l1_a_user_without_a_name_verifies_what_is_good(house: SignedStore) -> None:
    give(house, NAMELESS)

    done = verify(house, user=NAMELESS)

    assert done.returncode == 0, done


def test_l1_a_user_without_a_name_is_told_so_where_only_a_program_can_judge_a_signature(
    house: SignedStore,
) -> None:
    (sealed,) = house.root.rglob("manifest.yaml.sig")
    sealed.chmod(0o600)
    sealed.write_bytes(sealed.read_bytes().replace(b"A", b"B", 1))
    give(house, NAMELESS)

    done = verify(house, user=NAMELESS)

    assert done.returncode == 4, done
    said = done.stdout + done.stderr
    assert b"user id 4242421" in said
    assert b"TRUSTWORTHY" not in said
    assert b"bad signature" not in said
