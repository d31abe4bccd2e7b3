"""What a person may set on the board and at the keeper; examples in configs/."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import time
from enum import StrEnum
from pathlib import Path

import msgspec

from holdstill.errors import DocumentError, UsageError
from holdstill.model import line_settings, names, strict_yaml
from holdstill.model.layout import Record
from holdstill.model.line_settings import LineSettings
from holdstill.model.sizes import MIB, ByteSize
from holdstill.model.store_address import FolderAddress, StoreAddress

LIMIT = 256 << 10
"""Bytes of a settings file that we are willing to read."""
_TIME = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")
SPOOL = Path("/run/holdstill")
"""The default directory of the spool."""
NOTIFY_URLS = Path("/etc/holdstill/notify_urls")
"""The default file of addresses; it need not be there."""
_STAND_IN = FolderAddress(Path("/"))
"""For an address that is missing or wrong, so that everything else is judged, too."""


class OverBudget(StrEnum):
    """What to do when the pause would be longer than its ceiling."""

    ABANDON = "abandon"
    LOWER_GRADE = "lower-grade"


class Unreadable(StrEnum):
    """What to do about files that the card no longer gives back."""

    REFUSE = "refuse"
    ACCEPT = "accept"


class StoreOnCard(StrEnum):
    """What to do about a store that is on the very disk that is captured."""

    REFUSE = "refuse"
    ACCEPT = "accept"


class Encrypted(StrEnum):
    """What to do about what is encrypted on the card, and would be readable at the keeper."""

    REFUSE = "refuse"
    STORE_IN_CLEAR = "store-in-clear"


class PauseSettings(Record, frozen=True, kw_only=True):
    """How long the board may be held still.

    Attributes:
        target: seconds the frozen span should stay under; hot rounds go on until it fits.
        ceiling: seconds after which the guard thaws in any case.
        rounds: most hot rounds.
        spool_share: most of the free memory that the delta may take.
        over_budget: what to do when it cannot fit.
    """

    target: float = 0.5
    ceiling: float = 5.0
    rounds: int = 5
    spool_share: float = 0.3
    over_budget: OverBudget = OverBudget.ABANDON


class HookHow(StrEnum):
    """How a service is quieted."""

    COMMAND = "command"
    """Run `quiesce` before and `resume` after."""
    STOP = "stop"
    """Stop the systemd unit, start it again."""
    FREEZE = "freeze"
    """Freeze the unit's control group, thaw it again; flushes nothing."""
    CONTAINER = "container"
    """Pause the container, unpause it again; flushes nothing."""
    RECIPE = "recipe"
    """A ready recipe for a known database."""


class Hook(Record, frozen=True, kw_only=True):
    """One service to be quieted for the pause.

    Attributes:
        subject: unit, container or recipe's name, by `how`.
        quiesce, resume: commands for `how: command`, as lists of words.
        settings: of the recipe (such as a socket or a user).
        timeout: seconds for each of the two.
        required: whether the run is abandoned when quiescing fails.
    """

    name: str
    how: HookHow
    subject: str = ""
    quiesce: tuple[str, ...] = ()
    resume: tuple[str, ...] = ()
    settings: dict[str, str] = msgspec.field(default_factory=dict)
    timeout: float = 30.0
    required: bool = True


class Weekday(StrEnum):
    """A day of the week; Monday is first (ISO 8601)."""

    MONDAY = "monday"
    TUESDAY = "tuesday"
    WEDNESDAY = "wednesday"
    THURSDAY = "thursday"
    FRIDAY = "friday"
    SATURDAY = "saturday"
    SUNDAY = "sunday"


class NightlySettings(Record, frozen=True, kw_only=True):
    """When the daemon captures by itself, and how long it tries.

    Attributes:
        time: local time, HH:MM.
        until: local time by which a night ends, whatever is still to be sent; "" for none.
        days: weekdays; none for every day.
        spread_minutes: the run begins up to so much later, by a share that is the board's own.
        settle_minutes: nothing begins sooner after boot.
        clock_minutes: how long to wait for the clock to be set after boot.
        retry_hours: how long to try again while the keeper is away.
        longest_hours: a run that takes longer hangs, and is ended by the watchdog.
        follow_all_day: whether the daemon traces what is written to large files between captures.
    """

    time: str = "02:30"
    until: str = ""
    days: tuple[Weekday, ...] = ()
    spread_minutes: int = 30
    settle_minutes: int = 5
    clock_minutes: int = 10
    retry_hours: float = 6.0
    longest_hours: float = 12.0
    follow_all_day: bool = True


class NotifySettings(Record, frozen=True, kw_only=True):
    """Whom the board tells what.

    Attributes:
        urls_file: addresses for people, one a line, as Apprise writes them; they are secrets.
        silent_days: days without a good capture after which somebody is told.
        summary_days: weekdays of a short summary; none for never.
        metrics_file: a text file for Prometheus; None for none.
    """

    urls_file: Path = NOTIFY_URLS
    silent_days: int = 3
    summary_days: tuple[Weekday, ...] = (Weekday.MONDAY,)
    metrics_file: Path | None = None


class BoardSettings(Record, frozen=True, kw_only=True):
    """The board's settings file.

    Attributes:
        board: the board's name at the keeper.
        keeper: where captures go: a directory, or ssh://user@host[:port].
        root: where the board's root file system is mounted; / unless a card is read elsewhere.
        disks: what is captured: devices, and `auto` for those that the board boots from and that
            its system is on.
        key: the board's SSH and signing key (private part).
        host_keys: the pinned host keys of the keeper (known_hosts format).
        state: what is remembered from capture to capture (the last index; small writes).
        spool: memory that receives the delta in the pause; must be a tmpfs.
        exclude: further paths whose contents stay out; * and ? match as in a shell.
        include: paths that are kept although a default would leave them out.
        leave_out: what a capture need not hold. Words, as a finding of `holdstill inspect` calls
            it: a mount point, a device; * and ? match as in a shell. Numbers: partitions of which
            nothing is captured; a rebuild leaves them empty.
        remount_read_only: whether file systems that cannot be frozen may be made read-only.
        snapshots: whether snapshots in a btrfs that are mounted nowhere are captured as well.
        raw_limit: largest partition without a known file system, or area of an eMMC, that is
            copied as it is.
        unreadable: what to do about unreadable files.
        store_on_card: what to do about a store on the disk that is captured.
        encrypted: what to do about what is in opened encrypted containers.
        full_scan_every: captures between full cross-checks of the change detection.
        never_pause: hooks on these subjects are refused.
        nightly: when the daemon captures by itself.
        line: how much of the line to the keeper it may take.
        notify: whom it tells how that went.
    """

    board: str
    keeper: StoreAddress
    root: Path = Path("/")
    disks: tuple[str, ...] = ("auto",)
    key: Path = Path("/etc/holdstill/board_ed25519")
    host_keys: Path = Path("/etc/holdstill/keeper_host_keys")
    state: Path = Path("/var/lib/holdstill")
    spool: Path = SPOOL
    exclude: tuple[str, ...] = ()
    include: tuple[str, ...] = ()
    leave_out: tuple[int | str, ...] = ()
    remount_read_only: bool = True
    snapshots: bool = False
    raw_limit: ByteSize = ByteSize(64 * MIB)
    unreadable: Unreadable = Unreadable.REFUSE
    store_on_card: StoreOnCard = StoreOnCard.REFUSE
    encrypted: Encrypted = Encrypted.REFUSE
    full_scan_every: int = 14
    pause: PauseSettings = PauseSettings()
    hooks: tuple[Hook, ...] = ()
    never_pause: tuple[str, ...] = ()
    nightly: NightlySettings = NightlySettings()
    line: LineSettings = LineSettings()
    notify: NotifySettings = NotifySettings()


class WatchSettings(Record, frozen=True, kw_only=True):
    """Whom the keeper tells when boards fall silent.

    Attributes:
        urls_file: addresses for people, one a line, as Apprise writes them; they are secrets.
        silent_days: days without a good capture after which somebody is told.
        silent_days_of: the same for single boards.
        metrics_file: a text file for Prometheus; None for none.
    """

    urls_file: Path = NOTIFY_URLS
    silent_days: int = 3
    silent_days_of: dict[str, int] = msgspec.field(default_factory=dict)
    metrics_file: Path | None = None


class Retention(Record, frozen=True, kw_only=True):
    """How many captures stay: the newest of each of the last so many days, weeks and so on."""

    days: int = 7
    weeks: int = 4
    months: int = 12
    years: int = 2
    at_least: int = 3


class BoardLimits(Record, frozen=True, kw_only=True):
    """What one board may take.

    Attributes:
        bytes_per_day, inodes_per_day: 0 for the keeper's daily_share.
        bytes_per_run: between two captures; 0 is no limit.
        hashed_per_day: bytes that the keeper reads to check them; 0 is no limit.
        captures_per_day: sealed ones; 0 is no limit.
        entries: of one capture.
    """

    bytes_per_day: ByteSize = ByteSize(0)
    inodes_per_day: int = 0
    bytes_per_run: ByteSize = ByteSize(0)
    hashed_per_day: ByteSize = ByteSize(1 << 40)
    captures_per_day: int = 100
    entries: int = 5_000_000


class OwnLimits(Record, frozen=True, kw_only=True):
    """What one board may take, where it is not as for all boards; as in `BoardLimits`."""

    bytes_per_day: ByteSize | None = None
    inodes_per_day: int | None = None
    bytes_per_run: ByteSize | None = None
    hashed_per_day: ByteSize | None = None
    captures_per_day: int | None = None
    entries: int | None = None


class KeeperSettings(Record, frozen=True, kw_only=True):
    """The keeper's settings file.

    Attributes:
        store: the directory that holds everything.
        min_free, min_free_inodes: space and inodes that no board may eat into.
        daily_share: of what is free above that, what one board may take in a day.
        share_between_boards: whether a board that proves to have a content of another one need
            not send it; if not, it never learns that another one has it.
        trash_days: how long contents that no capture needs rest before they are deleted.
        latest_tree: whether each board's newest capture is kept as a tree to look at.
        notify: whom to tell when boards fall silent.
        groups: boards that are looked at together, by the group's name.
    """

    store: Path
    min_free: ByteSize = ByteSize(256 * MIB)
    min_free_inodes: int = 10_000
    daily_share: float = 0.5
    share_between_boards: bool = True
    trash_days: float = 3.0
    latest_tree: bool = True
    retention: Retention = Retention()
    limits: BoardLimits = BoardLimits()
    notify: WatchSettings = WatchSettings()
    groups: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)


def decode_board_settings(data: bytes, name: str = "board settings") -> BoardSettings:
    """Read the board's settings.

    Raises:
        DocumentError: every problem, each with its key path.
    """
    return strict_yaml.decode_checked(
        strict_yaml.load_yaml(data, name, limit=LIMIT), BoardSettings, name,
        check=_board_problems, stand_ins={"board": "board", "keeper": str(_STAND_IN)},
    )  # fmt: skip


def keeper_store(data: bytes, name: str = "keeper settings") -> Path:
    """Return the store that the keeper's settings name, whatever is wrong with the rest.

    Raises:
        DocumentError: nobody can tell.
    """
    with suppress(DocumentError):
        document = strict_yaml.load_yaml(data, name, limit=LIMIT)
        if isinstance(document, dict) and isinstance(document.get("store"), str):
            return _keeper_part(document, name, "store").store
    return decode_keeper_settings(data, name).store


def keeper_notify(data: bytes, name: str = "keeper settings") -> KeeperSettings:
    """Return store and `notify` of the keeper's settings, defaults for the rest.

    Raises:
        DocumentError: these have problems themselves.
    """
    document = strict_yaml.load_yaml(data, name, limit=LIMIT)
    if not isinstance(document, dict):
        raise DocumentError(name, ["it has no keys"])
    return _keeper_part(document, name, "store", "notify")


def _keeper_part(document: dict[object, object], name: str, *keys: str) -> KeeperSettings:
    part = {key: document[key] for key in keys if key in document}
    return strict_yaml.decode_checked(
        part, KeeperSettings, name, check=_keeper_problems, stand_ins={"store": "/"}
    )


def decode_keeper_settings(data: bytes, name: str = "keeper settings") -> KeeperSettings:
    """Read the keeper's settings.

    Raises:
        DocumentError: every problem, each with its key path.
    """
    return strict_yaml.decode_checked(
        strict_yaml.load_yaml(data, name, limit=LIMIT), KeeperSettings, name,
        check=_keeper_problems, stand_ins={"store": "/"},
    )  # fmt: skip


def negative(key: str, found: Retention | BoardLimits | OwnLimits | None) -> list[str]:
    """Return a problem for each number in a part of a document that is below zero."""
    if found is None:
        return []
    return [
        f"{key}.{name}: must not be negative"
        for name, value in msgspec.structs.asdict(found).items()
        if value is not None and value < 0
    ]


def _keeper_problems(settings: KeeperSettings) -> list[str]:
    problems = negative("retention", settings.retention)
    if not 0 < settings.daily_share <= 1:
        problems.append("daily_share: must be above 0 and at most 1")
    if 0 < settings.min_free < MIB:
        few = int(settings.min_free)
        problems.append(f"min_free: {few} is {few} bytes; write {few}M if that is meant, or 0")
    if settings.min_free_inodes < 0:
        problems.append("min_free_inodes: must not be negative")
    problems += negative("limits", settings.limits)
    if not 0 <= settings.trash_days <= 365:
        problems.append("trash_days: must be from 0 to 365")
    problems += _metrics_problems(settings.notify.metrics_file)
    days = {"silent_days": settings.notify.silent_days} | {
        f"silent_days_of.{board}": value for board, value in settings.notify.silent_days_of.items()
    }
    problems += [f"notify.{key}: must be 1 or more" for key, value in days.items() if value < 1]
    return problems


def _board_problems(settings: BoardSettings) -> list[str]:
    problems = []
    try:
        names.check_board(settings.board)
    except UsageError as error:
        problems.append(f"board: {error}")
    problems += _pause_problems(settings.pause)
    problems += _nightly_problems(settings.nightly)
    problems += line_settings.problems(settings.line)
    is_folder = isinstance(settings.keeper, FolderAddress) and settings.keeper != _STAND_IN
    if is_folder and settings.line.is_limited:
        problems.append("line: limits what goes over SSH, and `keeper` is a directory")
    problems += _notify_problems(settings.notify, settings.nightly.days)
    if settings.full_scan_every < 1:
        problems.append("full_scan_every: must be 1 or more")
    for number, hook in enumerate(settings.hooks):
        problems += _hook_problems(hook, f"hooks[{number}]", settings.never_pause)
    return problems


def _pause_problems(pause: PauseSettings) -> list[str]:
    problems = []
    if not 0 < pause.target <= pause.ceiling:
        problems.append("pause.target: must be above 0 and not above pause.ceiling")
    if not 0 < pause.ceiling <= 10:
        problems.append("pause.ceiling: must be above 0 and at most 10 seconds")
    if not 0 < pause.spool_share <= 0.8:
        problems.append("pause.spool_share: must be above 0 and at most 0.8")
    if pause.rounds < 1:
        problems.append("pause.rounds: must be 1 or more")
    return problems


def _nightly_problems(nightly: NightlySettings) -> list[str]:
    problems = []
    if _TIME.fullmatch(nightly.time) is None:
        problems.append("nightly.time: must be a time such as 02:30, from 00:00 to 23:59")
    elif nightly.until:
        problems += _until_problems(nightly)
    if len(set(nightly.days)) != len(nightly.days):
        problems.append("nightly.days: names a day twice")
    limits = {"spread_minutes": 720, "settle_minutes": 720, "clock_minutes": 720}
    for key, most in limits.items():
        if not 0 <= getattr(nightly, key) <= most:
            problems.append(f"nightly.{key}: must be from 0 to {most}")
    if not 0 <= nightly.retry_hours <= 20:
        problems.append("nightly.retry_hours: must be from 0 to 20")
    if not 0 < nightly.longest_hours <= 168:
        problems.append("nightly.longest_hours: must be above 0 and at most 168")
    return problems


def _until_problems(nightly: NightlySettings) -> list[str]:
    if _TIME.fullmatch(nightly.until) is None:
        return ["nightly.until: must be a time such as 06:00, from 00:00 to 23:59"]
    begin, end = (
        time.fromisoformat(text).hour * 60 + time.fromisoformat(text).minute
        for text in (nightly.time, nightly.until)
    )
    if (end - begin) % (24 * 60) > nightly.spread_minutes:
        return []
    return ["nightly.until: must be later than nightly.time and its spread_minutes"]


def _notify_problems(notify: NotifySettings, days: tuple[Weekday, ...]) -> list[str]:
    problems = _metrics_problems(notify.metrics_file)
    gap = longest_gap(days)
    if notify.silent_days <= gap:
        problems.append(
            f"notify.silent_days: must be more than the {gap} day{'s' if gap > 1 else ''} "
            "between two runs, or every pause between them is told as silence"
        )
    return problems


def longest_gap(days: tuple[Weekday, ...]) -> int:
    """Return the most days from one of these weekdays to the next; none stands for all."""
    numbers = sorted({list(Weekday).index(day) for day in days} or range(7))
    following = [*numbers[1:], numbers[0] + 7]
    return max(after - before for before, after in zip(numbers, following, strict=True))


def _metrics_problems(metrics_file: Path | None) -> list[str]:
    if metrics_file is None or metrics_file.suffix == ".prom":
        return []
    # Its textfile collector reads *.prom only.
    return ["notify.metrics_file: must end in .prom, or Prometheus' node exporter skips it"]


def _hook_problems(hook: Hook, path: str, never: tuple[str, ...]) -> list[str]:
    problems = []
    if hook.how is HookHow.COMMAND and not hook.quiesce and not hook.resume:
        problems.append(f"{path}: needs `quiesce` or `resume`, each a list of words")
    if hook.how is not HookHow.COMMAND and not hook.subject:
        problems.append(f"{path}.subject: missing")
    if hook.timeout <= 0:
        problems.append(f"{path}.timeout: must be above 0")
    if {hook.name, hook.subject} & set(never):
        problems.append(
            f"{path}: never_pause names it. What controls heat, motion, locks or alarms must "
            "not be paused by a copying tool; ask whoever is responsible for it"
        )
    return problems
