"""What could be made of a capture: the smallest image that holds it, and what to know before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError
from holdstill.model.boot import BootVerdict
from holdstill.page.image_offer import ImageOffer
from holdstill.rebuild import disk_choice
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.workflow import capture_ref, plan_rebuild, rebuild_source
from holdstill.workflow.plan_rebuild import PlanOptions

if TYPE_CHECKING:
    from typing import Literal

    from holdstill.keeper.store import Store
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.system.process import Runner
    from holdstill.workflow.rebuild_source import RebuildSource


def measured(
    store: Store, reference: str, disk: int | Literal["all"] | None, machine: Runner
) -> ImageOffer:
    """Return what could be made of a capture; why nothing can, it says as well.

    Args:
        store: where it is.
        reference: BOARD/CAPTURE.
        disk: which of several; None for the first.
        machine: this one.

    Raises:
        OSError: the store cannot be read.
    """
    disks: tuple[str, ...] = ()
    try:
        capture = capture_ref.trusted(capture_ref.find(store, reference, runner=machine))
        manifest = capture.manifest()
        if len(manifest.disks) > 1:
            disks = tuple(disk_choice.described(manifest))
            disk = disk or 1
        disk_choice.check(manifest, disk)
        with rebuild_source.opened(capture) as whole:
            source = rebuild_source.of_disk(whole, disk)
            captured, smallest = source.manifest.disk.size, _smallest(source, machine)
    except HoldstillError as error:
        return ImageOffer(disks=disks, refusal=str(error), hint=error.hint)
    return ImageOffer(
        disks=disks, captured=captured, smallest=smallest, cautions=_cautions(capture)
    )


def _smallest(source: RebuildSource, machine: Runner) -> int:
    """Return the bytes of the smallest target, as the refusal of a smaller one tells them."""
    try:
        plan = plan_rebuild.plan_rebuild(source, size=0, options=PlanOptions(), machine=machine)
    except DoesNotFitError as error:
        return error.smallest
    return plan.disk.size


def _cautions(capture: SealedCapture) -> tuple[str, ...]:
    found = [finding.sentence for finding in capture.manifest().findings]
    if capture.content_trouble:
        found.append(f"an image of it will stop at damaged files: {capture.content_trouble}")
    boot = capture.boot
    if boot is not None and boot.verdict is BootVerdict.BROKEN:
        found += [f"a card made of it would not boot: {lack}" for lack in boot.lacking]
    return tuple(found)
