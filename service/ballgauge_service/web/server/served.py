"""What each process of the server runs: the application behind its gate."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import TYPE_CHECKING

from werkzeug.exceptions import HTTPException
from werkzeug.routing import Map

from ballgauge_service.web.http import running
from ballgauge_service.web.http.settings import Settings

if TYPE_CHECKING:
    from ballgauge_service.web.server.gate import Gate

_log = logging.getLogger("ballgauge_service.served")


def create_gate() -> Gate:
    """Make the application and the gate before it; the process ends with its parent from now on."""
    running.end_with_parent()
    has_room = running.reserve_counts()
    # Deferred: the module of the metrics finds the room for its counts when it is read.
    from ballgauge_service.web.access.access import ENTRANCE
    from ballgauge_service.web.http import packing
    from ballgauge_service.web.routes import health
    from ballgauge_service.web.server import application, warming
    from ballgauge_service.web.server.gate import Gate

    settings = Settings.from_environment()
    app = application.create_app(json_logs=True, warm_up=True, settings=settings)
    packing.register(app)
    if not has_room:
        _log.error("no room for the counts of all processes: this one tells its own at /metrics")
    app.extensions[health.COMPILING] = warming.start(app.extensions[health.READY]).is_alive
    fixed = (rule.rule for rule in app.url_map.iter_rules() if not rule.arguments)
    gate = Gate(
        app, settings, frozenset(fixed), app.extensions[ENTRANCE], health.told(app), _bodies(app.url_map)
    )
    running.show_life(asyncio.get_event_loop_policy().get_event_loop(), gate.end_soon)
    return gate


def _bodies(addresses: Map) -> Callable[[str, str], bool]:
    """Whether a method at a path is answered from a body."""
    routed = addresses.bind("")

    def takes_body(method: str, path: str) -> bool:
        try:
            routed.match(path.encode("latin-1").decode("utf-8", "replace"), method)
        except HTTPException:
            return False
        return method == "POST"

    return takes_body
