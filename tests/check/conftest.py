"""Requests for the engine's tests, and the way a service takes them: load, evaluate."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from ballgauge_schemas import load_check_body, load_drilling_body
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings

Body = dict[str, Any]

BALL: Body = {
    "weight": 15.2,
    "diameter": 8.55,
    "rg": 2.5,
    "differential": 0.047,
    "intermediate_differential": 0.012,
    "top_weight": 2.5,
    "pin_to_cg": 2.5,
}
DRILLING: Body = {
    "hand": "right",
    "pap": {"over": 5.0, "up": 0.5},
    "layout": {"drilling_angle": 50, "pin_to_pap": 4.5, "val_angle": 35},
    "grip": {"span_middle": 4.25, "span_ring": 4.375, "bridge": 0.25},
    "holes": [
        {"role": "thumb", "diameter": 0.95, "depth": 2.5},
        {"role": "middle", "diameter": 0.75, "depth": 1.75, "pitch_lateral": -0.4},
        {"role": "ring", "diameter": 0.75, "depth": 1.75, "pitch_lateral": 0.4},
    ],
}


def _merged(base: Body, changes: Body) -> Body:
    for name, part in changes.items():
        base[name] = (
            _merged(base[name], part) if isinstance(part, dict) and isinstance(base.get(name), dict) else part
        )
    return base


@pytest.fixture(scope="session")
def request_for() -> Callable[..., Body]:
    """Makes a request of a drilled 15.2 lb ball, changed where told; `drilling=None` leaves it as made."""

    def make(drilling: Body | None = {}, ball: Body | None = None, **more: Any) -> Body:  # noqa: B006
        body = copy.deepcopy({"ball": BALL, "drilling": DRILLING})
        if drilling is None:
            del body["drilling"]
        else:
            _merged(body["drilling"], copy.deepcopy(drilling))
        _merged(body["ball"], ball or {})
        return _merged(body, more)

    return make


@pytest.fixture(scope="session")
def check() -> Callable[[Body], Body]:
    """Answers one check."""

    def answer(body: Body) -> Body:
        items, _ = load_check_body(copy.deepcopy(body))
        return evaluate_checks(items)[0]

    return answer


@pytest.fixture(scope="session")
def check_all() -> Callable[[list[Body]], list[Body]]:
    """Answers many checks in one call."""

    def answer(bodies: list[Body]) -> list[Body]:
        items, _ = load_check_body({"checks": copy.deepcopy(bodies)})
        return evaluate_checks(items)

    return answer


@pytest.fixture(scope="session")
def drill() -> Callable[[Body], Body]:
    """Answers one drilling."""

    def answer(body: Body) -> Body:
        items, _ = load_drilling_body(copy.deepcopy(body))
        return evaluate_drillings(items)[0]

    return answer


@pytest.fixture(scope="session")
def outcomes() -> Callable[[Body], dict[str, str]]:
    """The outcome of each rule in an answer."""

    def read(answer: Body) -> dict[str, str]:
        return {finding["rule"]: finding["outcome"] for finding in answer["findings"]}

    return read
