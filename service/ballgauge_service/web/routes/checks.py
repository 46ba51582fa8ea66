"""The addresses of checks, drillings and rulebooks: parse, call, return."""

from __future__ import annotations

from flask import Blueprint, Response, request

from ballgauge_schemas.check.request import load_check_body, load_drilling_body
from ballgauge_schemas.shared.documents import example, example_names
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.collector import uncollected
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.web import direct
from ballgauge_service.web.http import bodies, metrics
from ballgauge_service.web.http.serializer import kept, respond

blueprint = Blueprint("checks", __name__)


@blueprint.post("/v1/checks")
@uncollected()
def check() -> Response:
    """Check one ball or many against the rules."""
    return respond(direct.check(bodies.read_json(request), metrics.count_outcomes))


@blueprint.post("/v1/drillings")
def drill() -> Response:
    """Compute what drilling does to one ball or many."""
    return respond(direct.drill(bodies.read_json(request)))


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
