"""The address of motions: JSON in, and the numbers or a picture out."""

from __future__ import annotations

from flask import Blueprint, Response, request

from ballgauge_service.web.http import bodies, bulk, serializer
from ballgauge_service.web.http.accepted import accepted

blueprint = Blueprint("motions", __name__)

OFFERED = ("application/json", "text/html")


@blueprint.post("/v1/motions")
def motion() -> Response:
    """Answer what is asked about a motion."""
    picture = accepted(OFFERED, "a motion") == "text/html"
    # Deferred, so that a check of one ball never loads what only motions need.
    from ballgauge_schemas.motion.request import MOTION_REQUEST
    from ballgauge_service.motion.evaluate import draw_motion, evaluate_motion

    loaded = MOTION_REQUEST.load(bodies.read_json(request))
    if picture:
        return Response(draw_motion(loaded, bulk.chosen()), content_type="text/html; charset=utf-8")
    return serializer.respond(evaluate_motion(loaded, bulk.chosen()))
