"""Log the tide at pier-3. This very file is on the demonstration's boards and runs there.

One reading goes, in this order, into a SQLite database (WAL), a rotated text log, two counters
in different directories and, now and then, a calibration file that is replaced by rename. A copy
of one instant therefore holds: database >= log >= leading >= trailing, none more than one apart.
A program that copies the files one after another while this runs sees the order broken.

It uses the standard library only, as a board's own service would: nothing of holdstill.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import signal
import sqlite3
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

DATABASE = Path("var/lib/tide-gauge/readings.sqlite")
LOG = Path("var/log/tide-gauge/gauge.log")
LEADING = Path("var/lib/tide-gauge/leading")
# Any copier that goes by name comes here well before it comes to LEADING.
TRAILING = Path("srv/tide-gauge/trailing")
CALIBRATION = Path("etc/tide-gauge/calibration.json")
LINES_PER_LOG = 500
LOGS_KEPT = 5
READINGS_PER_CALIBRATION = 7
PORT = 4750

HIGHEST_MM = 1500
"""Of the tide, above and below the mean."""
CLASSES = 60
"""Of levels, for the statistics of the newest readings: 50 mm each."""
NEWEST = 1200
"""Readings that are in the statistics; at first as many made-up ones, the same in each class."""

SCHEMA = """
CREATE TABLE IF NOT EXISTS reading (
    seq INTEGER PRIMARY KEY, taken_ns INTEGER NOT NULL, level_mm INTEGER NOT NULL);
CREATE INDEX IF NOT EXISTS by_level ON reading (level_mm);
CREATE TABLE IF NOT EXISTS total (
    id INTEGER PRIMARY KEY CHECK (id = 1), readings INTEGER NOT NULL, sum_mm INTEGER NOT NULL);
INSERT OR IGNORE INTO total VALUES (1, 0, 0);
CREATE TABLE IF NOT EXISTS class (number INTEGER PRIMARY KEY, readings INTEGER NOT NULL);
"""


def open_database(root: Path) -> sqlite3.Connection:
    """Open the readings below root, new ones if there are none."""
    for path in (DATABASE, LOG, TRAILING, CALIBRATION):
        (root / path).parent.mkdir(parents=True, exist_ok=True)
    database = sqlite3.connect(root / DATABASE, isolation_level=None)
    database.execute("PRAGMA journal_mode=WAL")
    database.execute("PRAGMA synchronous=NORMAL")
    database.executescript(SCHEMA)
    made_up = [(number, NEWEST // CLASSES) for number in range(CLASSES)]
    database.executemany("INSERT OR IGNORE INTO class VALUES (?, ?)", made_up)
    return database


def tide(now_ns: int) -> int:
    """Return the height in millimetres: a lunar tide of 12.42 hours and 3 metres."""
    return round(HIGHEST_MM * math.sin(2 * math.pi * now_ns / (12.42 * 3600e9)))


def class_of(level_mm: int) -> int:
    """Return the number of the class that a level belongs to."""
    return min((level_mm + HIGHEST_MM) * CLASSES // (2 * HIGHEST_MM), CLASSES - 1)


class Gauge:
    """Takes readings and keeps every file in the stated order."""

    def __init__(self, root: Path, database: sqlite3.Connection) -> None:
        self._root = root
        self._database = database
        self._seq: int = database.execute("SELECT readings FROM total").fetchone()[0]
        self._lines = 0
        self._log = self._open_log()
        self._counters = [
            os.open(root / path, os.O_WRONLY | os.O_CREAT, 0o644) for path in (LEADING, TRAILING)
        ]
        self.newest = b""
        if not (root / CALIBRATION).exists():
            self._calibrate()

    def take(self) -> None:
        """Take one reading."""
        self._seq += 1
        now = time.time_ns()
        level = tide(now)
        run = self._database.execute
        run("BEGIN IMMEDIATE")
        run("INSERT INTO reading VALUES (?, ?, ?)", (self._seq, now, level))
        run("UPDATE total SET readings = readings + 1, sum_mm = sum_mm + ?", (level,))
        run("UPDATE class SET readings = readings - 1 WHERE number = ?", (self._oldest_class(),))
        run("UPDATE class SET readings = readings + 1 WHERE number = ?", (class_of(level),))
        run("COMMIT")
        if self._lines >= LINES_PER_LOG:
            os.close(self._log)
            rotate(self._root / LOG)
            self._log, self._lines = self._open_log(), 0
        # One write call a line: a copy of one instant holds whole lines only.
        os.write(self._log, b"%d %d %d mm\n" % (self._seq, now, level))
        self._lines += 1
        for counter in self._counters:
            os.pwrite(counter, b"%020d\n" % self._seq, 0)
            os.fsync(counter)
        if self._seq % READINGS_PER_CALIBRATION == 0:
            self._calibrate()
        reading = {"seq": self._seq, "taken_ns": now, "level_mm": level}
        self.newest = json.dumps(reading).encode()

    def _oldest_class(self) -> int:
        """Return the class of the reading that the newest one pushes out of the statistics."""
        oldest = self._seq - NEWEST
        if oldest < 1:  # a made-up one
            return self._seq % CLASSES
        sought = "SELECT level_mm FROM reading WHERE seq = ?"
        return class_of(self._database.execute(sought, (oldest,)).fetchone()[0])

    def _open_log(self) -> int:
        return os.open(self._root / LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o640)

    def _calibrate(self) -> None:
        target = self._root / CALIBRATION
        draft = target.with_suffix(".draft")
        with draft.open("w", encoding="ascii") as file:
            json.dump({"seq": self._seq, "datum_mm": 4 * self._seq, "check": 5 * self._seq}, file)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(target)


def rotate(log: Path) -> None:
    """Give every old log the next number; the oldest one is lost."""
    for number in range(LOGS_KEPT, 0, -1):
        newer = log if number == 1 else log.with_name(f"{log.name}.{number - 1}")
        if newer.exists():
            newer.replace(log.with_name(f"{log.name}.{number}"))


class ReadingHandler(BaseHTTPRequestHandler):
    """Serves the newest reading over HTTP."""

    gauge: Gauge

    def do_GET(self) -> None:
        """Answer a request."""
        newest = self.gauge.newest + b"\n"
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(newest)))
        self.end_headers()
        self.wfile.write(newest)

    def log_message(self, *_: object) -> None:
        """Print nothing; the gauge has its own log."""


def serve(gauge: Gauge, port: int) -> None:
    """Answer on a loopback port until this process ends."""
    ReadingHandler.gauge = gauge
    server = ThreadingHTTPServer(("127.0.0.1", port), ReadingHandler)
    threading.Thread(target=server.serve_forever, daemon=True).start()


def main() -> None:
    """Take readings until a signal to stop."""
    words = argparse.ArgumentParser(description="the tide gauge of pier-3")
    words.add_argument("seconds", type=float, help="between two readings")
    words.add_argument("--root", type=Path, default=Path("/"), help="of the board")
    words.add_argument("--port", type=int, default=PORT, help="to answer on")
    chosen = words.parse_args()
    gauge = Gauge(chosen.root, open_database(chosen.root))
    gauge.take()
    serve(gauge, chosen.port)
    # Being stopped ends the loop, never a reading half-way.
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    while not stopping.wait(chosen.seconds):
        gauge.take()


if __name__ == "__main__":
    main()
