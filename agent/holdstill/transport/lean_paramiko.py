"""paramiko, without the library that it loads to run commands of an ssh_config(5).

Nobody reads such a file here, and that library is a tenth of a capture's memory on a board.
"""

from __future__ import annotations

import sys

_UNUSED = "invoke"

if "paramiko" not in sys.modules and _UNUSED not in sys.modules:
    # What is None there cannot be imported (docs.python.org, "The module cache").
    sys.modules[_UNUSED] = None  # type: ignore[assignment]
    try:
        import paramiko
    finally:
        del sys.modules[_UNUSED]
else:
    import paramiko

__all__ = ["paramiko"]


def why_no_key(error: Exception) -> str:
    """Return why a private key cannot be used, in our words; the library quotes others."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, (TypeError, paramiko.PasswordRequiredException)):
        return "it has a passphrase"
    return "it is no private key that OpenSSH makes, or its passphrase is another one"
