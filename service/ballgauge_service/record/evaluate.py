"""Signing a verdict, and saying later what has become of it.

A record is the canonical JSON (RFC 8785) of: the request with every quantity in its trade unit, the outcome,
the findings in short, which rules judged it and a digest of them, and the date that the request names.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import rfc8785

from ballgauge_schemas import CHECK, ValidationError
from ballgauge_schemas.record.documents import LotRecordContentSchema, RecordContentSchema
from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_schemas.shared.problems import flatten
from ballgauge_schemas.shared.words import LOT_RECORD_FORMAT
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.check.identity import looked_up
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.record import answer, labels
from ballgauge_service.record.keys import Keyring, unsigned
from ballgauge_service.record.request import SigningRequest
from ballgauge_service.rulebooks import approved_list

Item = dict[str, Any]

_SCHEMAS = {answer.FORMAT: RecordContentSchema(), LOT_RECORD_FORMAT: LotRecordContentSchema()}
FORMATS = tuple(_SCHEMAS)
"""Forms of records that are believed: of a ball, which is judged again, and of a lot, whose file is not
here. A record of a later version may have members that are not known here.
"""


Judge = Callable[[list[Item]], list[Item]]
"""Answers loaded checks; one that knows layers takes checks with a design too."""


def sign(loaded: Mapping[str, Any], keyring: Keyring, judge: Judge = evaluate_checks) -> Item:
    """Check a ball and sign what comes out.

    Parameters
    ----------
    loaded : mapping
        As `RECORD_REQUEST` loads it: `check`, `issued_on` and, optionally, `player` and `event`.

    Raises
    ------
    NoSigningKey
        The service has no private key.
    InvalidInput
        The check cannot be computed; pointers are relative to the check.
    """
    asked, kid = SigningRequest(**loaded), keyring.signing_kid
    (verdict,) = judge([asked.check])
    asked = replace(asked, check=_with_rows(asked.check))
    content = answer.content(asked, verdict, demo=keyring.is_demo(kid))
    return answer.signed(keyring.sign(rfc8785.dumps(content)), kid, content)


def _with_rows(check: Item) -> Item:
    """The check with those rows of the approved list alone that its ball was looked up in."""
    source = check["rules"].get("approved_list", approved_list())
    if source is None:
        return check
    listing = looked_up(check["ball"].get("name"), source, "request")
    rows = ApprovedList(listing.rows + listing.near)
    return {**check, "rules": {**check["rules"], "approved_list": rows}}


def sign_content(content: Mapping[str, Any], keyring: Keyring) -> Item:
    """Sign what another capability says of its own verdict: `format`, `issued_on`, `outcome` and so on.

    Raises NoSigningKey.
    """
    kid = keyring.signing_kid
    whole = {**content, "demo": keyring.is_demo(kid)}
    return answer.signed(keyring.sign(rfc8785.dumps(whole)), kid, whole)


def token_of(text: str) -> str:
    """The record itself, of a record or its label's text. Raises ValueError for a label that has none."""
    return labels.read_label(text) if text.startswith(labels.PREFIX) else text


def verify(text: str, on: datetime.date | None, keyring: Keyring, judge: Judge = evaluate_checks) -> Item:
    """Say what a record is: `genuine`, `altered` or `unknown_key`; and, if genuine, whether rules changed.

    Raises
    ------
    ValueError
        The text is no record at all.
    """
    record = token_of(text)
    found = unsigned(record)
    if not keyring.knows(found.kid):
        return answer.verified("unknown_key", found.kid)
    if not keyring.is_genuine(record):
        return answer.verified("altered", found.kid)
    content, kid = _content(found.payload), str(found.kid)
    if not keyring.signed_on(kid, datetime.date.fromisoformat(content["issued_on"])):
        return answer.verified("unknown_key", kid)
    demo = content["demo"] or keyring.is_demo(kid)
    if content["format"] != answer.FORMAT:
        return answer.verified("genuine", found.kid, demo=demo, lot=content)
    return answer.verified(
        "genuine", found.kid, demo=demo, content=content, recheck=_recheck(content, on, judge)
    )


def _content(payload: bytes) -> Item:
    try:
        content = json.loads(payload)
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict) or content.get("format") not in FORMATS:
        raise ValueError("what the key signed is not a record")
    try:
        _SCHEMAS[content["format"]].load(content)
    except ValidationError as error:
        wrong = [fault["pointer"] for fault in flatten(error.messages, unknown=False)]
        if wrong:
            raise ValueError(
                f"what the key signed is not a whole record; missing or wrong: {', '.join(wrong[:5])}"
            ) from None
    return content


def _recheck(content: Item, on: datetime.date | None, judge: Judge) -> Item:
    """Judge the record's request by the rules this service knows, of the day `on` or the record's own."""
    rules = content["rules"]
    day = on.isoformat() if on else rules["on"]
    asked = content["check"].get("rules", {}) | {"on": day}
    if approved_list() is not None:
        # What the list has of the ball may have changed since.
        asked.pop("approved_list", None)
    request = content["check"] | {"rules": asked}
    try:
        (verdict,) = judge([CHECK.load(request)])
    except (ValidationError, InvalidInput):
        return {"on": day, "rules_changed": True, "outcome": None, "changes": []}
    changes = answer.changes(content["findings"], verdict["findings"])
    limits_changed = any(_limit(change["then"]) != _limit(change["now"]) for change in changes)
    listed_otherwise = any(change["rule"] == "identity" for change in changes)
    return {
        "on": day,
        "rules_changed": verdict["rules"]["digest"] != rules["digest"] or limits_changed or listed_otherwise,
        "outcome": verdict["outcome"],
        "changes": changes,
    }


def _limit(finding: Item | None) -> tuple[Any, Any] | None:
    return None if finding is None else (finding.get("min"), finding.get("max"))
