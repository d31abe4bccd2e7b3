"""systemd's own checker looks at every unit that we ship."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from support import programs

UNITS = Path(__file__).parents[2] / "systemd"
SYSTEM = Path("usr/lib/systemd/system")
SUFFIXES = {".service", ".timer", ".socket", ".path", ".target", ".slice", ".mount"}
PROGRAM = re.compile(rb"^Exec\w+=[-@:+!]*(/\S+)", re.MULTILINE)


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """Return a root directory with this machine's units, as systemd would find them."""
    shutil.copytree(Path("/") / SYSTEM, tmp_path / SYSTEM, symlinks=True)
    return tmp_path


def install(unit: Path, machine: Path) -> None:
    """Put a unit and the programs that it names into a machine."""
    shutil.copy(unit, machine / SYSTEM)
    for name in PROGRAM.findall(unit.read_bytes()):
        program = machine / name.decode().lstrip("/")
        program.parent.mkdir(parents=True, exist_ok=True)
        program.touch(mode=0o755)


def complaints(units: list[str], machine: Path) -> list[str]:
    """Return what systemd-analyze says about these units; it says nothing about a good one."""
    done = programs.attempt(
        *("systemd-analyze", f"--root={machine}", "--man=no", "--recursive-errors=no"),
        *("verify", *units),
    )
    said = (done.stdout + done.stderr).decode().splitlines()
    return [line for line in said if any(unit in line for unit in units)]


def test_systemd_understands_every_unit(machine: Path) -> None:
    units = sorted(path for path in UNITS.glob("*") if path.suffix in SUFFIXES)
    for unit in units:
        install(unit, machine)

    said = complaints([unit.name for unit in units], machine)

    assert said == []


@pytest.mark.parametrize(
    ("line", "complaint"),
    [("Retart=on-failure", "Unknown key"), ("Type=notfy", "Failed to parse service type")],
)
def test_a_mistake_in_a_unit_would_be_noticed(machine: Path, line: str, complaint: str) -> None:
    unit = machine / "mistake.service"
    unit.write_text(f"[Service]\nExecStart=/usr/bin/holdstill\n{line}\n", encoding="utf-8")
    install(unit, machine)

    said = complaints([unit.name], machine)

    assert len(said) == 1
    assert complaint in said[0]
