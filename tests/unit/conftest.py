import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from holdstill.keeper.store import Store
from support import keeping
from support.keeping import FakeClock

FORBIDDEN = {
    "os.exec",
    "os.fork",
    "os.posix_spawn",
    "os.system",
    "socket.connect",
    "subprocess.Popen",
}
_guarding = False


def _refuse(event: str, args: tuple[object, ...]) -> None:
    if _guarding and event in FORBIDDEN:
        raise AssertionError(f"a unit test reached the outside world: {event} {args!r}")


sys.addaudithook(_refuse)


@pytest.fixture(autouse=True)
def stay_inside() -> Iterator[None]:
    global _guarding  # noqa: PLW0603  an audit hook cannot be removed, only told to sleep
    _guarding = True
    yield
    _guarding = False


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=clock)
