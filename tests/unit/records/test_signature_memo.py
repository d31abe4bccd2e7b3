from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import CommandError, SecurityError
from holdstill.records.signature_memo import SignatureMemo
from support.keeping import KEY, OTHER_KEY, PIER_3, PIER_4, FakeSignatures, seal_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.model.names import BoardName
    from holdstill.system.process import Runner


class Counted:
    """Checks what stands for a signature, and counts how often."""

    def __init__(self, error: Exception | None = None) -> None:
        self.calls, self.error = 0, error

    def __call__(
        self, data: bytes, signature: bytes, *, board: BoardName, keys: Sequence[str],
        runner: Runner,
    ) -> None:  # fmt: skip
        self.calls += 1
        if self.error:
            raise self.error
        if signature not in {seal_of(data, board, key) for key in keys}:
            raise SecurityError("no", hint="look")


RUNNER = FakeSignatures()
SEAL = seal_of(b"data", PIER_3, KEY)


def test_the_same_bytes_are_checked_once() -> None:
    counted = Counted()
    memo = SignatureMemo(counted)

    for _ in range(3):
        memo(b"data", SEAL, board=PIER_3, keys=(KEY,), runner=RUNNER)

    assert counted.calls == 1


def test_a_bad_one_is_remembered_as_bad() -> None:
    counted = Counted()
    memo = SignatureMemo(counted)

    for _ in range(2):
        with pytest.raises(SecurityError, match="no") as failure:
            memo(b"data", b"bad", board=PIER_3, keys=(KEY,), runner=RUNNER)
        assert failure.value.hint == "look"

    assert counted.calls == 1


@pytest.mark.parametrize(
    ("data", "seal", "board", "keys"),
    [
        (b"other", SEAL, PIER_3, (KEY,)),
        (b"data", SEAL + b"\n", PIER_3, (KEY,)),
        (b"data", SEAL, PIER_4, (KEY,)),
        (b"data", SEAL, PIER_3, (OTHER_KEY,)),
        (b"data", SEAL, PIER_3, ()),
        (b"", b"data" + SEAL, PIER_3, (KEY,)),
        (b"data" + SEAL, b"", PIER_3, (KEY,)),
    ],
)
def test_nothing_else_passes_for_what_was_good(
    data: bytes, seal: bytes, board: BoardName, keys: tuple[str, ...]
) -> None:
    memo = SignatureMemo(Counted())
    memo(b"data", SEAL, board=PIER_3, keys=(KEY,), runner=RUNNER)

    with pytest.raises(SecurityError):
        memo(data, seal, board=board, keys=keys, runner=RUNNER)


def test_a_withdrawn_key_is_no_key_any_more() -> None:
    memo = SignatureMemo(Counted())
    memo(b"data", SEAL, board=PIER_3, keys=(KEY, OTHER_KEY), runner=RUNNER)

    with pytest.raises(SecurityError):
        memo(b"data", SEAL, board=PIER_3, keys=(OTHER_KEY,), runner=RUNNER)


def test_what_nobody_could_tell_is_asked_again() -> None:
    counted = Counted(CommandError("ssh-keygen", 127, b"not found"))
    memo = SignatureMemo(counted)

    for _ in range(2):
        with pytest.raises(CommandError):
            memo(b"data", SEAL, board=PIER_3, keys=(KEY,), runner=RUNNER)

    assert counted.calls == 2


def test_of_very_many_the_oldest_is_forgotten() -> None:
    counted = Counted()
    memo = SignatureMemo(counted, most=2)

    for number in (1, 2, 3, 3, 2, 1):
        data = b"%d" % number
        memo(data, seal_of(data, PIER_3, KEY), board=PIER_3, keys=(KEY,), runner=RUNNER)

    assert counted.calls == 4
