"""Signing a verdict, and saying later what has become of it.

A record is the canonical JSON (RFC 8785) of: the request with every quantity in its trade unit, the outcome,
the findings in short, which rules judged it and a digest of them, and the date that the request names.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any

import rfc8785

from ballgauge_schemas import CHECK_REQUEST, Quantity, ValidationError
from ballgauge_service import rulebooks
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.record import labels
from ballgauge_service.record.keys import Keyring, unsigned

FORMAT = "ballgauge-record-1"
DIGITS = 6
"""Significant digits of a finding's numbers in a record (ours); the request in it gives them all again."""

Item = dict[str, Any]


def canonical_request(item: Any) -> Any:
    """Write a loaded request as JSON again: quantities in trade units, with uncertainty if they have one."""
    if isinstance(item, Quantity):
        if item.uncertainty is None:
            return item.value
        return {"value": item.value, "uncertainty": item.uncertainty}
    if isinstance(item, Mapping):
        return {name: canonical_request(value) for name, value in item.items()}
    if isinstance(item, (list, tuple)):
        return [canonical_request(value) for value in item]
    return item.isoformat() if isinstance(item, datetime.date) else item


def sign(asked: Item, keyring: Keyring) -> Item:
    """Check a ball and sign what comes out.

    Parameters
    ----------
    asked : dict
        A loaded request: `check`, `issued_on` and, optionally, `player` and `event`.

    Raises
    ------
    NoSigningKey
        The service has no private key.
    InvalidInput
        The check cannot be computed; pointers are relative to the check.
    """
    kid = keyring.signing_kid
    (answer,) = evaluate_checks([asked["check"]])
    content: Item = {
        "format": FORMAT,
        "issued_on": asked["issued_on"].isoformat(),
        "check": canonical_request(asked["check"]),
        "outcome": answer["outcome"],
        "findings": _short(answer["findings"]),
        "rules": {**answer["rules"], "digest": rules_digest(answer["rules"])},
        "demo": keyring.is_demo(kid),
    }
    content |= {name: asked[name] for name in ("player", "event") if name in asked}
    record = keyring.sign(rfc8785.dumps(content))
    return {
        "record": record,
        "label": labels.write_label(record),
        "kid": kid,
        "demo": content["demo"],
        "outcome": answer["outcome"],
        "content": content,
    }


def verify(text: str, on: datetime.date | None, keyring: Keyring) -> Item:
    """Say what a record is: `genuine`, `altered` or `unknown_key`; and, if genuine, whether rules changed.

    Raises
    ------
    ValueError
        The text is no record at all.
    """
    record = labels.read_label(text) if text.startswith(labels.PREFIX) else text
    found = unsigned(record)
    state = _state(record, found.kid, keyring)
    content = _content(found.payload) if state == "genuine" else None
    if state == "genuine" and content is None:
        raise ValueError("the key has signed something that is no record")
    return {
        "state": state,
        "kid": found.kid[:100] if found.kid else None,
        "demo": None if content is None else bool(content["demo"] or keyring.is_demo(found.kid or "")),
        "content": content,
        "recheck": None if content is None else _recheck(content, on),
    }


def rules_digest(rules: Mapping[str, Any]) -> str:
    """SHA-256 of every rule and limit, of all dates, that a check by these rules can be judged by."""
    listed = rulebooks.describe(rules["body"], None, rules["stage"], rules["overlay"])["rules"]
    judged = [
        {
            name: rule[name]
            for name in ("rule", "quantity", "unit", "binds", "stages", "when_measured", "advisory")
        }
        | {"limits": sorted(_plain_limit(limit) for limit in (*rule["limits"], *rule["other_limits"]))}
        for rule in listed
    ]
    return hashlib.sha256(rfc8785.dumps(judged)).hexdigest()


def _plain_limit(limit: Mapping[str, Any]) -> str:
    names = ("effect", "min", "max", "effective_from", "effective_to", "when")
    return json.dumps({name: limit[name] for name in names}, sort_keys=True, default=str)


def _state(record: str, kid: str | None, keyring: Keyring) -> str:
    if not keyring.knows(kid):
        return "unknown_key"
    return "genuine" if keyring.is_genuine(record) else "altered"


def _content(payload: bytes) -> Item | None:
    try:
        content = json.loads(payload)
    except ValueError:
        return None
    return content if isinstance(content, dict) and content.get("format") == FORMAT else None


def _recheck(content: Item, on: datetime.date | None) -> Item:
    """Judge the record's request by the rules this service knows, of the day `on` or the record's own."""
    then, rules = content["findings"], content["rules"]
    day = on.isoformat() if on else rules["on"]
    request = content["check"] | {"rules": content["check"]["rules"] | {"on": day}}
    known_now: Item = {"on": day, "rules_changed": True, "outcome": None, "changes": []}
    try:
        (answer,) = evaluate_checks([CHECK_REQUEST.load(request)])
        digest = rules_digest(answer["rules"])
    except (ValidationError, InvalidInput, rulebooks.UnknownRulebookError):
        return known_now
    changes = _changes(then, _short(answer["findings"]), answer["findings"])
    limits_changed = any(_limit(change["then"]) != _limit(change["now"]) for change in changes)
    return known_now | {
        "rules_changed": digest != rules["digest"] or limits_changed,
        "outcome": answer["outcome"],
        "changes": changes,
    }


def _changes(then: Sequence[Item], now: Sequence[Item], full: Sequence[Item]) -> list[Item]:
    before, after = ({each["rule"]: each for each in findings} for findings in (then, now))
    titles = {each["rule"]: each["title"] for each in full}
    return [
        {"rule": rule, "title": titles.get(rule, rule), "then": before.get(rule), "now": after.get(rule)}
        for rule in sorted({*before, *after})
        if before.get(rule) != after.get(rule)
    ]


def _limit(finding: Item | None) -> tuple[Any, Any] | None:
    return None if finding is None else (finding.get("min"), finding.get("max"))


def _short(findings: Sequence[Item]) -> list[Item]:
    return [_short_finding(finding) for finding in findings]


def _short_finding(finding: Item) -> Item:
    limit = finding["limit"] or {}
    numbers = {
        "value": finding["value"],
        "uncertainty": finding["uncertainty"],
        "min": limit.get("min"),
        "max": limit.get("max"),
    }
    kept = {name: _rounded(number) for name, number in numbers.items() if number is not None}
    return {"rule": finding["rule"], "outcome": finding["outcome"], **kept}


def _rounded(number: float) -> float:
    return float(f"{number:.{DIGITS}g}")
