"""What each process of the server runs: the application behind its gate."""

from __future__ import annotations

from ballgauge_service.api import application, health, running, warming
from ballgauge_service.api.access import ENTRANCE
from ballgauge_service.api.gate import Gate
from ballgauge_service.api.settings import Settings


def create_gate() -> Gate:
    """Make the application and the gate before it; the process ends with its parent from now on."""
    running.end_with_parent()
    settings = Settings.from_environment()
    app = application.create(json_logs=True, warm_up=True, settings=settings)
    warming.begin(app.extensions[health.READY])
    fixed = (rule.rule for rule in app.url_map.iter_rules() if not rule.arguments)
    return Gate(app, settings, frozenset(fixed), app.extensions[ENTRANCE])
