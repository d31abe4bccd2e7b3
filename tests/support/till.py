"""Accounts in MariaDB (InnoDB): money moves, and is never more or less.

As a program it prints the statements that move money, until it is ended.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs, servers

if TYPE_CHECKING:
    from collections.abc import Iterator

ACCOUNTS, EACH = 2000, 100
"""As in the statements below."""
PAUSE = 0.01
MAKE = """
CREATE DATABASE till; USE till;
CREATE TABLE account (id INT PRIMARY KEY, balance INT, room CHAR(200)) ENGINE=InnoDB;
CREATE TABLE move (id INT AUTO_INCREMENT PRIMARY KEY, giver INT, taker INT, sum INT,
    KEY (giver), KEY (taker)) ENGINE=InnoDB;
INSERT INTO account SELECT seq, 100, REPEAT('x', 200) FROM seq_1_to_2000;
"""
"""seq_1_to_N: the Sequence storage engine (MariaDB documentation)."""
MOVE = """START TRANSACTION;
UPDATE account SET balance = balance - {sum} WHERE id = {giver};
UPDATE account SET balance = balance + {sum} WHERE id = {taker};
INSERT INTO move (giver, taker, sum) VALUES ({giver}, {taker}, {sum});
COMMIT;
"""
JUDGE = """
SELECT (SELECT sum(balance) FROM till.account), (SELECT count(*) FROM till.move),
       (SELECT count(*) FROM till.account a WHERE a.balance <> 100
          - (SELECT coalesce(sum(sum), 0) FROM till.move WHERE giver = a.id)
          + (SELECT coalesce(sum(sum), 0) FROM till.move WHERE taker = a.id));
CHECK TABLE till.account, till.move EXTENDED;
"""


def make(socket: Path) -> None:
    """Make it in a running server."""
    programs.run("mariadb", f"--socket={socket}", "-e", MAKE)


@contextmanager
def busy(socket: Path) -> Iterator[None]:
    """Let a program move money for the length of the block."""
    client = [programs.path_of("mariadb"), f"--socket={socket}", "till"]
    with (
        subprocess.Popen(
            [sys.executable, "-m", "support.till"], stdout=subprocess.PIPE, env=_found()
        ) as clerk,
        subprocess.Popen(client, stdin=clerk.stdout, stdout=subprocess.DEVNULL) as sent,
    ):
        try:
            yield
            assert sent.poll() is None, "the client gave up"
        finally:
            clerk.kill()
            sent.kill()


def _found() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": os.fspath(Path(__file__).parents[1])}


def wrong(data: Path) -> list[str]:
    """Return what is wrong with a data directory, a copy that may be written to."""
    with servers.home_of("mysql") as home:
        here = home / "data"
        data.rename(here)
        programs.run("chown", "-R", "mysql:mysql", here)
        try:
            with servers.mariadb_on(here, home):
                answer = programs.attempt(
                    "mariadb", f"--socket={home}/socket", "-BN", "-e", JUDGE, timeout=300
                )
        except AssertionError as error:
            return [f"mariadb: does not start: {str(error)[-300:]}"]
    if answer.returncode:
        return [f"mariadb: {answer.stderr.decode()[:200]}"]
    sums, *checks = answer.stdout.decode().splitlines()
    total, _, differing = map(int, sums.split("\t"))
    found = [f"mariadb: {line}" for line in checks if not line.endswith("\tOK")]
    if (total, differing) != (ACCOUNTS * EACH, 0):
        found.append(f"mariadb: {total} in all accounts, {differing} not as their moves tell")
    return found


def _move_for_ever() -> None:
    chance = random.Random(7)  # noqa: S311  repeatable, not secret
    while True:
        giver, taker = chance.sample(range(1, ACCOUNTS + 1), 2)
        words = MOVE.format(giver=giver, taker=taker, sum=chance.randrange(1, EACH))
        os.write(sys.stdout.fileno(), words.encode())
        time.sleep(PAUSE)


if __name__ == "__main__":
    _move_for_ever()
