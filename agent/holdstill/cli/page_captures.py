"""Builds the pages of a store's captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.page.capture import CapturePages
from holdstill.page.changes import ChangePages
from holdstill.page.contents import ContentPages
from holdstill.workflow.captures_at_hand import CapturesAtHand
from holdstill.workflow.page_changes import PageChanges
from holdstill.workflow.page_contents import PageContents
from holdstill.workflow.page_files import PageFiles

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.page.visit import Page
    from holdstill.system.process import Runner


def pages(store: Store, runner: Runner, folder: Path) -> tuple[Page, ...]:
    """Return the pages; folder: for indexes that are put together, for this process alone."""
    captures = CapturesAtHand(store, runner, folder)
    files = PageFiles(captures)
    return (
        *CapturePages(files).pages,
        *ContentPages(PageContents(captures)).pages,
        *ChangePages(files, PageChanges(captures)).pages,
    )
