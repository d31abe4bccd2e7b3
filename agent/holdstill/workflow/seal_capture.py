"""Send the index and what is beside it, sign the manifest, and have the keeper seal it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import btrfs_subvolumes, mounts, whole_trees
from holdstill.errors import VerificationError
from holdstill.model import attachment_names, pieces
from holdstill.model.paths import BoardPath
from holdstill.records import manifest_file, signature
from holdstill.workflow import (
    attachments,
    build_manifest,
    capture_areas,
    capture_stages,
    check_completeness,
    unseen_files,
)
from holdstill.workflow.attachments import Extract
from holdstill.workflow.board_state import LastCapture

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.finding import Finding
    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import SealResult
    from holdstill.workflow.attachments import PiecedFile
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.complete_contents import Completed
    from holdstill.workflow.copy_live import LiveCopy
    from holdstill.workflow.pause import PauseResult


SEAL_TRIES = 50


@dataclass(frozen=True)
class Sealed:
    """A capture that the keeper has sealed.

    Attributes:
        name: its name at the keeper.
        warnings: of the whole run.
    """

    name: str
    manifest: Manifest
    warnings: tuple[str, ...]


def seal(run: CaptureRun, copied: LiveCopy, paused: PauseResult, completed: Completed) -> Sealed:
    """Seal a capture whose contents are all at the keeper.

    Raises:
        PauseError: what was captured is not what is there any more.
        VerificationError: the keeper refused it, or still lacks contents; nothing was sealed.
        LinkError: the keeper could not be reached.
    """
    root, mounted = BoardPath(os.fsencode(run.settings.root)), mounts.read_mounts()
    btrfs_subvolumes.check_unchanged(run.scope.board, root, mounted)
    whole_trees.check_unchanged(run.scope.board, root, mounted)
    run.outside.progress.step(capture_stages.SEALING)
    run.index.commit()
    index = Extract.whole(run.state.index_path)
    sources = {**copied.attached, attachment_names.INDEX: index}
    pieced = {name: attachments.pieced(name, source) for name, source in sources.items()}

    def send(file: PiecedFile) -> None:
        run.uploader.upload_pieced(file, known=run.state.known_pieces(file.name))

    for file in pieced.values():
        send(file)
    areas = capture_areas.upload(copied.areas, send)
    pieced |= areas.files
    written = run.trees.written
    warnings = (
        *run.warnings, *copied.warnings, *paused.troubles, *completed.warnings,
        *areas.warnings,
        *(f"partition {number}, which is not mounted, was written to" for number in written),
    )  # fmt: skip
    now = check_completeness.check(run.settings, run.scope.board, run.scope.chosen).findings
    manifest = build_manifest.build(
        run, copied.rounds, paused, settled=completed.settled, written=written,
        attached={name: file.attachment for name, file in pieced.items()},
        findings=check_completeness.united(
            run.findings, (*now, *areas.findings, *_unseen(run))
        ),
        warnings=warnings,
    )  # fmt: skip
    data = manifest_file.encode(manifest)
    signed = signature.sign(data, run.settings.key, run.outside.runner)
    run.state.save_asked(manifest_file.digest(data))
    answer = _ask_for_seal(run, data, signed)
    _save_state(run, copied, manifest, data)
    run.state.save_pieces({name: file.listed for name, file in pieced.items()})
    run.state.keep_lists(
        entry.digest
        for part in run.index.parts()
        for entry in run.index.large(part, pieces.PIECED_FROM)
    )
    run.followed.remember(manifest_file.digest(data), paused.still, run.index.digest_of_inode)
    return Sealed(answer.name, manifest, warnings)


def _unseen(run: CaptureRun) -> Iterator[Finding]:
    for number, tree in run.trees.mounted.items():
        part = run.scope.board.part(number)
        yield from unseen_files.findings(part, tree.problems, tree.locked(run.index))


def _ask_for_seal(run: CaptureRun, data: bytes, signed: bytes) -> SealResult:
    """Have the capture sealed; contents that the keeper turns out to lack are sent once more.

    It asks in turn for lists, for the pieces that they name, for what the index names, and for
    each content that its disk turns out to have spoiled.
    """
    keeper = run.outside.keeper
    answer = keeper.seal(data, signed)
    for _ in range(SEAL_TRIES):
        if not answer.lacking:
            break
        readers = {reader.part: reader for reader in run.trees.all}
        run.uploader.resend(run.index, readers, answer.lacking)
        answer = keeper.seal(data, signed)
    if not answer.name:
        raise VerificationError(
            f"the keeper still lacks {len(answer.lacking)} contents",
            hint="nothing was sealed; run the capture again",
        )
    return answer


def _save_state(run: CaptureRun, copied: LiveCopy, manifest: Manifest, data: bytes) -> None:
    """Save what makes the next capture cheap."""
    for number, tree in run.trees.mounted.items():
        run.state.save_baseline(number, tree.baseline(run.trees.bindings[number]))
    last = run.state.last
    run.state.save(
        LastCapture(
            board=run.settings.board,
            keeper=str(run.settings.keeper),
            seq=manifest.seq,
            manifest=manifest_file.digest(data),
            unchecked=0 if copied.is_cross_checked else last.unchecked + 1,
        ),
        data,
    )
