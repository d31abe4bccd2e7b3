"""A board in a simulated world: its clocks, its power, its keeper, and the people it tells.

The daemon in it is the real one; so is everything that decides. Only what touches the outside is
made here: time, the capture, the wire to people, the files.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import msgspec

from holdstill.daemon.dependencies import DaemonDependencies
from holdstill.daemon.nightly_daemon import Nightly
from holdstill.errors import LinkError
from holdstill.model import settings as model_settings
from holdstill.model.nightly_state import DaemonStatus, Message, NightlyState, Phase
from holdstill.notify.notifier import Notifier
from holdstill.schedule.due_nights import DueNights
from holdstill.workflow.attempt import AttemptRunner
from holdstill.workflow.capture_report import CaptureReport

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import tzinfo

    from holdstill.model.finding import Finding
    from holdstill.model.nightly_state import RunOutcome
    from holdstill.workflow.ports import Progress

BERLIN = ZoneInfo("Europe/Berlin")
SETTINGS = "board: pier-3\nkeeper: ssh://keeper@boathouse\n"
NO_SPREAD = "nightly: {spread_minutes: 0}\n"
LINE = "the keeper does not answer"


class PowerCut(BaseException):
    """The board lost its power."""


@dataclass(frozen=True)
class Span:
    """A stretch of true time."""

    start: datetime
    end: datetime

    @classmethod
    def of(cls, start: str, end: str, zone: tzinfo = BERLIN) -> Span:
        """Read a span from local times."""
        ends = [datetime.fromisoformat(text).replace(tzinfo=zone) for text in (start, end)]
        return cls(*(moment.astimezone(UTC) for moment in ends))

    def __contains__(self, moment: datetime) -> bool:
        return self.start <= moment < self.end


@dataclass
class World:
    """True time, and the two clocks of a board in it.

    Attributes:
        true: what a perfect clock would show.
        error: what the board's wall clock shows more.
        sets_clock_after: seconds after boot until the network has set the wall clock.
    """

    true: datetime
    power_cuts: list[Span] = field(default_factory=list)
    error: timedelta = timedelta()
    booted: datetime = field(init=False)
    sets_clock_after: float = 0.0

    def __post_init__(self) -> None:
        self.booted = self.true

    def monotonic(self) -> float:
        return (self.true - self.booted).total_seconds()

    def now(self) -> datetime:
        return self.true + self.error

    def sleep(self, seconds: float) -> None:
        assert seconds > 0, "a rest of nothing would spin"
        until = self.true + timedelta(seconds=seconds)
        for cut in self.power_cuts:
            if self.true < cut.start <= until:
                self.true = cut.start
                raise PowerCut
        self.true = until

    def boot(self, moment: datetime, *, error: timedelta = timedelta()) -> None:
        """Start the board at a moment of true time, its wall clock being so wrong."""
        self.true = self.booted = moment
        self.error = error

    def is_trusted(self) -> bool:
        if self.monotonic() < self.sets_clock_after:
            return False
        self.error = timedelta()
        return True


@dataclass
class Place:
    """Where the board is: its time zone."""

    world: World
    here: tzinfo = BERLIN

    def is_trusted(self) -> bool:
        return self.world.is_trusted()

    def zone(self) -> tzinfo:
        return self.here


@dataclass
class Keeper:
    """Takes captures, except while it is away."""

    world: World
    away: list[Span] = field(default_factory=list)
    seconds: float = 600.0
    warnings: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    began: list[datetime] = field(default_factory=list)
    sealed: list[datetime] = field(default_factory=list)
    fails_with: Callable[[], Exception | None] = lambda: None
    to_send: float = 0.0
    """Seconds of sending before a capture can be sealed; what was sent stays, whatever comes."""
    check_time: Callable[[], None] = lambda: None
    each_minute: Callable[[], None] = lambda: None

    def capture(self, tell: Progress) -> CaptureReport:
        self.began.append(self.world.true)
        tell.step("asking the keeper")
        failure = self.fails_with()
        if failure is not None:
            raise failure
        if any(self.world.true in span for span in self.away):
            self.world.sleep(20.0)
            raise LinkError(LINE, hint="check the network")
        while self.to_send > 0:
            self.check_time()
            self.world.sleep(60.0)
            self.to_send -= 60.0
            self.each_minute()
        self.world.sleep(self.seconds)
        self.sealed.append(self.world.true)
        told = report(len(self.sealed), self.world.true, self.warnings)
        return msgspec.structs.replace(told, findings=self.findings)


def report(number: int, moment: datetime, warnings: tuple[str, ...] = ()) -> CaptureReport:
    """Return the report of a capture."""
    return CaptureReport(
        board="pier-3", name=f"{number:06d}-{moment:%Y%m%dT%H%M%SZ}", seq=number, parts=(),
        frozen_ms=97.0, window_ms=120.0, rounds=2, spool_bytes=1 << 20, hashed_bytes=1 << 24,
        wire_bytes=1 << 22, new_bytes=1 << 21, seconds=600.0, warnings=warnings,
    )  # fmt: skip


@dataclass
class Crowd:
    """Two people; letters reach them unless their network is away."""

    world: World
    away: list[Span] = field(default_factory=list)
    who: tuple[str, ...] = ("harbour-master", "lamp-keeper")
    got: list[tuple[datetime, str, Message]] = field(default_factory=list)

    def names(self) -> tuple[str, ...]:
        return self.who

    def complaint(self) -> str:
        return ""

    def send(self, letter: Message) -> tuple[str, ...]:
        if any(self.world.true in span for span in self.away):
            return ()
        self.got += [(self.world.true, who, letter) for who in letter.to]
        return letter.to

    @property
    def letters(self) -> list[Message]:
        """What the first of them got, in order."""
        return [letter for _, who, letter in self.got if who == self.who[0]]


@dataclass
class Readiness:
    """Whether it is a good moment."""

    packages: Callable[[], str] = lambda: ""
    bits: int = 0
    errors: tuple[str, ...] = ()
    asked_since: list[float] = field(default_factory=list)

    def package_manager(self) -> str:
        return self.packages()

    def power(self) -> int:
        return self.bits

    def card_errors(self, since: float) -> tuple[str, ...]:
        self.asked_since.append(since)
        return self.errors


@dataclass
class Shelf:
    """The state's place: it survives power cuts, and counts how often it was written."""

    nightly_state: NightlyState = field(default_factory=NightlyState)
    writes: int = 0
    fails: bool = False

    def load(self) -> NightlyState:
        return self.nightly_state

    def save(self, nightly_state: NightlyState) -> None:
        if self.fails:
            raise OSError(30, "Read-only file system")
        assert nightly_state != self.nightly_state, "cards wear: nothing new, nothing written"
        self.nightly_state, self.writes = nightly_state, self.writes + 1


@dataclass
class Window:
    """What is shown, in memory."""

    live: DaemonStatus | None = None
    phases: list[Phase] = field(default_factory=list)

    def read(self) -> DaemonStatus | None:
        return self.live

    def show(self, live: DaemonStatus) -> None:
        self.live = live
        self.phases.append(live.phase)


@dataclass
class Manager:
    """The service manager: notes what it hears."""

    world: World
    patience: float = 0.0
    said: list[str] = field(default_factory=list)
    heard: list[float] = field(default_factory=list)
    promised: list[float] = field(default_factory=list)

    def ready(self) -> None:
        self.said.append("ready")

    def status(self, text: str) -> None:
        self.said.append(text)

    def alive(self) -> None:
        self.heard.append(self.world.monotonic())

    def stopping(self) -> None:
        self.said.append("stopping")

    @contextmanager
    def alive_for(self, seconds: float) -> Iterator[None]:
        self.promised.append(seconds)
        self.alive()
        yield
        self.alive()


@dataclass
class Lines:
    """The log."""

    all: list[tuple[str, str]] = field(default_factory=list)
    fields: list[dict[str, str]] = field(default_factory=list)

    def info(self, text: str, **fields: str) -> None:
        self._say("info", text, fields)

    def warning(self, text: str, **fields: str) -> None:
        self._say("warning", text, fields)

    def error(self, text: str, **fields: str) -> None:
        self._say("error", text, fields)

    def _say(self, level: str, text: str, fields: dict[str, str]) -> None:
        self.all.append((level, text))
        self.fields.append(fields)


class Board:
    """A board with its daemon, in a world."""

    def __init__(self, start: str, *, settings: str = "", zone: tzinfo = BERLIN) -> None:
        moment = datetime.fromisoformat(start).replace(tzinfo=zone).astimezone(UTC)
        usual = "" if "nightly:" in settings else NO_SPREAD
        text = SETTINGS + usual + settings
        self.settings = model_settings.decode_board_settings(text.encode())
        self.world = World(moment)
        self.place = Place(self.world, zone)
        self.keeper = Keeper(self.world)
        self.people = Crowd(self.world)
        self.readiness = Readiness()
        self.shelf = Shelf()
        self.window = Window()
        self.manager = Manager(self.world)
        self.lines = Lines()
        self.published: list[tuple[NightlyState, datetime | None]] = []
        self.last_sealed: Callable[[], datetime | None] = lambda: None
        self.daemon = self.new_daemon()

    def new_daemon(self) -> Nightly:
        """Start the daemon, as after a boot or a restart."""
        trier = AttemptRunner(
            clock=self.world,
            capture=self.keeper.capture,
            readiness=self.readiness,
            supervisor=self.manager,
            is_clock_trusted=self.place.is_trusted,
            complaint=self.people.complaint,
            longest=self.settings.nightly.longest_hours * 3600,
        )
        nights = DueNights(self.settings, self.world, self.place)
        self.keeper.check_time = nights.check_not_over
        means = DaemonDependencies(
            clock=self.world,
            due_nights=nights,
            attempts=trier,
            notifier=Notifier("pier-3", self.people),
            state_store=self.shelf,
            live_status=self.window,
            service_manager=self.manager,
            event_log=self.lines,
            last_sealed=self.when_last_sealed,
            all_day_cost=lambda: None,
            publish=lambda nightly_state, due: self.published.append((nightly_state, due)),
        )
        self.daemon = Nightly(
            self.settings.board,
            means,
            retry_hours=self.settings.nightly.retry_hours,
            silent_days=self.settings.notify.silent_days,
        )
        self.daemon.start()
        return self.daemon

    def when_last_sealed(self) -> datetime | None:
        return self.last_sealed()

    def live_until(self, end: str) -> None:
        """Let time pass up to a local time; after a power cut the clock is behind."""
        until = datetime.fromisoformat(end).replace(tzinfo=self.place.here).astimezone(UTC)
        while self.world.true < until:
            try:
                self.world.sleep(self.daemon.run_due())
            except PowerCut:
                self.come_back()

    def come_back(self) -> None:
        """Boot at the end of the power cut: no memory, and no clock that ran meanwhile."""
        cut = next(cut for cut in self.world.power_cuts if cut.start == self.world.true)
        self.world.boot(cut.end, error=cut.start - cut.end)
        self.window = Window()
        self.new_daemon()

    def sealed(self) -> list[str]:
        """Return when captures began that were sealed, in local time."""
        ends = [moment - timedelta(seconds=self.keeper.seconds) for moment in self.keeper.sealed]
        return self.local(ends)

    def local(self, moments: Sequence[datetime]) -> list[str]:
        """Write moments in local time."""
        return [f"{moment.astimezone(self.place.here):%m-%d %H:%M}" for moment in moments]

    @property
    def last(self) -> RunOutcome:
        """How the last run went."""
        assert self.shelf.nightly_state.last is not None
        return self.shelf.nightly_state.last
