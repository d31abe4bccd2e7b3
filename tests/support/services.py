"""A small board in memory: a clock, services that run or not, file systems that freeze or not."""

from __future__ import annotations

import errno
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import CommandError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from holdstill.system.process import Command


@dataclass
class FakeClock:
    """A clock that only moves when somebody waits."""

    seconds: float = 1000.0
    naps: list[float] = field(default_factory=list)

    def monotonic(self) -> float:
        return self.seconds

    def now(self) -> datetime:
        return datetime(2026, 11, 25, 2, 15, 3, tzinfo=UTC)

    def sleep(self, seconds: float) -> None:
        self.naps.append(seconds)
        self.seconds += seconds


@dataclass
class FakeTalk:
    """A partner in conversation that answers what the test announced."""

    answers: Mapping[str, str]
    asked: list[str] = field(default_factory=list)

    def ask(self, words: str, *, until: str, seconds: float) -> str:
        self.asked.append(words)
        if words not in self.answers:
            raise CommandError("talk", 1, f"unannounced: {words}".encode())
        return self.answers[words]


class FakeMachine:
    """Answer the commands a test announced, in words; refuse every other.

    An answer can be what the command says, an error that it raises, or a function of its input.
    Several answers to one command are given one after the other, the last for ever.
    """

    def __init__(self, answers: Mapping[str, object], talk: FakeTalk | None = None) -> None:
        self._answers = {words: _several(answer) for words, answer in answers.items()}
        self._talk = talk
        self.ran: list[str] = []
        self.limits: list[float] = []

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        words = str(command)
        self.ran.append(words)
        self.limits.append(command.timeout)
        if words not in self._answers:
            pytest.fail(f"the test did not announce: {words}")
        several = self._answers[words]
        answer = several.pop(0) if len(several) > 1 else several[0]
        if isinstance(answer, BaseException):
            raise answer
        if callable(answer):
            answer = answer(stdin)
        return str(answer).encode()

    @contextmanager
    def dialog(self, command: Command) -> Iterator[FakeTalk]:
        self.ran.append(str(command))
        if self._talk is None:
            pytest.fail(f"the test did not announce a talk: {command}")
        try:
            yield self._talk
        finally:
            self.ran.append("end of talk")


def _several(answer: object) -> list[object]:
    return list(answer) if isinstance(answer, list) else [answer]


def failing(words: str = "it failed", status: int = 1) -> CommandError:
    """Make the error of a command that failed."""
    return CommandError("the command", status, words.encode())


@dataclass
class FakeKernel:
    """File systems by their descriptor, frozen or not.

    Attributes:
        frozen: what is frozen, by anybody.
        answers: errno of a deed on one file system, such as ("freeze", 3): EBUSY.
        seen: called with every deed before it is done.
    """

    frozen: set[int] = field(default_factory=set)
    answers: dict[tuple[str, int], int] = field(default_factory=dict)
    deeds: list[tuple[str, int]] = field(default_factory=list)
    seen: Callable[[str, int], None] = lambda deed, mount: None

    def freeze(self, mount: int) -> None:
        self._begin("freeze", mount)
        if mount in self.frozen:
            raise OSError(errno.EBUSY, "Device or resource busy")
        self.frozen.add(mount)

    def thaw(self, mount: int) -> None:
        self._begin("thaw", mount)
        if mount not in self.frozen:
            raise OSError(errno.EINVAL, "Invalid argument")
        self.frozen.discard(mount)

    def sync_file_system(self, handle: int) -> None:
        self._begin("sync", handle)

    def _begin(self, deed: str, mount: int) -> None:
        self.seen(deed, mount)
        self.deeds.append((deed, mount))
        if (deed, mount) in self.answers:
            number = self.answers[deed, mount]
            raise OSError(number, errno.errorcode[number])
