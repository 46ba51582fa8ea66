"""A lot on the approved list: each ball stands as a check of it alone says."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest

from ballgauge import Client

LIST = [
    {"brand": "Ostrel Works", "model": "Tarn 48", "approved_on": "2009-05-14"},
    {"brand": "Ostrel Works", "model": "Skarn", "approved_on": "2010-01-01", "withdrawn_on": "2022-03-01"},
    {"brand": "Ostrel Works", "model": "Gannet", "made_from": "2015-01-01", "made_to": "2017-12-31"},
]
BALLS = [
    {"name": "ostrel  works tarn 48", "rg": 2.445},
    {"name": "Ostrel Works Tarn 48", "approved_on": "2012-01-01", "rg": 2.445},
    {"name": "Ostrel Works Skarn", "identity": "checked_by_hand"},
    {"name": "Ostrel Works Gannet", "made_on": "2016-01-01"},
    {"name": "Ostrel Works Gannet", "made_on": "2019-01-01"},
    {"name": "Ostrel Works Gannet"},
    {"name": "Ostrel Works Tarn 84"},
    {"name": "Petrel"},
    {"name": "Petrel", "identity": "checked_by_hand"},
    {"name": "Petrel", "made_on": "1989-01-01"},
    {},
]


@pytest.mark.parametrize("stage", ["play", "approval"])
def test_a_lot_s_balls_stand_as_checks_say(stage: str) -> None:
    rules = {"on": "2026-05-01", "stage": stage, "approved_list": LIST}
    columns = ["serial", "weight", "name", "made_on", "approved_on", "identity", "rg"]
    file = io.StringIO()
    writer = csv.DictWriter(file, columns)
    writer.writeheader()
    writer.writerows({"serial": f"S{k}", "weight": 15, **ball} for k, ball in enumerate(BALLS))
    options: dict[str, Any] = {"rules": rules, "sampling": {"rows": "every_ball"}}
    counts: dict[str, dict[str, int]] = {}
    with Client.embedded() as client:
        lot = client.assess_lot(file.getvalue().encode(), options)
        for ball in BALLS:
            checked = client.check({"ball": {"weight": 15, **ball}, "rules": rules})
            for found in checked.findings:
                if found.rule in ("identity", "rg_minimum"):
                    told = counts.setdefault(found.rule, {})
                    told[found.outcome] = told.get(found.outcome, 0) + 1
    for rule, expected in counts.items():
        row = next(each for each in lot.by_rule if each["rule"] == rule)
        assert {name: row[name] for name in expected} == expected, rule
    assert lot.raw["rules"]["approved_list"]["given_by"] == "request"
