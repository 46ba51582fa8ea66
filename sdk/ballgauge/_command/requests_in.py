"""Request files, and the options that override what they say."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import click

from ballgauge import _check, _encoding
from ballgauge_schemas.shared.text import utf8


def read(
    body: bytes,
    member: str,
    rules: Mapping[str, Any],
    detail: str | None = None,
    also_on: Sequence[str] = (),
    approved: Sequence[Mapping[str, Any]] | None = None,
) -> bytes:
    """Read a request, one or a batch under `member`, with `rules` put over those of every item.

    detail, also_on : in place of the request's
    approved : rows of an approved list, for items that have none

    What cannot be read goes to the service as it is: one place says what is wrong with a request.
    """
    body = utf8(body)
    if not rules and detail is None and not also_on and approved is None:
        return body
    try:
        document = json.loads(body, object_pairs_hook=_members)
    except (ValueError, RecursionError):
        return body
    for item in items(document, member):
        lay(item, rules, also_on)
    if approved is not None and isinstance(document, dict):
        holder = document if member in document else document.setdefault("rules", {})
        if isinstance(holder, dict):
            holder.setdefault("approved_list", approved)
    if detail is not None and isinstance(document, dict):
        document["detail"] = detail
    return _encoding.encode(document)


def lay(item: Any, rules: Mapping[str, Any], also_on: Sequence[str] = ()) -> Any:
    """Put rules over those of a request, and days in place of its own; gives the request."""
    if rules and isinstance(item, dict) and isinstance(item.get("rules", {}), dict):
        item["rules"] = item.get("rules", {}) | rules
    if also_on and isinstance(item, dict):
        item["also_on"] = also_on
    return item


def items(document: Any, member: str) -> list[Any]:
    """The requests of a batch, or the one."""
    if isinstance(document, dict) and isinstance(document.get(member), list):
        items: list[Any] = document[member]
        return items
    return [document]


def approved_rows(path: str) -> list[Mapping[str, Any]]:
    """Read an approved list. Raises click.ClickException naming every line that is wrong."""
    try:
        return _check.approved_rows(path)
    except (OSError, ValueError) as error:
        raise click.ClickException(f"{path}: {error}") from None


def json_object(text: bytes) -> dict[str, Any]:
    """Read a JSON object. Raises ValueError whose text says what else it is."""
    try:
        found = json.loads(utf8(text), object_pairs_hook=_members)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"is not JSON: {error}") from None
    if not isinstance(found, dict):
        raise ValueError("holds no JSON object")
    return found


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) < len(pairs):
        raise ValueError("duplicate name")
    return members
