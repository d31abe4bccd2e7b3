"""The table of programs and their packages, against dpkg's own of this machine."""

from __future__ import annotations

import ast
import shutil
from pathlib import Path

import pytest

from holdstill.errors import CommandError, PreflightError
from holdstill.system import debian_packages, process
from holdstill.system.process import Command, LocalRunner
from holdstill.system.time_limited import BoundedRunner
from support import programs

AGENT = Path(__file__).parents[2] / "agent/holdstill"
PAIRS = [(package, p) for package, found in debian_packages.PROGRAMS.items() for p in found]
OPTIONAL = {"vcgencmd"}
"""Of Raspberry Pi's own system, and no loss elsewhere."""


@pytest.mark.parametrize(("package", "program"), PAIRS)
def test_dpkg_says_the_same(package: str, program: str) -> None:
    place = shutil.which(program, path=debian_packages.PATH)
    if place is None:
        pytest.skip(f"{program} is not installed here")

    # Both names: a package may have it below /bin, which is a link to /usr/bin (usrmerge).
    said = [programs.attempt("dpkg", "-S", path) for path in (place, place.removeprefix("/usr"))]

    owners = {line.split(":")[0] for done in said for line in done.stdout.decode().splitlines()}
    if not owners:
        pytest.skip(f"{place} is of no package")
    assert package in owners


def test_every_program_that_a_command_names_is_in_the_table() -> None:
    named = {
        call.args[0].value
        for path in AGENT.rglob("*.py")
        for call in ast.walk(ast.parse(path.read_bytes()))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and ast.unparse(call.func) == "Command.of"
        and call.args
        and isinstance(call.args[0], ast.Constant)
        and isinstance(call.args[0].value, str)
    }

    assert len(named) > 15
    assert named - {program for _, program in PAIRS} == OPTIONAL


def test_missing_programs_are_told_with_the_packages_of_those_alone() -> None:
    with pytest.raises(PreflightError, match=r"^missing programs: sload\.nothing$") as caught:
        process.require("sh", "sload.nothing")

    assert caught.value.hint == "install what has sload.nothing"
    assert debian_packages.how_to_install(["zstd", "mke2fs", "debugfs"]) == (
        "on Debian: `sudo apt-get install e2fsprogs zstd`"
    )


@pytest.mark.parametrize("runner", [LocalRunner(), BoundedRunner()])
def test_a_program_that_is_not_there_is_told_so_by_every_way_to_start_one(
    runner: LocalRunner | BoundedRunner,
) -> None:
    with pytest.raises(CommandError) as caught:
        runner.run(Command.of("no-such-program"))
    with (
        pytest.raises(CommandError) as streamed,
        process.streaming(Command.of("no-such-program")) as output,
    ):
        output.read()

    assert caught.value.hint == streamed.value.hint == "install what has no-such-program"
