"""Send index and attachments, sign the manifest, and have the keeper seal the capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import VerificationError
from holdstill.records import manifest_file, signature
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import attachments, build_manifest
from holdstill.workflow.board_state import LastCapture

if TYPE_CHECKING:
    from collections.abc import Mapping
    from collections.abc import Set as AbstractSet
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import SealResult
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.complete_contents import Completed
    from holdstill.workflow.copy_live import LiveCopy
    from holdstill.workflow.pause import PauseResult


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
        VerificationError: the keeper refused it, or still lacks contents; nothing was sealed.
        LinkError: the keeper could not be reached.
    """
    run.outside.progress.step("sealing")
    run.index.commit()
    paths = {**copied.attached, attachments.INDEX: run.state.index_path}
    described = attachments.described(paths)
    seeded = frozenset(name for name, file in described.items() if file in run.started.seeded)
    _send(run, paths, described.keys() - seeded)
    warnings = (*run.warnings, *copied.warnings, *paused.troubles, *completed.warnings)
    manifest = build_manifest.build(
        run, copied.rounds, paused, settled=completed.settled, attached=described,
        warnings=warnings,
    )  # fmt: skip
    data = manifest_file.encode(manifest)
    signed = signature.sign(data, run.settings.key, run.outside.runner)
    answer = _ask_for_seal(run, data, signed, paths, seeded)
    _save_state(run, copied, paused, manifest, data)
    return Sealed(answer.name, manifest, warnings)


def _send(run: CaptureRun, paths: Mapping[str, Path], names: AbstractSet[str]) -> None:
    """Send attachments; the index changes in place, so rsync finds its differences by page."""
    others = {name: paths[name] for name in names - {attachments.INDEX}}
    index = {name: paths[name] for name in names & {attachments.INDEX}}
    for files, mode in ((others, TransferMode.SPARSE), (index, TransferMode.PAGES)):
        if files:
            sent = run.outside.transfer.send(files, run.started.attachments, shape=mode)
            run.uploader.stats.wire_bytes += sent.wire_bytes


def _ask_for_seal(
    run: CaptureRun,
    data: bytes,
    signed: bytes,
    paths: Mapping[str, Path],
    seeded: frozenset[str],
) -> SealResult:
    """Have the capture sealed; contents that the keeper turns out to lack are sent once more.

    Seeded attachments were not sent: the keeper copied them from the last capture. Its disk may
    have damaged that copy since, so if the seal is refused they are sent after all.
    """
    keeper = run.outside.keeper
    try:
        answer = keeper.seal(data, signed)
    except VerificationError:
        if not seeded:
            raise
        _send(run, paths, seeded)
        answer = keeper.seal(data, signed)
    if answer.lacking:
        readers = {reader.part: reader for reader in run.trees.all}
        run.uploader.resend(run.index, readers, answer.lacking)
        answer = keeper.seal(data, signed)
    if not answer.name:
        raise VerificationError(
            f"the keeper still lacks {len(answer.lacking)} contents",
            hint="nothing was sealed; run the capture again",
        )
    return answer


def _save_state(
    run: CaptureRun, copied: LiveCopy, paused: PauseResult, manifest: Manifest, data: bytes
) -> None:
    """Save what makes the next capture cheap."""
    for number, tree in run.trees.mounted.items():
        run.state.save_baseline(number, tree.baseline(run.trees.rules[number].fingerprint))
    last = run.state.last
    run.state.save(
        LastCapture(
            board=run.settings.board,
            keeper=str(run.settings.keeper),
            seq=manifest.seq,
            manifest=manifest_file.digest(data),
            unchecked=0 if copied.is_cross_checked else last.unchecked + 1,
            copy_rate=paused.copy_rate or last.copy_rate,
        )
    )
