"""A program: hands a session over to the host that listens at argv[1], as `holdstill` does.

    front.py SOCKET keeper serve ...

No other way is tried: where no host answers, it ends with 99.
"""

from __future__ import annotations

import sys

from holdstill.keeper import session_front

if __name__ == "__main__":
    session_front.hand_over(sys.argv[2:], sys.argv[1])
    sys.exit(99)
