"""Bytes as an open file, without a name on any disk."""

from __future__ import annotations

import os

from holdstill.system import files


def opened(data: bytes) -> int:
    """Return a descriptor of these bytes (memfd_create(2)), which the caller closes."""
    handle = os.memfd_create("holdstill-document", os.MFD_CLOEXEC)
    try:
        files.write_all(handle, data)
    except BaseException:
        os.close(handle)
        raise
    return handle
