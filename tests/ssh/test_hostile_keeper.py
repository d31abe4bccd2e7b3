"""A keeper that means harm, behind a real sshd: what it says stays words (h6, m18)."""

from __future__ import annotations

import json
import shlex
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from holdstill.model.protocol import PROTOCOL
from support import foreign, keys, sshd

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.timeout(60)
HELLO = {"protocol": PROTOCOL, "version": foreign.HOSTILE, "board": "pier-3", "free_bytes": 1,
         "free_inodes": 1, "now": foreign.HOSTILE}  # fmt: skip
BRIEF = {"name": "000001-20261125T021503Z", "seq": 1, "manifest": foreign.HOSTILE,
         "index": foreign.HOSTILE, "grade": foreign.HOSTILE, "taken_at": "2026-11-25T02:15:03",
         "arrived_at": "2026-11-25T02:15:03", "verified_at": foreign.HOSTILE,
         "booted_at": foreign.HOSTILE, "damaged_at": foreign.HOSTILE,
         "faults": [foreign.HOSTILE, "\x1b[2J"]}  # fmt: skip
WORDS = foreign.HOSTILE.replace("\0", "")


def result(number: int, value: object) -> str:
    return json.dumps({"jsonrpc": "2.0", "id": number, "result": value})


def error(number: int, kind: str) -> str:
    data = {"kind": kind, "hint": foreign.HOSTILE}
    fault = {"code": 9, "message": foreign.HOSTILE, "data": data}
    return json.dumps({"jsonrpc": "2.0", "id": number, "error": fault})


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sshd.Sshd]:
    with sshd.running(tmp_path) as running:
        yield running


def listed(server: sshd.Sshd, folder: Path, script: str) -> int:
    """List the captures of a keeper that runs this shell script instead of ours."""
    pair = keys.make_key(folder / "board_key")
    program = folder / "evil.sh"
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="utf-8")
    server.authorize(f'command="/bin/sh {program}" {pair.public}')
    address = f"ssh://{server.user}@{server.host}:{server.port}"
    access = ("--key", str(pair.private), "--host-keys", str(server.known_hosts))
    return main.run(["list", "--store", address, *access])


def answering(*lines: str, output: str = "") -> str:
    """Return a script that answers one call with each line, then says its last words and ends."""
    calls = [f"read call; printf '%s\\n' {shlex.quote(line)}" for line in lines]
    return "\n".join([*calls, f"printf '%s' {shlex.quote(output)} >&2"])


SCRIPTS = {
    "an error": answering(error(1, "SecurityError")),
    "an error of no kind": answering(error(1, foreign.HOSTILE)),
    "last words": answering(output=WORDS),
    "no answer of ours": answering(WORDS),
    "hello, and an error": answering(result(1, HELLO), error(2, "UsageError")),
    "a result of another kind": answering(result(1, foreign.HOSTILE)),
    "a strange board": answering(result(1, {**HELLO, "board": foreign.HOSTILE})),
    "strange captures": answering(result(1, HELLO), result(2, [{**BRIEF, "name": WORDS}])),
}


@pytest.mark.parametrize("name", SCRIPTS)
def test_h6_m18_what_a_keeper_says_is_shown_and_harmless(
    name: str, server: sshd.Sshd, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = listed(server, tmp_path, SCRIPTS[name])

    said = "".join(capsys.readouterr())
    assert foreign.is_clean(said)
    assert code in {2, 4, 6, 9}
    assert "Traceback" not in said
    assert "what to do: " in said or name in {"last words", "no answer of ours"} or code == 6
    assert "holdstill: a line of its own" not in said.splitlines()


def test_h6_m2_briefs_with_hostile_words_and_dates_without_a_zone_are_listed(
    server: sshd.Sshd, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = listed(server, tmp_path, answering(result(1, HELLO), result(2, [BRIEF])))

    said = "".join(capsys.readouterr())
    assert code == 0, said
    assert "000001-20261125T021503Z" in said
    assert foreign.is_clean(said)
