"""Many captures in a row of a board whose root is on logical volumes, under load, each judged.

A tide gauge promises an order of writes over two volumes, and on each volume a large file tells
how many writes it has seen: in every capture all of it must be of one instant. The same judges
look at copies that tar made of the running board.

HOLDSTILL_CAPTURES says how many captures, a hundred by default: emulated, each takes half a
minute or more. After each fifth a copy is made.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
from collections import Counter
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.demo import gauge_check
from support import programs
from support.vm import board, cycle, here, layers
from support.vm.guest import churn

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.vm import machine

CAPTURES = int(os.environ.get("HOLDSTILL_CAPTURES", "100"))
PER_COPY = 5
CHURNED = ("var/churn", "srv/churn")
"""One large file on each volume."""
PLACES = (
    f"{gauge_check.TRAILING.parent.parent}",
    f"{gauge_check.FOLDER}",
    f"{gauge_check.LOGS}",
    f"{gauge_check.CALIBRATION.parent}",
    CHURNED[0],
)
"""All that the judges look at; the first is a volume of its own."""

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1800 + 120 * CAPTURES)]


def judged(tree: Path) -> tuple[list[str], int]:
    """Return what is wrong with a tree, and how many writes its large files have seen."""
    wrong, writes = [f"gauge: {words}" for words in gauge_check.check(tree)], 0
    for name in CHURNED:
        found = churn.check(tree / name)
        writes += int(str(found["writes"]))
        if found["wrong"] or found["blocks"] != churn.BLOCKS:
            wrong.append(f"{name}: {found}")
    return wrong, writes


def witnesses(wrong: list[list[str]]) -> Counter[str]:
    """Count the trees in which each witness is broken."""
    return Counter(name for one in wrong for name in {said.partition(":")[0] for said in one})


def load(shop: machine.Machine) -> None:
    """Let the large files be written to, beside the gauge."""
    shop.put("/root/churn.py", (board.GUEST / "churn.py").read_bytes())
    for number, name in enumerate(CHURNED):
        words = ("python3", "/root/churn.py", "write", f"{layers.LVM.place}/{name}")
        shop.run("systemd-run", "--quiet", f"--unit=churn-{number}", *words)


def inspected(shop: machine.Machine) -> dict[str, tuple[str, str]]:
    """Return what inspect says of what is mounted, while it is written to."""
    words = ("holdstill", "inspect", "--settings", f"/root/{layers.LVM.name}.yaml", "--json")
    parts = json.loads(shop.run(*words))["parts"]
    return {part["mount"]: (part["how"], part["grade"]) for part in parts if part["mount"]}


def copied(shop: machine.Machine, work: Path) -> list[str]:
    """Copy the running board as one would by hand; return what is wrong with the copy."""
    # 1: a file changed while it was read, which is no failure of tar's (tar(1), RETURN VALUE).
    words = f"tar -C {layers.LVM.place} -cf - {' '.join(PLACES)} || [ $? = 1 ]"
    raw = shop.run("sh", "-c", words, timeout=300)
    work.mkdir()
    programs.run("tar", "-C", work, "-xf", "-", stdin=raw)
    wrong, _ = judged(work)
    shutil.rmtree(work)
    return wrong


def taken_out(store: Path, name: str, work: Path) -> tuple[list[str], int]:
    """Take out of a capture what the judges look at, and return what they say."""
    for place in PLACES:
        (work / place).parent.mkdir(parents=True, exist_ok=True)
        what = (f"{layers.LVM.name}/{name}", f"/{place}", "--to", work / place)
        programs.run(here.HOLDSTILL, "get", *what, "--store", store, timeout=300)
    said = judged(work)
    shutil.rmtree(work)
    return said


def test_no_capture_of_logical_volumes_under_load_is_of_two_instants(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    card = board.build_card(board.tree(board.LAYERS), tmp_path / "card.img")
    reports: list[cycle.Report] = []
    copies: list[list[str]] = []
    with layers.workshop(card, tmp_path, (layers.LVM,), store_size=4 << 30) as shop:
        load(shop)
        assert inspected(shop) == dict.fromkeys(("/", "/srv"), ("frozen", "point-in-time"))
        for number in range(CAPTURES):
            code, report, said = layers.capture(shop, layers.LVM)
            assert code == 0, said
            assert layers.grades(report) == {"point-in-time"}
            reports.append(msgspec.convert(report, cycle.Report))
            if number % PER_COPY == 0:
                copies.append(copied(shop, tmp_path / "copy"))
        shop.run("systemctl", "stop", *(f"churn-{number}" for number in range(len(CHURNED))))
        layers.finished(shop, (layers.LVM,))

    with layers.store(tmp_path) as store:
        found = [taken_out(store, report.name, tmp_path / "again") for report in reports]

    wrong = [said for said, _ in found]
    frozen = sorted(report.frozen_ms for report in reports)
    measured(f"{sum(map(bool, wrong))} of {CAPTURES} captures violated {witnesses(wrong)}")
    measured(f"{sum(map(bool, copies))} of {len(copies)} copies violated {witnesses(copies)}")
    measured(f"frozen: median {frozen[len(frozen) // 2]:.0f} ms, longest {frozen[-1]:.0f} ms")
    assert wrong == [[]] * CAPTURES
    assert [report.warnings for report in reports] == [[]] * CAPTURES
    # Nothing stood still but in the pauses: every capture is of a later instant.
    writes = [number for _, number in found]
    assert all(later > earlier for earlier, later in itertools.pairwise(writes))
    # The judges are not blind: they find that copies of the running board are of no instant.
    assert set(witnesses(copies)) >= {"gauge", *CHURNED}
