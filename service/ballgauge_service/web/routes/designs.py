"""The address of designs: JSON, or a form with meshes; answered at once, or in lines with the progress."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, request
from marshmallow import ValidationError

from ballgauge_schemas.design.request import DESIGN_ANSWERS, DESIGN_REQUEST
from ballgauge_schemas.shared.limits import MESH_BYTES_MAXIMUM, MESHES_MAXIMUM
from ballgauge_schemas.shared.words import DESIGN_FILES
from ballgauge_service.web.http import bodies, bulk, progress, serializer, uploads
from ballgauge_service.web.http.accepted import accepted, chosen
from ballgauge_service.web.http.refusals import Refusal

blueprint = Blueprint("designs", __name__)

ARCHIVE = "application/zip"


@blueprint.post("/v1/designs")
def design() -> Response:
    """Answer what is asked about a design."""
    wanted = accepted(DESIGN_ANSWERS, "a design")
    kinds = chosen(DESIGN_FILES)
    document, files = _asked()
    loaded = DESIGN_REQUEST.load(document)
    if wanted == progress.PROGRESS:
        workers = bulk.chosen()
        return progress.respond(lambda **link: _evaluated(loaded, files, bulk=workers, **link))
    if wanted == "application/json":
        return serializer.respond(_evaluated(loaded, files, bulk=bulk.chosen()))
    # Deferred: an answer of numbers needs nothing of what draws.
    from ballgauge_service.web.routes.design_files import Written

    written = Written(loaded, files, bulk.chosen())
    if wanted == ARCHIVE:
        return written.archive(kinds)
    return Response(written.one(wanted), mimetype=wanted)


def _asked() -> tuple[Any, dict[str, bytes]]:
    """The request as decoded JSON, and the meshes that came with it."""
    if request.mimetype != "multipart/form-data":
        return bodies.read_json(request), {}
    bodies.require_plain(request)
    if (request.content_length or 0) > MESH_BYTES_MAXIMUM:
        raise Refusal(413, f"the form is larger than {MESH_BYTES_MAXIMUM >> 20} MiB, the most that is taken")
    form = uploads.Form(uploads.Body(request, MESH_BYTES_MAXIMUM), uploads.boundary(request))
    options = form.options()
    if not options:
        text = "the form must begin with a part named options, which holds the request as JSON"
        raise ValidationError({"options": text})
    return bodies.read_text(options), _files(form)


def _files(form: uploads.Form) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    for name, source in form.files():
        if name is None or name in found or len(found) == 2 * MESHES_MAXIMUM:
            text = "every file needs a name of its own, and there are at most 8 to a design"
            raise ValidationError({"file": text})
        found[name] = b"".join(iter(source.read, b""))
    return found


def _evaluated(loaded: dict[str, Any], files: dict[str, bytes], **link: Any) -> dict[str, Any]:
    # Deferred, so that a check of one ball never loads what only designs need.
    from ballgauge_service.design.evaluate import evaluate_design

    return evaluate_design(loaded, files, **link)
