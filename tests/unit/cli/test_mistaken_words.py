"""What is said to a mistaken command line: what is wrong, where, and what to do next."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path

import pytest

from holdstill.cli import terminal
from support import command_line, keeping


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (("restore", "pier-3"), "`holdstill rebuild`"),
        (("ls",), "`holdstill list`"),
        (("remove",), "`holdstill keeper remove`"),
        (("captur",), "`holdstill capture`"),
        (("keeper", "enroll"), "`holdstill keeper enrol`"),
        (("offsite", "restor"), "`holdstill offsite restore`"),
    ],
)
def test_a_command_that_is_not_there_is_told_with_what_is_meant(
    words: tuple[str, ...], meant: str
) -> None:
    done = command_line.attempt(*words)

    assert done.returncode == 2
    assert meant in done.stderr.decode()


def test_of_a_word_unlike_all_commands_nothing_is_guessed() -> None:
    done = command_line.attempt("zzz")

    assert b"No such command 'zzz'.\n" in done.stderr


@pytest.mark.parametrize(
    ("target", "told"),
    [
        ("-", "standard output"),
        ("/dev/null", "/dev/null is no disk"),
        ("/dev/holdstill-none", "there is no device /dev/holdstill-none"),
        ("card.zip", "not packed as .zip"),
    ],
)
def test_what_is_no_target_is_refused(tmp_path: Path, target: str, told: str) -> None:
    command_line.holdstill("keeper", "init", tmp_path / "boathouse")

    done = command_line.attempt("rebuild", "pier-3", target, "--store", tmp_path / "boathouse")

    assert done.returncode in (2, 10)
    assert told in done.stderr.decode()
    assert b"what to do:" in done.stderr


def test_a_budget_in_words_is_told_the_right_form(tmp_path: Path) -> None:
    settings = tmp_path / "board.yaml"
    settings.write_text("board: pier-3\nkeeper: /srv/holdstill\n", encoding="utf-8")

    done = command_line.attempt("audit", "--budget", "30minutes", "--settings", settings)

    assert done.returncode == 2
    assert b"such as 30min" in done.stderr


def test_settings_that_are_not_there_are_made_by_setup(tmp_path: Path) -> None:
    done = command_line.attempt("capture", "--settings", tmp_path / "board.yaml")

    assert done.returncode == 2
    assert b"`sudo holdstill setup` makes it" in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("rebuild", "/dev/loop0", "pier-3"), b"the capture comes first"),
        (("rebuild", "pier-3", "x.img", "--confirm", "8G"), b"--confirm names a card"),
        (
            ("rebuild", "pier-3", "x.img", "--plain", "--passphrase-file", __file__),
            b"leave out --plain or --passphrase-file",
        ),
        (("rehearse", "pier-3", "--sign", "("), b"no regular expression"),
        (("connect", "keeper@localhost", "--fingerprint", "AA:BB"), b"SHA256: and 43 characters"),
    ],
)
def test_words_that_do_not_go_together_are_told_before_anything_is_done(
    words: tuple[str, ...], said: bytes
) -> None:
    done = command_line.attempt(*words)

    assert done.returncode == 2
    assert said in done.stderr
    assert b"what to do: " in done.stderr


def test_a_path_near_a_store_is_told_with_the_store(tmp_path: Path) -> None:
    command_line.attempt("keeper", "init", tmp_path / "store")

    for given, meant in (
        (tmp_path / "stor", f"{tmp_path}/store is one: is that meant?"),
        (tmp_path / "store/boards", f"the store is {tmp_path}/store: name that"),
        (tmp_path / "nothing-like-it", "There is nothing of this name"),
        (tmp_path, "name the directory that has store.yaml in it"),
    ):
        done = command_line.attempt("list", "--store", given)

        assert done.returncode == 2
        assert meant in done.stderr.decode()


def test_a_full_standard_output_is_called_so() -> None:
    with Path("/dev/full").open("wb", buffering=0) as full:
        stream = terminal.GuardedStream(full, encoding="utf-8", line_buffering=True)
        with pytest.raises(OSError, match="No space left") as caught:
            stream.write("said\n")
        with suppress(OSError):
            stream.detach()

    assert caught.value.filename == "standard output or error"


def test_what_is_no_card_is_told_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "text.img"
    path.write_bytes(b"no card")

    done = command_line.attempt("bootcheck", path)

    assert done.returncode == 4
    assert f"{path}: it is no card and no image of one".encode() in done.stderr


def test_a_stream_that_was_closed_at_the_start_takes_what_is_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdout", None)  # as after `>&-` (sys, stdin)
    monkeypatch.setattr(sys, "stderr", None)

    terminal.guard_streams()

    with sys.stdout as out, sys.stderr as err:
        assert out.write("said") == err.write("said")


@pytest.mark.parametrize(
    ("words", "example"),
    [
        (("rebuild", "pier-3"), "`holdstill rebuild pier-3 "),
        (("get", "pier-3"), "`holdstill get pier-3 /"),
        (("find",), "`holdstill find "),
        (("keeper", "enrol", "/srv/holdstill", "pier-3"), "`holdstill keeper enrol "),
        (("offsite", "restore"), "`holdstill offsite restore "),
        (("capture", "pier-3"), "`holdstill capture"),
    ],
)
def test_a_word_that_lacks_or_is_too_many_is_told_with_a_whole_command_line(
    words: tuple[str, ...], example: str
) -> None:
    done = command_line.attempt(*words)

    assert done.returncode == 2
    assert f"what to do: name all of it, such as {example}" in done.stderr.decode()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("rebuild", "pier-3", "x.img", "--size", "eight"), b"--size 'eight' is not a size"),
        (("rebuild", "pier-3", "x.img", "--leave-free", "-1"), b"--leave-free '-1' is not a size"),
        (("verify", "--rate", "fast"), b"--rate 'fast' is not a size"),
        (("connect", "ssh://keeper@boathouse:99999"), b"a port from 1 to 65535"),
        (("verify", "pier-3", "--card", "/dev/nosuch"), b"`lsblk` shows the cards"),
        (("page", "--work", "/nosuch", "--role", "images"), b"`mkdir -m 700 /nosuch`"),
    ],
)
def test_the_option_that_is_wrong_is_named_with_what_would_be_right(
    tmp_path: Path, words: tuple[str, ...], said: bytes
) -> None:
    command_line.holdstill("keeper", "init", tmp_path / "boathouse")
    here = () if words[0] == "connect" else ("--store", tmp_path / "boathouse")

    done = command_line.attempt(*words, *here)

    assert done.returncode == 2
    assert said in done.stderr
    assert b"what to do: " in done.stderr


def test_a_rehearsal_of_no_time_is_refused() -> None:
    done = command_line.attempt("rehearse", "pier-3", "--seconds", "-5")

    assert b"'--seconds': -5.0 is not in the range x>=1" in done.stderr


@pytest.mark.parametrize("command", ["enrol", "reader add"])
def test_a_file_that_holds_no_public_key_is_named(tmp_path: Path, command: str) -> None:
    store, file = tmp_path / "boathouse", tmp_path / "no.pub"
    command_line.holdstill("keeper", "init", store)
    file.write_text("garbage\n", encoding="utf-8")

    done = command_line.attempt("keeper", *command.split(), store, "pier-3", "--key", file)

    assert done.returncode == 9
    assert f"{file}: not an ed25519".encode() in done.stderr


def test_a_network_that_is_none_is_refused_before_sshd_refuses_the_whole_line(
    tmp_path: Path,
) -> None:
    store, file = tmp_path / "boathouse", tmp_path / "key.pub"
    command_line.holdstill("keeper", "init", store)
    file.write_text(f"{keeping.KEY}\n", encoding="utf-8")
    words = ("keeper", "enrol", store, "pier-3", "--key", file, "--from")

    for wrong in ("nonsense/99", "10.0.0.0/33", "10.0.0.1/8", "192.168.1.7,,10.0.0.0/8"):
        done = command_line.attempt(*words, wrong)

        assert done.returncode == 2, wrong
        assert b"is no list of addresses for from=" in done.stderr
    done = command_line.attempt(*words, "192.168.1.7,!10.1.0.0/16,10.0.0.0/8,fe80::/10,*.pier")
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("words", [("thin",), ("list",), ("find", "hosts")])
def test_a_capture_where_a_board_belongs_is_told_with_the_board(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    command_line.holdstill("keeper", "init", tmp_path / "boathouse")

    done = command_line.attempt(*words, "pier-3/1", "--store", tmp_path / "boathouse")

    assert done.returncode == 2
    assert b"not for one capture" in done.stderr
    assert b"what to do: name the board alone: pier-3\n" in done.stderr
