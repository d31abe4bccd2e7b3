"""Captures by the product, beside a witness that reads one file whole while it is frozen."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, TypedDict

from support import frozen_witness

if TYPE_CHECKING:
    from pathlib import Path


class PartReport(TypedDict):
    large_files: str
    large_files_why: str


class Report(TypedDict):
    frozen_ms: float
    spool_bytes: int
    parts: list[PartReport]


def captured(
    settings: Path,
    file: Path,
    *,
    loss: str = "none",
    deed: str = "",
    code: int = 0,
    product: Path | None = None,
) -> tuple[Report, str]:
    """Take a capture; return its report and the SHA-256 of a file as it was frozen.

    Args:
        file: need not be there before the pause.
        loss, deed: what happens meanwhile, see `support.frozen_witness`.
        code: how it must end.
        product: where the package is that is run, if not the one under test.
    """
    out = settings.with_name("digest")
    words = [sys.executable, frozen_witness.__file__, out, loss, deed, file, "capture"]
    done = subprocess.run(
        [*map(str, words), "--settings", str(settings), "--json"],
        capture_output=True,
        timeout=280,
        env=os.environ | {"PYTHONPATH": os.fspath(product)} if product else None,
        check=False,
    )
    assert done.returncode == code, done.stderr.decode()
    report: Report = json.loads(done.stdout or '{"frozen_ms": 0, "spool_bytes": 0, "parts": []}')
    return report, out.read_text("ascii")


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, read whole."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
