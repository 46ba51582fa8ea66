"""Which answer feeds which request, as the links of the OpenAPI document (OpenAPI 3.1.0, 4.8.20).

An expression stands for a part of the request or of the answer; the rest of a link's body is an example.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_RECORD = {"record": "$response.body#/record"}
_RULES = {"body": "$response.body#/rules/body", "on": "$response.body#/rules/on"}


def _link(operation: str, description: str, **more: Any) -> dict[str, Any]:
    return {"operationId": operation, "description": description, **more}


def _print(form: str, description: str) -> dict[str, Any]:
    return _link("printRecord", description, requestBody={**_RECORD, "form": form})


LINKS: Mapping[str, Mapping[str, dict[str, Any]]] = {
    "check": {
        "RulesThatJudged": _link("rulebooks", "The rules by which the check was made.", parameters=_RULES),
        "SignTheVerdict": _link(
            "sign",
            "The same check, signed.",
            requestBody={"check": "$request.body", "issued_on": "$response.body#/rules/on"},
        ),
    },
    "drill": {
        "CheckTheBall": _link(
            "check",
            "The same ball and drilling against the rules.",
            requestBody={"ball": "$request.body#/ball", "drilling": "$request.body#/drilling"},
        )
    },
    "design": {
        "CheckTheDesign": _link(
            "check",
            "The designed ball against the same rules, with what is measured of it still missing.",
            requestBody={
                "ball": "$response.body#/ball",
                "rules": {**_RULES, "stage": "$response.body#/rules/stage"},
            },
        ),
        "RollTheDesign": _link(
            "motion",
            "What the designed ball does on a lane.",
            requestBody={
                "ball": {
                    **{
                        name: f"$response.body#/ball/{name}"
                        for name in ("weight", "diameter", "rg", "differential", "intermediate_differential")
                    },
                    "layout": {"drilling_angle": 60, "pin_to_pap": 4.5, "val_angle": 35},
                },
                "bowler": "matched_one_handed",
                "lane": {"film": 30},
            },
        ),
    },
    "rulebooks": {
        "CheckByTheseRules": _link(
            "check",
            "A ball against the first rulebook listed.",
            requestBody={
                "ball": {"weight": 15.02, "diameter": 8.58},
                "rules": {"body": "$response.body#/rulebooks/0/body"},
            },
        )
    },
    "sign": {
        "VerifyTheRecord": _link("verify", "Whether the record is genuine.", requestBody=_RECORD),
        "VerifyTheLabel": _link(
            "verify",
            "The same of its label's text, where a code holds it.",
            requestBody={"record": "$response.body#/label"},
        ),
        "PrintAPage": _print("a4", "The record on a page."),
        "PrintACode": _print("code", "The record as a code, where one holds it."),
    },
    "printRecord": {
        "ReadThePrint": _link("readRecord", "The record out of its own print.", requestBody="$response.body")
    },
    "readRecord": {
        "VerifyWhatWasRead": _link("verify", "Whether the record is genuine.", requestBody=_RECORD)
    },
}
"""By the operation that answers, and the link's name."""
