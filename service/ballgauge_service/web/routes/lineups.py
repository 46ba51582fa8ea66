"""The address of line-ups: JSON in; the numbers, or the sheet as HTML, PDF or SVG, out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, request

from ballgauge_service.core.refusal import below
from ballgauge_service.web.http import bodies, bulk, progress, serializer
from ballgauge_service.web.http.accepted import accepted

if TYPE_CHECKING:
    from ballgauge_service.motion.lineup.evaluate import Lineup
    from ballgauge_service.motion.lineup.request import MadeDesign
    from ballgauge_service.motion.lineup.wording import Wording

blueprint = Blueprint("lineups", __name__)

SHEETS = {"text/html": "html", "application/pdf": "pdf", "image/svg+xml": "svg"}
OFFERED = ("application/json", progress.PROGRESS, *SHEETS)


@blueprint.post("/v1/lineups")
def lineup() -> Response:
    """Line up the balls that are asked about."""
    wanted = accepted(OFFERED, "a line-up")
    # Deferred, so that a check of one ball never loads what only motions need.
    from ballgauge_schemas.motion.lineup_request import LINEUP_REQUEST

    loaded, workers = LINEUP_REQUEST.load(bodies.read_json(request)), bulk.chosen()
    wording = _wording(loaded)
    if wanted == progress.PROGRESS:
        return progress.respond(lambda **link: _found(loaded, bulk=workers, **link).answer(wording))
    found = _found(loaded, bulk=workers)
    if wanted in SHEETS:
        return Response(found.sheet(wording, SHEETS[wanted]), mimetype=wanted)
    return serializer.respond(found.answer(wording))


def _wording(loaded: dict[str, Any]) -> Wording:
    """The language of the sheet and the sentences, in the words of the pages."""
    from ballgauge_service.motion.lineup.wording import Wording
    from ballgauge_service.pages import languages

    language = loaded.get("sheet", {}).get("language", languages.SOURCE)
    return Wording(language, languages.gettext(language))


def _found(loaded: dict[str, Any], **link: Any) -> Lineup:
    from ballgauge_service.motion.lineup.evaluate import evaluate_lineup

    return evaluate_lineup(loaded, _made(loaded), **link)


def _made(loaded: dict[str, Any]) -> dict[int, MadeDesign]:
    """The numbers of the designs among the balls, by their places."""
    from ballgauge_service.motion.lineup.request import MadeDesign

    made: dict[int, MadeDesign] = {}
    for place, ball in enumerate(loaded["balls"]):
        if "design" not in ball:
            continue
        from ballgauge_service.design.evaluate import numbers_of_design

        item = ball["design"]
        with below(f"/balls/{place}/design"):
            whole, drilled = numbers_of_design(item["design"], item.get("drilling"))
        numbers = whole if drilled is None else drilled
        made[place] = MadeDesign(
            numbers.weight,
            item["design"]["diameter"].value,
            numbers.rg,
            numbers.differential,
            numbers.intermediate_differential,
            *(
                ()
                if drilled is None
                else (
                    drilled.centre_of_mass,
                    drilled.low_rg_axis or drilled.pin,
                    drilled.high_rg_axis or drilled.psa,
                )
            ),
        )
    return made
