"""Request bodies: strict JSON or a refusal that says where it is wrong."""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import TYPE_CHECKING, Any, TypeAlias

import orjson

from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_schemas.shared.problems import escape
from ballgauge_service.web.http import deprecation
from ballgauge_service.web.http.refusals import STATUS_WORDS, Refusal

if TYPE_CHECKING:
    from flask import Request

DEEPEST_NESTING = 32
"""Levels of objects and arrays; ours. The deepest request the contract knows has eight."""

_LONGEST_INTEGER = 19
_JSON_TYPE = re.compile(r"application/([a-z0-9!#$&^_.+-]+\+)?json")
_HALF_A_PAIR = re.compile("[\ud800-\udfff]")
_DIGITS = bytes.maketrans(b"123456789", b"000000000")
_LONG = b"0" * _LONGEST_INTEGER
_SPACED = re.compile(rb'"[ \t\r\n]+:')
_AS_BRACKETS = bytes.maketrans(b"{}", b"[]")
_NO_BRACKETS = bytes(set(range(256)) - set(b"[]{}"))
_UNNAMEABLE = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")

BAD_NAME = "a name here holds a control character or half of a surrogate pair"

_Path: TypeAlias = "tuple[_Path, str | int] | None"
"""The way from the root to a value: each step holds the one before it. Text is made of it for errors only."""


class _Repeated(dict[str, Any]):
    """An object with duplicate names; those that can be pointed at are in `repeated`."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        counts = Counter(name for name, _ in pairs)
        self.repeated = [name for name, count in counts.items() if count > 1 and is_name(name)]


def read_json(request: Request) -> Any:
    """Read the body of a request as JSON.

    Numbers too long for an integer become floats, and those beyond a float's range, NaN and Infinity become
    non-finite floats, which the contract refuses by the name of their field. Raises Refusal: 413 for a body
    too large; 400 for one that is empty, not UTF-8, not JSON or nested too deep, and for duplicate names; 415
    for another content type, character set or content coding.
    """
    body = request.get_data(cache=False)
    require_size(body)
    _require_json(request)
    return read_text(body)


def read_text(text: bytes) -> Any:
    """Read JSON that came in a part of a body, or in a query; raises Refusal as `read_json` does."""
    document = parse_json(text)
    deprecation.note(document)
    return document


def require_size(body: bytes) -> None:
    """Refuse a body that is empty, or larger than is read."""
    if len(body) > BODY_MAXIMUM:
        raise Refusal(413, STATUS_WORDS[413])
    if not body:
        raise Refusal(400, "the body is empty; send one JSON object")


def parse_json(text: bytes) -> Any:
    """Parse JSON, whoever sent it; raises Refusal as `read_json` does."""
    try:
        return _parse_plain(text)
    except ValueError:
        document = _parse(_decode(text))
        _inspect(document)
        return document


def _parse_plain(text: bytes) -> Any:
    """Parse what is plainly good JSON, fast. Raises ValueError where it may not be, or may be read otherwise.

    A duplicate name is found by counting: fewer names are left than there are colons behind quotation
    marks. Depth is counted by taking away the innermost brackets level by level.
    """
    if not text.isascii() or b"\\" in text or b"\x7f" in text or _LONG in text.translate(_DIGITS):
        raise ValueError("characters or numbers to be looked at one by one")
    document = orjson.loads(text)
    if orjson.dumps(document).count(b'":') != text.count(b'":') + len(_SPACED.findall(text)):
        raise ValueError("a duplicate name, or a text that holds what looks like one")
    brackets = text.translate(_AS_BRACKETS, _NO_BRACKETS)
    for _ in range(DEEPEST_NESTING):
        brackets = brackets.replace(b"[]", b"")
    if brackets:
        raise ValueError("nested too deep, or a text that holds brackets")
    return document


def _require_json(request: Request) -> None:
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    if not _JSON_TYPE.fullmatch(request.mimetype):
        sent = f"not {request.mimetype[:100]!r}" if request.mimetype else "none was sent"
        raise Refusal(415, f"the content type must be application/json; {sent}")
    if charset not in ("utf-8", "utf8"):
        raise Refusal(415, f"the character set must be utf-8, not {charset[:100]!r}")
    require_plain(request)


def require_plain(request: Request) -> None:
    """Refuse a body that is packed."""
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise Refusal(415, "the body must be sent as it is, without a content coding")


def _decode(body: bytes) -> str:
    try:
        return body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise Refusal(400, f"the body is not UTF-8: byte {error.start} cannot be read") from None


def _parse(text: str) -> Any:
    try:
        return json.loads(text, object_pairs_hook=_object, parse_int=_integer)
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno} (character {error.pos})"
        raise Refusal(400, f"the body is not JSON: {error.msg} at {place}") from None
    except RecursionError:
        raise _too_deep() from None


def _integer(digits: str) -> int | float:
    return int(digits) if len(digits) <= _LONGEST_INTEGER else float(digits)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    return members if len(members) == len(pairs) else _Repeated(pairs)


def _inspect(document: Any) -> None:
    """Refuse what JSON's grammar lets through: deep nesting, duplicate names, bad characters.

    The walk keeps its own stack, so that no body can exhaust the interpreter's.
    """
    errors: list[dict[str, str]] = []
    stack: list[tuple[Any, _Path, int]] = [(document, None, 1)]
    while stack:
        value, path, depth = stack.pop()
        if isinstance(value, str):
            if not is_text(value):
                errors.append(_error(path, "holds half of a surrogate pair"))
            continue
        if not isinstance(value, (dict, list)):
            continue
        if depth > DEEPEST_NESTING:
            raise _too_deep()
        if isinstance(value, dict):
            named = {name: member for name, member in value.items() if is_name(name)}
            if len(named) < len(value):
                errors.append(_error(path, BAD_NAME))
            twice = value.repeated if isinstance(value, _Repeated) else ()
            errors += [_error((path, name), "duplicate name") for name in twice]
            stack += [(member, (path, name), depth + 1) for name, member in named.items()]
        else:
            stack += [(member, (path, index), depth + 1) for index, member in enumerate(value)]
    if errors:
        raise Refusal(400, "the body is not usable JSON", sorted(errors, key=lambda error: error["pointer"]))


def is_text(value: str) -> bool:
    """Say whether a string is Unicode text, without halves of surrogate pairs."""
    return value.isascii() or not _HALF_A_PAIR.search(value)


def is_name(name: str) -> bool:
    """Say whether a name of a member can be shown and pointed at."""
    return not _UNNAMEABLE.search(name)


def _error(path: _Path, detail: str) -> dict[str, str]:
    names: list[str] = []
    while path is not None:
        path, name = path
        names.append(f"/{escape(str(name))}")
    return {"pointer": "".join(reversed(names)), "detail": detail}


def _too_deep() -> Refusal:
    return Refusal(400, f"the body is nested too deep; {DEEPEST_NESTING} levels are allowed")
