"""The holder program, as the daemon runs a capture: told to stop, it ends in order."""

from __future__ import annotations

import os
import runpy
from pathlib import Path

from holdstill.system import termination
from holdstill.system.termination import TerminationRequested

try:
    with termination.stoppable():
        runpy.run_path(str(Path(__file__).with_name("holder.py")))
except TerminationRequested as told:
    os.write(1, f"ended in order: {told}\n".encode())
