"""The grammar of a forced command: only what our own transport asks for passes."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.keeper import forced_command
from holdstill.keeper.forced_command import ControlRequest, Fetch, ReceiveRequest

RUN = "0123456789abcdef"
SEND = (
    f"rsync --server -dIe.iLsfxCIvu --timeout=120 --stats --inplace . incoming/{RUN}/contents-0/"
)
"""What rsync 3.5.0 asks for when transport.bulk sends."""
FETCH = f"rsync --server --sender -dISe.iLsfxCIvu --timeout=120 --inplace . outgoing/{RUN}/"


def test_the_control_channel_is_understood() -> None:
    assert (
        forced_command.parse("")
        == forced_command.parse(forced_command.CONTROL)
        == forced_command.parse("holdstill-control")  # boards of other versions ask for it, too
        == ControlRequest()
    )


def test_a_receive_is_written_anew() -> None:
    asked = "rsync --server -SIzde.iLsfxCIvu --timeout=120 --inplace --no-W"

    wish = forced_command.parse(f"{asked} . incoming/{RUN}/contents-0/")

    options = ("-dISze.iLsfxCIvu", "--inplace", "--partial", "--no-W", "--timeout=120")
    assert wish == ReceiveRequest(options, RUN, 0)


def test_what_the_other_end_is_able_to_chooses_no_option() -> None:
    wish = forced_command.parse(SEND.replace("e.iLsfxCIvu", "e.iLSzfx"))

    assert isinstance(wish, ReceiveRequest)
    assert wish.options[0] == "-dIe.iLSzfx"


def test_fetching_names_one_of_the_own_things() -> None:
    wish = forced_command.parse(FETCH)

    assert isinstance(wish, Fetch)
    assert wish.folder == RUN


@pytest.mark.parametrize(
    "asked",
    [
        "id",
        "sh -c id",
        "holdstill-control; id",
        "holdstill-control ",
        "holdstill-control\nid",
        "scp -t /srv",
        "internal-sftp",
        "/usr/lib/openssh/sftp-server",
        "rsync --daemon --config=/tmp/x .",
        "rsync --server",
        "rsync --server -e.x . /",
        SEND.replace("incoming/", "/incoming/"),
        SEND.replace("incoming/", "../pier-4/incoming/"),
        SEND.replace("/contents-0/", "/../../captures/"),
        SEND.replace("/contents-0/", "/contents-0/../../../captures/"),
        SEND.replace(f"incoming/{RUN}/contents-0/", "captures/000001-20261125T021503Z/"),
        SEND.replace(f"incoming/{RUN}/contents-0/", "incoming/"),
        SEND.replace("/contents-0/", "/contents-0/ captures/"),
        SEND.replace(f". incoming/{RUN}/contents-0/", f". incoming/{RUN}/contents-0/; id"),
        SEND.replace(" . ", " "),
        SEND.replace("-dIe", "-vlogDtpre"),
        SEND.replace("-dIe", "-dIle"),
        SEND.replace("-dIe", "-dIDe"),
        SEND.replace("-dIe", "-dIHe"),
        SEND.replace("-dIe", "-dIre"),
        SEND.replace("-dIe.", "-dIe.$(id)"),
        SEND.replace("--inplace", "--inplace --delete"),
        SEND.replace("--inplace", "--inplace --remove-source-files"),
        SEND.replace("--inplace", "--inplace --backup-dir=../../captures"),
        SEND.replace("--inplace", "--inplace --link-dest=../../../captures"),
        SEND.replace("--inplace", "--inplace --copy-dest=../../../../pier-4"),
        SEND.replace("--inplace", "--inplace --compare-dest=/etc"),
        SEND.replace("--inplace", "--inplace --partial-dir=/srv"),
        SEND.replace("--inplace", "--inplace --temp-dir=/srv"),
        SEND.replace("--inplace", "--inplace --log-file=/srv/x"),
        SEND.replace("--inplace", "--inplace --rsync-path=sh"),
        SEND.replace("--inplace", "--inplace --write-devices"),
        SEND.replace("--inplace", "--inplace --files-from=/etc/passwd"),
        SEND.replace("--inplace", "--inplace --usermap=*:root"),
        SEND.replace("--inplace", "--inplace --max-alloc=99T"),
        SEND.replace("--inplace", "--append"),
        SEND.replace("--inplace", ""),
        SEND.replace(" --timeout=120", ""),
        SEND.replace("--timeout=120", "--timeout=0"),
        SEND.replace("--server", "--server --server"),
        FETCH.replace(f"outgoing/{RUN}/", "captures/"),
        FETCH.replace(f"outgoing/{RUN}/", "captures/000001-20261125T021503Z/manifest.yaml"),
        FETCH.replace("outgoing/", "../pier-4/outgoing/"),
        FETCH.replace(f"outgoing/{RUN}/", "ledger.jsonl"),
        FETCH.replace(f"outgoing/{RUN}/", "../../content/ab/"),
        FETCH.replace(f"outgoing/{RUN}/", "/etc/shadow"),
        "A" * 100_000,
        " ".join(["rsync", "--server", *["--stats"] * 50, ".", f"incoming/{RUN}/contents-0"]),
    ],
)
def test_s06_anything_else_is_refused(asked: str) -> None:
    with pytest.raises(SecurityError):
        forced_command.parse(asked)


def test_s06_sixteen_words_of_two_hundred_letters_are_the_most() -> None:
    padded = SEND.replace("--stats", " ".join(["--stats"] * 9))
    long = SEND.replace("-dIe.", f"-I{'d' * 187}e.")
    assert len(padded.split(" ")) == 16
    assert max(len(word) for word in long.split(" ")) == 200

    assert isinstance(forced_command.parse(padded), ReceiveRequest)
    assert isinstance(forced_command.parse(long), ReceiveRequest)
    with pytest.raises(SecurityError, match="not one of ours"):
        forced_command.parse(padded.replace("--stats", "--stats --stats", 1))
    with pytest.raises(SecurityError, match="not one of ours"):
        forced_command.parse(long.replace("-Id", "-Idd"))


PIECES = [
    "rsync", "--server", "--sender", "-dIe.iLsfxCIvu", "--inplace", "--timeout=120", ".", "..",
    "/", f"incoming/{RUN}/contents-0", "captures", ";", "$(id)", "`id`", "--delete", "-e",
    "sh", "\n", "",
]  # fmt: skip


@given(st.lists(st.sampled_from(PIECES), max_size=12), st.sampled_from([" ", "", "\t"]))
def test_s06_what_passes_is_one_of_three_things(pieces: list[str], between: str) -> None:
    try:
        wish = forced_command.parse(between.join(pieces))
    except SecurityError:
        return

    match wish:
        case ReceiveRequest(options, run):
            assert run == RUN
            assert set(options) <= {"-Ide.iLsfxCIvu", "--inplace", "--timeout=120"}
        case Fetch():
            pytest.fail("none of the pieces is a place to fetch from")
        case ControlRequest():
            assert "".join(pieces).strip() == ""


@given(st.text(alphabet=string.printable, max_size=200))
def test_s06_any_text_is_understood_or_refused(text: str) -> None:
    try:
        wish = forced_command.parse(text)
    except SecurityError:
        return
    assert wish == ControlRequest()
    assert text in {"", forced_command.CONTROL}
