"""Writes the answers that the kit holds others to: `python -m ballgauge.contract._record`."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

from ballgauge.contract._sense import recorded_numbers
from ballgauge.contract._server import Server, answer_of
from ballgauge_schemas.shared.documents import example

DIGITS = 10
"""Significant digits kept (ours)."""


def requests() -> dict[str, tuple[str, dict[str, Any]]]:
    """What is asked, by name: examples, and the same with uncertainties, measured, in other units."""
    drilled = example("drilled")
    uncertain = copy.deepcopy(drilled)
    uncertain["ball"]["weight"] = {"value": 6.83, "unit": "kg", "uncertainty": 0.01}
    uncertain["ball"]["rg"] = {"value": 2.49, "uncertainty": 0.004}
    uncertain["ball"]["top_weight"] = {"value": 2.5, "uncertainty": 0.25}
    approval = {"ball": {**drilled["ball"], "differential": 0.07, "hardness": 71}}
    return {
        "as_made": ("/v1/checks", example("as_made")),
        "drilled": ("/v1/checks", drilled),
        "left": ("/v1/checks", example("left_hander_without_thumb")),
        "side_weight": ("/v1/checks", example("side_weight_over")),
        "guarded": ("/v1/checks", {**uncertain, "decision": {"rule": "guarded", "risk": 0.02}}),
        "approval": (
            "/v1/checks",
            {**approval, "rules": {"body": "usbc", "on": "2024-09-01", "stage": "approval"}},
        ),
        "drilling": ("/v1/drillings", example("drilling")),
    }


def main() -> None:
    """Ask the engine in this process."""
    recorded = []
    with Server() as service:
        for name, (path, asked) in requests().items():
            answer = answer_of(service.post(path, asked))
            numbers = {
                place: float(f"{number:.{DIGITS}g}") if isinstance(number, float) else number
                for place, number in recorded_numbers(answer)
            }
            recorded.append({"name": name, "path": path, "request": asked, "numbers": numbers})
    text = json.dumps(recorded, indent=1, sort_keys=True) + "\n"
    (Path(__file__).parent / "recorded.json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
