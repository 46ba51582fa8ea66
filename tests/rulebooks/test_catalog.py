"""The listing of the rulebooks (our own definition)."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from ballgauge_service.rulebooks import UnknownRulebookError, describe, sample_rules


def test_the_listing_is_json_with_a_basis_and_a_source_to_every_limit() -> None:
    for body, overlay in (("usbc", None), ("ibf", None), ("ibf", "australia")):
        listing = describe(body, overlay=overlay)
        assert json.loads(json.dumps(listing)) == listing
        for rule in listing["rules"]:
            assert rule["binds"] in ("approval", "use")
            for limit in (*rule["limits"], *rule["other_limits"]):
                assert limit["basis"] in ("published", "secondary", "from_memory")
                assert limit["source"]


def test_the_date_parts_the_limits_in_force_from_the_others() -> None:
    for on, in_force, other in ((date(2005, 1, 31), 0.08, 0.06), (date(2005, 2, 1), 0.06, 0.08)):
        rule = next(item for item in describe("usbc", on)["rules"] if item["rule"] == "differential")
        assert [limit["max"] for limit in rule["limits"]] == [in_force]
        assert [limit["max"] for limit in rule["other_limits"]] == [other]


def test_the_stage_chooses_the_rules() -> None:
    at = {
        stage: {rule["rule"] for rule in describe("usbc", stage=stage)["rules"]}
        for stage in ("approval", "play")
    }
    assert "roughness" in at["approval"] - at["play"]
    assert "field_hardness" in at["play"] - at["approval"]
    assert {rule["rule"] for rule in describe("usbc")["rules"]} == at["approval"] | at["play"]


def test_unknown_names_are_refused(sentence: Any) -> None:
    with pytest.raises(UnknownRulebookError, match="ibf, usbc"):
        describe("nobody")
    with pytest.raises(ValueError, check=sentence("catalog: approval or play")):
        describe("usbc", stage="party")  # type: ignore[arg-type]


def test_rules_on_samples() -> None:
    """Oil absorption (USBC release of 2018) and roughness (a reader's summary of the manual, secondary)."""
    rules = sample_rules("usbc")
    oil, rough = rules["oil_absorption_sample"], rules["roughness_sample"]
    assert (oil.single.min, oil.max_rate, oil.unit, oil.effective_from) == (
        135.0,
        0.006,
        "s",
        date(2020, 8, 1),
    )
    assert oil.more_balls is not None
    assert (oil.more_balls.statistic, oil.more_balls.bounds.under, oil.more_balls.count) == (
        "average",
        570.0,
        None,
    )
    assert rough.average is not None
    assert (rough.single.max, rough.average.max, rough.unit) == (65.0, 50.0, "µin")
    assert rough.more_balls is not None
    assert (rough.more_balls.statistic, rough.more_balls.bounds.min, rough.more_balls.count) == (
        "single",
        42.0,
        8,
    )
    assert [(name, bounds.min) for name, bounds in rough.when[0]] == [("weight", 13.0)]
    assert sample_rules("ibf") == {}
