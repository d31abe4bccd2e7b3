"""What who has stolen a keeper, with its key of the bucket, can do to what is there.

Each harm is done, or refused by the server: afterwards every locked capture must still restore. 25
kinds on one object, 9 on the bucket; `bucket_lies` has heads and packs that lie.
"""

from __future__ import annotations

import os
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from botocore.exceptions import ClientError

from holdstill.errors import LinkError
from holdstill.offsite import promises

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.offsite.bucket import Version
    from support.offsite import CopiedStore

FOREVER = timedelta(days=30)


def put(held: CopiedStore, key: str, data: bytes) -> None:
    held.bucket.put(key, data, promises.md5_of(data))


def heads(held: CopiedStore) -> list[Version]:
    return held.versions("keepers/")


def packs(held: CopiedStore) -> list[Version]:
    return held.versions("packs/")


def _refused(call: Callable[[], object]) -> None:
    with pytest.raises((ClientError, LinkError)):
        call()


def overwrite(held: CopiedStore, one: Version) -> None:
    put(held, one.key, b"nothing of the kind")


def overwrite_longer(held: CopiedStore, one: Version) -> None:
    put(held, one.key, held.bucket.read(one) + b"more")


def overwrite_with_a_bit_changed(held: CopiedStore, one: Version) -> None:
    data = bytearray(held.bucket.read(one))
    data[-20] ^= 1
    put(held, one.key, bytes(data))


def overwrite_with_nothing(held: CopiedStore, one: Version) -> None:
    put(held, one.key, b"")


def overwrite_with_another(held: CopiedStore, one: Version) -> None:
    others = [v for v in held.versions(one.key.split("/")[0]) if v.key != one.key]
    put(held, one.key, held.bucket.read(others[0]))


def hide(held: CopiedStore, one: Version) -> None:
    held.bucket.delete(one.key, "")


def hide_and_overwrite(held: CopiedStore, one: Version) -> None:
    hide(held, one)
    overwrite(held, one)
    hide(held, one)


def overwrite_often(held: CopiedStore, one: Version) -> None:
    for number in range(5):
        put(held, one.key, os.urandom(1000 + number))


def delete(held: CopiedStore, one: Version) -> None:
    _refused(lambda: held.bucket.delete(one.key, one.id))


def delete_with_bypass(held: CopiedStore, one: Version) -> None:
    def call() -> None:
        held.bucket.client.delete_object(
            Bucket=held.address.bucket, Key=held.address.prefix + one.key, VersionId=one.id,
            BypassGovernanceRetention=True,
        )  # fmt: skip

    _refused(call)


def delete_many(held: CopiedStore, one: Version) -> None:
    key = held.address.prefix + one.key
    said = held.bucket.client.delete_objects(
        Bucket=held.address.bucket, Delete={"Objects": [{"Key": key, "VersionId": one.id}]}
    )
    assert said.get("Errors")


def shorten(held: CopiedStore, one: Version) -> None:
    soon = held.bucket.now() + timedelta(seconds=1)
    _refused(lambda: held.bucket.extend(one.key, one.id, soon))


def lift(held: CopiedStore, one: Version) -> None:
    def call() -> None:
        held.bucket.client.put_object_retention(
            Bucket=held.address.bucket, Key=held.address.prefix + one.key, VersionId=one.id,
            BypassGovernanceRetention=True, Retention={},
        )  # fmt: skip

    _refused(call)


def lengthen(held: CopiedStore, one: Version) -> None:
    held.bucket.extend(one.key, one.id, held.bucket.now() + timedelta(days=30))


def copy_over(held: CopiedStore, one: Version) -> None:
    others = [v for v in held.versions(one.key.split("/")[0]) if v.key != one.key]
    source = {"Bucket": held.address.bucket, "Key": held.address.prefix + others[0].key}
    held.bucket.client.copy_object(
        Bucket=held.address.bucket, Key=held.address.prefix + one.key,
        CopySource={"Bucket": source["Bucket"], "Key": source["Key"]},
    )  # fmt: skip


def _at(held: CopiedStore, one: Version) -> tuple[str, str]:
    return held.address.bucket, held.address.prefix + one.key


def hold_off(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    held.bucket.client.put_object_legal_hold(
        Bucket=bucket, Key=key, VersionId=one.id, LegalHold={"Status": "OFF"}
    )


def soften(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    held.bucket.client.put_object_retention(
        Bucket=bucket, Key=key, VersionId=one.id, BypassGovernanceRetention=True,
        Retention={"Mode": "GOVERNANCE", "RetainUntilDate": held.bucket.now() + FOREVER},
    )  # fmt: skip


def tag(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    held.bucket.client.put_object_tagging(
        Bucket=bucket, Key=key, VersionId=one.id,
        Tagging={"TagSet": [{"Key": "delete", "Value": "yes"}]},
    )  # fmt: skip


def give_away(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    held.bucket.client.put_object_acl(Bucket=bucket, Key=key, VersionId=one.id, ACL="private")


def overwrite_in_parts(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    client = held.bucket.client
    begun = client.create_multipart_upload(Bucket=bucket, Key=key)["UploadId"]
    part = client.upload_part(
        Bucket=bucket, Key=key, UploadId=begun, PartNumber=1, Body=os.urandom(5 << 20)
    )
    client.complete_multipart_upload(
        Bucket=bucket, Key=key, UploadId=begun,
        MultipartUpload={"Parts": [{"ETag": part["ETag"], "PartNumber": 1}]},
    )  # fmt: skip


def begin_parts(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    client = held.bucket.client
    begun = client.create_multipart_upload(Bucket=bucket, Key=key)["UploadId"]
    client.upload_part(Bucket=bucket, Key=key, UploadId=begun, PartNumber=1, Body=b"junk")


def copy_over_itself(held: CopiedStore, one: Version) -> None:
    bucket, key = _at(held, one)
    held.bucket.client.copy_object(
        Bucket=bucket, Key=key, MetadataDirective="REPLACE", Metadata={"by": "thief"},
        CopySource={"Bucket": bucket, "Key": key, "VersionId": one.id},
    )  # fmt: skip


def overwrite_and_lock_for_long(held: CopiedStore, one: Version) -> None:
    data = b"here to stay"
    until = held.bucket.now() + FOREVER
    held.bucket.put(one.key, data, promises.md5_of(data), until=until)


def put_below(held: CopiedStore, one: Version) -> None:
    for key in (f"{one.key}/more", f"{one.key}~", one.key.upper()):
        put(held, key, b"junk")


def hide_all_of_its_kind(held: CopiedStore, one: Version) -> None:
    client, (bucket, _) = held.bucket.client, _at(held, one)
    kind = f"{held.address.prefix}{one.key.split('/')[0]}/"
    listed = client.list_objects_v2(Bucket=bucket, Prefix=kind).get("Contents", [])
    if listed:
        names = [{"Key": each["Key"]} for each in listed]
        client.delete_objects(Bucket=bucket, Delete={"Objects": names})  # type: ignore[typeddict-item]


OVER_ONE = (
    overwrite, overwrite_longer, overwrite_with_a_bit_changed, overwrite_with_nothing,
    overwrite_with_another, hide,
)  # fmt: skip
ON_ONE = (
    *OVER_ONE, hide_and_overwrite, overwrite_often, delete,
    delete_with_bypass, delete_many, shorten, lift, lengthen, copy_over,
    hold_off, soften, tag, give_away, overwrite_in_parts, begin_parts, copy_over_itself,
    overwrite_and_lock_for_long, put_below, hide_all_of_its_kind,
)  # fmt: skip


# On the bucket.


def suspend_versions(held: CopiedStore) -> None:
    held.bucket.client.put_bucket_versioning(
        Bucket=held.address.bucket, VersioningConfiguration={"Status": "Suspended"}
    )


def expire_all(held: CopiedStore) -> None:
    held.bucket.client.put_bucket_lifecycle_configuration(
        Bucket=held.address.bucket,
        LifecycleConfiguration={
            "Rules": [
                {"ID": "all", "Status": "Enabled", "Filter": {"Prefix": ""},
                 "Expiration": {"Days": 1}},
            ],
        },
    )  # fmt: skip


def expire_versions(held: CopiedStore) -> None:
    held.bucket.client.put_bucket_lifecycle_configuration(
        Bucket=held.address.bucket,
        LifecycleConfiguration={
            "Rules": [
                {"ID": "old", "Status": "Enabled", "Filter": {"Prefix": ""},
                 "NoncurrentVersionExpiration": {"NoncurrentDays": 1}},
            ],
        },
    )  # fmt: skip


def unlock_bucket(held: CopiedStore) -> None:
    held.bucket.client.put_object_lock_configuration(
        Bucket=held.address.bucket, ObjectLockConfiguration={}
    )


def lock_for_a_day(held: CopiedStore) -> None:
    held.bucket.client.put_object_lock_configuration(
        Bucket=held.address.bucket,
        ObjectLockConfiguration={
            "ObjectLockEnabled": "Enabled",
            "Rule": {"DefaultRetention": {"Mode": "GOVERNANCE", "Days": 1}},
        },
    )


def shut_owner_out(held: CopiedStore) -> None:
    arn = f"arn:aws:s3:::{held.address.bucket}"
    held.bucket.client.put_bucket_policy(
        Bucket=held.address.bucket,
        Policy='{"Version": "2012-10-17", "Statement": [{"Effect": "Deny", "Principal": "*", '
        f'"Action": "s3:*", "Resource": ["{arn}", "{arn}/*"]}}]}}',
    )


def make_public(held: CopiedStore) -> None:
    held.bucket.client.put_bucket_acl(Bucket=held.address.bucket, ACL="public-read-write")


def delete_bucket(held: CopiedStore) -> None:
    held.bucket.client.delete_bucket(Bucket=held.address.bucket)


def junk_of_a_thousand(held: CopiedStore) -> None:
    """So many that a list has several pages."""
    for number in range(1010):
        put(held, f"packs/{number:064x}", b"j")


ON_BUCKET = (
    junk_of_a_thousand, suspend_versions, expire_all, expire_versions, unlock_bucket,
    lock_for_a_day, shut_owner_out, make_public, delete_bucket,
)  # fmt: skip
