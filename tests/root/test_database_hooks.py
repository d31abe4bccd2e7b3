"""The recipes, against the servers that they are for."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import tempfile
import time
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import hooks, undo_log
from holdstill.errors import PauseError
from holdstill.model.settings import Hook, HookHow
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner
from support import programs, servers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from holdstill.board.hooks import QuietReport

pytestmark = pytest.mark.timeout(60)


@contextmanager
def recipe(name: str, *, timeout: float = 10.0, **settings: str) -> Iterator[QuietReport]:
    """Keep a database quiet, as a run does."""
    hook = Hook(
        name="readings", how=HookHow.RECIPE, subject=name, settings=settings, timeout=timeout
    )
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm") as memory,
        undo_log.opened(Path(memory)) as undos,
        hooks.quiet([hook], BoundedRunner(grace=0.5), SystemClock(), undos) as report,
    ):
        yield report


class TestPostgreSql:
    def test_a_checkpoint_is_made(self) -> None:
        with servers.postgresql() as home:
            ask(home, "CREATE TABLE level (cm int)")
            before = control_data(home)["Latest checkpoint location"]

            with recipe("postgresql", host=str(home)):
                during = control_data(home)["Latest checkpoint location"]

            assert during != before

    @pytest.mark.parametrize("setting", ["fsync", "full_page_writes"])
    def test_a_server_that_does_not_survive_a_crash_is_refused(self, setting: str) -> None:
        with (
            servers.postgresql(f"{setting}=off") as home,
            pytest.raises(PauseError, match=setting),
            recipe("postgresql", host=str(home)),
        ):
            pytest.fail("it was taken for safe")

    def test_a_server_that_is_not_there_is_a_failure(self, tmp_path: Path) -> None:
        with (
            pytest.raises(PauseError, match="readings"),
            recipe("postgresql", host=str(tmp_path)),
        ):
            pytest.fail("nobody answered")


def ask(home: Path, query: str) -> str:
    psql = servers.postgresql_program("psql")
    said = programs.run(psql, "-X", "-At", "-h", home, "-U", "postgres", "-c", query)
    return said.decode().strip()


def control_data(home: Path) -> dict[str, str]:
    """Ask a program that reads the server's files, and not the server."""
    said = programs.run(servers.postgresql_program("pg_controldata"), "-D", home / "data")
    pairs = (line.partition(":") for line in said.decode().splitlines())
    return {name: value.strip() for name, _, value in pairs}


class TestMariaDb:
    def test_commits_wait_for_the_end(self) -> None:
        with servers.mariadb() as home:
            sql(home, "CREATE DATABASE pier; CREATE TABLE pier.level (cm INT) ENGINE=InnoDB")

            with recipe("mariadb", socket=str(home / "socket")):
                writer = sql_beside(home, "INSERT INTO pier.level VALUES (142)")
                time.sleep(0.5)
                was_waiting = writer.poll() is None
            status = writer.wait(timeout=10)
            rows = sql(home, "SELECT cm FROM pier.level")

        assert was_waiting
        assert status == 0
        assert rows == "142"

    def test_a_session_that_dies_lets_go_and_is_reported(self) -> None:
        with servers.mariadb() as home:
            sql(home, "CREATE DATABASE pier; CREATE TABLE pier.level (cm INT)")

            with recipe("mariadb", socket=str(home / "socket")) as report:
                for pid in clients_of(home):
                    os.kill(pid, signal.SIGKILL)
                sql(home, "INSERT INTO pier.level VALUES (142)")

        assert "only as good as after a crash" in report.problems[0]

    def test_a_long_transaction_makes_it_give_up_in_time(self) -> None:
        with servers.mariadb() as home:
            sql(home, "CREATE DATABASE pier; CREATE TABLE pier.level (cm INT) ENGINE=Aria")
            writer = sql_beside(home, "LOCK TABLES pier.level WRITE; SELECT SLEEP(20)")
            time.sleep(0.5)
            started = time.monotonic()

            with (
                pytest.raises(PauseError),
                recipe("mariadb", socket=str(home / "socket"), timeout=1.0),
            ):
                pytest.fail("it was called quiet")
            seconds = time.monotonic() - started
            writer.kill()
            writer.wait(timeout=5)

        assert seconds < 6


def sql(home: Path, statements: str) -> str:
    said = programs.run("mariadb", f"--socket={home}/socket", "-BNe", statements)
    return said.decode().strip()


def sql_beside(home: Path, statements: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(["mariadb", f"--socket={home}/socket", "-BNe", statements])


def clients_of(home: Path) -> list[int]:
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")
    lines = {int(pid): Path(f"/proc/{pid}/cmdline").read_bytes() for pid in children.split()}
    needle = f"--socket={home}/socket".encode()
    return [pid for pid, line in lines.items() if line.startswith(b"mariadb\0") and needle in line]


class TestSqlite:
    @pytest.fixture
    def database(self, tmp_path: Path) -> Iterator[Path]:
        """Keep a database open in write-ahead mode, as an application does."""
        path = tmp_path / "tide ?gauge.db"
        with closing(sqlite3.connect(path)) as application:
            application.execute("PRAGMA journal_mode=WAL")
            application.execute("CREATE TABLE level (cm INT)")
            application.execute("INSERT INTO level VALUES (142)")
            application.commit()
            yield path

    def test_a_checkpoint_empties_the_log(self, database: Path) -> None:
        log = database.with_name(database.name + "-wal")
        before = log.stat().st_size

        with recipe("sqlite", database=str(database), checkpoint="truncate"):
            during = log.stat().st_size
            main_file_alone = sqlite3.connect(shutil.copy(database, database.parent / "copy"))
            rows = main_file_alone.execute("SELECT cm FROM level").fetchall()
            main_file_alone.close()

        assert before > 0
        assert during == 0
        assert rows == [(142,)]

    def test_a_busy_database_is_given_up_in_time(self, database: Path) -> None:
        with closing(sqlite3.connect(database)) as reader:
            reader.execute("BEGIN")
            reader.execute("SELECT * FROM level").fetchall()

            with (
                pytest.raises(PauseError, match="busy"),
                recipe("sqlite", database=str(database), checkpoint="truncate", timeout=0.5),
            ):
                pytest.fail("the log cannot be empty")

    def test_a_missing_database_is_not_made(self, tmp_path: Path) -> None:
        missing = tmp_path / "missing.db"

        with (
            pytest.raises(PauseError),
            recipe("sqlite", database=str(missing), checkpoint="passive"),
        ):
            pytest.fail("there is no database")

        assert not missing.exists()

    def test_without_a_checkpoint_nothing_is_done(self) -> None:
        with recipe("sqlite") as report:
            pass

        assert report.quieted == ["readings"]


class TestRedis:
    APPEND = ("--appendonly", "yes")

    def test_no_rewrite_starts_during_the_pause(self) -> None:
        with servers.redis(*self.APPEND) as home:
            before = percentage(home)
            with recipe("redis", socket=str(home / "socket")):
                during = percentage(home)
            after = percentage(home)

        assert (before, during, after) == ("100", "0", "100")

    def test_a_rewrite_that_runs_is_waited_for(self) -> None:
        # Redis itself has a brake for such tests: microseconds for each key.
        slow = ("--rdb-key-save-delay", "1000", "--enable-debug-command", "yes")
        with servers.redis(*self.APPEND, *slow) as home:
            assert redis(home, "DEBUG POPULATE 1500") == "OK"
            redis(home, "BGREWRITEAOF")
            before = persistence(home)

            with recipe("redis", socket=str(home / "socket")):
                during = persistence(home)

        assert before["aof_rewrite_in_progress"] == "1"
        assert during["aof_rewrite_in_progress"] == "0"

    def test_a_password_comes_from_its_file(self, tmp_path: Path) -> None:
        secret = tmp_path / "password"
        secret.write_text('slack "water"\\\n', encoding="utf-8")

        with servers.redis(*self.APPEND) as home:
            redis(home, 'CONFIG SET requirepass "slack \\"water\\"\\\\"')
            with recipe("redis", socket=str(home / "socket"), password_file=str(secret)) as report:
                pass
            secret.write_text("wrong", encoding="utf-8")
            with (
                pytest.raises(PauseError, match="login"),
                recipe("redis", socket=str(home / "socket"), password_file=str(secret)),
            ):
                pytest.fail("it let everybody in")

        assert report.quieted == ["readings"]
        assert report.problems == []

    def test_without_an_append_only_file_nothing_is_done(self) -> None:
        with servers.redis() as home, recipe("redis", socket=str(home / "socket")):
            during = percentage(home)

        assert during == "100"


def redis(home: Path, line: str) -> str:
    said = programs.run("redis-cli", "-s", home / "socket", stdin=(line + "\n").encode())
    return said.decode().strip()


def percentage(home: Path) -> str:
    return redis(home, "CONFIG GET auto-aof-rewrite-percentage").splitlines()[1]


def persistence(home: Path) -> dict[str, str]:
    lines = redis(home, "INFO persistence").splitlines()
    return dict(line.strip().split(":", 1) for line in lines if ":" in line)


class TestMosquitto:
    @pytest.fixture
    def home(self) -> Iterator[Path]:
        with servers.home_of("mosquitto") as place:
            yield place

    def test_what_was_in_memory_is_in_the_copied_file(self, home: Path) -> None:
        with servers.mosquitto(home, "persistence true") as port:
            publish(port, "pier-3/level", "142")
            with mosquitto_recipe(home):
                copied = (home / "mosquitto.db").read_bytes()

        with servers.home_of("mosquitto") as other:
            (other / "mosquitto.db").write_bytes(copied)
            shutil.chown(other / "mosquitto.db", "mosquitto")
            with servers.mosquitto(other, "persistence true") as port:
                words = ("-p", str(port), "-t", "pier-3/level", "-C", "1", "-W", "5")
                level = programs.run("mosquitto_sub", *words)

        assert level == b"142\n"

    def test_a_second_pause_waits_for_a_newer_file(self, home: Path) -> None:
        with servers.mosquitto(home, "persistence true") as port:
            make_one_pause(home)
            publish(port, "pier-3/level", "57")
            with mosquitto_recipe(home):
                copied = (home / "mosquitto.db").read_bytes()

        assert b"pier-3/level" in copied

    def test_a_server_that_keeps_nothing_is_told_apart(self, home: Path) -> None:
        with (
            servers.mosquitto(home, "persistence false"),
            pytest.raises(PauseError, match="persistence true"),
            mosquitto_recipe(home, timeout=0.5),
        ):
            pytest.fail("nothing was written")

    def test_a_stale_pid_file_sends_no_signal_to_a_stranger(self, home: Path) -> None:
        with subprocess.Popen(["sleep", "60"]) as stranger:
            (home / "pid").write_text(f"{stranger.pid}\n", encoding="ascii")

            with (
                pytest.raises(PauseError, match="not running"),
                mosquitto_recipe(home),
            ):
                pytest.fail("a stranger was taken for the server")

            alive = stranger.poll() is None
            stranger.kill()

        assert alive


def mosquitto_recipe(home: Path, timeout: float = 10.0) -> AbstractContextManager[QuietReport]:
    places = {"pid_file": str(home / "pid"), "database": str(home / "mosquitto.db")}
    return recipe("mosquitto", timeout=timeout, **places)


def make_one_pause(home: Path) -> None:
    with mosquitto_recipe(home):
        pass


def publish(port: int, topic: str, message: str) -> None:
    programs.run("mosquitto_pub", "-p", str(port), "-r", "-t", topic, "-m", message)
