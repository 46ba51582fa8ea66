"""The addresses of the engine: parse, call, return."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response, request

from ballgauge_schemas import RULEBOOK_QUERY, example, example_names, load_check_body, load_drilling_body
from ballgauge_schemas.shared.problems import escape
from ballgauge_schemas.shared.words import OUTCOMES
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.rulebooks import UnknownRulebookError
from ballgauge_service.rulebooks import listing as rule_rows
from ballgauge_service.web.http import bodies, metrics
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.serializer import respond

Items = list[dict[str, Any]]

blueprint = Blueprint("engine", __name__)


@blueprint.post("/v1/checks")
def check() -> Response:
    """Check one ball or many against the rules."""
    items, batch = load_check_body(bodies.read_json(request))
    results = _evaluate(evaluate_checks, items, "/checks" if batch else None)
    metrics.count_outcomes(results)
    return respond({"results": results, "counts": _counts(results)} if batch else results[0])


@blueprint.post("/v1/drillings")
def drill() -> Response:
    """Compute what drilling does to one ball or many."""
    items, batch = load_drilling_body(bodies.read_json(request))
    results = _evaluate(evaluate_drillings, items, "/drillings" if batch else None)
    return respond({"results": results} if batch else results[0])


@blueprint.get("/v1/rulebooks")
def list_rules() -> Response:
    """List the rules."""
    asked = RULEBOOK_QUERY.load(_query())
    try:
        return respond({"rulebooks": rule_rows.listing(**asked)})
    except UnknownRulebookError as unknown:
        raise Refusal(422, "there is no such rulebook", [_error("/overlay", str(unknown))]) from None


def warm_up() -> None:
    """Compile the numeric kernels, by the example requests: they meet, plug, fail and mend."""
    run_compiled()
    for name in example_names(drillings=False):
        items, _ = load_check_body(example(name))
        evaluate_checks(items)
    for name in example_names(drillings=True):
        items, _ = load_drilling_body(example(name))
        evaluate_drillings(items)


def _evaluate(evaluate: Callable[[Items], Items], items: Items, member: str | None) -> Items:
    """Call the engine; what it refuses is named by the pointers of the body that held the items."""
    try:
        return evaluate(items)
    except InvalidInput as refused:
        errors = [
            _error(pointer if member is None else f"{member}/{index}{pointer}", detail)
            for index, pointer, detail in refused.errors
        ]
    raise Refusal(422, "what is asked for is impossible; see errors", errors)


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
