"""Overlays of one's own: what they need not say, so that a tournament writes its rules in ten lines."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from ballgauge_service.rulebooks.model import COLUMNS

_SOURCE = "overlay"


def completed(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """An overlay with all that it leaves out, as a rule file has it; a body's rulebook as it is.

    What is not of the shape that the schema asks for stays, for the schema to name.
    """
    head = data.get("overlay")
    if not isinstance(head, dict):
        return data
    title = head.get("title") or _words(head.get("name"))
    head = {
        "title": title,
        "document": title,
        "edition": "as its author states it",
        "compiled_on": date(1900, 1, 1),
        **head,
    }
    rules = [_rule(rule, title) for rule in data["rule"]] if _tables(data.get("rule")) else data.get("rule")
    found = {**data, "overlay": head}
    if rules is not None:
        found["rule"] = rules
    rows = [row for rule in rules or () if _tables([rule]) for row in _listed(rule.get("limit"))]
    sources = data.get("source", {})
    if isinstance(sources, dict) and any(row.get("source") == _SOURCE for row in rows):
        found["source"] = {_SOURCE: {"document": head["document"], "date": "undated"}, **sources}
    return found


def _rule(rule: Mapping[str, Any], title: str) -> dict[str, Any]:
    found: dict[str, Any] = {"title": _words(rule.get("id")), "binds": "use", "stages": ["play"], **rule}
    if isinstance(rule.get("quantity"), str) and rule["quantity"] in COLUMNS:
        found = {"unit": COLUMNS[rule["quantity"]], **found}
    if _tables(rule.get("limit")):
        found["limit"] = [_limit(row, title) for row in rule["limit"]]
    return found


def _limit(row: Mapping[str, Any], title: str) -> dict[str, Any]:
    found = {"basis": "published", "source": _SOURCE, **row}
    return found if found.get("effect", "limit") == "limit" else {"note": f"By {title}.", **found}


def _tables(found: Any) -> bool:
    return isinstance(found, list) and all(isinstance(each, dict) for each in found)


def _listed(found: Any) -> list[dict[str, Any]]:
    return found if _tables(found) else []


def _words(name: Any) -> str:
    return str(name or "overlay").replace("_", " ").capitalize()
