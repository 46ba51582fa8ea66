"""Who does the bulk work of a request, and the refusal where they cannot."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from flask import current_app

from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import SETTINGS

if TYPE_CHECKING:
    from ballgauge_service.core.bulk import Bulk

RETRY_AFTER = "10"
"""Seconds after which a scheduler that was lost may be back (ours)."""


def chosen() -> Bulk:
    """Who does bulk work, by the service's settings; raises nothing before there is work."""
    # Deferred, so that a check of one ball never loads what only bulk work needs.
    from ballgauge_service.core.bulk import bulk_at

    return bulk_at(current_app.extensions[SETTINGS].scheduler)


@contextmanager
def refusing() -> Iterator[None]:
    """Turn BulkUnavailable into a refusal: 503, to be tried again."""
    from ballgauge_service.core.bulk import BulkUnavailable

    try:
        yield
    except BulkUnavailable as lost:
        raise Refusal(503, str(lost), headers={"Retry-After": RETRY_AFTER}) from lost
