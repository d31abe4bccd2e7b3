"""Messages to people through the real Apprise, to a web server of our own."""

from __future__ import annotations

import socket
import sys
from typing import TYPE_CHECKING

import pytest

from holdstill.model import settings
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.notify import recipients
from holdstill.notify.recipients import AppriseRecipients
from holdstill.system.time_limited import BoundedRunner
from support import programs
from support.listener import Listener, listening

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.system.process import Command

CANARY = "canary-7f3a9e"
"""A secret that must not turn up anywhere (FAULTS S13)."""


@pytest.fixture
def server() -> Iterator[Listener]:
    with listening() as heard:
        yield heard


class WatchedRunner(BoundedRunner):
    """Runs commands, and keeps what everybody on the machine could have seen of them."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        self.seen += [str(command), repr(command.environment)]
        said = super().run(command, stdin=stdin)
        self.seen.append(said.decode())
        return said


def file_with(tmp_path: Path, *lines: str, mode: int = 0o600) -> Path:
    path = tmp_path / "notify_urls"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path.chmod(mode)
    return path


def letter_to(everybody: AppriseRecipients) -> Message:
    return Message(
        kind=MessageKind.FAILURE, title="pier-3: no capture", body="the keeper does not answer",
        at="2026-11-25T08:31:00Z", to=everybody.names(),
    )  # fmt: skip


def test_a_letter_arrives_and_its_address_is_seen_nowhere(
    server: Listener, tmp_path: Path
) -> None:
    runner = WatchedRunner()
    urls = file_with(tmp_path, "# the harbour master", "", server.url(CANARY))
    everybody = AppriseRecipients(urls, runner)
    letter = letter_to(everybody)

    reached = everybody.send(letter)

    assert reached == letter.to == everybody.names()
    ((path, heard),) = server.posts
    assert path == f"/{CANARY}"
    assert (heard["title"], heard["message"], heard["type"]) == (
        "pier-3: no capture", "the keeper does not answer", "warning",
    )  # fmt: skip
    assert len(runner.seen) == 3
    assert CANARY not in "".join((*runner.seen, repr(letter), repr(reached)))


@pytest.mark.parametrize("trouble", ["refused", "unknown kind", "no answer", "no address at all"])
def test_what_fails_is_not_taken_for_delivered_and_keeps_its_secret(
    server: Listener, tmp_path: Path, trouble: str, capfd: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as deaf:  # nobody accepts
        deaf.bind(("127.0.0.1", 0))
        url = {
            "refused": server.url(CANARY),
            "unknown kind": f"pigeon://{CANARY}",
            "no answer": f"json://{CANARY}@127.0.0.1:{deaf.getsockname()[1]}",
            "no address at all": CANARY,
        }[trouble]
        server.status = 403
        runner = WatchedRunner()
        everybody = AppriseRecipients(file_with(tmp_path, url), runner)

        reached = everybody.send(letter_to(everybody))

    assert reached == ()
    said = capfd.readouterr()
    assert CANARY not in "".join((*runner.seen, said.out, said.err))


def test_one_address_that_fails_does_not_cost_the_others(server: Listener, tmp_path: Path) -> None:
    urls = file_with(tmp_path, f"pigeon://{CANARY}", server.url("other"))
    everybody = AppriseRecipients(urls, BoundedRunner())

    reached = everybody.send(letter_to(everybody))

    assert reached == (recipients.fingerprint(server.url("other")),)


def test_without_a_file_nobody_is_told_and_nothing_is_started(tmp_path: Path) -> None:
    runner = WatchedRunner()
    missing = tmp_path / "missing"
    nobody = AppriseRecipients(missing, runner)

    assert nobody.names() == ()
    assert nobody.complaint().startswith(
        f"{missing}, which the settings name, is not there: nobody is told anything; what to do: "
    )
    assert "`holdstill try-alarms` tries it" in nobody.complaint()
    assert nobody.send(letter_to(nobody)) == ()
    assert runner.seen == []


def test_a_file_that_others_may_read_is_complained_about_without_quoting_it(
    tmp_path: Path,
) -> None:
    urls = file_with(tmp_path, f"json://{CANARY}@127.0.0.1", mode=0o644)

    complaint = AppriseRecipients(urls, BoundedRunner()).complaint()

    assert complaint == (
        f"others may read the addresses in {urls}; what to do: `chmod 0600 {urls}`"
    )


def test_a_file_that_is_no_text_is_complained_about_without_quoting_it(tmp_path: Path) -> None:
    urls = tmp_path / "notify_urls"
    urls.write_bytes(b"json://\xff" + CANARY.encode())
    urls.chmod(0o600)

    complaint = AppriseRecipients(urls, BoundedRunner()).complaint()

    assert complaint.endswith("nobody is told anything: it is not UTF-8")
    assert CANARY not in complaint


def test_nothing_of_ours_loads_the_heavy_library_before_it_speaks() -> None:
    modules = "holdstill.cli.daemon_wiring, holdstill.cli.keeper.watch"
    ask = f"import sys, {modules}; print('apprise' in sys.modules)"

    said = programs.run(sys.executable, "-B", "-c", ask)

    assert said == b"False\n"


def test_the_default_file_need_not_be_there() -> None:
    if settings.NOTIFY_URLS.exists():
        pytest.skip("this machine has one")

    assert AppriseRecipients(settings.NOTIFY_URLS, WatchedRunner()).complaint() == ""
