"""The command on cards: claimed until it has ended, killed, and cards that do not keep what they
are given. The cards are loop devices; those that lie are on a FUSE server that drops writes.
"""

from __future__ import annotations

import errno
import os
import random
import re
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.rebuild import counterfeit_probe
from support import boards, counterfeit_card, forked_commands, loop, programs, terminals
from support.boards import holdstill

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)
MIB = 1 << 20
SIZE = 320 * MIB
VERIFICATION, REFUSED, TARGET_FAILED = 7, 10, 11


@dataclass(frozen=True)
class Kept:
    """A store with a capture, and how its card looks when it was written on an honest medium."""

    store: Path
    image: Path

    def words(self, card: Path, *more: str) -> tuple[str, ...]:
        """Return the command that writes it to a card."""
        told = ("rebuild", "pier-3", str(card), "--store", str(self.store), *more)
        return (sys.executable, "-m", "holdstill", *told)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("cards")
    with boards.running(folder, size=300 * MIB) as board:
        for number in range(30):  # enough for a rebuild to take a moment
            content = random.Random(number).randbytes(4 * MIB)  # noqa: S311  repeatable
            (board.root / f"etc/{number}").write_bytes(content)
        with boards.kept(folder, board) as at:
            holdstill("capture", "--settings", at.settings)
            image = folder / "honest.img"
            words = ("rebuild", "pier-3", image, "--size", SIZE, "--store", at.store)
            holdstill(*words, accepted=[boards.NO_KERNEL])
            yield Kept(at.store, image)


@contextmanager
def card(folder: Path) -> Iterator[loop.LoopDisk]:
    """Hold a card that has a table."""
    with loop.attached(loop.blank_image(folder / "used.img", size=SIZE)) as disk:
        programs.run("sfdisk", "--quiet", disk.device, stdin=boards.MBR.encode())
        yield disk


@contextmanager
def writing(kept: Kept, disk: loop.LoopDisk) -> Iterator[subprocess.Popen[bytes]]:
    words = kept.words(disk.device, "--confirm", str(SIZE))
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            yield process
        finally:
            process.kill()


def has_table(path: Path) -> bool:
    return programs.attempt("sfdisk", "--json", path).returncode == 0


def check(disk: loop.LoopDisk) -> None:
    """See that a card is whole, by others' tools; the command has read it back itself."""
    assert has_table(disk.device)
    programs.run("sfdisk", "--verify", disk.device)
    programs.run("e2fsck", "-fn", f"{disk.device}?offset={90112 * 512}")


def is_claimed(device: Path) -> bool:
    """Tell whether somebody holds a device for himself; mount(8) is refused then, too."""
    try:
        os.close(os.open(device, os.O_RDONLY | os.O_EXCL))
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise
        return True
    return False


def wait_for_beginning(process: subprocess.Popen[bytes], device: Path) -> None:
    """Wait until the table that was on a card is gone: to look for that is no claim of our own."""
    while has_table(device):
        assert process.poll() is None, process.communicate()


def test_a_card_is_claimed_from_the_first_byte_to_the_last(kept: Kept, tmp_path: Path) -> None:
    with card(tmp_path) as disk, writing(kept, disk) as process:
        wait_for_beginning(process, disk.device)
        looks = 0
        while process.poll() is None:
            if is_claimed(disk.device):
                looks += 1
            else:  # let go of; so it must be all there
                assert has_table(disk.device)
            time.sleep(0.01)
        assert process.returncode == boards.NO_KERNEL, process.communicate()
        assert looks > 10
        check(disk)


def test_a_rebuild_that_is_killed_leaves_no_table_and_can_be_run_again(
    kept: Kept, tmp_path: Path
) -> None:
    with card(tmp_path) as disk:
        with writing(kept, disk) as process:
            wait_for_beginning(process, disk.device)
            time.sleep(0.1)
            assert process.poll() is None
            process.send_signal(signal.SIGKILL)
            process.wait()
        end = time.monotonic() + 20
        while is_claimed(disk.device):  # a process that it had started would hold it, too
            assert time.monotonic() < end
        assert not has_table(disk.device)

        with writing(kept, disk) as process:
            said = process.communicate()

        assert process.returncode == boards.NO_KERNEL, said
        check(disk)


def refused(kept: Kept, folder: Path, lost: range) -> tuple[int, str]:
    """Write to a card that loses a range; return how that ended. There must be no table then."""
    with (
        counterfeit_card.disk(folder / "liar.img", size=SIZE, lost=lost) as image,
        loop.attached(image) as disk,
    ):
        words = kept.words(disk.device, "--confirm", str(SIZE))
        done = subprocess.run(words, capture_output=True, timeout=120, check=False)
        assert not has_table(disk.device)
    return done.returncode, done.stderr.decode()


@pytest.mark.parametrize("real", [64 * MIB, 200 * MIB, SIZE - MIB])
def test_a_card_that_drops_what_is_written_past_its_end_is_found_before(
    kept: Kept, tmp_path: Path, real: int
) -> None:
    status, said = refused(kept, tmp_path, range(real, SIZE))

    assert status == TARGET_FAILED
    assert "does not keep what is written" in said


def used_between_marks(image: Path) -> range:
    """Return a range of a card that has contents, and none of the marks that come before."""
    marks = counterfeit_probe.positions(SIZE, SIZE)
    with image.open("rb") as file:
        for start in range(100 * MIB, SIZE, 64 << 10):
            lost = range(start, start + (64 << 10))
            file.seek(start)
            if file.read(len(lost)).count(0) < 1000 and not any(
                lost.start - counterfeit_probe.MARK < mark < lost.stop for mark in marks
            ):
                return lost
    raise AssertionError("no such range")


def test_a_card_that_loses_something_in_its_middle_is_found_when_it_is_read_back(
    kept: Kept, tmp_path: Path
) -> None:
    status, said = refused(kept, tmp_path, used_between_marks(kept.image))

    assert status == VERIFICATION
    assert re.search(r"etc/\d+", said)


def typed(kept: Kept, disk: loop.LoopDisk, word: str) -> tuple[int, str]:
    """Run the command in a terminal and type a word; return how it ended and what it said.

    The right one is followed by Enter at the last question.
    """
    words = ("rebuild", "pier-3", disk.device, "--store", kept.store)
    with terminals.at_a_terminal(*words) as (terminal, process):
        terminal.answer("to go on", word)
        if word == str(SIZE):
            terminal.answer("really the card", "")
        terminal.to_the_end()
        return process.wait(timeout=60), terminal.said


def test_in_a_terminal_the_size_is_typed_after_everything_was_shown(
    kept: Kept, tmp_path: Path
) -> None:
    with card(tmp_path) as disk:
        programs.run("mkfs.ext4", "-q", "-F", "-L", "jetty", disk.device)
        status, said = typed(kept, disk, str(SIZE))

        assert status == boards.NO_KERNEL, said
        assert "EVERYTHING ON IT WILL BE LOST" in said
        assert "jetty" in said
        assert has_table(disk.device)


def test_a_disk_in_use_is_refused_before_anybody_is_asked(kept: Kept, tmp_path: Path) -> None:
    with card(tmp_path) as disk:
        programs.run("mkfs.ext4", "-q", "-F", disk.device)
        with (
            loop.mounted(disk.device, tmp_path / "mnt"),
            terminals.at_a_terminal(*kept.words(disk.device)[3:]) as (terminal, process),
        ):
            terminal.to_the_end()
            status = process.wait(timeout=60)

    assert status == REFUSED, terminal.said
    assert "is mounted at" in terminal.said
    assert "EVERYTHING ON IT" not in terminal.said
    assert "to go on" not in terminal.said


def test_who_answers_with_the_end_of_input_hears_that_nothing_was_written(
    kept: Kept, tmp_path: Path
) -> None:
    with card(tmp_path) as disk:
        words = ("rebuild", "pier-3", disk.device, "--store", kept.store)
        before = disk.image.read_bytes()
        with terminals.at_a_terminal(*words) as (terminal, process):
            terminal.expect("to go on")
            terminal.type(b"\x04")  # termios(3), VEOF
            terminal.to_the_end()
            assert process.wait(timeout=60) == 128 + signal.SIGINT

        assert "nothing was written to the card" in terminal.said
        assert "[]" not in terminal.said
        assert disk.image.read_bytes() == before


def test_a_disk_named_without_its_folder_is_not_taken_for_a_new_image(
    kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with card(tmp_path) as disk:
        bare = disk.device.name
        done = forked_commands.attempt(
            ["rebuild", "pier-3", bare, "--store", str(kept.store)], timeout=60
        )

    assert done.returncode == REFUSED
    assert f"for the disk, name /dev/{bare}" in done.stderr.decode()
    assert not (tmp_path / bare).exists()


@pytest.mark.parametrize("word", ["", "yes", str(SIZE - 1)])
def test_another_word_in_a_terminal_leaves_the_card_as_it_was(
    kept: Kept, tmp_path: Path, word: str
) -> None:
    with card(tmp_path) as disk:
        programs.run("mkfs.ext4", "-q", "-F", "-L", "jetty", disk.device)
        before = disk.image.read_bytes()

        status, _ = typed(kept, disk, word)

        assert status == REFUSED
        assert disk.image.read_bytes() == before


def test_what_is_larger_than_a_card_may_be_here_is_named_twice(kept: Kept, tmp_path: Path) -> None:
    with card(tmp_path) as disk:
        words = kept.words(disk.device, "--confirm", str(SIZE), "--largest", "319M")
        once = subprocess.run(words, capture_output=True, check=False)
        twice = subprocess.run([*words, "--again", str(SIZE)], capture_output=True, check=False)

    assert once.returncode == REFUSED
    assert b"larger than a card is likely to be" in once.stderr
    assert twice.returncode == boards.NO_KERNEL
