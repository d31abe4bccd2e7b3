"""The keeper's timers: installed where systemd runs, and as lines for cron elsewhere."""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.system import files
from holdstill.workflow import install_units
from holdstill.workflow.install_units import systemctl

if TYPE_CHECKING:
    from holdstill.system.process import Runner

STORE, USER = Path("/srv/holdstill"), "keeper"
"""What the units as they are shipped are for."""
DROP_IN = "holdstill-setup.conf"
SESSIONS = "holdstill-keeper-sessions.socket"
"""The one socket that every keeper has use for."""
_PACKAGED = Path("/usr/lib/systemd/system")
    if is_running and (names := units.enabled()):
        runner.run(systemctl("disable", *names))
        patterns = [name.replace("@.", "@*.") for name in names]
        # What a socket has started runs on without it.
        begun = [n.replace(".socket", ".service") for n in names if n.endswith(".socket")]
        runner.run(systemctl("stop", *patterns, *begun))
    gone = _cleaned(units, runner) if is_running else []
