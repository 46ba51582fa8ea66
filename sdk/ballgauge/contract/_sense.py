"""What follows from an answer's own words and numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ballgauge_schemas import CHECK_RESULT

_WORST_FIRST = ("nonconforming", "inconclusive", "not_assessed", "conforming")


def hold_check(answer: Mapping[str, Any]) -> None:
    """Hold a check's answer to the contract, its outcome to its findings, and each finding to its numbers.

    Only a finding that counts makes the outcome worse. `not_assessed` is never a pass.
    """
    CHECK_RESULT.load(answer)
    counted = {finding["outcome"] for finding in answer["findings"] if not finding.get("advisory")}
    if counted:
        worst = next(outcome for outcome in _WORST_FIRST if outcome in counted)
        assert answer["outcome"] == worst, f"outcome {answer['outcome']}, though a finding is {worst}"
    for finding in answer["findings"]:
        _hold_finding(finding)


def _hold_finding(finding: Mapping[str, Any]) -> None:
    told, limit, value = finding["outcome"], finding.get("limit"), finding.get("value")
    if not limit or value is None or told not in ("conforming", "nonconforming"):
        return
    least, most = limit.get("min"), limit.get("max")
    # The numbers told are rounded; a value as near to its limit as that says nothing.
    slack = 1e-9 * max(1.0, abs(value))
    inside = (least is None or value >= least - slack) and (most is None or value <= most + slack)
    outside = (least is not None and value <= least + slack) or (most is not None and value >= most - slack)
    words = f"{finding['rule']}: {told} at {value}, the limit being {least} to {most}"
    assert inside if told == "conforming" else outside, words
