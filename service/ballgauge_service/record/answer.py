"""What a record holds of a verdict, and what is answered about records, as JSON-ready dicts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ballgauge_service.record import labels
from ballgauge_service.record.request import SigningRequest, canonical_request

FORMAT = "ballgauge-record-1"
DIGITS = 6
"""Significant digits of a finding's numbers in a record (ours); the request in it gives them all again."""

Item = dict[str, Any]


def content(asked: SigningRequest, verdict: Item, *, demo: bool) -> Item:
    """What is signed: the request, the verdict in short, and which rules judged it."""
    people = {"player": asked.player, "event": asked.event}
    return {
        "format": FORMAT,
        "issued_on": asked.issued_on.isoformat(),
        "check": canonical_request(asked.check),
        "outcome": verdict["outcome"],
        "findings": short(verdict["findings"]),
        "rules": verdict["rules"],
        "demo": demo,
        **({"also_on": verdict["also_on"]} if "also_on" in verdict else {}),
        **{name: text for name, text in people.items() if text is not None},
    }


def signed(record: str, kid: str, content: Item) -> Item:
    """The record, with its label where a QR code holds it."""
    return {
        "record": record,
        "label": labels.write_label(record),
        "kid": kid,
        "demo": content["demo"],
        "outcome": content["outcome"],
        "content": content,
    }


def verified(
    state: str,
    kid: str | None,
    *,
    demo: bool | None = None,
    content: Item | None = None,
    recheck: Item | None = None,
    lot: Item | None = None,
) -> Item:
    """What has become of a record; nothing of its content, a ball's or a lot's, unless it is genuine."""
    return {
        "state": state,
        "kid": kid[:100] if kid else None,
        "demo": demo,
        "content": content,
        "recheck": recheck,
        "lot": lot,
    }


def changes(then: Sequence[Item], full: Sequence[Item]) -> list[Item]:
    """Rules that judge otherwise than in the record's findings, by the full findings of today."""
    before, after = ({each["rule"]: each for each in findings} for findings in (then, short(full)))
    titles = {each["rule"]: each["title"] for each in full}
    return [
        {"rule": rule, "title": titles.get(rule, rule), "then": before.get(rule), "now": after.get(rule)}
        for rule in sorted({*before, *after})
        if before.get(rule) != after.get(rule)
    ]


def short(findings: Sequence[Mapping[str, Any]]) -> list[Item]:
    """The findings' outcomes and numbers."""
    return [_short(finding) for finding in findings]


def _short(finding: Mapping[str, Any]) -> Item:
    limit = finding["limit"] or {}
    numbers = {
        "value": finding["value"],
        "uncertainty": finding["uncertainty"],
        "min": limit.get("min"),
        "max": limit.get("max"),
    }
    kept = {name: float(f"{number:.{DIGITS}g}") for name, number in numbers.items() if number is not None}
    return {"rule": finding["rule"], "outcome": finding["outcome"], **kept}
