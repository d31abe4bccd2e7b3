"""What the kernel says of its clock, read a second time by another language's raw system call."""

from __future__ import annotations

import os

import pytest

from holdstill.system import clocks
from support import programs

# asm/unistd.h of each machine; timex.h: `status` is 40 bytes into the structure on 64-bit ones
# (offsetof, by gcc), STA_UNSYNC is 0x40.
ADJTIMEX = {"x86_64": 159, "aarch64": 171}
LOOK = '$t = "\\0" x 512; syscall(%d, $t) >= 0 or die $!; print unpack("x40 i", $t) & 0x40'


def test_the_kernel_is_understood_as_perl_understands_it() -> None:
    number = ADJTIMEX.get(os.uname().machine)
    if number is None:
        pytest.skip("the number of the system call is not known here")

    said = programs.run("perl", "-e", LOOK % number)

    assert clocks.is_kept_right() == (said == b"0")
