"""Results as values: every member of every answer is an attribute; and what a notebook shows of them."""

from __future__ import annotations

import math
import sys
import xml.etree.ElementTree as ET
from typing import Any

import pandas
import polars
import pytest

import ballgauge
from ballgauge._drawn import section
from ballgauge._values import Result
from ballgauge_schemas import openapi_document

SCHEMAS = openapi_document()["components"]["schemas"]
RESULTS = [ballgauge.BriefResult, ballgauge.CheckResult, ballgauge.DesignResult, ballgauge.DrillingResult,
           ballgauge.LotResult, ballgauge.LotSeriesResult, ballgauge.MotionResult]  # fmt: skip


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_member_of_every_schema_is_an_attribute(name: str) -> None:
    """Against the document: no method of a mapping, nor one of ours, stands before a member."""
    members = {each: number for number, each in enumerate(SCHEMAS[name].get("properties", {}))}
    record = ballgauge.Record(members)
    assert {each: getattr(record, each) for each in members} == members
    assert {each: record[each] for each in members} == members
    for kind in RESULTS:
        mine = {each: n for each, n in members.items() if each not in {*kind._members, "request_id"}}
        result = kind({**{each: {} for each in kind._needed}, **mine})
        assert {each: getattr(result, each) for each in mine} == mine


def test_the_main_answer_of_a_solve_is_an_attribute() -> None:
    result = ballgauge.Record({"solutions": [{"values": {"core": 1.2}}], "keys": [], "items": 3})
    assert result.solutions[0].values.core == 1.2
    assert (result.keys, result.items) == ((), 3)
    assert result.to_dict() == {"solutions": [{"values": {"core": 1.2}}], "keys": [], "items": 3}


@pytest.fixture(scope="module")
def results(drilled: dict[str, Any] | None = None) -> list[Result]:
    from tests.sdk.test_async import LOT, OPTIONS

    from ballgauge_schemas import example

    with ballgauge.Client.embedded() as client:
        return [client.check(example("drilled")), client.check(example("drilled"), detail="brief"),
                client.assess_lot(LOT, OPTIONS)]  # fmt: skip


def test_what_is_shown_is_short(results: list[Result]) -> None:
    for result in results:
        assert len(repr(result)) < 2000
        assert len(repr(ballgauge.Record(dict(result.raw)))) < 2000
        assert result.outcome in repr(result)  # type: ignore[attr-defined]


def test_a_result_as_html_is_a_table_and_safe(results: list[Result]) -> None:
    check, _, lot = results
    assert check._repr_html_().count("<tr>") == len(check.raw["findings"]) + 1
    assert lot._repr_html_().count("<tr>") == len(lot.raw["worst_balls"]) + 1
    bad = ballgauge.BriefResult(
        {"outcome": "<b>", "unmet": [{"rule": "<script>", "outcome": "x"}], "missing": []}
    )
    assert "<script>" not in bad._repr_html_()
    assert "&lt;script&gt;" in bad._repr_html_()


def drawn(result: Result) -> ET.Element:
    """The picture of a result as a notebook shows it."""
    page = result._repr_html_()
    return ET.fromstring(page[page.index("<svg") :])


def test_a_ball_is_drawn_with_its_holes_and_a_lot_with_its_limits(results: list[Result]) -> None:
    """Against the answers: where the holes lie, and a limit each way for each that there is."""
    check, brief, lot = results
    svg = "{http://www.w3.org/2000/svg}"
    circles = [dict(each.attrib) for each in drawn(check).iter(f"{svg}circle")]
    holes = check.raw["derived"]["holes"]
    radius = check.raw["derived"]["ball"]["radius"]
    seen = [(float(each["cx"]), float(each["cy"])) for each in circles if "fill-opacity" in each]
    assert len(seen) == len(holes)
    for (x, y), hole in zip(seen, holes, strict=True):
        assert y == pytest.approx(-radius * math.sin(hole["at"]["up"] / radius), abs=1e-3)
        assert x == pytest.approx(
            radius * math.cos(hole["at"]["up"] / radius) * math.sin(hole["at"]["right"] / radius), abs=1e-3
        )
    assert "<svg" not in brief._repr_html_()
    limits = [each["limits"][end] for each in lot.raw["quantities"] for end in ("min", "max")]
    lines = [each for each in drawn(lot).iter(f"{svg}path") if each.attrib["stroke"] == "#b3261e"]
    assert len(lines) == sum(limit is not None for limit in limits)


def test_a_path_and_a_section_are_drawn() -> None:
    """Against what goes in: points of the path; an outline for each solid that stands upright."""
    needed = {name: {} for name in ballgauge.MotionResult._needed}
    curves = {"distance": [0.0, 60.0], "board": [26.0, 17.0]}
    line = drawn(ballgauge.MotionResult({**needed, "motion": {"curves": curves}}))[2]
    assert line.attrib["points"] == "0.0,104.0 600.0,68.0"
    turned = {"axis": [0, 1, 0], "angle": 90}
    solids: list[dict[str, Any]] = [
        {"name": "cover", "shape": "sphere"},
        {"name": "core", "shape": "ellipsoid", "length_x": "101,6 mm ± 0,1", "length_z": "0.1397 m"},
        {"name": "disc", "shape": "cylinder", "diameter": 2, "height": 0.5, "position": [0, 0, "1 in"]},
        {"name": "<b>", "shape": "cone", "diameter": 2, "height": 1, "rotation": turned},
    ]
    picture = section({"diameter": 8.5, "solids": solids})
    found = ET.fromstring(picture)
    assert [each.tag.rpartition("}")[2] for each in found] == [
        "title",
        "ellipse",
        "ellipse",
        "polygon",
        "text",
    ]
    assert (found[2].attrib["rx"], found[2].attrib["ry"]) == ("2.000", "2.750")
    assert found[3].attrib["points"].startswith("1.000,-0.750 1.000,-1.250")
    assert found[4].text == "not drawn: <b>"
    assert section({"diameter": 8.5, "solids": [{"shape": "sphere"}]}) == section(None) == ""


@pytest.mark.parametrize("library", [pandas, polars])
def test_a_result_as_a_frame(results: list[Result], monkeypatch: pytest.MonkeyPatch, library: Any) -> None:
    other = "polars" if library is pandas else "pandas"
    monkeypatch.delitem(sys.modules, other)
    frame = results[0].to_frame()
    assert type(frame) is library.DataFrame
    assert len(frame) == len(results[0].raw["findings"])
    assert {"rule", "outcome", "limit.max", "margin"} <= set(frame.columns)
    with pytest.raises(ValueError, match="derived"):
        results[0].to_frame("derived")


def test_a_document_is_given_away_as_a_copy(results: list[Result]) -> None:
    given = results[0].to_dict()
    given["findings"][0]["outcome"] = "changed"
    assert results[0].raw["findings"][0]["outcome"] != "changed"
