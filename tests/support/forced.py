"""A program: what the forced command of a board's key starts in tests.

argv ends in: keeper serve --store STORE --board BOARD --key FINGERPRINT, as the line in
authorized_keys says.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from holdstill.errors import HoldstillError
from holdstill.keeper import session_slots, ssh_command, store
from holdstill.model import names, settings
from holdstill.model.settings import KeeperSettings
from holdstill.model.sizes import ByteSize
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import after_capture


def settings_of(root: Path) -> KeeperSettings:
    """Return the settings of a store: those beside it, else the defaults without a min_free."""
    beside = root.with_name("keeper.yaml")
    if beside.exists():
        return settings.decode_keeper_settings(beside.read_bytes(), str(beside))
    return KeeperSettings(store=root, min_free=ByteSize(0), min_free_inodes=0)


def main() -> int:
    root, board, key = Path(sys.argv[-5]), names.check_board(sys.argv[-3]), sys.argv[-1]
    rules, clock, runner = settings_of(root), SystemClock(), LocalRunner()
    try:
        with session_slots.held(root, board):
            opened = store.open_store(root)

            def follow_up() -> None:
                after_capture.follow_up(opened, board, rules, clock=clock, runner=runner)

            return ssh_command.forced_command(
                opened,
                board,
                os.environ.get("SSH_ORIGINAL_COMMAND", ""),
                key=key,
                settings=rules,
                clock=clock,
                runner=runner,
                afterwards=follow_up,
            )
    except HoldstillError as error:
        sys.stderr.write(f"holdstill: {error}\n")
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
