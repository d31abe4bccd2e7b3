"""Log the tide at pier-3 as the board's own service does.

One reading goes, in this order, into a SQLite database (WAL), a rotated text log, two counters
in different directories and, now and then, a calibration file replaced by rename. A copy of one
instant therefore holds: database >= log >= leading >= trailing, none more than one apart. A
program that reads the files one after another while this runs sees the order broken.
"""

from __future__ import annotations

import json
import math
import os
import signal
import socketserver
import sqlite3
import sys
import threading
import time
from pathlib import Path

DATABASE = Path("/var/lib/tide-gauge/readings.sqlite")
LOG = Path("/var/log/tide-gauge/gauge.log")
LEADING = Path("/var/lib/tide-gauge/leading")
TRAILING = Path("/srv/tide-gauge/trailing")
CALIBRATION = Path("/etc/tide-gauge/calibration.json")
LINES_PER_LOG = 500
LOGS_KEPT = 5
READINGS_PER_CALIBRATION = 7
PORT = 4750

SCHEMA = """
CREATE TABLE IF NOT EXISTS reading (
    seq INTEGER PRIMARY KEY, taken_ns INTEGER NOT NULL, level_mm INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS total (
    id INTEGER PRIMARY KEY CHECK (id = 1), readings INTEGER NOT NULL, sum_mm INTEGER NOT NULL);
INSERT OR IGNORE INTO total VALUES (1, 0, 0);
"""


def open_database() -> sqlite3.Connection:
    for directory in (DATABASE.parent, LOG.parent, TRAILING.parent, CALIBRATION.parent):
        directory.mkdir(parents=True, exist_ok=True)
    database = sqlite3.connect(DATABASE, isolation_level=None)
    database.execute("PRAGMA journal_mode=WAL")
    database.execute("PRAGMA synchronous=NORMAL")
    database.executescript(SCHEMA)
    return database


def tide(now_ns: int) -> int:
    """Return the height in millimetres: a lunar tide of 12.42 hours and 3 metres."""
    return round(1500 * math.sin(2 * math.pi * now_ns / (12.42 * 3600e9)))


class Gauge:
    """Take readings and keep every file in the stated order."""

    def __init__(self, database: sqlite3.Connection) -> None:
        self.database = database
        self.seq: int = database.execute("SELECT readings FROM total").fetchone()[0]
        self.newest = b""
        self.lines = 0
        self.log = open_log()
        self.counters = [
            os.open(path, os.O_WRONLY | os.O_CREAT, 0o644) for path in (LEADING, TRAILING)
        ]

    def take(self) -> None:
        self.seq += 1
        now = time.time_ns()
        level = tide(now)
        self.store(now, level)
        self.write_line(now, level)
        for counter in self.counters:
            os.pwrite(counter, b"%020d\n" % self.seq, 0)
        if self.seq % READINGS_PER_CALIBRATION == 0:
            calibrate(self.seq)
        self.newest = json.dumps({"seq": self.seq, "taken_ns": now, "level_mm": level}).encode()

    def store(self, now: int, level: int) -> None:
        self.database.execute("BEGIN IMMEDIATE")
        self.database.execute("INSERT INTO reading VALUES (?, ?, ?)", (self.seq, now, level))
        self.database.execute(
            "UPDATE total SET readings = readings + 1, sum_mm = sum_mm + ?", (level,)
        )
        self.database.execute("COMMIT")

    def write_line(self, now: int, level: int) -> None:
        if self.lines >= LINES_PER_LOG:
            os.close(self.log)
            rotate()
            self.log, self.lines = open_log(), 0
        # One write call a line: a copy of one instant holds whole lines only.
        os.write(self.log, b"%d %d %d mm\n" % (self.seq, now, level))
        self.lines += 1


def open_log() -> int:
    return os.open(LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o640)


def rotate() -> None:
    for number in range(LOGS_KEPT, 0, -1):
        newer = LOG if number == 1 else LOG.with_name(f"gauge.log.{number - 1}")
        if newer.exists():
            newer.replace(LOG.with_name(f"gauge.log.{number}"))


def calibrate(seq: int) -> None:
    draft = CALIBRATION.with_suffix(".draft")
    with draft.open("w", encoding="ascii") as file:
        json.dump({"seq": seq, "datum_mm": 4 * seq, "check": 5 * seq}, file)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(CALIBRATION)


class Answer(socketserver.BaseRequestHandler):
    """Tell whoever connects the newest reading."""

    gauge: Gauge

    def handle(self) -> None:
        self.request.sendall(self.gauge.newest + b"\n")


class Server(socketserver.TCPServer):
    """Listen where the old one listened, also right after a restart."""

    allow_reuse_address = True


def serve(gauge: Gauge) -> None:
    Answer.gauge = gauge
    server = Server(("127.0.0.1", PORT), Answer)
    threading.Thread(target=server.serve_forever, daemon=True).start()


def main(seconds: float) -> None:
    gauge = Gauge(open_database())
    gauge.take()
    serve(gauge)
    # Being stopped ends the loop, never a reading half-way.
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    while not stopping.wait(seconds):
        gauge.take()


if __name__ == "__main__":
    main(float(sys.argv[1]))
