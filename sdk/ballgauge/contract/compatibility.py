"""What an OpenAPI document breaks of an older one.

Old requests must still be taken, and old readers must find what they read: a request may gain optional
members, an answer may gain members; nothing may be taken away from either, and no limit of a request may
close in.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from ballgauge_schemas.shared.words import ECHOED

_METHODS = ("get", "put", "post", "delete", "options", "head", "patch", "trace")
_LEAST = ("minimum", "exclusiveMinimum", "minLength", "minItems", "minProperties")
_MOST = ("maximum", "exclusiveMaximum", "maxLength", "maxItems", "maxProperties")

Document = dict[str, Any]


def breaking(old: Document, new: Document) -> list[str]:
    """Say, place by place, what a caller of `old` can no longer do with `new`; empty if nothing is lost."""
    return sorted(set(_Comparison(old, new).paths()))


class _Comparison:
    """Two documents, compared schema by schema; pairs of components are compared once."""

    def __init__(self, old: Document, new: Document) -> None:
        self._old, self._new = old, new
        self._seen: set[tuple[str, str, bool]] = set()

    def paths(self) -> Iterator[str]:
        for path, item in self._old["paths"].items():
            after = self._new["paths"].get(path)
            if after is None:
                yield f"{path}: the path is gone"
                continue
            for method in _METHODS:
                if method in item:
                    yield from self._operation(f"{method.upper()} {path}", item[method], after.get(method))

    def _operation(self, place: str, old: Any, new: Any) -> Iterator[str]:
        if new is None:
            yield f"{place}: the method is gone"
            return
        yield from self._parameters(place, old.get("parameters", []), new.get("parameters", []))
        yield from self._bodies(place, old.get("requestBody", {}), new.get("requestBody", {}))
        for status, answer in old.get("responses", {}).items():
            after = new.get("responses", {}).get(status)
            if after is None:
                yield f"{place}: status {status} is gone"
                continue
            before, after = self._follow(self._old, answer), self._follow(self._new, after)
            yield from self._contents(f"{place} {status}", before, after, asked=False)

    def _parameters(self, place: str, old: list[Any], new: list[Any]) -> Iterator[str]:
        known = {(parameter["in"], parameter["name"]): parameter for parameter in new}
        for parameter in old:
            after = known.pop((parameter["in"], parameter["name"]), None)
            where = f"{place} ?{parameter['name']}"
            if after is None:
                yield f"{where}: the parameter is gone"
                continue
            if after.get("required") and not parameter.get("required"):
                yield f"{where}: the parameter is required now"
            yield from self._schemas(where, parameter.get("schema", {}), after.get("schema", {}), asked=True)
            yield from self._contents(where, parameter, after, asked=True)
        for (_, name), parameter in known.items():
            if parameter.get("required"):
                yield f"{place} ?{name}: a new parameter is required"

    def _bodies(self, place: str, old: Document, new: Document) -> Iterator[str]:
        if new.get("required") and not old.get("required"):
            yield f"{place}: a body is required now"
        yield from self._contents(place, old, new, asked=True)

    def _contents(self, place: str, old: Document, new: Document, *, asked: bool) -> Iterator[str]:
        for media, content in old.get("content", {}).items():
            after = new.get("content", {}).get(media)
            if after is None:
                yield f"{place}: the media type {media} is gone"
                continue
            for member in ("schema", "x-line-schema"):
                yield from self._schemas(
                    f"{place} {media}", content.get(member, {}), after.get(member, {}), asked=asked
                )

    def _follow(self, document: Document, value: Document) -> Document:
        while "$ref" in value:
            found: Any = document
            for step in value["$ref"].removeprefix("#/").split("/"):
                found = found[step]
            value = found
        return value

    def _schemas(self, place: str, old: Document, new: Document, *, asked: bool) -> Iterator[str]:
        if "$ref" in old and "$ref" in new:
            key = (old["$ref"], new["$ref"], asked)
            if key in self._seen:
                return
            self._seen.add(key)
            place = f"{'request' if asked else 'answer'} {old['$ref'].rpartition('/')[2]}"
        old, new = self._follow(self._old, old), self._follow(self._new, new)
        yield from _types(place, old, new, asked=asked)
        yield from _words(place, old, new, asked=asked)
        if asked:
            yield from _limits(place, old, new)
        yield from self._members(place, old, new, asked=asked)
        if "items" in old:
            yield from self._schemas(f"{place}/*", old["items"], new.get("items", {}), asked=asked)
        for way in ("oneOf", "anyOf"):
            if way in old:
                after = new.get("oneOf") or new.get("anyOf") or [new]
                yield from self._ways(place, old[way], after, asked=asked)

    def _members(self, place: str, old: Document, new: Document, *, asked: bool) -> Iterator[str]:
        members, after = old.get("properties", {}), new.get("properties", {})
        for name, member in members.items():
            if name in after:
                yield from self._schemas(f"{place}/{name}", member, after[name], asked=asked)
            elif members:
                yield f"{place}/{name}: the member is gone"
        before, now = set(old.get("required", ())), set(new.get("required", ()))
        for name in sorted(now - before if asked else (before - now) & set(after)):
            yield f"{place}/{name}: the member is {'required now' if asked else 'no longer always there'}"
        closed = new.get("additionalProperties") is False and old.get("additionalProperties", True)
        if asked and members and closed:
            yield f"{place}: unknown members are refused now"

    def _ways(self, place: str, old: list[Document], new: list[Document], *, asked: bool) -> Iterator[str]:
        """Each old alternative needs a new one of the same name, or one of the same place."""
        names = {way["$ref"].removesuffix(ECHOED): way for way in new if "$ref" in way}
        plain = [way for way in new if "$ref" not in way]
        for way in old:
            if "$ref" in way:
                after = names.get(way["$ref"].removesuffix(ECHOED))
            else:
                after = next((one for one in plain if one.get("type") == way.get("type")), None)
            if after is None:
                what = str(way.get("$ref") or way.get("type")).rpartition("/")[2]
                yield f"{place}: the alternative {what} is gone"
            else:
                yield from self._schemas(place, way, after, asked=asked)


def _types(place: str, old: Document, new: Document, *, asked: bool) -> Iterator[str]:
    before, now = _listed(old.get("type")), _listed(new.get("type"))
    if before is None and now is None:
        return
    wider, narrower = (now, before) if asked else (before, now)
    if wider is not None and (narrower is None or not _covers(wider, narrower)):
        yield f"{place}: the type was {old.get('type', 'any')}, is {new.get('type', 'any')}"


def _covers(wider: set[str], narrower: set[str]) -> bool:
    return narrower <= (wider | {"integer"} if "number" in wider else wider)


def _listed(value: Any) -> set[str] | None:
    if value is None:
        return None
    return {value} if isinstance(value, str) else set(value)


def _words(place: str, old: Document, new: Document, *, asked: bool) -> Iterator[str]:
    """A request's words may become more, and an answer's too: readers take an unknown word for what it is."""
    if not asked or "enum" not in new:
        return
    if "enum" not in old:
        yield f"{place}: only some words are taken now"
        return
    for word in old["enum"]:
        if word not in new["enum"]:
            yield f"{place}: {word!r} is no longer taken"


_NEEDLESS = re.compile(r"\\([^\w^$\\.*+?()\[\]{}|/-])")
"""A backslash before what needs none, which ECMA 262 refuses under its flag u."""


def _plain(pattern: str) -> str:
    return _NEEDLESS.sub(r"\1", pattern)


def _limits(place: str, old: Document, new: Document) -> Iterator[str]:
    for name in (*_LEAST, *_MOST):
        if name in new:
            closer = name not in old or (new[name] > old[name] if name in _LEAST else new[name] < old[name])
            if closer:
                yield f"{place}: {name} was {old.get(name, 'none')}, is {new[name]}"
    if "pattern" in new and _plain(new["pattern"]) != _plain(old.get("pattern", "")):
        yield f"{place}: the pattern was {old.get('pattern', 'none')}, is {new['pattern']}"
