"""The service held to its OpenAPI document by schemathesis, all checks on, in this process."""

from __future__ import annotations

import os

import schemathesis
from hypothesis import HealthCheck, settings

from ballgauge_service.web.server.application import create_app

# A JSON schema cannot say that a unit is one of length, or that a ball has one thumb hole: what fits the
# document may still be refused, but with the documented 422 only.
# The documents of designs and motions have hundreds of members: theirs are drawn at random instead of every
# boundary of every member in turn, which would take longer than all other tests. So are those of checks, of
# drillings and of records to sign, since a check may hold a design.
CONFIG = schemathesis.Config.from_dict(
    {
        # An array longer than is allowed may make a body larger than is read, and is refused as one.
        "checks": {
            "negative_data_rejection": {"expected-statuses": ["4xx"]},
            "positive_data_acceptance": {"expected-statuses": ["2xx", "422"]},
        },
        "operations": [
            {"include-path": path, "phases": {"coverage": {"enabled": False}}}
            for path in (
                *("/v1/checks", "/v1/designs", "/v1/motions", "/v1/lineups", "/v1/drillings"),
                "/v1/records",
            )
        ],
    }
)

# Without a key every request to sign is refused, and the answers of a signing service stay untested.
os.environ.setdefault("BALLGAUGE_KEYS", "demo")

schema = schemathesis.openapi.from_wsgi(
    "/openapi.json", create_app(json_logs=False, warm_up=False), config=CONFIG
)


@schema.parametrize()
@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
def test_every_answer_is_as_documented(case: schemathesis.Case) -> None:
    case.call_and_validate()
