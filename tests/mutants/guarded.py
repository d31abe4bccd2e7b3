"""What guards lives and data, module by module; a module may be several files."""

from __future__ import annotations

from pathlib import Path

_NAMES: dict[str, tuple[str, ...]] = {
    "sealing": ("keeper/sealing.py", "keeper/possession.py"),
    "incoming": ("keeper/incoming.py", "keeper/receiving.py", "keeper/open_run.py"),
    "thin": ("keeper/thin.py", "keeper/garbage.py", "keeper/references.py", "keeper/trash.py"),
    "retention": ("keeper/retention.py",),
    "words": ("keeper/forced_command.py", "keeper/refused_commands.py"),
    "quota": ("keeper/account.py", "keeper/account_captures.py"),
    "ledger": ("keeper/ledger.py",),
    "delta": ("board/index_delta.py", "board/full_scan.py", "board/change_detection.py"),
    "guard": ("board/guard.py", "board/freeze_state.py"),
    "vigil": ("board/guard_process.py",),
    "freeze": ("board/freeze.py", "board/freeze_order.py"),
    "hooks": ("board/hooks.py", "board/service_hooks.py"),
    "claims": ("rebuild/device_safety.py", "rebuild/block_device.py", "rebuild/rebuild_target.py"),
    "fitting": ("rebuild/partition_layout.py",),
    "planner": ("rebuild/planner.py", "rebuild/disk_choice.py"),
    "fixups": (
        "rebuild/sibling_changes.py",
        "rebuild/new_identity.py",
        "rebuild/host_identity.py",
        "rebuild/fstab_references.py",
        "rebuild/reference_changes.py",
        "rebuild/small_files.py",
    ),
    "index": (
        "records/index_check.py",
        "records/index_file.py",
        "records/index_queries.py",
        "records/index_rows.py",
        "records/index_schema.py",
        "records/index_series.py",
        "records/assembled.py",
        "records/capture_contents.py",
    ),
    "paths": ("model/paths.py",),
    "verify": ("verify/store_check.py", "verify/verified_cache.py"),
    "areas": ("disks/emmc_areas.py", "rebuild/boot_areas.py", "board/boot_areas.py"),
    "bulk": ("transport/rsync.py",),
    "nights": ("schedule/calendar.py", "schedule/due_nights.py", "schedule/retry.py"),
}

MODULES = {module: tuple(map(Path, names)) for module, names in _NAMES.items()}
"""Files by module, below agent/holdstill."""


def files_of(word: str) -> tuple[Path, ...]:
    """Return the files of a module; a word that names none is a file itself."""
    return MODULES.get(word, (Path(word),))
