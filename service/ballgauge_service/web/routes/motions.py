"""The address of motions: JSON in, and the numbers or a picture, HTML or SVG, out."""

from __future__ import annotations

from flask import Blueprint, Response, request

from ballgauge_service.web.http import bodies, bulk, serializer
from ballgauge_service.web.http.accepted import accepted

blueprint = Blueprint("motions", __name__)

PICTURES = {"text/html": "html", "image/svg+xml": "svg"}
OFFERED = ("application/json", *PICTURES)


@blueprint.post("/v1/motions")
def motion() -> Response:
    """Answer what is asked about a motion."""
    wanted = accepted(OFFERED, "a motion")
    # Deferred, so that a check of one ball never loads what only motions need.
    from ballgauge_schemas.motion.request import MOTION_REQUEST
    from ballgauge_service.motion.evaluate import draw_motion, evaluate_motion
    from ballgauge_service.motion.lineup.wording import Wording
    from ballgauge_service.pages import languages

    loaded = MOTION_REQUEST.load(bodies.read_json(request))
    if wanted in PICTURES:
        language = loaded.get("language", languages.SOURCE)
        wording = Wording(language, languages.gettext(language))
        drawn = draw_motion(loaded, bulk.chosen(), wording, PICTURES[wanted])
        return Response(drawn, mimetype=wanted)
    return serializer.respond(evaluate_motion(loaded, bulk.chosen()))
