"""Whether a folder that the file system itself encrypts is locked (fscrypt).

Numbers and structures: linux/fscrypt.h; Linux Documentation/filesystems/fscrypt.rst.
"""

from __future__ import annotations

import errno
import struct

from holdstill.system import ioctl
from holdstill.system.ioctl import NO_FLAGS_ERRORS

_POLICY = struct.Struct("<QB7x16s")
"""struct fscrypt_get_policy_ex_arg with a policy of version 2."""
_STATUS = struct.Struct("<II16s16x24xI60x")
"""struct fscrypt_get_key_status_arg."""
_BY_IDENTIFIER, _PRESENT = 2, 2
_VERSION = 2


def is_locked(folder: int) -> bool:
    """Whether an open folder's key is not there, so that its names are no names.

    False for what is not encrypted; and for policies of version 1, whose keys may be where the
    kernel does not tell of them.
    """
    try:
        answer = ioctl.encryption_policy(folder, _POLICY.pack(24, 0, b""))
        _, version, identifier = _POLICY.unpack(answer)
        if version != _VERSION:
            return False
        asked = _STATUS.pack(_BY_IDENTIFIER, 0, identifier, 0)
        *_, status = _STATUS.unpack(ioctl.encryption_key_status(folder, asked))
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS or error.errno == errno.ENODATA:
            return False
        raise
    return bool(status != _PRESENT)
