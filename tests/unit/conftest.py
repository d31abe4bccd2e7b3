import sys
from collections.abc import Iterator

import pytest

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
