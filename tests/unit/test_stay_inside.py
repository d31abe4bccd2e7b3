import socket
import subprocess  # noqa: TID251  to see it refused

import pytest


def test_a_unit_test_cannot_start_a_program() -> None:
    with pytest.raises(AssertionError, match=r"subprocess\.Popen"):
        subprocess.run(["/bin/true"], check=True)


def test_a_unit_test_cannot_connect() -> None:
    with socket.socket() as probe, pytest.raises(AssertionError, match=r"socket\.connect"):
        probe.connect(("127.0.0.1", 9))
