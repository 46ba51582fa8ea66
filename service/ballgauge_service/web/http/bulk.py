"""Who does the bulk work of a request."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import current_app

from ballgauge_service.web.http.settings import SETTINGS

if TYPE_CHECKING:
    from ballgauge_service.core.bulk import Bulk


def chosen() -> Bulk:
    """Who does bulk work, by the service's settings; raises nothing before there is work."""
    # Deferred, so that a check of one ball never loads what only bulk work needs.
    from ballgauge_service.core.bulk import bulk_at

    return bulk_at(current_app.extensions[SETTINGS].scheduler)
