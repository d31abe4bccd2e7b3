"""What lies where in the repository."""

from __future__ import annotations

import ast
import os
from pathlib import Path

import pytest

from support import programs

TOP = Path(__file__).parents[2]
TOP_LEVEL = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "agent",
    "configs",
    "pyproject.toml",
    "systemd",
    "tests",
}
# In two parts, because this file is searched, too.
REGISTRIES = [
    ".".join(parts)
    for parts in (
        ("pypi", "org"),
        ("pythonhosted", "org"),
        ("npmjs", "org"),
        ("crates", "io"),
        ("proxy.golang", "org"),
        ("deb.debian", "org"),
        ("security.debian", "org"),
        ("archive.ubuntu", "com"),
    )
]


def tracked() -> list[Path]:
    """Return the files that git knows; ownership does not matter, since CI may run as root."""
    said = programs.run("git", "-c", "safe.directory=*", "-C", TOP, "ls-files", "-z")
    return [Path(os.fsdecode(name)) for name in said.split(b"\0") if name]


def read(path: Path) -> bytes:
    """Return a tracked file's bytes; empty if it was deleted and not committed yet."""
    whole = TOP / path
    return whole.read_bytes() if whole.is_file() else b""


def test_the_top_level_is_the_fixed_one() -> None:
    top = {path.parts[0] for path in tracked() if not path.parts[0].startswith(".")}

    # git knows no empty folder: systemd/ comes with the first unit.
    assert top | {"systemd"} == TOP_LEVEL


@pytest.mark.parametrize("host", REGISTRIES)
def test_no_file_names_a_package_registry(host: str) -> None:
    naming = [path for path in tracked() if host.encode() in read(path).lower()]

    assert naming == []


def test_a_package_says_what_it_is_for_and_does_nothing_else() -> None:
    inits = [path for path in tracked() if path.name == "__init__.py"]

    talkative = [
        path
        for path in inits
        if not ast.get_docstring(tree := ast.parse(read(path))) or len(tree.body) != 1
    ]

    assert len(inits) >= 12
    assert talkative == []


def test_every_folder_of_code_is_a_package() -> None:
    code = [path for path in tracked() if path.parts[0] == "agent" and path.suffix == ".py"]

    assert {path.parent for path in code} == {
        path.parent for path in code if path.name == "__init__.py"
    }


def test_what_is_meant_to_be_run_can_be_run() -> None:
    scripts = [path for path in tracked() if read(path).startswith(b"#!")]

    not_executable = [path for path in scripts if not os.access(TOP / path, os.X_OK)]

    assert Path("tests/run") in scripts
    assert Path("configs/demo/run") in scripts
    assert not_executable == []
