"""The addresses of checks, drillings and rulebooks: parse, call, return."""

from __future__ import annotations

from collections import Counter
from typing import Any

from flask import Blueprint, Response, g, request

from ballgauge_schemas import RULEBOOK_QUERY, example, example_names, load_check_body, load_drilling_body
from ballgauge_schemas.shared.problems import escape
from ballgauge_schemas.shared.words import OUTCOMES
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.collector import uncollected
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.rulebooks import UnknownRulebookError, listing
from ballgauge_service.web.http import bodies, metrics
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.serializer import respond

Items = list[dict[str, Any]]

blueprint = Blueprint("checks", __name__)


@blueprint.post("/v1/checks")
@uncollected()
def check() -> Response:
    """Check one ball or many against the rules."""
    items, batch = load_check_body(bodies.read_json(request))
    g.items = "/checks" if batch else ""
    results = evaluate_checks(items)
    judged = zip(items, results, strict=True)
    metrics.count_outcomes((item["rules"]["body"], result["outcome"]) for item, result in judged)
    return respond({"results": results, "counts": _counts(results)} if batch else results[0])


@blueprint.post("/v1/drillings")
def drill() -> Response:
    """Compute what drilling does to one ball or many."""
    items, batch = load_drilling_body(bodies.read_json(request))
    g.items = "/drillings" if batch else ""
    results = evaluate_drillings(items)
    return respond({"results": results} if batch else results[0])


@blueprint.get("/v1/rulebooks")
def list_rules() -> Response:
    """List the rules."""
    asked = RULEBOOK_QUERY.load(_query())
    try:
        return respond({"rulebooks": listing.listing(**asked)})
    except UnknownRulebookError as unknown:
        raise Refusal(422, "unknown rulebook", [_error("/overlay", str(unknown))]) from None


def warm_up() -> None:
    """Compile the numeric kernels, by the example requests: they meet, plug, fail and mend."""
    run_compiled()
    for name in example_names(drillings=False):
        items, _ = load_check_body(example(name))
        evaluate_checks(items)
    for name in example_names(drillings=True):
        items, _ = load_drilling_body(example(name))
        evaluate_drillings(items)


def _query() -> dict[str, str]:
    """Give the query's parameters; none of them may be given twice."""
    errors = [
        _error(f"/{escape(name)}", "given more than once")
        for name, values in request.args.lists()
        if len(values) > 1
    ]
    if not all(map(bodies.is_name, request.args)):
        errors = [_error("", bodies.BAD_NAME)]
    if errors:
        raise Refusal(422, "the query cannot be read; see errors", errors)
    return request.args.to_dict()


def _error(pointer: str, detail: str) -> dict[str, str]:
    return {"pointer": pointer, "detail": detail}


def _counts(results: Items) -> dict[str, int]:
    counted = Counter(result["outcome"] for result in results)
    return {outcome: counted[outcome] for outcome in OUTCOMES}
