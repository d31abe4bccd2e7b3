"""A program: run another one to which the kernel lacks some calls, as one before 5.2 does.

    older_kernel.py NUMBER[,NUMBER...] PROGRAM [ARGUMENT...]

The calls end with ENOSYS (seccomp(2), Linux Documentation/userspace-api/seccomp_filter.rst).
"""

import ctypes
import errno
import os
import struct
import sys

FSOPEN = 430
"""Linux include/uapi/asm-generic/unistd.h: the same on every architecture."""
_LOAD, _EQUAL, _RETURN = 0x20, 0x15, 0x06  # BPF_LD|BPF_W|BPF_ABS, BPF_JMP|BPF_JEQ|BPF_K, BPF_RET
_ERRNO, _ALLOW = 0x00050000, 0x7FFF0000  # SECCOMP_RET_ERRNO, SECCOMP_RET_ALLOW
_SET_SECCOMP, _FILTER = 22, 2  # PR_SET_SECCOMP, SECCOMP_MODE_FILTER


def rules(numbers: list[int]) -> bytes:
    """Return struct sock_filter of each step: code, jump if true, jump if not, operand."""
    count = len(numbers)
    steps = [(_LOAD, 0, 0, 0)]
    steps += [(_EQUAL, count - place, 0, number) for place, number in enumerate(numbers)]
    steps += [(_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _ERRNO | errno.ENOSYS)]
    return b"".join(struct.pack("=HBBI", *step) for step in steps)


def main() -> None:
    code = rules([int(word) for word in sys.argv[1].split(",")])
    buffer = ctypes.create_string_buffer(code, len(code))
    program = struct.pack("@HP", len(code) // 8, ctypes.addressof(buffer))
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_SET_SECCOMP, _FILTER, program, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "PR_SET_SECCOMP")
    os.execvp(sys.argv[2], sys.argv[2:])  # noqa: S606  it becomes that program


if __name__ == "__main__":
    main()
