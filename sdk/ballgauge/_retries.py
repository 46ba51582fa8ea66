"""How long to wait before another try, and when there is none."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import requests
from urllib3.exceptions import ReadTimeoutError

FIRST_WAIT = 0.1
LONGEST_WAIT = 5.0
"""Seconds; ours. A server that asks for a longer wait is not tried again."""

STATUSES = frozenset({502, 503, 504})
_TOO_MANY = 429


def backoff(attempt: int) -> float:
    """Give the seconds to wait after failed attempt number `attempt` (from 0): doubling, spread, bounded."""
    return min(LONGEST_WAIT, FIRST_WAIT * 2.0**attempt) * random.uniform(0.5, 1.0)


def is_safe(error: requests.ConnectionError) -> bool:
    """Say whether the connection failed before an answer began, so that asking again asks once."""
    answered = bool(error.args) and isinstance(error.args[0], ReadTimeoutError)
    return not answered and not isinstance(error, requests.exceptions.SSLError)


def is_worth_it(response: requests.Response) -> bool:
    """Say whether the same request may be answered later: a passing failure, or a limit that says when."""
    if response.status_code == _TOO_MANY:
        return _asked_wait(response.headers.get("Retry-After")) is not None
    return response.status_code in STATUSES


def wait_after(response: requests.Response, attempt: int) -> float:
    """Give the seconds to wait after an answer: what it asks for, else `backoff`."""
    asked = _asked_wait(response.headers.get("Retry-After"))
    return backoff(attempt) if asked is None else asked


def _asked_wait(retry_after: str | None) -> float | None:
    """Read a Retry-After header (RFC 9110, 10.2.3): seconds, or a date; None where there is none to read."""
    if retry_after is None:
        return None
    text = retry_after.strip()
    if text.isascii() and text.isdigit():
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return max(0.0, (moment - datetime.now(UTC)).total_seconds())
