"""A real SeaweedFS on loopback for tests: an object server with versions and locks.

One server serves a whole run of tests; each takes a folder of its own. It ends with the process
that started it, however that ends (setpriv(1), PR_SET_PDEATHSIG).

Where HOLDSTILL_TEST_S3 names another server of this machine, as http://127.0.0.1:PORT, the same
tests use that one: it must know OWNER and KEEPER, with these keys.
"""

from __future__ import annotations

import json
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from botocore.exceptions import BotoCoreError, ClientError

from holdstill.offsite.bucket import Bucket
from holdstill.offsite.bucket_address import AccessKey, BucketAddress
from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator

WEED = Path(sys.executable).with_name("weed")
PORTS = ("master.port", "volume.port", "filer.port", "s3.port")
LOOPBACK = "127.0.0.1"
OWNER = AccessKey("owner", "owner's secret of a test")
KEEPER = AccessKey("keeper", "keeper's secret of a test")
"""May read, list, and write: what a keeper gets, and what a thief of the keeper has."""
GIVEN = "HOLDSTILL_TEST_S3"
IDENTITIES = {
    "identities": [
        {
            "name": "owner",
            "credentials": [{"accessKey": OWNER.key_id, "secretKey": OWNER.secret}],
            "actions": ["Admin", "Read", "List", "Tagging", "Write"],
        },
        {
            "name": "keeper",
            "credentials": [{"accessKey": KEEPER.key_id, "secretKey": KEEPER.secret}],
            "actions": ["Read", "List", "Write", "PutObjectRetention", "GetObjectRetention"],
        },
    ]
}


@dataclass(frozen=True)
class Seaweed:
    """A running server; one that was given has neither log nor process."""

    port: int
    log: Path | None = None
    process: subprocess.Popen[bytes] | None = None

    @property
    def endpoint(self) -> str:
        """Its URL."""
        return f"http://{LOOPBACK}:{self.port}"

    def cpu_seconds(self) -> float:
        """Return what it has spent of processors so far (proc_pid_stat(5), fields 14 and 15)."""
        if self.process is None:
            return 0.0
        stat = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii")
        user, system = stat.rpartition(")")[2].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")

    def address(self, *, is_locked: bool = True, of_its_own: str = "") -> BucketAddress:
        """Return where a copy goes: a folder of its own, in a bucket with or without locks.

        Few buckets, for the server keeps some volumes ready for each.
        """
        name = of_its_own or ("locked" if is_locked else "plain")
        client = Bucket(BucketAddress(self.endpoint, name), OWNER).client
        if name not in {one["Name"] for one in client.list_buckets()["Buckets"]}:
            if is_locked:
                client.create_bucket(Bucket=name, ObjectLockEnabledForBucket=True)
            else:
                client.create_bucket(Bucket=name)
            if self.process is None:
                client.put_bucket_policy(Bucket=name, Policy=json.dumps(_policy(name)))
        return BucketAddress(self.endpoint, name, f"{secrets.token_hex(6)}/boathouse/")


@contextmanager
def running() -> Iterator[Seaweed]:
    """Run a server for the block; what it stored is gone then. One that was given is not ended."""
    given = os.environ.get(GIVEN, "")
    if given:
        assert given.startswith(f"http://{LOOPBACK}:"), f"{GIVEN}: only on this machine"
        yield Seaweed(int(given.rpartition(":")[2]))
        return
    folder = Path(tempfile.mkdtemp(prefix="hs-weed-"))
    (folder / "data").mkdir()
    (folder / "s3.json").write_text(json.dumps(IDENTITIES), encoding="ascii")
    ports = _free_ports(len(PORTS) * 2)
    words: list[str | Path] = [
        "setpriv", "--pdeathsig", "KILL", "--",
        WEED, "-logtostderr=true", "server", "-s3", f"-ip={LOOPBACK}", f"-ip.bind={LOOPBACK}",
        f"-dir={folder / 'data'}", f"-s3.config={folder / 's3.json'}",
        "-s3.port.iceberg=0", "-s3.port.lance=0", "-volume.max=0", "-master.volumeSizeLimitMB=512",
        f"-s3.localSocket={folder / 's3.sock'}",
        *(f"-{name}={port}" for name, port in zip(PORTS, ports[::2], strict=True)),
        *(f"-{name}.grpc={port}" for name, port in zip(PORTS, ports[1::2], strict=True)),
    ]  # fmt: skip
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [os.fspath(word) for word in words],
            stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=folder,
            env=programs.PLAIN | {"HOME": os.fspath(folder)}, start_new_session=True,
        )  # fmt: skip
    try:
        server = Seaweed(ports[2 * PORTS.index("s3.port")], folder / "log", process)
        _await(server, process, folder / "log")
        yield server
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait(timeout=20)
        shutil.rmtree(folder, ignore_errors=True)


def _policy(bucket: str) -> dict[str, object]:
    """Return what lets the keeper do in a bucket what it may do with a key of SeaweedFS's.

    The words are those of Amazon S3's policies, from memory, as Ceph's RGW reads them.
    """
    everything = f"arn:aws:s3:::{bucket}"
    allowed = [
        "GetObject", "GetObjectVersion", "PutObject", "DeleteObject", "DeleteObjectVersion",
        "ListBucket", "ListBucketVersions", "GetObjectRetention", "PutObjectRetention",
        "GetBucketVersioning", "PutBucketVersioning", "GetBucketObjectLockConfiguration",
        "PutLifecycleConfiguration", "GetLifecycleConfiguration",
    ]  # fmt: skip
    return {
        "Version": "2012-10-17",
        "Statement": [
            {
                "Effect": "Allow",
                "Principal": {"AWS": [f"arn:aws:iam:::user/{KEEPER.key_id}"]},
                "Action": [f"s3:{one}" for one in allowed],
                "Resource": [everything, f"{everything}/*"],
            }
        ],
    }


def _await(server: Seaweed, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + 60
    client = Bucket(BucketAddress(server.endpoint, "none"), OWNER).client
    while True:
        try:
            client.list_buckets()
        except (BotoCoreError, ClientError):
            is_hopeful = process.poll() is None and time.monotonic() < deadline
            assert is_hopeful, log.read_text(encoding="utf-8", errors="replace")[-4000:]
            time.sleep(0.2)
        else:
            return


def _free_ports(count: int) -> list[int]:
    """Return ports that were free a moment ago."""
    held = [socket.create_server((LOOPBACK, 0)) for _ in range(count)]
    try:
        return [one.getsockname()[1] for one in held]
    finally:
        for one in held:
            one.close()
