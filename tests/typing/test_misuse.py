"""Programs that the type checker must reject: misuse of holdstill that never gets to run.

Each has a right twin that differs in one line, so that a program is rejected for that line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from mypy import api

TOP = Path(__file__).parents[2]
COMPLAINT = re.compile(r"^.*/(\w+)\.py:\d+: error: (.*)$")


@dataclass(frozen=True)
class Misuse:
    """A program with one line in two versions, and what the type checker says to the wrong one."""

    name: str
    setting: str
    wrong: str
    right: str
    complaint: str

    def program(self, line: str) -> str:
        """Return the whole program with this version of the line."""
        return f"{self.setting}\n{line}\n"


MISUSES = [
    Misuse(
        "a_path_on_the_board_is_not_opened_here",
        "from holdstill.model.paths import BoardPath\npath = BoardPath(b'/etc/fstab')",
        "open(path, 'rb').close()",
        "open(path.raw, 'rb').close()",
        "[call-overload]",
    ),
    Misuse(
        "a_path_on_the_board_is_no_path_here",
        "from pathlib import Path\nfrom holdstill.model.paths import BoardPath",
        "here = Path(BoardPath(b'/etc'))",
        "here = Path(str(BoardPath(b'/etc')))",
        "[arg-type]",
    ),
    Misuse(
        "sectors_are_not_bytes",
        "from holdstill.model.sizes import Bytes, Sectors\nstart = Sectors(2048)",
        "offset: Bytes = start",
        "offset = Bytes(start * 512)",
        "[assignment]",
    ),
    Misuse(
        "a_plain_number_has_no_unit",
        "from holdstill.model.sizes import Bytes",
        "size: Bytes = 512",
        "size: Bytes = Bytes(512)",
        "[assignment]",
    ),
    Misuse(
        "a_command_is_not_a_line_of_text",
        "from holdstill.system.process import Command, LocalRunner",
        "LocalRunner().run('umount /mnt')",
        "LocalRunner().run(Command.of('umount', '/mnt'))",
        "[arg-type]",
    ),
    Misuse(
        "what_a_command_reads_is_named_at_the_call",
        "from holdstill.system.process import Command, LocalRunner",
        "LocalRunner().run(Command.of('cat'), b'reading')",
        "LocalRunner().run(Command.of('cat'), stdin=b'reading')",
        "[call-arg]",
    ),
    Misuse(
        "a_path_on_the_board_is_no_word_of_a_command_here",
        "from holdstill.model.paths import BoardPath\n"
        "from holdstill.system.process import Command\n"
        "path = BoardPath(b'/var')",
        "Command.of('fsfreeze', path)",
        "Command.of('fsfreeze', str(path))",
        "[arg-type]",
    ),
    Misuse(
        "names_are_bytes",
        "from holdstill.model.entries import Entry, EntryType",
        "Entry(directory='etc', name=b'fstab', type=EntryType.FILE)",
        "Entry(directory=b'etc', name=b'fstab', type=EntryType.FILE)",
        "[arg-type]",
    ),
    Misuse(
        "a_partition_is_not_changed",
        "from holdstill.model.layout import Partition\n"
        "root = Partition(number=2, start=8, size=8, type='83')",
        "root.size = 16",
        "grown = Partition(number=2, start=8, size=16, type='83')",
        "[misc]",
    ),
    Misuse(
        "a_type_of_file_system_that_is_forgotten_is_noticed",
        "from holdstill.model import layout\n"
        "def journal(fs: layout.Ext4 | layout.Fat) -> None:\n"
        "    match fs:\n"
        "        case layout.Ext4():\n"
        "            print(fs.journal_blocks)",
        "        # and the other?",
        "        case layout.Fat():\n            print('none')",
        "[exhaustive-match]",
    ),
]


@pytest.fixture(scope="module")
def complaints(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """Check all programs at once; return what is said of each, by the program's name."""
    folder = tmp_path_factory.mktemp("programs")
    for misuse in MISUSES:
        for version in ("wrong", "right"):
            program = misuse.program(getattr(misuse, version))
            (folder / f"{version}_{misuse.name}.py").write_text(program, encoding="utf-8")
    out, err, status = api.run(
        [
            f"--config-file={TOP / 'pyproject.toml'}",
            f"--cache-dir={folder / 'cache'}",
            *map(str, sorted(folder.glob("*.py"))),
        ]
    )
    assert status == 1, out + err  # 1: complaints; 2: it could not check
    found = [match.groups() for match in map(COMPLAINT.match, out.splitlines()) if match]
    return {name: [text for other, text in found if other == name] for name, _ in found}


@pytest.mark.timeout(120)
@pytest.mark.parametrize("misuse", [pytest.param(misuse, id=misuse.name) for misuse in MISUSES])
def test_the_type_checker_rejects(misuse: Misuse, complaints: dict[str, list[str]]) -> None:
    said = complaints.get(f"wrong_{misuse.name}", [])

    assert said
    assert all(misuse.complaint in text for text in said)


@pytest.mark.timeout(120)
@pytest.mark.parametrize("misuse", [pytest.param(misuse, id=misuse.name) for misuse in MISUSES])
def test_the_type_checker_accepts_the_right_twin(
    misuse: Misuse, complaints: dict[str, list[str]]
) -> None:
    assert f"right_{misuse.name}" not in complaints
