"""A program: what the forced command of a board's key starts in tests.

argv ends in: keeper serve --store STORE --board BOARD, as the line in authorized_keys says.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from holdstill.errors import HoldstillError
from holdstill.keeper import ssh_server, store
from holdstill.model import names
from holdstill.model.settings import KeeperSettings
from holdstill.model.sizes import ByteSize
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner


def main() -> int:
    root, board = sys.argv[-3], sys.argv[-1]
    try:
        return ssh_server.forced_command(
            store.open_store(Path(root)),
            names.check_board(board),
            os.environ.get("SSH_ORIGINAL_COMMAND", ""),
            settings=KeeperSettings(store=Path(root), min_free=ByteSize(0)),
            clock=SystemClock(),
            runner=LocalRunner(),
        )
    except HoldstillError as error:
        sys.stderr.write(f"holdstill: {error}\n")
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
