"""The service itself: its version, and whether it takes requests."""

from __future__ import annotations

from ballgauge._deprecation import VERSION
from ballgauge._failures import ServiceError, foreign
from ballgauge._http import Request, Steps, document_in


def version() -> Steps[str]:
    """See `Client.version`."""
    told = (yield Request("GET", "/healthz")).headers.get(VERSION)
    if told is not None:
        return told
    # A service before 0.2.0 says so in its description alone.
    document = document_in((yield Request("GET", "/openapi.json")))
    try:
        return str(document["info"]["version"])
    except (KeyError, TypeError):
        raise foreign() from None


def is_ready() -> Steps[bool]:
    """See `Client.is_ready`."""
    try:
        yield Request("GET", "/readyz")
    except ServiceError as error:
        if error.problem.status == 503:
            return False
        raise
    return True
