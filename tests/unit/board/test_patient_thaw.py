from __future__ import annotations

import errno
import threading

import pytest

from holdstill.board.patient_thaw import PatientThawer

FREE, HUNG = 5, 6


class Kernel:
    """Answers a thaw of one file system only when it is let to."""

    def __init__(self) -> None:
        self.let_go = threading.Event()
        self.calls: list[int] = []
        self.answer = 0

    def thaw(self, mount: int) -> None:
        self.calls.append(mount)
        if mount == HUNG:
            self.let_go.wait(5)
        if self.answer:
            raise OSError(self.answer, "as the kernel says")


def test_one_that_does_not_answer_holds_nobody_up_and_is_asked_once() -> None:
    kernel = Kernel()
    thawer = PatientThawer([FREE, HUNG], kernel, wait=0.05)

    for _ in range(2):
        with pytest.raises(OSError, match="no answer") as caught:
            thawer.thaw(HUNG)
        assert caught.value.errno == errno.ETIMEDOUT
    thawer.thaw(FREE)
    kernel.let_go.set()
    thawer.thaw(HUNG)

    assert kernel.calls == [HUNG, FREE]


def test_the_kernels_answer_comes_through() -> None:
    kernel = Kernel()
    thawer = PatientThawer([FREE], kernel)
    kernel.answer = errno.EINVAL

    with pytest.raises(OSError, match="as the kernel says") as caught:
        thawer.thaw(FREE)
    kernel.answer = 0
    thawer.thaw(FREE)

    assert caught.value.errno == errno.EINVAL
    assert kernel.calls == [FREE, FREE]
