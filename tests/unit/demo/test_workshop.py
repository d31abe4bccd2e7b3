from __future__ import annotations

import signal
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import workshop
from holdstill.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_work_once_and_cannot_disturb_the_undoing(
    number: signal.Signals,
) -> None:
    undone = False

    with pytest.raises(KeyboardInterrupt), workshop.ended_in_order():  # noqa: PT012  two signals
        try:
            signal.raise_signal(number)
        finally:
            signal.raise_signal(signal.SIGTERM)
            undone = True

    assert undone


def test_signals_mean_afterwards_what_they_meant_before() -> None:
    before = signal.getsignal(signal.SIGTERM)

    with workshop.ended_in_order():
        during = signal.getsignal(signal.SIGTERM)

    assert signal.getsignal(signal.SIGTERM) is before
    assert during is not before


def test_both_folders_are_private_and_gone_afterwards() -> None:
    with workshop.opened(None) as place:
        modes = [folder.stat().st_mode & 0o777 for folder in (place.folder, place.memory)]
        (place.folder / "card.img").write_bytes(b"x")

    assert modes == [0o700, 0o700]
    assert not place.folder.exists()
    assert not place.memory.exists()


def test_what_is_to_be_kept_stays(tmp_path: Path) -> None:
    with workshop.opened(tmp_path / "kept") as place:
        (place.folder / "card.img").write_bytes(b"x")

    assert (tmp_path / "kept/card.img").exists()
    assert not place.memory.exists()


def test_a_folder_with_something_in_it_is_not_written_into(tmp_path: Path) -> None:
    (tmp_path / "mine").write_bytes(b"x")

    with pytest.raises(UsageError, match="not empty"), workshop.opened(tmp_path):
        pytest.fail("it was opened")

    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
