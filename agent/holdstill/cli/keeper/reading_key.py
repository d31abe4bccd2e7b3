"""The keeper's own reading key: made by `keeper setup`, for the day when a card has died."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.cli import this_program
from holdstill.errors import CommandError
from holdstill.system.process import Command
from holdstill.system.users import User, become

if TYPE_CHECKING:
    from holdstill.system.process import Runner
    from holdstill.workflow.keeper_setup import Wish

PLACE = Path("/etc/holdstill/owner_ed25519")
"""Not where `connect` has the key with which root of this machine reads another keeper."""
NAME = "owner"


def public_of(key: Path) -> Path:
    """Return where the public half of a key is."""
    return key.with_name(f"{key.name}.pub")


def told() -> str:
    """Return what to say of the key of a keeper that is there already."""
    if PLACE.exists():
        return f"reading key {PLACE} is there already"
    return "no reading key is here: one may be elsewhere; `--reading-key` makes another"


def ensure(wish: Wish, runner: Runner) -> str:
    """Have the key, and have it let in; return what to say of it.

    A key that is there stays.
    """
    owner, was_there = User.owner_of(wish.store), PLACE.exists()
    reader = (*become(owner), *this_program.words(), "keeper", "reader")
    home = (("HOME", owner.home or "/"),)
    if not was_there:
        # One of an earlier key, which nobody has any more; there need not be any.
        old = Command.of(*reader, "remove", wish.store, NAME, environment=home, accepted=(0, 2))
        runner.run(old)
        keygen = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", NAME, "-f")
        runner.run(Command.of(*keygen, PLACE))
    line = public_of(PLACE).read_bytes()
    words = ("add", wish.store, NAME, "--key", "-", "--let-in")
    add = Command.of(*reader, *words, environment=home)
    try:
        runner.run(add, stdin=line)
    except CommandError as error:
        said = error.words.decode(errors="backslashreplace").strip()
        return f"note: the reading key {PLACE} is not let in: {said}"
    if was_there:
        return f"reading key {PLACE} is there already"
    return (
        f"made reading key {PLACE}: whoever has it reads all captures. Copy it to where you would "
        "write a card (`holdstill connect` there), and keep it as safe as the captures"
    )
