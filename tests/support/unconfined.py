"""A program: receives as a keeper does whose kernel has no Landlock.

rsync starts it as its remote shell: argv is STORE BOARD HOST and then the words for that host.
"""

from __future__ import annotations

import sys
from pathlib import Path

from holdstill.errors import HoldstillError
from holdstill.keeper import enrolment, forced_command, receiving, store
from holdstill.keeper.account import Account
from holdstill.keeper.forced_command import ReceiveRequest
from holdstill.model import names
from holdstill.model.settings import KeeperSettings
from holdstill.model.sizes import ByteSize
from holdstill.system.clocks import SystemClock


def main() -> int:
    held, board = store.open_store(Path(sys.argv[1])), names.check_board(sys.argv[2])
    clock = SystemClock()
    settings = KeeperSettings(store=held.root, min_free=ByteSize(0), min_free_inodes=0)
    try:
        wish = forced_command.parse(" ".join(sys.argv[4:]))
        assert isinstance(wish, ReceiveRequest)
        enrolled = enrolment.read(held, board)
        account = Account(held, enrolled, settings, clock=clock)
        return receiving.receive(
            held, board, wish, account=account, clock=clock, is_confined=False
        )
    except HoldstillError as error:
        sys.stderr.write(f"holdstill: {error}\n")
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
