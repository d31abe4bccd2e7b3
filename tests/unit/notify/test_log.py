from __future__ import annotations

import io

from holdstill.notify.log import LevelLog


def test_under_the_journal_every_line_has_its_level() -> None:
    # Levels and prefixes: sd-daemon(3), after syslog(3).
    stream = io.StringIO()
    lines = LevelLog(stream, environment={"JOURNAL_STREAM": "8:12345"})

    lines.info("sealed")
    lines.warning("one\ntwo")
    lines.error("no capture")

    assert stream.getvalue() == "<6>sealed\n<4>one\n<4>  two\n<3>no capture\n"


def test_elsewhere_there_are_no_levels_and_never_control_characters() -> None:
    stream = io.StringIO()

    LevelLog(stream, environment={}).info("a \x1b[31mred\x1b[0m name")

    assert stream.getvalue() == "a \\x1b[31mred\\x1b[0m name\n"
