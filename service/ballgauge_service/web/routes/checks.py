"""The addresses of checks, drillings and rulebooks: parse, call, return."""

from __future__ import annotations

from collections.abc import Iterator

from flask import Blueprint, Response, current_app, request
from marshmallow import ValidationError

from ballgauge_schemas.check.request import SHEET_REQUEST, load_check_body, load_drilling_body
from ballgauge_schemas.shared.documents import example, example_names
from ballgauge_schemas.shared.limits import BODY_MAXIMUM
from ballgauge_schemas.shared.wording import listed
from ballgauge_schemas.shared.words import DETAILS
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.collector import uncollected
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.pages import labels
from ballgauge_service.web import direct
from ballgauge_service.web.http import bodies, metrics, progress, uploads
from ballgauge_service.web.http.language import style, translated
from ballgauge_service.web.http.serializer import kept, respond
from ballgauge_service.web.http.settings import SETTINGS

blueprint = Blueprint("checks", __name__)


@blueprint.post("/v1/checks")
def check() -> Response:
    """Check one ball or many against the rules, or any number as lines."""
    return _lines() if request.mimetype == progress.PROGRESS else _whole()


def _detail() -> str:
    """How much is answered to a check that does not say: the query's word. Raises ValidationError."""
    detail = request.args.get("detail", "full")
    if detail not in DETAILS or set(request.args) - {"detail"}:
        raise ValidationError({"detail": f"must be {listed(DETAILS, 'or')}, and nothing else"})
    return detail


def _lines() -> Response:
    """Answer each line by a line, as they come: what cannot be answered has its problem in its place."""
    with uploads.drained(request, current_app.extensions[SETTINGS].largest_lot) as body:
        detail = _detail()
        bodies.require_plain(request)
        pieces = direct.check_lines(lines_of(body), detail, metrics.count_outcomes)
        return progress.stream(pieces, body)


def lines_of(body: uploads.Body) -> Iterator[bytes]:
    """The lines of a body that are not blank; of one that is too long no more than shows that it is."""
    held, most = b"", BODY_MAXIMUM + 1
    while piece := body.read():
        *whole, held = (held + piece).split(b"\n")
        yield from (line for line in whole if line.strip())
        held = held[:most]
    if held.strip():
        yield held


@uncollected()
def _whole() -> Response:
    detail, asked = _detail(), bodies.read_json(request)
    if isinstance(asked, dict):
        asked = {"detail": detail, **asked}
    return respond(direct.check(asked, metrics.count_outcomes))


@blueprint.post("/v1/drillings")
def drill() -> Response:
    """Compute what drilling does to one ball or many."""
    return respond(direct.drill(bodies.read_json(request)))


@blueprint.post("/v1/drillings/sheets")
def sheet() -> Response:
    """Print the sheet of a drilling."""
    # Deferred: a check needs no library of PDF.
    from ballgauge_service.record.report.sheet import print_sheet

    asked = SHEET_REQUEST.load(bodies.read_json(request))
    item = asked["check"]
    if "drilling" not in item:
        raise InvalidInput([Fault("/check/drilling", "missing; the sheet is of a drilling")])
    with below("/check"):
        answer = direct.evaluate_all([{**item, "detail": "full"}])[0]
    written, owner = style(asked["language"], asked["units"], asked["paper"]), asked.get("owner", "")
    answer = translated(answer, asked["language"])
    data = print_sheet(item, owner, answer, written, lambda word: written.text(labels.WORDS.get(word, word)))
    return Response(data, content_type="application/pdf")


@blueprint.get("/v1/rulebooks")
def list_rules() -> Response:
    """List the rules."""
    return kept(respond(direct.rulebooks(request.args.items(multi=True))))


def warm_up() -> None:
    """Compile the numeric kernels, by the example requests: they meet, plug, fail and mend."""
    run_compiled()
    for name in example_names(drillings=False):
        items, _ = load_check_body(example(name))
        evaluate_checks(items)
    for name in example_names(drillings=True):
        items, _ = load_drilling_body(example(name))
        evaluate_drillings(items)
