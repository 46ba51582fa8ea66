"""The service in this process as schemathesis sees it: its document, all checks on, a key to sign with."""

from __future__ import annotations

import json
import os
from collections import Counter
from typing import Any, ClassVar
from unittest import mock

import schemathesis
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine

KEYS = "BALLGAUGE_KEYS"
LONGER = 4
"""Examples of a request from the shortest on that a walk begins with (ours)."""

# A JSON schema cannot say that a unit is one of length, or that a ball has one thumb hole: what fits the
# document may still be refused, but with the documented 422 only.
CHECKS = {"positive_data_acceptance": {"expected-statuses": ["2xx", "422"]}}


@schemathesis.serializer("application/pdf", "image/png", "image/jpeg")
def _as_it_is(_: Any, value: Any) -> Any:
    """Files are sent as the bytes they are; generated ones are texts."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


def contract(config: dict[str, Any] | None = None) -> Any:
    """The schema of a service that signs, its checks as above; `config` is schemathesis' own."""
    from ballgauge_service.record.keys import DEMO_KEY, Keyring
    from ballgauge_service.web.server.application import create_app

    app = create_app(json_logs=False, warm_up=False)
    # The keyring is made at the first need of it: without a key every request to sign is refused.
    with mock.patch.dict(os.environ, {KEYS: json.dumps({"keys": [DEMO_KEY]})}):
        app.test_client().get("/v1/records/keys")
    assert isinstance(app.extensions["ballgauge_keys"], Keyring)
    made = schemathesis.Config.from_dict({"checks": CHECKS, **(config or {})})
    return schemathesis.openapi.from_wsgi("/openapi.json", app, config=made)


def linked(schema: Any) -> type[RuleBasedStateMachine]:
    """A machine that goes from answer to request by the document's links, and counts its steps.

    Of requests drawn from the document alone few are answered; here most are the document's own examples, so
    that there are answers to go on from.
    """

    @schema.hook
    def before_generate_body(context: Any, strategy: Any) -> Any:
        examples = _examples(context.operation)
        return st.one_of(*[st.sampled_from(examples)] * 3, strategy) if examples else strategy

    class Linked(schema.as_state_machine()):  # type: ignore[misc]
        taken: ClassVar[Counter[tuple[str, int]]] = Counter()

        def after_call(self, response: Any, case: Any) -> None:
            self.taken[case.operation.label, response.status_code] += 1

    return Linked


def _examples(operation: Any) -> list[Any]:
    """The shorter examples of a request: the longer ones are studies that take seconds."""
    content = operation.definition.raw.get("requestBody", {}).get("content", {})
    values = [each["value"] for each in content.get("application/json", {}).get("examples", {}).values()]
    return sorted(values, key=lambda value: len(json.dumps(value)))[:LONGER]
