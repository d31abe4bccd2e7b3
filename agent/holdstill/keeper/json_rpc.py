"""How calls travel: JSON-RPC 2.0, one message a line (jsonrpc.org/specification).

An error that we raise on purpose travels with its own class and exit code, so that the caller
sees what a caller in the same process would see.
"""

from __future__ import annotations

import typing
from typing import TypeVar

import msgspec

from holdstill import errors
from holdstill.errors import HoldstillError, LinkError, SecurityError, UsageError
from holdstill.keeper import strict_json
from holdstill.model import protocol
from holdstill.model.foreign_text import printable_lines
from holdstill.model.layout import Record

T = TypeVar("T")

ALIVE = b'{"jsonrpc":"2.0","method":"alive"}'
"""A notification: the board is still there. It is not answered."""
INVALID_REQUEST = -32600
"""Of the specification, 5.1; our own errors use their exit codes."""
_TEXT_MAX = 4000

_KINDS: dict[str, type[HoldstillError]] = {
    kind.__name__: kind
    for kind in (
        errors.UsageError,
        errors.BusyError,
        errors.PreflightError,
        errors.LinkError,
        errors.VerificationError,
        errors.DegradedError,
        errors.MachineError,
        errors.SecurityError,
    )
}


class Nothing(Record, frozen=True, kw_only=True):
    """The parameters of a call that has none."""


class BeginParams(Record, frozen=True, kw_only=True):
    """The parameters of `begin`."""

    client: str = ""


class WantedParams(Record, frozen=True, kw_only=True):
    """The parameters of `lacking`."""

    wanted: tuple[protocol.WantedContent, ...]
    folder: int


class IngestParams(Record, frozen=True, kw_only=True):
    """The parameters of `ingest`."""

    digests: tuple[str, ...]
    folder: int
    is_cut: bool = False


class ProofsParams(Record, frozen=True, kw_only=True):
    """The parameters of `prove`."""

    proofs: tuple[protocol.Proof, ...]


class SealParams(Record, frozen=True, kw_only=True):
    """The parameters of `seal`; bytes travel in base64."""

    manifest: bytes
    signature: bytes


class NameParams(Record, frozen=True, kw_only=True):
    """The parameters of calls about one capture."""

    name: str


class StageParams(Record, frozen=True, kw_only=True):
    """The parameters of `stage`."""

    name: str
    digests: tuple[str, ...]


class Call(Record, frozen=True, kw_only=True):
    """A request as it arrives. id is absent in a notification."""

    jsonrpc: str
    method: str
    params: dict[str, object] = msgspec.field(default_factory=dict)
    id: int | None = None


class Fault(Record, frozen=True, kw_only=True):
    """The error object of a response."""

    class Data(Record, frozen=True, kw_only=True):
        """What JSON-RPC has no field for."""

        kind: str = ""
        hint: str = ""

    code: int
    message: str
    data: Data = Data()


class Reply(Record, frozen=True, kw_only=True):
    """A response as it arrives."""

    jsonrpc: str
    id: int | None
    result: object = None
    error: Fault | None = None


def call_line(number: int, method: str, params: Record) -> bytes:
    """Write a request, without the newline."""
    return msgspec.json.encode(
        {"jsonrpc": "2.0", "id": number, "method": method, "params": params}
    )


def read_call(line: bytes) -> Call:
    """Read a request.

    Raises:
        SecurityError: it is not one.
    """
    call = _converted(strict_json.loads(line, limit=protocol.MESSAGE_LIMIT), Call, "a request")
    if call.jsonrpc != "2.0":
        raise SecurityError("a request that is not JSON-RPC 2.0")
    return call


def read_params(call: Call, kind: type[T]) -> T:
    """Read a request's parameters.

    Raises:
        SecurityError: they are not those of this method.
    """
    return _converted(call.params, kind, f"parameters of {call.method!r}")


def result_line(number: int | None, result: object) -> bytes:
    """Write the response to a call that succeeded."""
    return msgspec.json.encode({"jsonrpc": "2.0", "id": number, "result": result})


def error_line(number: int | None, error: HoldstillError, *, code: int | None = None) -> bytes:
    """Write the response to a call that failed."""
    fault = {
        "code": error.exit_code if code is None else code,
        "message": _shown(str(error)),
        "data": {"kind": _kind_of(error), "hint": _shown(error.hint)},
    }
    return msgspec.json.encode({"jsonrpc": "2.0", "id": number, "error": fault})


def _shown(text: str) -> str:
    """Return a message fit to travel: a name in it need not be text."""
    return "\n".join(printable_lines(text))[:_TEXT_MAX]


def read_reply(line: bytes, number: int, kind: type[T]) -> T:
    """Return the result in a response; raise the error that is in it.

    Unknown fields are ignored: a keeper may be newer than its boards.

    Raises:
        HoldstillError: the keeper's own, as its class.
        LinkError: the response is not one, or not to this call.
    """
    try:
        said = strict_json.loads(line, limit=protocol.MESSAGE_LIMIT)
        reply = _converted(_known(said, Reply), Reply, "a response")
    except SecurityError as error:
        raise LinkError(f"the keeper's answer makes no sense: {error}") from error
    if reply.error is not None:
        kind_of_error = _KINDS.get(reply.error.data.kind, LinkError)
        raise kind_of_error(f"keeper: {reply.error.message}", hint=reply.error.data.hint)
    if reply.jsonrpc != "2.0" or reply.id != number:
        raise LinkError("the keeper answered another call than the one made")
    try:
        return msgspec.convert(_known(reply.result, kind), kind)
    except msgspec.ValidationError as error:
        raise LinkError(f"the keeper's answer makes no sense: {error}") from error


def _converted(value: object, kind: type[T], what: str) -> T:
    try:
        return msgspec.convert(value, kind)
    except msgspec.ValidationError as error:
        raise SecurityError(f"{what}: {error}") from error


def _known(value: object, kind: object) -> object:
    """Return a value without the fields that its kind does not have."""
    parts = typing.get_args(kind)
    if isinstance(value, list) and parts:
        return [_known(item, parts[0]) for item in value]
    record = next((part for part in (kind, *parts) if _is_record(part)), None)
    if not isinstance(value, dict) or record is None:
        return value
    fields = {field.encode_name: field.type for field in msgspec.structs.fields(record)}
    return {name: _known(value[name], fields[name]) for name in value if name in fields}


def _is_record(kind: object) -> typing.TypeGuard[type[Record]]:
    return isinstance(kind, type) and issubclass(kind, Record)


def _kind_of(error: HoldstillError) -> str:
    """Return the nearest class of the protocol: a DocumentError is sent as a UsageError."""
    for kind in type(error).__mro__:
        if kind.__name__ in _KINDS:
            return kind.__name__
    return UsageError.__name__ if error.exit_code == UsageError.exit_code else ""
