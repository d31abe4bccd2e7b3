from __future__ import annotations

import struct

import pytest

from holdstill.errors import LayoutError
from holdstill.filesystems.swap import swap_writer
from holdstill.model.layout import Swap

UUID = "0f4ea1bc-4e61-4b43-a9b1-6d0c5e1e7a55"


# Kernel include/linux/swap.h, union swap_header: info at 1024, magic in the last ten bytes.
def test_the_header_is_the_kernels() -> None:
    page = swap_writer.header(Swap(uuid=UUID, label="tide"), size=1 << 20)

    assert len(page) == 4096
    assert page[:1024] == bytes(1024)
    assert struct.unpack_from("<III", page, 1024) == (1, 255, 0)
    assert page[1036:1052].hex() == UUID.replace("-", "")
    assert page[1052:1068] == b"tide".ljust(16, b"\0")
    assert page[-10:] == b"SWAPSPACE2"


@pytest.mark.parametrize(
    ("parameters", "size"),
    [
        (Swap(uuid=UUID), 9 * 4096),
        (Swap(uuid=UUID, label="x" * 17), 1 << 20),
        (Swap(uuid=UUID, page_size=0), 1 << 20),
        (Swap(uuid=UUID, page_size=5000), 1 << 20),
        (Swap(uuid="tide"), 1 << 20),
    ],
)
def test_what_cannot_be_a_swap_area_is_refused(parameters: Swap, size: int) -> None:
    with pytest.raises(LayoutError, match="swap area"):
        swap_writer.header(parameters, size=size)
