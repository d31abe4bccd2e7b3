"""A card rebuilt straight from an off-site copy, on a machine without the keeper's store."""

import base64
import json
from pathlib import Path

import pytest

from holdstill.offsite import offsite_settings
from holdstill.offsite.offsite_settings import OffsiteSettings
from holdstill.offsite.recovery_key import RecoveryKey
from support import boards, edge_case_tree, offsite, seaweed
from support.boards import holdstill

pytestmark = pytest.mark.timeout(240)


def test_a_card_from_off_site_is_the_one_that_the_store_itself_gives(tmp_path: Path) -> None:
    key = RecoveryKey.made()
    words, image = tmp_path / "words", tmp_path / "off-site.img"
    words.write_text("\n".join(key.lines), encoding="ascii")
    words.chmod(0o600)
    access = offsite.access_key_file(tmp_path / "bucket.key", seaweed.KEEPER)
    with seaweed.running() as server, boards.running(tmp_path) as board:
        (board.root / "edges").mkdir()
        edge_case_tree.build(board.root / "edges", big_directory=300)
        (board.root / "edges" / edge_case_tree.HUGE.decode()).unlink()  # has tests of its own
        with boards.kept(tmp_path, board) as kept:
            holdstill("capture", "--settings", kept.settings)
            address, keys = server.address(), key.of_keeper
            offsite_settings.write(
                kept.store,
                OffsiteSettings(
                    address=str(address), keeper="0123456789abcdef", access_key=str(access),
                    recipient=base64.b64encode(keys.recipient).decode(),
                    heads=base64.b64encode(keys.heads).decode(), lock_days=1,
                ),
            )  # fmt: skip
            holdstill("offsite", "upload", "--store", kept.store)
            aside = kept.store.rename(tmp_path / "aside")

            said = json.loads(
                holdstill(
                    "rebuild", "pier-3", image, "--store", address, "--recovery-key", words,
                    "--access-key", access, "--cache", tmp_path, "--json",
                    accepted=[boards.NO_KERNEL],
                )
            )  # fmt: skip

            aside.rename(kept.store)
            verdict = json.loads(
                holdstill("verify", "pier-3", "--card", image, "--store", kept.store, "--json")
            )
    assert verdict["total"] == 0
    assert verdict["entries"] == said["checked_entries"] == said["entries"] > 300
    assert not list(tmp_path.glob("holdstill-work-*"))
