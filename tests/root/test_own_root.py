"""The agent freezes the file system that its own code, interpreter and root directory are on."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

import holdstill
from support import held, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

VERSION = f"python{sys.version_info.major}.{sys.version_info.minor}"
INTERPRETER = Path(sys.base_prefix, "bin", VERSION)
LEFT_OUT = shutil.ignore_patterns(
    "__pycache__", "config-*", "ensurepip", "idlelib", "lib2to3", "site-packages", "dist-packages",
    "test", "tests", "tkinter", "turtledemo", "*.a",
)  # fmt: skip
HOME = "/python"


def fill(root: Path) -> None:
    """Make a root file system that is just enough to run the holder program."""
    for name in ("proc", "run", "dev", "tmp"):
        (root / name).mkdir()
    os.mknod(root / "dev" / "null", 0o666 | 0o020000, os.makedev(1, 3))
    library = root / HOME.lstrip("/") / "lib" / VERSION
    shutil.copytree(sysconfig.get_path("stdlib"), library, ignore=LEFT_OUT)
    (root / HOME.lstrip("/") / "bin").mkdir()
    shutil.copy(INTERPRETER, root / HOME.lstrip("/") / "bin" / VERSION)
    for package in (holdstill, msgspec):
        assert package.__file__
        source = Path(package.__file__).parent
        # Beside the standard library: Debian looks for packages elsewhere than others do.
        shutil.copytree(source, library / source.name, ignore=LEFT_OUT)
    shutil.copy(held.HOLDER, root / "holder.py")
    for file in [INTERPRETER, *library.rglob("*.so")]:
        copy_libraries(file, root)


def copy_libraries(program: Path, root: Path) -> None:
    """Copy the shared libraries of a program to where it looks for them."""
    said = programs.run("ldd", program).decode()
    for name in re.findall(r"(/\S+) \(0x", said):
        target = root / name.lstrip("/")
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copy(name, target)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    folder = tmp_path_factory.mktemp("own-root")
    with ExitStack() as undo:
        at = undo.enter_context(loop.ext4_volume(folder, size=512 << 20))
        fill(at)
        undo.enter_context(mounted("proc", at / "proc"))
        undo.enter_context(mounted("tmpfs", at / "run"))
        undo.enter_context(loop.thaw_guard(at, seconds=15))
        yield at


@contextmanager
def mounted(kind: str, at: Path) -> Iterator[None]:
    programs.run("mount", "-t", kind, kind, at)
    try:
        yield
    finally:
        programs.run("umount", at)


@contextmanager
def holder(root: Path, step: str) -> Iterator[held.Holder]:
    words: list[str | Path] = [
        "chroot",
        root,
        f"{HOME}/bin/{VERSION}",
        "-s",
        "/holder.py",
        step,
        "/run",
        "/",
    ]
    environment = {"PYTHONHOME": HOME, "PATH": programs.SEARCH}
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, cwd="/"
    ) as process:
        try:
            yield held.Holder(process)
        finally:
            process.kill()


def test_a_pause_of_the_own_root_succeeds(root: Path) -> None:
    with holder(root, "wait") as agent:
        assert agent.say() == "holding"
        frozen = held.is_frozen(root)
        assert agent.process.stdin is not None
        agent.process.stdin.close()
        status = agent.process.wait(timeout=10)

    assert frozen
    assert status == 0
    assert not held.is_frozen(root)


@pytest.mark.parametrize("step", ["after freezing ", "inside", "before thawing "])
def test_a_killed_agent_does_not_leave_its_own_root_frozen(root: Path, step: str) -> None:
    waits = []
    for _ in range(5):
        with holder(root, step) as agent:
            died = agent.died_at()
            waits.append(held.write_moment(root / "tmp" / "on") - died)

    assert max(waits) < 1, waits


def test_a_killed_guard_is_survived_too(root: Path) -> None:
    with holder(root, "wait") as agent:
        assert agent.say() == "holding"
        for pid in agent.guards():
            os.kill(pid, 9)
        assert agent.process.stdin is not None
        agent.process.stdin.close()
        status = agent.process.wait(timeout=10)

    assert status == 0
    assert not held.is_frozen(root)
