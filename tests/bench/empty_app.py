"""The service as it is served, with two more addresses to measure against.

One does nothing but answer. The other reads and loads a check as the service does, and gives the answer to an
example, whatever was asked: what is left of a check where judging costs nothing.

Whichever address it is for, a request goes through the gate and through all that stands before and after the
application's addresses: id, log, metrics, languages, deprecations and packing.
"""

from __future__ import annotations

from flask import Response, request

from ballgauge_schemas import example, load_check_body
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.web.access.access import ENTRANCE
from ballgauge_service.web.http import bodies, packing
from ballgauge_service.web.http.serializer import respond
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.routes import health
from ballgauge_service.web.server.application import create_app
from ballgauge_service.web.server.gate import Gate


def create() -> Gate:
    settings = Settings()
    app = create_app(settings=settings)
    packing.register(app)
    app.add_url_rule(
        "/v1/empty", view_func=lambda: Response("{}", content_type="application/json"), methods=["POST"]
    )
    (answer,) = evaluate_checks(load_check_body(example("drilled"))[0])

    def unjudged() -> Response:
        load_check_body(bodies.read_json(request))
        return respond(answer)

    app.add_url_rule("/v1/unjudged", view_func=unjudged, methods=["POST"])
    paths = frozenset(("/v1/checks", "/v1/empty", "/v1/unjudged"))
    return Gate(app, settings, paths, app.extensions[ENTRANCE], health.told(app))
