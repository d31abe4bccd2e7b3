"""What a board would fetch when somebody installs the agent: for boards that reach nobody.

Debian packages and apt's lists, as `apt-get update` and a proxy would leave them, and what pip
would take from Python's package index. Fetched once a run, by this machine, for the board's
own release and processor.
"""

from __future__ import annotations

import io
import sys
import tarfile
from typing import TYPE_CHECKING

from support import programs
from support.vm import board

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from support.vm.machine import Machine

WHEELS = "/srv/wheels"
PIP = f"[global]\nno-index = true\nfind-links = {WHEELS}\n"
CHECKOUT = ("agent", "configs", "systemd", "LICENSE", "README.md", "pyproject.toml")
BUILD_WITH = "setuptools>=77"
"""What pyproject.toml builds with."""


def supply(pier: Machine, folder: Path, packages: Sequence[str]) -> None:
    """Put what apt and pip will ask for where they find it without a network."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        tar.add(debian(pier.card.tree, folder / "apt", packages), ".")
        tar.add(wheels(pier.card.tree, folder / "wheels"), WHEELS)
    pier.run("tar", "--no-same-owner", "-xC", "/", stdin=packed.getvalue(), timeout=300)
    pier.put("/etc/pip.conf", PIP.encode())


def debian(tree: board.Tree, at: Path, packages: Sequence[str]) -> Path:
    """Fetch packages, and what they need beyond what the board has, with apt's lists."""
    lists, archives = at / "var/lib/apt/lists", at / "var/cache/apt/archives"
    for folder in (lists, archives):
        (folder / "partial").mkdir(parents=True)
    options = {
        "Dir::Etc": tree.root / "etc/apt",
        "Dir::State::lists": lists,
        "Dir::State::status": tree.root / "var/lib/dpkg/status",
        "Dir::State::extended_states": "/dev/null",
        "Dir::Cache": at / "var/cache/apt",
        "Dir::Cache::pkgcache": "",
        "Dir::Cache::srcpkgcache": "",
        "APT::Architecture": tree.architecture.value,
        "APT::Sandbox::User": "root",
    }
    apt = ("apt-get", "-qy", *(f"-o{name}={value}" for name, value in options.items()))
    programs.run(*apt, "update", timeout=300)
    programs.run(*apt, "--download-only", "install", *packages, timeout=300)
    return at


def wheels(tree: board.Tree, at: Path) -> Path:
    """Fetch what the agent needs from Python's package index."""
    pip = (sys.executable, "-m", "pip", "download", "--quiet", "--dest", at)
    wanted = (*tree.architecture.wheels, *board.requirements(), BUILD_WITH)
    programs.run(*pip, *wanted, timeout=300)
    return at


def checkout() -> bytes:
    """Return this repository as a checkout has it, as far as an installation reads it."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for name in CHECKOUT:
            tar.add(board.PROJECT / name, name, filter=_without_caches)
    return packed.getvalue()


def _without_caches(entry: tarfile.TarInfo) -> tarfile.TarInfo | None:
    return None if "__pycache__" in entry.name or ".egg-info" in entry.name else entry
