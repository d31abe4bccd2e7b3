"""verify beside captures, thinning, listing and another verify: it cries no wolf."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from support import keeps_capturing, programs
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from collections.abc import Iterator

HOLDSTILL = Path(sys.executable).with_name("holdstill")
ALARMS = ("damages", "faults", "unread", "troubles", "notes", "damaged", "missing")


@pytest.fixture
def house(tmp_path: Path) -> SignedStore:
    made = SignedStore(tmp_path)
    made.enrol("pier-3", "pier-4")
    (tmp_path / "keeper.yaml").write_text(
        f"store: {made.root}\ntrash_days: 0\n"
        "retention: {days: 0, weeks: 0, months: 0, years: 0, at_least: 2}\n",
        encoding="utf-8",
    )
    return made


@contextmanager
def capturing(house: SignedStore, seed: int) -> Iterator[subprocess.Popen[bytes]]:
    tests = Path(keeps_capturing.__file__).parents[1]
    with subprocess.Popen(
        [sys.executable, keeps_capturing.__file__, house.root, house.folder, str(seed)],
        env=os.environ | {"PYTHONPATH": os.fspath(tests)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as child:
        try:
            yield child
        finally:
            child.kill()


def repeated(until: float, *words: str | Path) -> list[subprocess.CompletedProcess[bytes]]:
    """Run a command again and again until a moment of the monotonic clock, thrice at least."""
    done: list[subprocess.CompletedProcess[bytes]] = []
    while time.monotonic() < until or len(done) < 3:
        done.append(programs.attempt(HOLDSTILL, *words))
    return done


def alarms(done: subprocess.CompletedProcess[bytes]) -> list[str]:
    """Return what a verify complained of."""
    if not done.stdout:
        return [done.stderr.decode()]
    report = json.loads(done.stdout)
    return [f"{name}: {report[name]}" for name in ALARMS if report[name]]


def check(house: SignedStore, *, seconds: float, seed: int) -> None:
    until = time.monotonic() + seconds
    verify = ("verify", "--json", "--store", house.root)
    loops = {
        "verify": verify,
        "verify again": (*verify, "--within", "1"),
        "list": ("list", "--json", "--store", house.root),
        "thin": ("thin", "--apply", "--settings", house.folder / "keeper.yaml", *verify[2:]),
    }
    with capturing(house, seed) as child, ThreadPoolExecutor(len(loops)) as pool:
        running = {name: pool.submit(repeated, until, *words) for name, words in loops.items()}
        done = {name: loop.result() for name, loop in running.items()}
        out, err = child.communicate(timeout=60)

    wolves = [
        text for name in ("verify", "verify again") for d in done[name] for text in alarms(d)
    ]
    assert wolves == []
    assert {d.returncode for name in loops if name != "thin" for d in done[name]} == {0}
    # A run that is alive at that moment is refused by thin, and it says so.
    said = [(d.returncode, d.stderr.decode()) for d in done["thin"] if d.returncode not in {0, 3}]
    assert said == []
    assert child.returncode == 0, err.decode()
    # Nothing of this proves anything unless they really met.
    gone = sum(len(json.loads(d.stdout)["gone"]) for d in done["verify"])
    counts = {name: len(d) for name, d in done.items()}
    sys.stdout.write(f"captures {int(out)}, thinned while verified {gone}, runs {counts}\n")
    assert int(out) >= 5
    assert any(b"000001-" not in d.stdout for d in done["list"])


@pytest.mark.timeout(240)
def test_m5_h22_verify_beside_all_others_has_no_false_alarm(house: SignedStore) -> None:
    check(house, seconds=30, seed=1)


@pytest.mark.slow
@pytest.mark.timeout(2400)
def test_m5_h22_verify_beside_all_others_for_half_an_hour(house: SignedStore) -> None:
    check(house, seconds=1800, seed=2)
