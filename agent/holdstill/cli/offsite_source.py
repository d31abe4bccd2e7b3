"""Opens an off-site copy: the bucket, its access key, and the owner's recovery key."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from holdstill.cli import options, terminal
from holdstill.errors import UsageError
from holdstill.offsite import bucket_address, private_file, rfc1751
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.recovery_key import LINES, RecoveryKey
from holdstill.system import work_folder
from holdstill.system.process import LocalRunner
from holdstill.workflow import offsite_library

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.workflow.offsite_library import OffsiteLibrary


@contextmanager
def library(address: str) -> Iterator[OffsiteLibrary]:
    """Hold an off-site copy open for reading, with the recovery key that was given.

    Raises:
        UsageError: the address, the access key or the recovery key is none.
    """
    bucket_address.parse(address)  # before anything is typed
    with opened(address, recovery_key(options.offsite_access().recovery_key)) as found:
        yield found


@contextmanager
def opened(
    address: str, key: RecoveryKey, *, access_key: Path | None = None
) -> Iterator[OffsiteLibrary]:
    """Hold an off-site copy open for reading; what is wrong with it is told.

    access_key: file with that of the bucket, unless another one was given.

    Raises:
        UsageError: the address or the access key is none.
    """
    given = options.offsite_access()
    access = bucket_address.access_key(given.access_key or access_key)
    bucket = Bucket(bucket_address.parse(address), access)
    with (
        work_folder.made(given.cache) as folder,
        offsite_library.opened(
            bucket, key, machine=LocalRunner(), folder=folder, accepted=given.accepted
        ) as found,
    ):
        terminal.warn(*(f"warning: {fault}" for fault in found.catalogue.faults))
        yield found


def recovery_key(path: Path | None) -> RecoveryKey:
    """Read the recovery key from a file of its words, or ask for it.

    Raises:
        UsageError: it is none, or others may read the file.
    """
    if path is not None:
        return RecoveryKey.of_words(private_file.read(path).decode("ascii", errors="replace"))
    if not sys.stdin.isatty():
        raise UsageError(
            "an off-site copy is read with the recovery key",
            hint="name a file that has its words: `--recovery-key FILE`; or type them in a "
            "terminal",
        )
    terminal.warn(f"The recovery key, as it is on the paper: {LINES} lines of words.")
    return RecoveryKey.of_words(" ".join(map(_asked, range(1, LINES + 1))))


def _asked(number: int) -> str:
    """Ask for a line until it can be one; early papers have no last one."""
    is_last = number == LINES
    what = f"Line {number}" + (f", or Enter if there are {LINES - 1}" if is_last else "")
    default = "" if is_last else None
    while True:
        line: str = click.prompt(what, default=default, show_default=False, err=True)
        if not line:
            return line
        try:
            rfc1751.decode(line)
        except UsageError as error:
            terminal.warn(str(error).replace("line 1: ", ""))
        else:
            return line
