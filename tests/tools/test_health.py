"""e2fsprogs writes an error log into a superblock, and says what is in it; we read the same."""

from pathlib import Path

from holdstill.filesystems.ext4 import ext4_superblock
from holdstill.system import byte_source
from support import programs


def test_the_error_log_of_a_superblock_is_what_dumpe2fs_prints(tmp_path: Path) -> None:
    image = tmp_path / "root.img"
    image.write_bytes(bytes(8 << 20))
    programs.run("mkfs.ext4", "-q", "-F", image)
    values = {
        "error_count": "7", "first_error_time": "@1700000000", "first_error_ino": "12",
        "first_error_block": "345", "first_error_func": "ext4_lookup", "first_error_line": "1834",
        "last_error_time": "@1700086400", "last_error_ino": "2", "last_error_block": "77",
        "last_error_func": "ext4_find_entry", "last_error_line": "1455",
    }  # fmt: skip
    for name, value in values.items():
        programs.run("debugfs", "-w", "-R", f"set_super_value {name} {value}", image)
    said = programs.run("dumpe2fs", "-h", image).decode()

    with byte_source.opened(image) as source:
        log = ext4_superblock.read(source).error_log

    assert log.number == 7
    assert log.first == (1_700_000_000, "ext4_lookup", 1834, 12, 345)
    assert log.last == (1_700_086_400, "ext4_find_entry", 1455, 2, 77)
    for words in (("FS Error count:", "7"), ("First error function:", "ext4_lookup"),
                  ("Last error line #:", "1455"), ("Last error inode #:", "2")):  # fmt: skip
        assert any(line.split(":")[0] + ":" == words[0] and line.split()[-1] == words[1]
                   for line in said.splitlines()), words  # fmt: skip


def test_a_new_file_system_has_no_errors(tmp_path: Path) -> None:
    image = tmp_path / "root.img"
    image.write_bytes(bytes(8 << 20))
    programs.run("mkfs.ext4", "-q", "-F", image)

    with byte_source.opened(image) as source:
        assert ext4_superblock.read(source).error_log == (0, None, None)
