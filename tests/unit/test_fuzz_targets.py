"""What the fuzzer begins with, so that its targets do not rot between two nights of fuzzing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fuzz.targets import TARGETS

if TYPE_CHECKING:
    from fuzz.targets import Target

CHEAP = {name: target for name, target in TARGETS.items() if name not in {"ext4", "fat", "index"}}


@pytest.mark.parametrize("target", TARGETS.values(), ids=TARGETS)
def test_every_target_takes_its_seeds(target: Target) -> None:
    seeds = target.seeds()

    for seed in seeds:
        target.run(seed)

    assert seeds


@pytest.mark.parametrize("target", CHEAP.values(), ids=CHEAP)
@given(data=st.data())
def test_a_target_takes_a_seed_with_something_else_in_its_middle(
    target: Target, data: st.DataObject
) -> None:
    seed = data.draw(st.sampled_from(target.seeds()))
    start = data.draw(st.integers(0, len(seed)))
    end = data.draw(st.integers(start, len(seed)))

    target.run(seed[:start] + data.draw(st.binary(max_size=16)) + seed[end:])
