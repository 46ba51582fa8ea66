"""Generated requests: sound ones are answered by the contract, broken ones are refused by the pointer.

Each notes its request, since what Hypothesis itself says of a failure other plug-ins may leave out.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, note, settings
from hypothesis import strategies as st

from ballgauge import strategies
from ballgauge.contract._sense import hold_check
from ballgauge.contract._server import Server, answer_of, pointers_of, problem_of
from ballgauge.strategies import ADDRESSES, Address

NAMES = sorted(ADDRESSES)
COSTLY = {"design": 4, "motion": 4, "lot": 2}
"""How many times fewer requests are tried where one costs the service much (ours)."""

RECORD = {"check": {"ball": {"weight": 15}}, "issued_on": "2024-09-01"}
ROWS = [{"serial": "OW00001", "weight": 15.0}, {"serial": "OW00002", "weight": 15.1}]


def _ask(service: Server, address: Address, request: Any, rows: Any = ROWS) -> Any:
    if address.path == "/v1/lots":
        return service.post_lot(request, strategies.lot_text(rows))
    if address.method == "GET":
        return service.get(address.path, request)
    return service.post(address.path, request)


def _can(service: Server, name: str) -> None:
    if name == "record" and service.post("/v1/records", RECORD).status_code == 409:
        pytest.skip("the service has no key to sign with, which the contract allows")


@pytest.mark.parametrize("name", NAMES)
def test_a_sound_request_is_answered_or_explained(service: Server, name: str) -> None:
    """200 by the contract, or 422 that points into the request; the same bytes when asked again."""
    address = ADDRESSES[name]
    _can(service, name)

    @settings(max_examples=max(1, settings().max_examples // COSTLY.get(name, 1)))
    @given(address.valid(), st.data())
    def ask(request: Any, data: st.DataObject) -> None:
        note(f"request: {request}")
        rows = data.draw(strategies.lot_rows()) if address.path == "/v1/lots" else ROWS
        response = _ask(service, address, request, rows)
        if response.status_code == 200:
            answer = answer_of(response)
            service.hold(address.answer_schema(request), answer)
            if name == "check" and "derived" in answer:
                hold_check(answer, request)
        else:
            assert all(_leads(request, pointer) for pointer in pointers_of(response))
        again = _ask(service, address, request, rows)
        assert (again.status_code, _body(again)) == (response.status_code, _body(response))

    ask()


def _body(response: Any) -> Any:
    """An answer's bytes; a problem without its request's own id."""
    if response.status_code == 200:
        return response.content
    return {name: value for name, value in problem_of(response).items() if name != "request_id"}


def _leads(request: Any, pointer: str) -> bool:
    """Say whether a pointer leads into a request, or to a member that is missing in it."""
    *above, _ = [step.replace("~1", "/").replace("~0", "~") for step in f"x{pointer}".split("/")[1:]] or [""]
    for step in above:
        if isinstance(request, list) and step.isdigit() and int(step) < len(request):
            request = request[int(step)]
        elif isinstance(request, dict) and step in request:
            request = request[step]
        else:
            return False
    return True


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_request_is_refused_by_its_pointer(service: Server, name: str) -> None:
    """422, and the pointer to what is broken is among those named."""
    address = ADDRESSES[name]

    @given(address.invalid())
    def ask(broken: strategies.Broken) -> None:
        note(f"request: {broken.request}")
        named = pointers_of(_ask(service, address, broken.request))
        assert broken.pointer in named, f"{broken.why}: {broken.pointer} is not among {named}"

    ask()


def test_a_generated_batch_is_its_single_checks(service: Server) -> None:
    """Against the same checks one by one."""

    @given(strategies.check_batches(most=3))
    def ask(batch: dict[str, Any]) -> None:
        note(f"request: {batch}")
        response = service.post("/v1/checks", batch)
        beside = {name: value for name, value in batch.items() if name not in ("checks", "approved_list")}
        shared = {"approved_list": batch["approved_list"]} if "approved_list" in batch else {}
        singles = []
        for check in batch["checks"]:
            rules = {**shared, **check.get("rules", {})}
            single = {**beside, **check, "rules": rules} if rules else {**beside, **check}
            singles.append(service.post("/v1/checks", single))
        if response.status_code == 200:
            assert answer_of(response)["results"] == [answer_of(single) for single in singles]
        else:
            assert pointers_of(response) == [
                f"/checks/{at}{pointer}"
                for at, single in enumerate(singles)
                if single.status_code == 422
                for pointer in pointers_of(single)
            ]

    ask()
