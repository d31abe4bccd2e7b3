import base64
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import DocumentError
from holdstill.offsite import offsite_settings
from holdstill.offsite.offsite_settings import OffsiteSettings
from holdstill.offsite.recovery_key import RecoveryKey

KEYS = RecoveryKey(bytes(range(32))).of_keeper
KEEPER = "0123456789abcdef"
SETTINGS = OffsiteSettings(
    address="s3+https://objects.example/captures", keeper=KEEPER,
    recipient=base64.b64encode(KEYS.recipient).decode(),
    heads=base64.b64encode(KEYS.heads).decode(),
)  # fmt: skip


def read_back(root: Path, **changed: object) -> OffsiteSettings:
    offsite_settings.write(root, msgspec.structs.replace(SETTINGS, **changed))
    return offsite_settings.read(root)


def test_nothing_leaves_before_the_paper_has_opened_the_copy(tmp_path: Path) -> None:
    assert read_back(tmp_path).keep_here == 0
    other = RecoveryKey(bytes(32)).of_keeper.proof(KEEPER)
    for proved in ("", "ab" * 8, KEYS.proof("f" * 16), other):
        with pytest.raises(DocumentError, match=r"keep_here: needs proved.*offsite prove s3"):
            read_back(tmp_path, keep_here=30, proved=proved)

    assert read_back(tmp_path, keep_here=30, proved=KEYS.proof(KEEPER)).keep_here == 30


def test_keys_that_are_none_are_named_and_nothing_is_made_of_them(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="recipient: must be 32 bytes in base64"):
        read_back(tmp_path, keep_here=30, recipient="AAAA")


def test_without_locks_nothing_leaves(tmp_path: Path) -> None:
    with pytest.raises(DocumentError, match="keep_here: needs lock_days"):
        read_back(tmp_path, keep_here=30, proved=KEYS.proof(KEEPER), lock_days=0)
