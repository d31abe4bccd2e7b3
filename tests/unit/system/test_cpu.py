"""What /proc/cpuinfo says of AES, as kernels write it."""

import pytest

from holdstill.system import cpu

X86 = "vendor_id\t: GenuineIntel\nflags\t\t: fpu vme aes xsave\n\nprocessor\t: 1\n"
ARM64 = "BogoMIPS\t: 108.00\nFeatures\t: fp asimd evtstrm aes pmull sha1 sha2 crc32 cpuid\n"
WITHOUT = "BogoMIPS\t: 108.00\nFeatures\t: fp asimd evtstrm crc32 cpuid\n"
"""As a Cortex-A72 without its optional extensions has it."""


@pytest.mark.parametrize(
    ("text", "has"),
    [(X86, True), (ARM64, True), (WITHOUT, False), ("", False), ("flags\t: aesni vaes\n", False)],
)
def test_aes_in_hardware_is_read_from_what_the_kernel_lists(text: str, *, has: bool) -> None:
    assert cpu.reads_as_aes(text) is has
