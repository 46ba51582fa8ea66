"""Kept requests: sending one, writing down what its answer promises, comparing a later answer with that."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

HERE = Path(__file__).parent

WORDS = frozenset(
    {
        "align", "basis", "body", "direction", "edition", "field", "format", "hand", "kid", "kind", "outcome",
        "overlay", "pointer", "quantity", "reason", "role", "rule", "serial", "shape", "stage", "state",
        "status", "symmetry", "unit",
    }
)  # fmt: skip
"""Members whose text is promised; other text (titles, messages, cautions) may be worded better."""

SAID = frozenset(
    {"assumptions", "cautions", "detail", "meaning", "message", "notes", "reason", "title", "warnings"}
)
"""Members that hold sentences for a person, alone or in an array."""

KEYED = ("rule", "pointer")
"""Members by which the entries of an array are matched; without them entries are matched by place."""

FREE = frozenset({"assumptions", "cautions", "edition", "digest", "rules_changed"})
"""Members whose presence and type is promised, not their content."""


def versions() -> list[str]:
    """The versions that are kept, oldest first."""
    found = [folder.name for folder in HERE.iterdir() if (folder / "openapi.json").is_file()]
    return sorted(found, key=lambda name: tuple(map(int, name.split("."))))


def kept(version: str) -> dict[str, dict[str, Any]]:
    """What is kept of a version, by name: request and answer."""
    folder = HERE / version / "requests"
    return {file.stem: json.loads(file.read_text(encoding="utf-8")) for file in sorted(folder.glob("*.json"))}


def send(client: Any, request: dict[str, Any]) -> Any:
    """Send a kept request through a test client."""
    headers = {"Accept": request["accept"]} if "accept" in request else {}
    path, body = request["path"], None
    if "lot" in request:
        body = request["lot"].encode()
        path += "?name=lot.csv&options=" + quote(json.dumps(request["json"]))
    elif "json" in request:
        body = json.dumps(request["json"], ensure_ascii=False).encode()
    return client.open(
        path, method=request["method"], data=body, headers=headers, content_type=request.get("content_type")
    )


def answer_of(response: Any) -> dict[str, Any]:
    """What is written down of an answer: its status, its type, and its body where that is data."""
    media = response.mimetype
    answer: dict[str, Any] = {"status": response.status_code, "media_type": media}
    if media in ("application/json", "application/problem+json"):
        answer["body"] = json.loads(response.data)
    elif media == "application/x-ndjson":
        answer["body"] = [json.loads(line) for line in response.data.splitlines()]
    elif media == "text/csv":
        answer["body"] = response.data.decode().splitlines()[0].split(",")
    return answer


def promised(answer: Any, name: str = "") -> Any:
    """What an answer promises: the same without texts that may change, and without what is free."""
    if isinstance(answer, dict):
        return {member: promised(value, member) for member, value in answer.items()}
    if isinstance(answer, list):
        return [] if name in FREE else [promised(entry, name) for entry in answer]
    return "" if isinstance(answer, str) and name not in WORDS else answer


def said(answer: Any, name: str = "", members: frozenset[str] = SAID) -> Iterator[str]:
    """The sentences that an answer holds in such members, in its order."""
    if isinstance(answer, dict):
        for member, value in answer.items():
            yield from said(value, member, members)
    elif isinstance(answer, list):
        for entry in answer:
            yield from said(entry, name, members)
    elif isinstance(answer, str) and name in members:
        yield answer


def line(document: Any) -> str:
    """A kept document as it stands in its file: one line, since nobody reads it."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"


def broken_promises(old: Any, new: Any, tolerance: float, pointer: str = "", name: str = "") -> Iterator[str]:
    """Say where `new` does not keep what `old` promised.

    Every member that existed exists, with its type; numbers agree to `tolerance`; words of `WORDS` are the
    same; arrays hold what they held, matched by rule or pointer where their entries have one.
    """
    if old is None:
        return
    if _kind(old) != _kind(new):
        yield f"{pointer}: was {_kind(old)}, is {_kind(new)}"
    elif isinstance(old, dict):
        yield from _members(old, new, tolerance, pointer)
    elif name in FREE:
        return
    elif isinstance(old, list):
        yield from _entries(old, new, tolerance, pointer, name)
    elif not _same(old, new, tolerance, name):
        yield f"{pointer}: was {old!r}, is {new!r}"


def _same(old: Any, new: Any, tolerance: float, name: str) -> bool:
    if isinstance(old, bool):
        return old is new
    if isinstance(old, (int, float)):
        return math.isclose(old, new, rel_tol=tolerance, abs_tol=tolerance)
    return name not in WORDS or old == new


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "truth value"
    if isinstance(value, (int, float)):
        return "number"
    return {dict: "object", list: "array", str: "string"}.get(type(value), "null")


def _members(old: dict[str, Any], new: dict[str, Any], tolerance: float, pointer: str) -> Iterator[str]:
    for name, value in old.items():
        if name not in new:
            yield f"{pointer}/{name}: is gone"
        else:
            yield from broken_promises(value, new[name], tolerance, f"{pointer}/{name}", name)


def _entries(old: list[Any], new: list[Any], tolerance: float, pointer: str, name: str) -> Iterator[str]:
    key = next(
        (key for key in KEYED if old and all(isinstance(one, dict) and key in one for one in old)), None
    )
    if key is None:
        if len(new) != len(old):
            yield f"{pointer}: had {len(old)} entries, has {len(new)}"
        for at, (before, after) in enumerate(zip(old, new, strict=False)):
            yield from broken_promises(before, after, tolerance, f"{pointer}/{at}", name)
        return
    for before in old:
        same = [after for after in new if isinstance(after, dict) and after.get(key) == before[key]]
        if not same:
            yield f"{pointer}: the entry of {key} {before[key]!r} is gone"
            continue
        found = [
            list(broken_promises(before, after, tolerance, f"{pointer}/{before[key]}")) for after in same
        ]
        yield from min(found, key=len)
