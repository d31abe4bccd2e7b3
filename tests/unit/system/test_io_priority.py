"""The priority of a thread's input and output, as the kernel tells it."""

import pytest

from holdstill.system import io_priority, libc
from holdstill.system.io_priority import IoPriority


def level() -> tuple[int, int]:
    """Return class and level: linux/ioprio.h, IOPRIO_PRIO_CLASS and IOPRIO_PRIO_LEVEL."""
    found = libc.io_priority()
    return found >> 13, found & 7


def test_it_is_set_for_the_block_and_as_before_after_it() -> None:
    before = libc.io_priority()

    with io_priority.at(IoPriority.LOW):
        assert level() == (2, 7)
        with io_priority.at(IoPriority.NORMAL):
            assert level() == (2, 4)
        assert level() == (2, 7)

    assert libc.io_priority() == before


def test_it_is_as_before_after_a_block_that_failed() -> None:
    before = libc.io_priority()

    with pytest.raises(ValueError, match="deliberate"), io_priority.at(IoPriority.LOW):
        raise ValueError("deliberate")

    assert libc.io_priority() == before
