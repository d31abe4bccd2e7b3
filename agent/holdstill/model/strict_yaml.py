"""Strict decoding of documents from outside: YAML in, frozen structs out.

YAML is cut down to what a settings file needs: no aliases (a page of them can unfold to more
than any memory holds), no tags, no duplicate keys, no surprises such as `no` for False or
12:30 for 750 (YAML 1.2.2, chapter 10.3, the core schema). All problems are reported at once,
each with its key path and, for an unknown key, a guess.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
import types
import typing
from enum import Enum
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeVar

import msgspec
import yaml

from holdstill.errors import DocumentError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

T = TypeVar("T")

DEPTH_MAX = 24
"""Nesting of lists and mappings; the manifest needs 6."""
NODES_MAX = 20_000
"""Keys, values, lists and mappings of one document; a manifest of 128 partitions has 11,000."""
SCALAR_MAX = 16 << 10
"""Characters of one key or value."""
PROBLEMS_MAX = 100
"""Problems that are listed; who made more has to begin again anyway."""


def _refused(problem: str, node: yaml.Node | yaml.Event) -> yaml.MarkedYAMLError:
    return yaml.MarkedYAMLError(
        problem=problem, problem_mark=typing.cast("yaml.Mark", node.start_mark)
    )


class _PlainLoader(yaml.SafeLoader):
    """Safe, without aliases, tags and duplicate keys, and with the core schema's scalars."""

    yaml_implicit_resolvers = {}  # noqa: RUF012  PyYAML keeps them in the class
    _depth = _nodes = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        event: yaml.Event = self.peek_event()  # type: ignore[no-untyped-call]
        if isinstance(event, yaml.NodeEvent) and event.anchor is not None:
            raise _refused("anchors and aliases are not accepted", event)
        if getattr(event, "tag", None) is not None:
            raise _refused("tags are not accepted", event)
        self._measure(event)
        self._depth += 1
        try:
            return super().compose_node(parent, index)
        finally:
            self._depth -= 1

    def _measure(self, event: yaml.Event) -> None:
        """Refuse by shape, as events arrive: no object is made of a document that is too dear."""
        self._nodes += 1
        if self._depth == DEPTH_MAX:
            raise _refused("nested too deeply", event)
        if self._nodes > NODES_MAX:
            raise _refused(f"more than {NODES_MAX:,} keys and values", event)
        if isinstance(event, yaml.ScalarEvent) and len(event.value) > SCALAR_MAX:
            raise _refused(f"a text of more than {SCALAR_MAX:,} characters", event)

    def construct_mapping(
        self,
        node: yaml.MappingNode,
        deep: bool = False,  # noqa: ARG002, FBT001, FBT002  PyYAML's signature
    ) -> dict[typing.Hashable, object]:
        seen: set[str] = set()
        for key_node, _ in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                raise _refused("a key must be plain text", key_node)
            if key_node.value in seen:
                raise _refused(f"{key_node.value!r} stands here twice", key_node)
            seen.add(key_node.value)
        return super().construct_mapping(node, deep=True)


def _whole_number(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    """Read a decimal number; PyYAML would take one that begins with 0 for octal (YAML 1.1)."""
    return int(loader.construct_scalar(node))


def _finite_number(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> float:
    number = float(loader.construct_scalar(node))
    if not math.isfinite(number):
        raise _refused("a number must be finite", node)
    return number


_PlainLoader.add_constructor("tag:yaml.org,2002:int", _whole_number)
_PlainLoader.add_constructor("tag:yaml.org,2002:float", _finite_number)

_SCALARS = {
    "bool": (r"true|True|TRUE|false|False|FALSE", "tTfF"),
    "int": (r"[-+]?[0-9]{1,20}", "-+0123456789"),
    "float": (r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", "-+.0123456789"),
    "null": (r"~|null|Null|NULL|", ["~", "n", "N", ""]),
}
for _tag, (_pattern, _first) in _SCALARS.items():
    _PlainLoader.add_implicit_resolver(
        f"tag:yaml.org,2002:{_tag}", re.compile(rf"(?:{_pattern})\Z"), list(_first)
    )


def needs_quotes(text: str) -> bool:
    """Whether text, written plainly, would be read back as something else than text."""
    return any(re.fullmatch(pattern, text) for pattern, _ in _SCALARS.values())


def load_yaml(data: bytes, name: str, *, limit: int) -> object:
    """Read one YAML document of at most limit bytes into plain values.

    Raises:
        DocumentError: too large, not UTF-8, not YAML, or YAML that we refuse.
    """
    if len(data) > limit:
        raise DocumentError(name, [f"larger than {limit} bytes"])
    try:
        return yaml.load(data.decode(), Loader=_PlainLoader)  # noqa: S506  a SafeLoader, stricter
    except UnicodeDecodeError as error:
        raise DocumentError(name, [f"not UTF-8 at byte {error.start}"]) from error
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        where = f"line {mark.line + 1}, column {mark.column + 1}: " if mark else ""
        tab = "; indent with spaces, not tabs" if "'\\t'" in (error.problem or "") else ""
        raise DocumentError(name, [f"{where}{error.problem}{tab}"]) from error
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise DocumentError(name, [f"not YAML: {error}"]) from error


class _Parsed(Protocol):
    """A type of our own that reads itself from one plain value."""

    @staticmethod
    def parse(value: object) -> object:
        """Return the value decoded; UsageError if it makes no sense."""


def _decode_field(kind: type[_Parsed] | type[Path], value: object) -> object:
    """Decode what msgspec has no type for: absolute paths, sizes, addresses (its dec_hook).

    Raises:
        ValueError: msgspec turns it into a ValidationError with the same text.
    """
    if not issubclass(kind, Path):
        try:
            return kind.parse(value)
        except UsageError as error:
            raise ValueError(str(error)) from error
    if not isinstance(value, str) or not value.startswith("/"):
        raise ValueError("must be an absolute path")
    return Path(value)


def to_plain(value: object) -> object:
    """Turn a struct into plain values, such that `decode` reads it back."""
    return msgspec.to_builtins(
        value, enc_hook=lambda field: int(field) if isinstance(field, int) else str(field)
    )


def decode(document: object, kind: type[T], name: str) -> T:
    """Turn plain values into a struct.

    Raises:
        DocumentError: with every problem, not only the first.
    """
    problems = list(islice(_problems(document, kind, ""), PROBLEMS_MAX))
    if not problems:
        try:
            return msgspec.convert(document, kind, dec_hook=_decode_field)
        except msgspec.ValidationError as error:
            problems = [str(error)]
    raise DocumentError(name, problems)


def prepare(kinds: Iterable[type[msgspec.Struct]]) -> None:
    """Read a document, and have made what decoding into these structs needs.

    It is made when it is needed first: processes that are forked after this share it.
    """
    load_yaml(b"a: {b: [1, 1.5, true, ~, text]}\n", "trial", limit=64)
    for kind in kinds:
        for _ in _problems({}, kind, ""):
            pass
        with contextlib.suppress(msgspec.ValidationError):
            msgspec.convert({}, kind, dec_hook=_decode_field)


def decode_checked(
    document: object,
    kind: type[T],
    name: str,
    *,
    check: Callable[[T], list[str]],
    stand_ins: Mapping[str, object],
) -> T:
    """Turn plain values into a struct, and have the values checked as well.

    All problems are reported at once: where keys or types are wrong, what is right is checked all
    the same, with stand_ins for the required keys that are not.

    Raises:
        DocumentError: with every problem, of keys, types and values.
    """
    problems = list(islice(_problems(document, kind, ""), PROBLEMS_MAX))
    if not problems:
        value = decode(document, kind, name)
        problems = check(value)
        if not problems:
            return value
    else:
        with contextlib.suppress(msgspec.ValidationError):
            problems += check(
                msgspec.convert(
                    {**stand_ins, **_sound(document, kind)}, kind, dec_hook=_decode_field
                )
            )
    raise DocumentError(name, problems)


def _sound(value: object, kind: object) -> dict[str, object]:
    """Return the keys of a mapping whose values are well-formed."""
    struct = _struct_for(value, kind)
    if struct is None or not isinstance(value, dict):
        return {}
    found: dict[str, object] = {}
    for field in msgspec.structs.fields(struct):
        if field.encode_name in value:
            inner = value[field.encode_name]
            if not any(_problems(inner, field.type, "")):
                found[field.encode_name] = inner
            elif _is_struct(field.type):
                found[field.encode_name] = _sound(inner, field.type)
    return found


def _problems(value: object, kind: object, path: str) -> Iterator[str]:
    """Yield one line a problem, walking into structs and lists of structs."""
    struct = _struct_for(value, kind)
    if struct is not None:
        yield from _struct_problems(value, struct, path)
        return
    origin, parts = typing.get_origin(kind), typing.get_args(kind)
    if origin in {list, tuple} and isinstance(value, list):
        for number, item in enumerate(value):
            yield from _problems(item, parts[0], f"{path}[{number}]")
        return
    try:
        msgspec.convert(value, kind, dec_hook=_decode_field)
    except msgspec.ValidationError as error:
        text = str(error)
        said = _choices(value, kind) or _in_words(text, value)
        yield f"{path or 'document'}: {said}"


_EXPECTED = re.compile(r"Expected `(\w+)(?: \| null)?`, got `\w+`(.*)")
"""How msgspec says that a value has another type; tests/unit/model hears it say so."""
_KINDS = {
    "bool": "true or false",
    "int": "a whole number",
    "float": "a number",
    "str": "text (in quotes, if it looks like a number)",
    "array": "a list, such as [one, two]",
    "object": "keys with values",
}


def _in_words(text: str, value: object) -> str:
    """Return what a decoder says of a value of another type in words of YAML, not of Python."""
    match = _EXPECTED.match(text)
    if match is None or match[1] not in _KINDS:
        return text[:1].lower() + text[1:]
    return f"must be {_KINDS[match[1]]}; found {_found(value)}"


def _found(value: object) -> str:
    """Describe a value that is of the wrong kind, as its writer sees it."""
    match value:
        case None:
            return "nothing"
        case bool():
            return str(value).lower()
        case list():
            return "a list"
        case dict():
            return "keys with values"
        case str():
            return f'"{value[:_GUESSED]}"'
        case _:
            return f"{value}"


def _choices(value: object, kind: object) -> str:
    """Return the allowed values of an enumerated field; "" for any other field."""
    if not isinstance(kind, type) or not issubclass(kind, Enum):
        return ""
    return f"expected one of {', '.join(str(member.value) for member in kind)}; found {value!r}"


def _struct_problems(value: object, struct: type[msgspec.Struct], path: str) -> Iterator[str]:
    if not isinstance(value, dict):
        what = path or "the document"
        yield f"{what}: must be keys with values, such as `key: value`; found {_found(value)}"
        return
    fields = {field.encode_name: field for field in msgspec.structs.fields(struct)}
    tag = struct.__struct_config__.tag_field
    for name in value:
        if name not in fields and name != tag:
            yield f"{_dotted(path, str(name))}: unknown key{_guess(str(name), [*fields])}"
    for name, field in fields.items():
        if name in value:
            yield from _problems(value[name], field.type, _dotted(path, name))
        elif field.required:
            yield f"{_dotted(path, name)}: missing"


def _struct_for(value: object, kind: object) -> type[msgspec.Struct] | None:
    """Find the struct that describes value: kind itself, or the tagged member of a union."""
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return kind
    if not isinstance(kind, types.UnionType) and typing.get_origin(kind) is not typing.Union:
        return None
    members = [m for m in typing.get_args(kind) if _is_struct(m)]
    if isinstance(value, dict):
        for member in members:
            config = member.__struct_config__
            if config.tag is None or value.get(config.tag_field) == config.tag:
                return typing.cast("type[msgspec.Struct]", member)
    return None


def _is_struct(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _dotted(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


_GUESSED = 100
"""Characters of an unknown key that are compared."""


def _guess(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name[:_GUESSED], known, n=1, cutoff=0.5)
    return f'; did you mean "{near[0]}"?' if near else f"; known are {', '.join(sorted(known))}"
