"""The address of motions: JSON in, and the numbers or a picture out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from flask import Blueprint, Response, request

from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.web.http import bodies, bulk, serializer
from ballgauge_service.web.http.refusals import Refusal

Answer = TypeVar("Answer")

blueprint = Blueprint("motions", __name__)

PICTURE = "text/html"


@blueprint.post("/v1/motions")
def motion() -> Response:
    """Answer what is asked about a motion."""
    wanted = _accepted()
    loaded = MOTION_REQUEST.load(bodies.read_json(request))
    # Deferred, so that a check of one ball never loads what only motions need.
    from ballgauge_service.motion.evaluate import draw_motion, evaluate_motion

    if wanted == PICTURE:
        return Response(_evaluated(draw_motion, loaded), content_type=f"{PICTURE}; charset=utf-8")
    return serializer.respond(_evaluated(evaluate_motion, loaded))


def _accepted() -> str:
    offered = ("application/json", PICTURE)
    if not request.accept_mimetypes:
        return offered[0]
    best: str | None = request.accept_mimetypes.best_match(offered)
    if best is None:
        raise Refusal(406, f"a motion is answered as {' or '.join(offered)}")
    return best


def _evaluated(evaluate: Callable[..., Answer], loaded: dict[str, Any]) -> Answer:
    """Call the engine; what it refuses is named by pointers."""
    try:
        with bulk.refusing():
            return evaluate(loaded, bulk.chosen())
    except InvalidInput as refused:
        errors = [{"pointer": pointer, "detail": detail} for _, pointer, detail in refused.errors]
    raise Refusal(422, "what is asked for is impossible; see errors", errors)
