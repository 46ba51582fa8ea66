"""Services that speak the language and are wrong all the same, by 24 faults; and a newer, right one.

Each is the real service with a wrapper that changes what goes in or comes out, so that every answer still
loads; see `wrong_services`, which serves them.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from tests.sdk.wrong_services import Answer, In, Out, Wrong

WORST_FIRST = ("nonconforming", "inconclusive", "not_assessed", "conforming")
Change = Callable[[dict[str, Any]], None]

AT_LIMIT = "test_numbers.py::test_a_value_at_its_limit_conforms_and_one_beyond_does_not[usbc]"
LIMITS = "test_numbers.py::test_limits_and_dates_are_the_rulebooks[usbc]"
GUARDS = "test_numbers.py::test_an_uncertainty_is_told_and_guards"
DRILLED = "test_numbers.py::test_an_answer_has_the_numbers_recorded[drilled]"
GUARDED = "test_numbers.py::test_an_answer_has_the_numbers_recorded[guarded]"
UNKNOWN = "test_numbers.py::test_what_is_not_known_is_no_pass"
SIDE = "test_examples.py::test_a_checks_verdict_follows_from_its_findings[side_weight_over]"
LOT = "test_numbers.py::test_a_lot_is_accepted_by_its_own_counts_and_plan[8]"
ROWS = "test_examples.py::test_a_lot_is_judged_and_its_rows_add_up"
RECORD = "test_examples.py::test_a_record_is_signed_and_verified"
BATCH = "test_examples.py::test_a_batch_is_its_single_checks"


def asked(change: Change) -> In:
    """Change every check that is asked for."""

    def incoming(environ: dict[str, Any]) -> None:
        if environ["PATH_INFO"] not in ("/v1/checks", "/v1/drillings"):
            return
        body = environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0))
        document = json.loads(body)
        for check in document.get("checks", [document]):
            change(check)
        body = json.dumps(document).encode()
        environ["wsgi.input"], environ["CONTENT_LENGTH"] = io.BytesIO(body), str(len(body))

    return incoming


def told(path: str, change: Change) -> Out:
    """Change every answer of an address, each of a batch by itself."""

    def outgoing(environ: dict[str, Any], answer: Answer) -> None:
        if environ["PATH_INFO"] == path and answer.code == 200 and answer.document:
            document = answer.document
            for one in document.get("results", [document]):
                change(one)
            answer.put(document)

    return outgoing


def told_whole(change: Change) -> Out:
    """Change every answer to a batch of checks as a whole."""

    def outgoing(_environ: dict[str, Any], answer: Answer) -> None:
        if answer.code == 200 and "results" in (answer.document or {}):
            document = answer.document
            change(document)
            answer.put(document)

    return outgoing


def findings(change: Change) -> Out:
    """Change every finding, and let the outcome follow."""

    def change_all(result: dict[str, Any]) -> None:
        for finding in result.get("findings", ()):
            change(finding)
        counted = {each["outcome"] for each in result.get("findings", ()) if not each["advisory"]}
        worst = [
            each
            for each in ("nonconforming", "inconclusive", "not_assessed", "conforming")
            if each in counted
        ]
        result["outcome"] = worst[0] if worst else result["outcome"]

    return told("/v1/checks", change_all)


def _scaled(name: str, scale: Callable[[float], float]) -> Out:
    def change(finding: dict[str, Any]) -> None:
        if finding[name] is not None:
            finding[name] = scale(finding[name])

    return findings(change)


def _outcome(before: str, after: str, *, at_limit: bool = False) -> Out:
    def change(finding: dict[str, Any]) -> None:
        if finding["outcome"] == before and (not at_limit or finding["margin"] == 0.0):
            finding["outcome"] = after

    return findings(change)


def _old_differential(finding: dict[str, Any]) -> None:
    if finding["rule"] == "differential" and finding["limit"]["max"] == 0.06:
        finding["limit"]["max"] = 0.08
        if finding["value"] is not None:
            finding["margin"] = 0.08 - finding["value"]
            finding["outcome"] = "conforming" if finding["margin"] >= 0 else "nonconforming"


def _next_day(check: dict[str, Any]) -> None:
    for part, name in (("rules", "on"), ("ball", "approved_on")):
        if name in check.get(part, {}):
            check[part][name] = str(date.fromisoformat(check[part][name]) + timedelta(1))


def _day_before(result: dict[str, Any]) -> None:
    result["rules"]["on"] = str(date.fromisoformat(result["rules"]["on"]) - timedelta(1))


def _right_hand(check: dict[str, Any]) -> None:
    if "drilling" in check:
        check["drilling"]["hand"] = "right"


def _pounds(check: dict[str, Any]) -> None:
    weight = check["ball"].get("weight")
    if isinstance(weight, str) and weight.endswith("kg"):
        check["ball"]["weight"] = float(weight[:-2]) * 2.2


def _no_uncertainties(check: dict[str, Any]) -> None:
    for value in check["ball"].values():
        if isinstance(value, dict):
            value.pop("uncertainty", None)


def _without_hardness(result: dict[str, Any]) -> None:
    result["findings"] = [each for each in result["findings"] if each["rule"] != "hardness"]


def _side_negated(result: dict[str, Any]) -> None:
    predicted = ((result.get("derived") or {}).get("balance") or {}).get("predicted")
    if predicted:
        predicted["side"] = -predicted["side"]
        for finding in result["findings"]:
            if finding["rule"] == "balance_side":
                finding["value"] = -finding["value"]


def _says_approved(result: dict[str, Any]) -> None:
    for finding in result["findings"]:
        finding["message"] += " This ball is approved."


def _never_changed(result: dict[str, Any]) -> None:
    if result["recheck"] is not None:
        result["recheck"] |= {"rules_changed": False, "changes": []}


def _simple(check: dict[str, Any]) -> None:
    if "decision" in check:
        check["decision"]["rule"] = "simple"


def _guarded(result: dict[str, Any]) -> None:
    if "decision" in result:
        result["decision"]["rule"] = "guarded"


def _newer(environ: dict[str, Any], answer: Answer) -> None:
    """A minor version later: members more, at the top and below."""
    if environ["PATH_INFO"] == "/openapi.json":
        document = answer.document
        document["info"]["version"] = "0.99.0"
        answer.put(document)
    elif environ["PATH_INFO"] == "/v1/checks" and answer.code == 200:
        document = answer.document
        for result in document.get("results", [document]):
            result["edition_note"] = "a member of a newer version"
            result["decision"]["basis"] = "JCGM 106"
        answer.put(document)
    elif answer.code == 422:
        answer.put(answer.document | {"retryable": False})


WRONG_NUMBERS = {
    "guard band forgotten": Wrong((GUARDS,), told("/v1/checks", _guarded), asked(_simple)),
    "inconclusive taken for conforming": Wrong((GUARDS,), _outcome("inconclusive", "conforming")),
    "limits exclusive": Wrong((AT_LIMIT,), _outcome("conforming", "nonconforming", at_limit=True)),
    "0.080 in for 0.060": Wrong((LIMITS,), findings(_old_differential)),
    "margins negated": Wrong((SIDE,), _scaled("margin", lambda margin: -margin)),
    "margins doubled": Wrong((SIDE,), _scaled("margin", lambda margin: 2 * margin)),
    "probabilities complemented": Wrong((GUARDS,), _scaled("probability", lambda p: 1 - p)),
    "probabilities halved": Wrong((GUARDS,), _scaled("probability", lambda p: p / 2)),
    "dates off by a day": Wrong((LIMITS,), told("/v1/checks", _day_before), asked(_next_day)),
    "a left hand not mirrored": Wrong(
        ("test_numbers.py::test_a_left_hand_mirrors_a_right_one",), incoming=asked(_right_hand)
    ),
    "2.2 lb a kilogram": Wrong(("test_numbers.py::test_units_are_exact",), incoming=asked(_pounds)),
    "uncertainties ignored": Wrong((GUARDS, GUARDED), incoming=asked(_no_uncertainties)),
    "the hardness rule left out": Wrong((AT_LIMIT, DRILLED), told("/v1/checks", _without_hardness)),
    "side weight negated": Wrong((DRILLED,), told("/v1/checks", _side_negated)),
    "measured balance ignored": Wrong(
        ("test_numbers.py::test_what_is_measured_goes_before_what_is_predicted",),
        incoming=asked(lambda check: check.pop("measured_balance", None)),
    ),
    "approved in a message": Wrong((SIDE,), told("/v1/checks", _says_approved)),
    "a lot accepted against its plan": Wrong(
        (LOT,), told("/v1/lots", lambda lot: lot["acceptance"].update(lot_accepted=True))
    ),
    "missing emptied": Wrong((UNKNOWN,), told("/v1/checks", lambda result: result.update(missing=[]))),
    "from memory told as published": Wrong(
        (LIMITS,),
        findings(lambda each: each.update(basis="published") if each["basis"] == "from_memory" else None),
    ),
    "rules never changed": Wrong(
        ("test_numbers.py::test_a_record_tells_what_the_rules_became",),
        told("/v1/records/verify", _never_changed),
    ),
    "not_assessed called conforming": Wrong((UNKNOWN,), _outcome("not_assessed", "conforming")),
    "wrong counts": Wrong((BATCH,), told_whole(lambda batch: batch["counts"].update(conforming=99))),
    "left-out rows hidden": Wrong((ROWS,), told("/v1/lots", lambda lot: lot["left_out"].update(rows=0))),
    "altered records genuine": Wrong(
        (RECORD,), told("/v1/records/verify", lambda record: record.update(state="genuine"))
    ),
}
"""Every fault, by what is wrong."""

NEWER = Wrong(
    (
        UNKNOWN, SIDE, DRILLED, GUARDED, LIMITS, BATCH,
        "test_document.py::test_the_document_is_the_contracts",
        "test_examples.py::test_an_example_is_answered_twice_the_same[checks-drilled]",
        "test_errors.py::test_every_bad_field_is_named_at_once",
    ),
    _newer,
)  # fmt: skip
"""A right service of a newer version, whose answers have members that this kit does not know."""
