"""Take one capture of a board and seal it at the keeper: the whole story, top to bottom."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import card_trend, hooks, identity
from holdstill.system import libc, termination
from holdstill.workflow import (
    board_state,
    capture_run,
    capture_scope,
    complete_contents,
    copy_live,
    pause,
    seal_capture,
    store_on_card,
)
from holdstill.workflow.capture_report import CaptureReport, part_report

if TYPE_CHECKING:
    from holdstill.model.settings import BoardSettings
    from holdstill.workflow.capture_run import CaptureDependencies, CaptureRun

NOT_SEALED = (
    "no capture was sealed, and nothing is held still any more; what has arrived at the keeper is "
    "kept, and the next run goes on from there"
)
PERHAPS_SEALED = (
    "nothing is held still any more; whether the capture was sealed shows in `holdstill list`: if "
    "it was not, the next run goes on from what has arrived"
)


def capture(settings: BoardSettings, outside: CaptureDependencies) -> CaptureReport:
    """Take one capture and seal it at the keeper.

    Raises:
        BusyError: another run is active.
        PreflightError: refused before anything was touched.
        PauseError: the board could not be held still; everything runs again.
        LinkError: the keeper could not be reached, or lacks room.
        VerificationError: bytes are not what they should be; nothing was sealed.
        NightOverError: the time for it was over; what was sent is kept.
    """
    libc.give_back_memory()  # a board has little of it
    left = NOT_SEALED
    begun_at = outside.clock.monotonic()
    scope = capture_scope.survey_board(settings)
    risk = store_on_card.check(settings, scope.board.devices)
    hooks.check(settings.hooks, settings.never_pause)
    with (
        termination.noting(lambda: left),
        board_state.opened(settings.state) as state,
        capture_run.begun(scope, state, outside) as run,
    ):
        copied = copy_live.copy_live(run)
        outside.check_time()
        paused = pause.hold_still(copied)
        completed = complete_contents.complete(run, paused)
        left = PERHAPS_SEALED
        sealed = seal_capture.seal(run, copied, paused, completed)
        left = f"capture {sealed.name} was sealed"
        capture_run.remember_sent(run)
        card_warnings = _record_card(run)
    stats, manifest = run.uploader.stats, sealed.manifest
    return CaptureReport(
        board=manifest.board.name,
        name=sealed.name,
        seq=manifest.seq,
        parts=tuple(part_report(part) for part in manifest.parts),
        frozen_ms=manifest.pause.frozen_ms,
        window_ms=manifest.pause.window_ms,
        rounds=manifest.pause.rounds,
        spool_bytes=manifest.pause.spool_bytes,
        hashed_bytes=stats.hashed_bytes,
        wire_bytes=stats.wire_bytes,
        new_bytes=stats.new_bytes,
        compressed_bytes=stats.compressed_bytes,
        compressed_wire=stats.compressed_wire,
        seconds=round(outside.clock.monotonic() - begun_at, 2),
        findings=manifest.findings,
        warnings=tuple(dict.fromkeys((*sealed.warnings, *card_warnings))),
        notes=(*scope.board.warnings, *paused.notes, *filter(None, (risk, *run.notes))),
    )


def _record_card(run: CaptureRun) -> tuple[str, ...]:
    """Record the card's health if the clock can be trusted; the capture is sealed already."""
    clock = run.outside.clock
    if not identity.is_clock_trusted(clock.now().year):
        return ()
    try:
        card_trend.record(run.settings.state, run.scope.board.root_device, run.health, clock)
    except OSError as error:
        return (f"the card's health could not be recorded: {error}",)
    return ()
