"""What a keeper knows of its off-site copy: STORE/offsite.yaml, for the store's user alone.

`holdstill offsite setup` writes it. The private half of the recovery key is not in it.
"""

from __future__ import annotations

import base64
import binascii
import re
from typing import TYPE_CHECKING

import msgspec
import yaml

from holdstill.errors import UsageError
from holdstill.model import strict_yaml
from holdstill.model.layout import Record
from holdstill.model.sizes import ByteSize
from holdstill.offsite import bucket_address
from holdstill.offsite.recovery_key import SIZE, KeeperKeys
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

NAME = "offsite.yaml"
_LIMIT = 64 << 10
_KEEPER = re.compile(r"[0-9a-f]{16}")


class Prices(Record, frozen=True, kw_only=True):
    """What the owner pays, in a currency of theirs; 0 for nothing.

    Attributes:
        gb_month: for 10^9 bytes stored for a month.
        thousand_puts: for 1000 requests that write.
        thousand_gets: for 1000 requests that read.
    """

    gb_month: float = 0.0
    thousand_puts: float = 0.0
    thousand_gets: float = 0.0


class OffsiteSettings(Record, frozen=True, kw_only=True):
    """The document.

    Attributes:
        address: of the bucket, as `bucket_address.parse` takes it.
        keeper: 16 hexadecimal digits that tell this keeper's heads from others'.
        recipient, heads: the keeper's part of the recovery key, in base64.
        access_key: file with the key of the bucket; "" for the environment.
        lock_days: how long packs are locked, counted from when they were last needed; 0 = never.
        keep_here: how many captures of each board, the newest, stay at the keeper once they are
            off-site; older ones leave, unless they are pinned. 0 = all stay.
        proved: what `offsite prove` printed, which shows that the paper opens what this keeper
            has sent; `keep_here` needs it.
        rate: most bytes a second that are sent; 0 = no limit.
        prices: of the owner.
    """

    address: str
    keeper: str
    recipient: str
    heads: str
    access_key: str = ""
    lock_days: int = 30
    keep_here: int = 0
    proved: str = ""
    rate: ByteSize = ByteSize(0)
    prices: Prices = Prices()

    @property
    def keys(self) -> KeeperKeys:
        """The keeper's part of the recovery key."""
        return KeeperKeys(base64.b64decode(self.recipient), base64.b64decode(self.heads))


def read(root: Path) -> OffsiteSettings:
    """Read the document of a store.

    Raises:
        UsageError: there is none; DocumentError: it has problems.
    """
    path = root / NAME
    try:
        data = files.read_regular(path)
    except FileNotFoundError as error:
        raise UsageError(
            f"{root} has no off-site copy: there is no {path}",
            hint=f"`holdstill offsite setup --store {root} ADDRESS` begins one",
        ) from error
    return strict_yaml.decode_checked(
        strict_yaml.load_yaml(data, str(path), limit=_LIMIT), OffsiteSettings, str(path),
        check=_problems,
        stand_ins={"address": "", "keeper": "", "recipient": "", "heads": ""},
    )  # fmt: skip


def is_there(root: Path) -> bool:
    """Return whether a store has an off-site copy."""
    return (root / NAME).is_file()


def write(root: Path, settings: OffsiteSettings) -> None:
    """Write the document, for the store's user alone."""
    plain = msgspec.to_builtins(settings, enc_hook=lambda size: str(int(size)))
    text = yaml.safe_dump(plain, sort_keys=False, allow_unicode=True)
    files.publish(root / NAME, text.encode())


def remove(root: Path) -> None:
    """Remove the document; a store without one has no off-site copy."""
    (root / NAME).unlink(missing_ok=True)


def _problems(found: OffsiteSettings) -> list[str]:
    problems = []
    try:
        bucket_address.parse(found.address)
    except UsageError as error:
        problems.append(f"address: {error}")
    if _KEEPER.fullmatch(found.keeper) is None:
        problems.append("keeper: must be 16 hexadecimal digits")
    no_keys = [
        f"{name}: must be {SIZE} bytes in base64"
        for name, value in (("recipient", found.recipient), ("heads", found.heads))
        if not _is_key(value)
    ]
    problems += no_keys
    if not 0 <= found.lock_days <= 3650:
        problems.append("lock_days: must be from 0 to 3650")
    if found.keep_here < 0:
        problems.append("keep_here: must not be below 0")
    if found.keep_here and not found.lock_days:
        problems.append(
            "keep_here: needs lock_days, for whoever has the access key could delete the only copy"
        )
    if found.keep_here and not no_keys and found.proved != found.keys.proof(found.keeper):
        problems.append(
            "keep_here: needs proved, for nothing has shown yet that the recovery key opens the "
            f"only copy: run `holdstill offsite prove {found.address}` where the paper is, and "
            f"put the line that it prints for keeper {found.keeper} in the place of `proved:`"
        )
    return problems


def _is_key(text: str) -> bool:
    try:
        return len(base64.b64decode(text, validate=True)) == SIZE
    except binascii.Error:
        return False
