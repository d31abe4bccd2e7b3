"""What recipes say to their servers; root/test_database_hooks.py asks what servers make of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.board import database_hooks
from holdstill.board.service_control import HookSession
from holdstill.errors import CommandError, PauseError, UsageError
from holdstill.model.settings import Hook, HookHow
from support.services import FakeClock, FakeMachine, FakeTalk, failing

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

REDIS = "redis-cli -s /run/redis/socket"


def shift(
    subject: str, machine: FakeMachine, settings: Mapping[str, str], *, timeout: float = 2.0
) -> HookSession:
    hook = Hook(
        name="readings", how=HookHow.RECIPE, subject=subject, settings=dict(settings),
        timeout=timeout,
    )  # fmt: skip
    return HookSession(hook, machine, FakeClock())


def test_an_unknown_recipe_is_refused_with_those_that_exist() -> None:
    with pytest.raises(UsageError, match="no recipe oracle") as caught:
        database_hooks.recipe_for(shift("oracle", FakeMachine({}), {}))

    assert "mariadb, mosquitto, postgresql, redis, sqlite" in caught.value.hint


def test_an_unknown_setting_is_refused_with_those_that_exist() -> None:
    with pytest.raises(UsageError, match="sockett") as caught:
        database_hooks.recipe_for(shift("redis", FakeMachine({}), {"sockett": "/run/redis"}))

    assert "socket" in caught.value.hint


class TestPostgreSql:
    PSQL = "runuser -u postgres -- psql -X -A -t -q -w -v ON_ERROR_STOP=1 -p 5432 -d postgres -c "
    SETTINGS = (
        "'SELECT name || '\"'\"'='\"'\"' || setting FROM pg_settings WHERE name IN "
        "('\"'\"'fsync'\"'\"', '\"'\"'full_page_writes'\"'\"')'"
    )

    def test_a_safe_server_gets_a_checkpoint(self) -> None:
        machine = FakeMachine(
            {
                self.PSQL + self.SETTINGS: "fsync=on\nfull_page_writes=on\n",
                self.PSQL + "CHECKPOINT": "",
            }
        )
        way = database_hooks.recipe_for(shift("postgresql", machine, {}))

        way.quiesce(way.inspect())
        way.resume({})

        assert machine.ran[1:] == [self.PSQL + "CHECKPOINT"]

    @pytest.mark.parametrize("said", ["fsync=off\nfull_page_writes=on\n", "", "fsync=on\n"])
    def test_a_server_that_is_not_known_to_be_safe_is_refused(self, said: str) -> None:
        machine = FakeMachine({self.PSQL + self.SETTINGS: said})

        with pytest.raises(PauseError, match="off"):
            database_hooks.recipe_for(shift("postgresql", machine, {})).inspect()


class TestMariaDb:
    HOLD = (
        "SET SESSION lock_wait_timeout=2; BACKUP STAGE START; BACKUP STAGE BLOCK_COMMIT; "
        "SELECT 'holdstill-done';\n"
    )
    LET_GO = "BACKUP STAGE END; SELECT 'holdstill-done';\n"
    CLIENT = "mariadb --batch --skip-column-names --unbuffered"

    def test_one_session_holds_and_lets_go(self) -> None:
        talk = FakeTalk({self.HOLD: "", self.LET_GO: ""})
        machine = FakeMachine({}, talk)
        way = database_hooks.recipe_for(shift("mariadb", machine, {}))

        way.quiesce(way.inspect())
        way.resume({})

        assert talk.asked == [self.HOLD, self.LET_GO]
        assert machine.ran == [self.CLIENT, "end of talk"]

    def test_a_session_that_could_not_hold_is_ended(self) -> None:
        machine = FakeMachine({}, FakeTalk({}))
        way = database_hooks.recipe_for(shift("mariadb", machine, {}))
        with pytest.raises(CommandError):
            way.quiesce({})

        way.resume({})

        assert machine.ran[-1] == "end of talk"

    def test_a_lost_session_is_told_and_ended(self) -> None:
        machine = FakeMachine({}, FakeTalk({self.HOLD: ""}))
        way = database_hooks.recipe_for(shift("mariadb", machine, {}))
        way.quiesce({})

        with pytest.raises(PauseError, match="only as good as after a crash"):
            way.resume({})
        way.resume({})

        assert machine.ran.count("end of talk") == 1

    def test_after_our_death_there_is_nothing_to_resume(self) -> None:
        machine = FakeMachine({})

        database_hooks.recipe_for(shift("mariadb", machine, {})).resume({})

        assert machine.ran == []

    def test_the_settings_become_options_in_the_order_that_the_client_wants(self) -> None:
        settings = {"socket": "/run/m", "login": "copier", "defaults_file": "/etc/m", "user": "u"}
        talk = FakeTalk({self.HOLD: ""})
        machine = FakeMachine({}, talk)

        database_hooks.recipe_for(shift("mariadb", machine, settings)).quiesce({})

        assert machine.ran[0] == (
            "runuser -u u -- mariadb --defaults-extra-file=/etc/m --batch --skip-column-names "
            "--unbuffered --socket=/run/m --user=copier"
        )


class TestSqlite:
    DATABASE = "/srv/tide gauge?.db"
    CHECKPOINT = (
        "sqlite3 -batch -bail -cmd '.timeout 2000' "
        "'file:/srv/tide%20gauge%3F.db?mode=rw' 'PRAGMA wal_checkpoint(truncate)'"
    )

    def test_nothing_is_needed(self) -> None:
        machine = FakeMachine({})
        way = database_hooks.recipe_for(shift("sqlite", machine, {}))

        way.quiesce(way.inspect())
        way.resume({})

        assert machine.ran == []

    def test_a_checkpoint_is_made_as_wished(self) -> None:
        machine = FakeMachine({self.CHECKPOINT: "0|12|12\n"})
        settings = {"database": self.DATABASE, "checkpoint": "truncate"}
        way = database_hooks.recipe_for(shift("sqlite", machine, settings))

        way.quiesce(way.inspect())

        assert machine.ran == [self.CHECKPOINT]

    def test_a_busy_one_is_told(self) -> None:
        machine = FakeMachine({self.CHECKPOINT: "1|12|3\n"})
        settings = {"database": self.DATABASE, "checkpoint": "truncate"}

        with pytest.raises(PauseError, match="busy"):
            database_hooks.recipe_for(shift("sqlite", machine, settings)).quiesce({})

    @pytest.mark.parametrize(
        "settings",
        [
            {"database": "/srv/x.db", "checkpoint": "truncate); DROP TABLE level; --"},
            {"checkpoint": "full"},
        ],
    )
    def test_a_checkpoint_that_makes_no_sense_is_refused(self, settings: dict[str, str]) -> None:
        with pytest.raises(UsageError, match="checkpoint"):
            database_hooks.recipe_for(shift("sqlite", FakeMachine({}), settings)).inspect()


class TestRedis:
    def server(self, log: list[str], **now: str) -> Callable[[bytes], str]:
        """Answer as Redis does that reads its orders from standard input."""
        answers = {
            "CONFIG GET auto-aof-rewrite-percentage": "auto-aof-rewrite-percentage\n100\n",
            "CONFIG SET auto-aof-rewrite-percentage 0": "OK\n",
            "CONFIG SET auto-aof-rewrite-percentage 100": "OK\n",
        } | now

        def answer(stdin: bytes) -> str:
            line = stdin.decode().strip()
            log.append(line)
            return answers[line]

        return answer

    def test_rewrites_are_switched_off_and_on(self) -> None:
        log: list[str] = []
        calm = "aof_enabled:1\r\naof_rewrite_in_progress:0\r\naof_rewrite_scheduled:0\r\n"
        machine = FakeMachine({REDIS: self.server(log, **{"INFO persistence": calm})})
        way = database_hooks.recipe_for(shift("redis", machine, {"socket": "/run/redis/socket"}))

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert before == {"percentage": "100"}
        assert log[2:] == [
            "CONFIG SET auto-aof-rewrite-percentage 0",
            "INFO persistence",
            "CONFIG SET auto-aof-rewrite-percentage 100",
        ]

    def test_one_that_rewrites_for_ever_is_given_up_in_time(self) -> None:
        busy = "aof_enabled:1\naof_rewrite_in_progress:1\naof_rewrite_scheduled:0\n"
        machine = FakeMachine({REDIS: self.server([], **{"INFO persistence": busy})})
        way = database_hooks.recipe_for(shift("redis", machine, {"socket": "/run/redis/socket"}))

        with pytest.raises(PauseError, match="still rewriting"):
            way.quiesce({"percentage": "100"})

    def test_a_refusal_is_told(self) -> None:
        refusal = {"CONFIG SET auto-aof-rewrite-percentage 0": "ERR unknown command 'CONFIG'\n"}
        machine = FakeMachine({REDIS: self.server([], **refusal)})
        way = database_hooks.recipe_for(shift("redis", machine, {"socket": "/run/redis/socket"}))

        with pytest.raises(PauseError, match="ERR unknown command"):
            way.quiesce({"percentage": "100"})

    def test_without_an_append_only_file_nothing_is_touched(self) -> None:
        log: list[str] = []
        machine = FakeMachine({REDIS: self.server(log, **{"INFO persistence": "aof_enabled:0\n"})})
        way = database_hooks.recipe_for(shift("redis", machine, {"socket": "/run/redis/socket"}))

        before = way.inspect()
        way.quiesce(before)
        way.resume(before)

        assert log == ["INFO persistence"]

    def test_the_password_is_in_no_argument_and_no_message(self, tmp_path: Path) -> None:
        (tmp_path / "password").write_text("slack water\n", encoding="utf-8")
        heard: list[bytes] = []

        def refuse(stdin: bytes) -> str:
            heard.append(stdin)
            return "WRONGPASS invalid username-password pair\nNOAUTH Authentication required.\n"

        machine = FakeMachine({"redis-cli -h 127.0.0.1 -p 6379": refuse})
        settings = {"password_file": str(tmp_path / "password")}

        with pytest.raises(PauseError, match="WRONGPASS") as caught:
            database_hooks.recipe_for(shift("redis", machine, settings)).inspect()

        assert b"\\x73\\x6c\\x61\\x63\\x6b\\x20" in heard[0]
        assert "slack" not in " ".join([*machine.ran, str(caught.value)])

    def test_a_missing_password_file_is_told(self, tmp_path: Path) -> None:
        settings = {"password_file": str(tmp_path / "missing")}

        with pytest.raises(PauseError, match="cannot read"):
            database_hooks.recipe_for(shift("redis", FakeMachine({}), settings)).inspect()


class TestMosquitto:
    STAT = "stat '--format=%i %.9Y %.9Z %s' -- /var/lib/mosquitto/mosquitto.db"
    PID = "systemctl show --property=MainPID -- mosquitto.service"
    NAME = "ps -o comm= -p 812"

    def test_a_signal_and_a_new_file(self) -> None:
        machine = FakeMachine(
            {
                self.PID: "MainPID=812\n",
                self.NAME: "mosquitto\n",
                "kill -USR1 812": "",
                self.STAT: ["7 1.0 1.0 47\n", "7 1.0 1.0 47\n", "8 2.0 2.0 20", "8 2.0 2.0 52"],
            }
        )
        way = database_hooks.recipe_for(shift("mosquitto", machine, {}))

        way.quiesce(way.inspect())
        way.resume({})

        assert machine.ran.count(self.STAT) == 5  # the last two looks agree

    def test_a_file_that_never_comes_is_given_up_in_time(self) -> None:
        machine = FakeMachine({"kill -USR1 812": "", self.STAT: ""})
        way = database_hooks.recipe_for(shift("mosquitto", machine, {}))

        with pytest.raises(PauseError, match="persistence true"):
            way.quiesce({"pid": "812", "stamp": ""})

    @pytest.mark.parametrize("pid", ["0", "", "1", "-1", "812 813"])
    def test_a_process_that_cannot_be_is_sent_no_signal(self, pid: str) -> None:
        machine = FakeMachine({self.PID: f"MainPID={pid}\n"})

        with pytest.raises(PauseError, match="not running"):
            database_hooks.recipe_for(shift("mosquitto", machine, {})).inspect()

    def test_a_process_of_another_name_is_sent_no_signal(self) -> None:
        machine = FakeMachine({self.PID: "MainPID=812\n", self.NAME: "postgres\n"})

        with pytest.raises(PauseError, match="not running"):
            database_hooks.recipe_for(shift("mosquitto", machine, {})).inspect()


def test_a_client_that_fails_is_a_failure() -> None:
    machine = FakeMachine({REDIS: failing("Could not connect")})
    way = database_hooks.recipe_for(shift("redis", machine, {"socket": "/run/redis/socket"}))

    with pytest.raises(CommandError, match="Could not connect"):
        way.inspect()
