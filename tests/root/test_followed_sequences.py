"""Large files that are followed, in random sequences of all that programs do to files.

What the rounds and the pause have taken must be, byte by byte, what the frozen file holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import pytest

from support import followed_sequences, scribbler
from support.followed_sequences import Loss, Phase
from support.traced_volume import formatted

if TYPE_CHECKING:
    from pathlib import Path

    from support.followed_sequences import Tally


class Made(NamedTuple):
    """A file system as it is made and mounted."""

    kind: str
    mkfs: str = ""
    options: str = "noatime"


PLAIN = [Made("ext4"), Made("xfs"), Made("btrfs")]
VARIANTS = [
    Made("ext4", "-b 1024"),
    Made("ext4", "-O bigalloc"),
    Made("ext4", "-O ^extents,^64bit"),
    Made("ext4", "-O inline_data"),
    Made("ext4", options="noatime,data=journal"),
    Made("ext4", options="noatime,nodelalloc"),
    Made("ext4", options="noatime,dioread_lock"),
    Made("xfs", "-m reflink=0"),
    Made("btrfs", options="noatime,compress=zstd"),
]
FEW, SOME = range(12), range(24)
MANY = [range(first, first + 250) for first in range(0, 1000, 250)]
"""Seeds. Other ones give other sequences; the same ones similar ones, as processes race."""
QUICK = pytest.mark.timeout(300)
SLOW = [pytest.mark.slow, pytest.mark.timeout(3600)]
NEVER = {
    "ext4": {"reflink", "lend", "clone", "defragment"},
    "xfs": {"swap"},
    "btrfs": {"swap", "collapse", "insert", "insert_and_collapse"},
}
"""What the file systems do not do at all; `swap` is ext4's own way to defragment."""


def name(value: object) -> str:
    if isinstance(value, range):
        return f"{value.start}-{value.stop}"
    return "-".join(filter(None, value)).replace(" ", "") if isinstance(value, Made) else ""


def sequences(
    folder: Path,
    made: Made,
    seeds: range,
    *,
    blind: bool = False,
    lost: tuple[Phase, Loss] | None = None,
) -> Tally:
    kind, mkfs, options = made
    with formatted(folder, kind, *mkfs.split(), options=options) as (_, at):
        tally = followed_sequences.run(at, kind, seeds, folder, blind=blind, lost=lost)
    print(made, tally)  # noqa: T201
    return tally


@pytest.mark.parametrize(
    ("made", "seeds"),
    [
        *[pytest.param(made, SOME, marks=QUICK) for made in PLAIN],
        *[pytest.param(made, seeds, marks=SLOW) for made in PLAIN for seeds in MANY],
        *[pytest.param(made, range(100), marks=SLOW) for made in VARIANTS],
    ],
    ids=name,
)
def test_what_was_taken_is_what_the_frozen_file_holds(
    tmp_path: Path, made: Made, seeds: range
) -> None:
    tally = sequences(tmp_path, made, seeds)

    assert tally.wrong == []
    assert tally.sequences == len(seeds)
    assert not any(tally.noticed), tally.noticed  # the trace has lost nothing
    # It is no empty claim: most files were followed, and most of each was not taken in the pause.
    assert tally.whole < len(seeds) / 2
    assert tally.taken < tally.pieces * 0.9
    if made in PLAIN:
        assert {what.__name__ for what in scribbler.OPERATIONS} - set(tally.done) <= (
            NEVER[made.kind]
        )


@QUICK
@pytest.mark.parametrize("made", [Made("ext4"), Made("xfs")], ids=name)
def test_without_the_trace_it_would_be_wrong(tmp_path: Path, made: Made) -> None:
    tally = sequences(tmp_path, made, FEW, blind=True)

    assert len(tally.wrong) > len(FEW) / 4


@QUICK
@pytest.mark.parametrize(
    "how",
    [
        pytest.param(how, marks=pytest.mark.slow if number else ())
        for number, how in enumerate(Loss)
    ],
    ids=lambda how: how.name.lower(),
)
@pytest.mark.parametrize("phase", Phase, ids=lambda phase: phase.name.lower())
@pytest.mark.parametrize(
    "made", [Made("ext4"), pytest.param(Made("xfs"), marks=pytest.mark.slow)], ids=name
)
def test_what_the_trace_loses_is_noticed_every_time_and_is_never_a_wrong_byte(
    tmp_path: Path, made: Made, phase: Phase, how: Loss
) -> None:
    tally = sequences(tmp_path, made, FEW, lost=(phase, how))

    assert tally.wrong == []
    # Before the first look nothing was read that it could be about.
    assert all(tally.noticed) or phase is Phase.BEGIN, tally.noticed
