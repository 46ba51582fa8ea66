"""Deprecations, against RFC 9745 (Deprecation), RFC 8594 (Sunset) and RFC 8288 (Link).

Nothing of this version is deprecated, so that the tests bring tables of their own.
"""

from __future__ import annotations

import copy
import datetime
import re
from email.utils import parsedate_to_datetime
from typing import Any

import pytest
from requests.utils import parse_header_links

from ballgauge_schemas import openapi_document
from ballgauge_schemas.shared.deprecations import DEPRECATIONS, Deprecation, mark
from ballgauge_service.web.http import deprecation
from ballgauge_service.web.server.application import create_app

SINCE, SUNSET = datetime.date(2026, 1, 1), datetime.date(2027, 7, 1)
GUIDE = "/docs#instead"
ADDRESS = Deprecation("POST", "/v1/drillings", SINCE, GUIDE, sunset=SUNSET)
MEMBER = Deprecation("POST", "/v1/checks", datetime.date(2026, 3, 1), GUIDE, member="/ball/cover")
IN_BATCH = Deprecation("POST", "/v1/checks", datetime.date(2026, 2, 1), GUIDE, member="/checks/*/ball/cover")
QUERY = Deprecation("GET", "/v1/rulebooks", SINCE, "https://example.org/rules", query="overlay")
LATER = Deprecation("GET", "/v1/rulebooks", datetime.date(2026, 4, 1), GUIDE, sunset=SUNSET)


def client(*table: Deprecation) -> Any:
    app = create_app(json_logs=False, warm_up=False)
    deprecation.register(app, table)
    return app.test_client()


def test_nothing_is_deprecated_today() -> None:
    """Against the answers and the document of the service as it is."""
    assert DEPRECATIONS == ()
    assert '"deprecated"' not in str(openapi_document()).replace("'", '"')
    response = create_app(json_logs=False, warm_up=False).test_client().get("/v1/rulebooks")
    assert not {"Deprecation", "Sunset", "Link"} & set(response.headers.keys())


@pytest.mark.parametrize("status", [200, 422])
def test_a_deprecated_address_says_so_with_every_answer(drilled: dict[str, Any], status: int) -> None:
    """The example of RFC 9745, 2.1, has the same form: a date of RFC 9651, `@` and whole seconds."""
    del drilled["rules"]
    response = client(ADDRESS).post("/v1/drillings", json=drilled if status == 200 else {})
    assert response.status_code == status
    assert response.headers["Deprecation"] == "@1767225600"  # date -u -d 2026-01-01 +%s
    assert response.headers["Sunset"] == "Thu, 01 Jul 2027 00:00:00 GMT"
    assert parsedate_to_datetime(response.headers["Sunset"]).date() == SUNSET
    links = [link for line in response.headers.getlist("Link") for link in parse_header_links(line)]
    assert [(link["url"], link["rel"]) for link in links] == [(GUIDE, "deprecation"), (GUIDE, "sunset")]


def test_other_addresses_and_methods_say_nothing() -> None:
    """Against the neighbors of a deprecated address."""
    asked = client(ADDRESS)
    for response in (
        asked.get("/v1/rulebooks"),
        asked.post("/v1/checks", json={}),
        asked.get("/v1/drillings"),
    ):
        assert "Deprecation" not in response.headers


def test_a_deprecated_member_is_told_where_it_is_used() -> None:
    """In one check, in any check of a batch, and not where it is absent."""
    asked = client(MEMBER, IN_BATCH)
    plain, used = {"ball": {"weight": 15}}, {"ball": {"weight": 15, "cover": "urethane"}}
    for body, told in (
        (plain, None),
        (used, "@1772323200"),
        ({"checks": [plain, plain]}, None),
        ({"checks": [plain, used]}, "@1769904000"),
        ([], None),
        ({"ball": [], "checks": {}}, None),
    ):
        response = asked.post("/v1/checks", json=body)
        assert response.headers.get("Deprecation") == told, body


def test_a_request_does_not_hear_of_the_one_before() -> None:
    """Against a second request through the same application."""
    asked = client(MEMBER)
    used = {"ball": {"weight": 15, "cover": "urethane"}}
    assert "Deprecation" in asked.post("/v1/checks", json=used).headers
    assert "Deprecation" not in asked.post("/v1/checks", json={"ball": {"weight": 15}}).headers
    assert "Deprecation" not in asked.post("/v1/checks", data=b"{", content_type="application/json").headers


def test_the_earliest_dates_are_told_and_every_link() -> None:
    """Where a deprecated address is asked with a deprecated parameter."""
    asked = client(QUERY, LATER)
    both = asked.get("/v1/rulebooks?body=ibf&overlay=australia")
    assert both.status_code == 200
    assert both.headers["Deprecation"] == "@1767225600"
    assert both.headers["Sunset"] == "Thu, 01 Jul 2027 00:00:00 GMT"
    assert len(both.headers.getlist("Link")) == 3
    assert asked.get("/v1/rulebooks").headers["Deprecation"] == "@1775001600"
    assert asked.head("/v1/rulebooks").headers["Deprecation"] == "@1775001600"


def test_a_sunset_before_the_deprecation_is_no_deprecation(sentence: Any) -> None:
    """RFC 9745, section 4."""
    with pytest.raises(ValueError, check=sentence("deprecation: before")):
        Deprecation("POST", "/v1/checks", SUNSET, GUIDE, sunset=SINCE)
    with pytest.raises(ValueError, check=sentence("deprecation: not both")):
        Deprecation("POST", "/v1/checks", SINCE, GUIDE, query="a", member="/b")


def test_the_document_is_marked_by_the_same_table() -> None:
    """Against the places of OpenAPI's `deprecated`: operation, parameter, schema of a member."""
    document = copy.deepcopy(openapi_document())
    mark(document, [ADDRESS, MEMBER, IN_BATCH, QUERY])
    assert document["paths"]["/v1/drillings"]["post"]["deprecated"] is True
    assert document["components"]["schemas"]["CheckedBall"]["properties"]["cover"]["deprecated"] is True
    parameters = document["paths"]["/v1/rulebooks"]["get"]["parameters"]
    assert [each["name"] for each in parameters if each.get("deprecated")] == ["overlay"]
    assert len(re.findall("'deprecated': True", str(document))) == 3


@pytest.mark.parametrize(
    "entry",
    [
        Deprecation("GET", "/v1/drillings", SINCE, GUIDE),
        Deprecation("POST", "/v1/checks", SINCE, GUIDE, member="/ball/color"),
        Deprecation("GET", "/v1/rulebooks", SINCE, GUIDE, query="club"),
    ],
    ids=["method", "member", "parameter"],
)
def test_what_the_document_does_not_have_cannot_be_deprecated(entry: Deprecation) -> None:
    """Against an address, a member and a parameter that do not exist."""
    with pytest.raises(LookupError, match=re.escape(entry.path)):
        mark(copy.deepcopy(openapi_document()), [entry])
