"""The service held to its OpenAPI document by schemathesis, all checks on, in this process."""

from __future__ import annotations

import schemathesis
from hypothesis import HealthCheck, settings

from ballgauge_service import create_app

# A JSON schema cannot say that a unit is one of length, or that a ball has one thumb hole: what fits the
# document may still be refused, but with the documented 422 only.
CONFIG = schemathesis.Config.from_dict(
    {"checks": {"positive_data_acceptance": {"expected-statuses": ["2xx", "422"]}}}
)

schema = schemathesis.openapi.from_wsgi(
    "/openapi.json", create_app(json_logs=False, warm_up=False), config=CONFIG
)


@schema.parametrize()
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_answer_is_as_documented(case: schemathesis.Case) -> None:
    case.call_and_validate()
