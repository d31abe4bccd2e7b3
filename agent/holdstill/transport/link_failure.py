"""Why a connection failed, and what to do: what ssh, rsync and paramiko say, in our words. Pure.

The words are those of OpenSSH and rsync in the C locale, in which we start them; tests bring about
each failure with the real programs. Where nothing fits, the caller's own words stay.
"""

from __future__ import annotations

import errno
import re
import socket
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError, LinkError, PreflightError, SecurityError

if TYPE_CHECKING:
    from holdstill.model.store_address import HostAddress

NOT_FOUND = 127
"""A shell's exit status for a command that is not found (POSIX, 2.8.2)."""
AGAIN = "what has arrived is kept; run it again to go on from there"
ANOTHER_KEY = (
    "nothing was sent. If the keeper was set up again, compare fingerprints (`ssh-keygen -lf "
    "/etc/ssh/ssh_host_ed25519_key.pub` there) and pin it again with `holdstill setup --replace`; "
    "if not, somebody is in the middle"
)


class Cause(NamedTuple):
    """One way to fail.

    Attributes:
        what: a sentence; {host}, {port}, {user} and {address} are filled in.
        kind: the error to raise.
    """

    what: str
    hint: str
    kind: type[HoldstillError] = LinkError


NAME_UNKNOWN = Cause(
    "this machine does not know the name {host}",
    "look for a typing error in the address (`keeper` in the board's settings); `getent hosts "
    "{host}` asks the same. An IP address works where names do not",
)
REFUSED = Cause(
    "{host} is there, and nothing answers at its port {port}",
    "see at the keeper that sshd runs and at which port (`sudo systemctl status ssh`; on Debian "
    "`sudo apt-get install openssh-server`)",
)
TIMED_OUT = Cause(
    "{host} does not answer in time",
    "see that it is switched on and in the network (`ping {host}`), and that no firewall drops "
    f"what is sent to its port {{port}}; {AGAIN}",
)
UNREACHABLE = Cause(
    "there is no way to {host} in the network",
    "see that this machine and {host} are in the network (`ip route get`, `ping {host}`)",
)
NO_SSH_THERE = Cause(
    "what answers at port {port} of {host} is no SSH server, or let the connection fall",
    "see that the port is that of sshd there; an sshd that is too busy, or a firewall, lets "
    "connections fall, too: then run it again",
)
BROKE = Cause("the connection to {address} broke", AGAIN)
NOT_LET_IN = Cause(
    "{address} does not let this key in",
    "is {user} the user of the store there (`keeper`, if nobody chose another)? "
    "To read, say `holdstill connect {address}`: it prints the line to paste there; of a board, "
    "put the line that `holdstill keeper enrol` prints into the authorized_keys file of {user} at "
    "the keeper; or the key was withdrawn. If the line is there, sshd's log there says what it "
    "minds: the modes of that file and its folders, say, or a locked account",
)
KEY_IS_OPEN = Cause(
    "others may read this machine's own key, so ssh does not use it",
    "`sudo chmod 600 /etc/holdstill/board_ed25519`, or whichever the line above names",
    PreflightError,
)
KEY_IS_NONE = Cause(
    "this machine's own key cannot be used",
    "`key` in the board's settings has to be a private key without a passphrase; `holdstill "
    "setup` makes one",
    PreflightError,
)
OTHER_HOST = Cause(
    "{address} answers with another host key than the pinned one", ANOTHER_KEY, SecurityError
)
NO_RSYNC_THERE = Cause(
    "rsync is not installed at {address}",
    "install it there; on Debian: `sudo apt-get install rsync`",
    PreflightError,
)
NO_HOLDSTILL_THERE = Cause(
    "holdstill is not installed at {address}, or not where the key's line in authorized_keys says",
    "install it there; if it has another path since, have the keeper write that line again: "
    "`holdstill keeper enrol STORE BOARD --key KEY.pub --let-in`",
    PreflightError,
)
NO_ROOM = Cause(
    "there is no room where the data goes",
    "`df` at the keeper shows its disk, and `df` here /var/tmp and /run; `holdstill thin` at the "
    "keeper makes room",
)
GARBLED = Cause(
    "rsync here and at {address} do not understand each other",
    "something prints words at login there (a file such as ~/.bashrc of {user}), or rsync is too "
    "old at one end: `rsync --version` at both",
)

_WORDS = (
    (r"Host key verification failed|REMOTE HOST IDENTIFICATION HAS CHANGED", OTHER_HOST),
    (r"UNPROTECTED PRIVATE KEY|bad permissions", KEY_IS_OPEN),
    (r"Load key .*: |Identity file .* not accessible", KEY_IS_NONE),
    (r"Permission denied \((?:publickey|password|keyboard)", NOT_LET_IN),
    (r"Could not resolve hostname|Name or service not known", NAME_UNKNOWN),
    (r"Connection refused", REFUSED),
    (
        r"[Cc]onnection timed out|Operation timed out|not responding|timeout in data send",
        TIMED_OUT,
    ),
    (r"No route to host|Network is unreachable", UNREACHABLE),
    (r"missing programs: [^\n]*rsync|rsync: (?:command )?not found", NO_RSYNC_THERE),
    (r"holdstill: (?:command )?not found|holdstill: No such file", NO_HOLDSTILL_THERE),
    (r"No space left on device|Disk quota exceeded", NO_ROOM),
    (r"protocol version mismatch|is your shell clean", GARBLED),
    (r"Connection closed by|Connection reset by|Broken pipe|kex_exchange|client_loop", BROKE),
    (r"mux_client_\w+: .*(?:master|session)", BROKE),
)
_NUMBERS = {
    errno.ECONNREFUSED: REFUSED,
    errno.ETIMEDOUT: TIMED_OUT,
    errno.EHOSTUNREACH: UNREACHABLE,
    errno.ENETUNREACH: UNREACHABLE,
}


def of_words(words: str, address: HostAddress | None) -> HoldstillError | None:
    """Return the error that a program's last words tell of; None if they fit none.

    Args:
        words: what ssh or rsync printed.
        address: where they should lead; None for a folder of this machine.
    """
    for pattern, cause in _WORDS:
        if re.search(pattern, words):
            return told(cause, address, words)
    return None


def of_exception(error: BaseException, address: HostAddress) -> HoldstillError:
    """Return the error of a connection that this process could not make, or lost."""
    if isinstance(error, socket.gaierror):
        return told(NAME_UNKNOWN, address)
    if isinstance(error, TimeoutError):  # before its number: of a socket it has none
        return told(TIMED_OUT, address)
    # paramiko raises one error for all addresses of a name, which has the others.
    several = getattr(error, "errors", None)
    first = next(iter(several.values()), error) if isinstance(several, dict) else error
    if isinstance(first, OSError) and first.errno in _NUMBERS:
        return told(_NUMBERS[first.errno], address)
    if isinstance(error, ConnectionError):
        return told(BROKE, address, str(error))
    return told(NO_SSH_THERE, address, str(error) or type(error).__name__)


def told(cause: Cause, address: HostAddress | None, words: str = "") -> HoldstillError:
    """Return the error of a cause; what was said by others stands behind it."""
    names = {
        "host": address.host if address else "this machine",
        "port": address.port if address else "",
        "user": address.user if address else "",
        "address": address or "this machine",
    }
    said = " / ".join(line.strip() for line in words.strip().splitlines()[-4:] if line.strip())
    what = cause.what.format(**names) + (f" ({said})" if said else "")
    return cause.kind(what, hint=cause.hint.format(**names))
