"""The client's warnings, against the headers of RFC 9745 and RFC 8594."""

from __future__ import annotations

import datetime
import warnings
from typing import Any

import pytest

import ballgauge
from ballgauge._deprecation import deprecated_since
from ballgauge._engine import Embedded
from ballgauge._http import Http
from ballgauge_schemas.shared.deprecations import Deprecation
from ballgauge_service.web.http import deprecation
from ballgauge_service.web.server.application import create_app

BALL = {"ball": {"weight": 15}}
URL = "http://service.invalid"


def client(*table: Deprecation) -> ballgauge.Client:
    app = create_app(json_logs=False, warm_up=False)
    deprecation.register(app, table)
    made = ballgauge.Client(URL)
    made._http = Http(Embedded(app))
    return made


def entry(path: str = "/v1/checks", **more: Any) -> Deprecation:
    return Deprecation("POST", path, datetime.date(2026, 1, 1), "https://example.org/instead", **more)


def test_one_warning_for_each_address_says_what_when_and_where(sentence: Any) -> None:
    """Three calls, one of them in bulk, warn once; another address warns for itself."""
    asked = client(entry(sunset=datetime.date(2027, 7, 1)), entry("/v1/motions"))
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        asked.check(BALL)
        asked.check(BALL)
        list(asked.check_many([BALL] * 3))
        with pytest.raises(ballgauge.InvalidRequest):
            asked.motion({})
    assert [each.category for each in told] == [ballgauge.BallgaugeDeprecation] * 2
    assert str(told[0].message) == (sentence("sdk: deprecation"))
    assert "POST /v1/motions" in str(told[1].message)
    assert "gone" not in str(told[1].message)


def test_the_warning_points_at_the_callers_line() -> None:
    """Against this file's name: a warning inside the client would be filtered away by default."""
    asked = client(entry())
    with pytest.warns(ballgauge.BallgaugeDeprecation) as told:
        asked.check(BALL)
    assert told[0].filename == __file__


def test_nothing_deprecated_warns_nobody() -> None:
    """Against warnings as errors."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert client().check(BALL).outcome == "not_assessed"


@pytest.mark.parametrize(
    ("header", "since"),
    [
        ("@1688169599", datetime.datetime(2023, 6, 30, 23, 59, 59, tzinfo=datetime.UTC)),  # RFC 9745, 2.1
        ("@0", datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)),
        ("@1688169599;x=1", datetime.datetime(2023, 6, 30, 23, 59, 59, tzinfo=datetime.UTC)),
        ("true", None),
        ("1688169599", None),
        ("@1688169599.5", None),
        ("@999999999999999", None),
        ("Fri, 30 Jun 2023 23:59:59 GMT", None),
        ("", None),
    ],
)
def test_a_deprecation_header_is_a_date(header: str, since: datetime.datetime | None) -> None:
    """The first is the example of RFC 9745, section 2.1; what is no such date is overlooked."""
    assert deprecated_since(header) == since
