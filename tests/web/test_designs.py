"""Designs through the real application: numbers, refusals by field, meshes, progress and canceling."""

from __future__ import annotations

import base64
import copy
import io
import json
import math
import struct
import threading
import zipfile
from typing import Any

import numpy as np
import pytest
import trimesh

from ballgauge_schemas.design.answer import DESIGN_RESULT
from ballgauge_schemas.shared.documents import design_example, design_example_names
from ballgauge_service.core import budget
from ballgauge_service.core.refusal import InvalidInput

OUNCE = 453.59237 / 16
INCH = 2.54


@pytest.fixture(scope="module")
def post(app: Any) -> Any:
    client = app.test_client()
    return lambda request, **options: client.post("/v1/designs", json=request, **options)


@pytest.fixture
def skarn() -> dict[str, Any]:
    return copy.deepcopy(design_example("skarn"))


def errors_of(response: Any, status: int = 422) -> dict[str, str]:
    assert response.status_code == status, response.get_data(as_text=True)[:2000]
    assert response.content_type == "application/problem+json"
    return {error["pointer"]: error["detail"] for error in response.get_json()["errors"]}


@pytest.mark.parametrize("name", design_example_names())
def test_every_example_is_answered_as_documented_and_again_the_same(post: Any, name: str) -> None:
    """Against the answer's schema, and to the byte: the seed decides."""
    request = design_example(name)
    if "production" in request:
        request["production"]["samples"] = 512
    first = post(request)
    assert first.status_code == 200, first.get_data(as_text=True)
    DESIGN_RESULT.load(first.get_json())
    assert post(request).data == first.data


def test_two_nested_spheres_by_hand(post: Any) -> None:
    """Mass 4/3 pi (R^3 d1 + r^3 (d2 - d1)) and I = 2/5 m r^2 of each sphere (elementary formulas)."""
    outer, inner = 8.58 / 2, 3.0
    solids = [
        {"name": "cover", "role": "cover", "shape": "sphere", "density": 1.2},
        {"name": "core", "role": "inner_core", "shape": "sphere", "diameter": "6 in", "density": 1.4},
    ]
    made = post({"design": {"diameter": 8.58, "solids": solids}}).get_json()["properties"]
    parts = [(1.2, outer), (0.2, inner)]
    mass = [4 / 3 * math.pi * (r * INCH) ** 3 * d / OUNCE / 16 for d, r in parts]
    inertia = sum(0.4 * m * r * r for m, (_, r) in zip(mass, parts, strict=True))
    assert made["weight"] == pytest.approx(sum(mass), rel=1e-12)
    assert made["rg"] == pytest.approx(math.sqrt(inertia / sum(mass)), rel=1e-12)
    assert made["differential"] == pytest.approx(0.0, abs=1e-12)
    assert made["asymmetry_ratio"] is None
    assert made["cover_depth_shallowest"] == pytest.approx(outer - inner)


def test_the_rules_find_a_dense_disc_and_do_not_refuse_it(post: Any) -> None:
    """Against the rulebook's density limit of 3.80 g/mL: a finding, not an error."""
    request = design_example("skarn_disc_below")
    request["design"]["solids"][3]["density"] = 3.9
    answer = post(request).get_json()
    found = {each["rule"]: each for each in answer["findings"]}
    assert found["max_density"]["outcome"] == "nonconforming"
    assert found["max_density"]["value"] == 3.9
    assert answer["properties"]["max_density_solid"] == "disc"
    assert answer["outcome"] == "nonconforming"
    assert answer["rules"]["stage"] == "approval"


def test_the_numbers_are_those_of_a_check(post: Any, app: Any, skarn: dict[str, Any]) -> None:
    """Against /v1/checks: `ball` is taken as it is, and the same rules give the same verdicts."""
    answer = post(skarn).get_json()
    rules = {**skarn["rules"], "stage": "approval"}
    checked = app.test_client().post("/v1/checks", json={"ball": answer["ball"], "rules": rules}).get_json()
    assert checked["findings"] == answer["findings"]


def test_a_disc_on_the_pin_axis_raises_the_differential_alone(post: Any, skarn: dict[str, Any]) -> None:
    """Trade facts (common practice, no source): the disc adds about both axes across the pin alike, so that
    the ratio falls; below, no hole takes anything of it, above, they do."""
    skarn["compare"] = {"design": design_example("skarn_disc_below")["design"]}
    below = post(skarn).get_json()
    rows = {row["number"]: row for row in below["comparison"]["designs"]}
    assert rows["differential"]["difference"] > 0.01
    assert abs(rows["intermediate_differential"]["difference"]) < 3e-4
    assert rows["asymmetry_ratio"]["difference"] < -0.1
    assert rows["differential"]["causes"][0]["part"] == "disc"
    taken = [
        {part["part"] for hole in answer["drilled"]["holes"] for part in hole["removed_from"]}
        for answer in (post(design_example(f"skarn_disc_{side}")).get_json() for side in ("below", "above"))
    ]
    assert ["disc" in parts for parts in taken] == [False, True]


def test_holes_add_up_and_cores_are_guarded(post: Any, skarn: dict[str, Any]) -> None:
    """Against sums: each hole's costs make the whole change; a hole in the core is cautioned at its place."""
    answer = post(skarn).get_json()
    drilled = answer["drilled"]
    for name in ("rg", "differential", "intermediate_differential"):
        assert sum(hole[name] for hole in drilled["holes"]) == pytest.approx(
            drilled["change"][name], abs=1e-12
        )
    assert drilled["change"]["weight"] == pytest.approx(
        16 * (drilled["weight"] - answer["properties"]["weight"]), abs=1e-9
    )
    places = {each["pointer"] for each in answer["cautions"] if each["code"] == "core_drilled"}
    assert places == {"/drilling/holes/0", "/drilling/holes/1", "/drilling/holes/2"}
    assert drilled["outcome"] == "conforming"


def test_a_mirrored_drilling_reads_the_same(post: Any, skarn: dict[str, Any]) -> None:
    """Against symmetry: left for right, every reading toward the axis point stays."""
    right = post(skarn).get_json()["drilled"]
    skarn["drilling"]["hand"] = "left"
    left = post(skarn).get_json()["drilled"]
    for name in ("top", "side", "finger", "differential"):
        assert left[name] == pytest.approx(right[name], rel=1e-6)
    assert left["pin"]["right"] == pytest.approx(-right["pin"]["right"])


def test_an_arm_nobody_knows_leaves_a_verdict_open(post: Any) -> None:
    """Against the design: a verdict that turns between arms of 2.3 in and 4.3 in is inconclusive."""
    request = design_example("skarn_disc_below")
    verdicts = []
    for given in (True, False):
        if not given:
            del request["drilling"]["balance_arm"]
        found = {each["rule"]: each["outcome"] for each in post(request).get_json()["drilled"]["findings"]}
        verdicts.append(next(outcome for rule, outcome in found.items() if "top" in rule))
    assert verdicts == ["conforming", "inconclusive"]


def test_solids_that_leave_the_ball_are_named_with_the_distance(
    post: Any, skarn: dict[str, Any], sentence: Any
) -> None:
    """Against hand algebra: a sphere of 2 in at 4 in reaches 0.71 in beyond 4.29 in; in both designs."""
    outside = {"name": "bump", "shape": "sphere", "diameter": 2, "density": 1.5, "position": [0, 0, 4]}
    skarn["design"]["solids"].append(outside)
    skarn["compare"] = {"design": copy.deepcopy(skarn["design"])}
    found = errors_of(post(skarn))
    assert set(found) == {"/design/solids/4", "/compare/design/solids/4"}
    assert found["/design/solids/4"] == sentence("solid leaves the ball")


def test_what_names_no_solid_is_named(post: Any, sentence: Any) -> None:
    """Against the design's names and its shapes' fields."""
    request = design_example("skarn_targets")
    request["solve"]["parameters"][0]["solids"] = ["cor"]
    request["solve"]["parameters"][2]["field"] = "length_x"
    request["production"] = {"tolerances": [{"solids": ["cover"], "field": "offset_x", "half_width": 0.1}]}
    found = errors_of(post(request))
    assert found["/solve/parameters/0/solids/0"] == sentence("unknown solid")
    assert found["/solve/parameters/2/field"] == sentence("field of another shape")
    assert found["/production/tolerances/0/field"] == sentence("cover moved")


def test_a_hole_that_comes_out_elsewhere_is_named(post: Any, skarn: dict[str, Any], sentence: Any) -> None:
    """Against geometry: a hole of 8 in across the rim."""
    skarn["drilling"]["holes"].append(
        {"role": "vent", "diameter": 1, "depth": 8, "pitch_forward": 3, "at": {"right": 2, "up": 0}}
    )
    found = errors_of(post(skarn))
    assert found["/drilling/holes/3"] == sentence("hole comes out elsewhere")


def test_targets_that_nothing_meets_say_which_and_by_how_much(post: Any) -> None:
    """Against the bounds: 15.9 lb is out of reach of one density; the conflict says how far."""
    request = design_example("skarn_targets")
    request["solve"]["parameters"] = request["solve"]["parameters"][:1]
    request["solve"]["targets"] = {
        "weight": {"value": 15.9, "tolerance": 0.01},
        "rg": {"value": 2.6, "tolerance": 0.002},
    }
    solved = post(request).get_json()["solved"]
    assert not solved["met"]
    worst = {each["number"]: each for each in solved["conflicts"]}
    assert worst["weight"]["off"] > 0.5
    assert worst["weight"]["with_targets"] == ["rg"]
    assert "rg" in worst["weight"]["message"]


def test_a_solution_can_be_asked_about_again(post: Any) -> None:
    """Against the answer itself: the design of a solution has the numbers that were told of it."""
    request = design_example("skarn_targets")
    del request["family"]
    solved = post(request).get_json()["solved"]
    assert solved["met"]
    again = post({"design": solved["solutions"][0]["design"]}).get_json()["properties"]
    for name in ("weight", "rg", "differential"):
        assert again[name] == pytest.approx(solved["solutions"][0]["numbers"][name], rel=1e-12)


def test_a_front_where_there_is_none_is_said(post: Any) -> None:
    """Against the engine: other targets that cannot be met leave no front, which is a caution."""
    request = design_example("skarn_targets")
    del request["family"]
    request["solve"]["parameters"] = request["solve"]["parameters"][:1]
    request["solve"] |= {"starts": 2, "trade_off": {"first": "rg", "second": "differential", "points": 3}}
    request["solve"]["targets"]["weight"] = {"value": 19, "tolerance": 0.01}
    answer = post(request).get_json()
    assert answer["solved"]["trade_off"] is None
    assert "no_trade_off" in {each["code"] for each in answer["cautions"]}


def test_production_follows_the_rulebook(post: Any, sentence: Any) -> None:
    """Against the normal law: of a weight whose limit lies one deviation off, 15.87 % are outside."""
    request = design_example("skarn_production")
    core = request["production"]["tolerances"][0]
    request["production"] |= {"tolerances": [core], "samples": 1024}
    spread = post(request).get_json()["production"]["spreads"][0]
    solids = request["design"]["solids"]
    # Weight is linear in the density of a solid: the filler is set so that 16 lb lies one deviation off.
    solids[1]["density"] = "900 kg/m3"
    light = post(request).get_json()["properties"]["weight"]
    per_unit = (spread["nominal"] - light) / 0.02
    solids[1]["density"] = 0.92 + (16.0 - spread["standard_deviation"] - spread["nominal"]) / per_unit
    request["production"]["samples"] = 8192
    study = post(request).get_json()["production"]
    weight = next(each for each in study["nonconforming"] if each["number"] == "weight")
    assert weight["rules"] == ["weight"]
    assert weight["limit"] == {"min": None, "max": 16.0}
    assert weight["fraction"] == pytest.approx(0.1587, abs=2e-3)
    assert weight["interval"]["min"] < 0.1587 < weight["interval"]["max"]
    assert study["tighten_first"]["tolerance"] == "density of core"
    assert study["tighten_first"]["fraction_halved"] == pytest.approx(0.0228, abs=2e-3)
    reasons = {each["rule"]: each["reason"] for each in study["not_assessed"]}
    assert reasons["max_density"] == sentence("production: rule of another number")


def octahedron(size: float = 50.0) -> trimesh.Trimesh:
    corners = size * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1.2], [0, 0, -1.2]])
    faces = [[0, 2, 4], [2, 1, 4], [1, 3, 4], [3, 0, 4], [2, 0, 5], [1, 2, 5], [3, 1, 5], [0, 3, 5]]
    return trimesh.Trimesh(corners, faces, process=False)


def with_mesh(skarn: dict[str, Any], **mesh: str) -> dict[str, Any]:
    skarn["design"]["meshes"] = [{"name": "drawn", "unit": "mm", **mesh}]
    skarn["design"]["solids"][2] = {
        "name": "core", "role": "inner_core", "shape": "mesh", "mesh": "drawn", "density": 2.7,
    }  # fmt: skip
    return skarn


def form(request: dict[str, Any], **files: bytes) -> dict[str, Any]:
    parts: dict[str, Any] = {"options": json.dumps(request)}
    parts["file"] = [(io.BytesIO(data), f"{name}.stl") for name, data in files.items()]
    return parts


def test_a_mesh_comes_as_base64_or_as_a_part(app: Any, post: Any, skarn: dict[str, Any]) -> None:
    """Against each other, and against trimesh's own volume."""
    mesh = octahedron()
    stl = mesh.export(file_type="stl")
    inline = post(with_mesh(skarn, format="stl", data=base64.b64encode(stl).decode())).get_json()
    request = with_mesh(skarn, file="core.stl")
    beside = app.test_client().post("/v1/designs", data=form(request, core=stl)).get_json()
    assert beside["properties"] == inline["properties"]
    core = inline["properties"]["contributions"][2]
    assert core["mass"] == pytest.approx(mesh.volume / 1000 * 2.7 / OUNCE / 16, rel=1e-6)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\0" * 80 + struct.pack("<I", 1_000_000_000), "claims 1000000000 faces"),
        (
            octahedron().submesh([[0, 1, 2, 3, 4, 5, 6]], append=True).export(file_type="stl"),
            "open at the edge",
        ),
        (octahedron(200.0).export(file_type="stl"), "beyond the ball's surface"),
        (b"", "at least 84 bytes"),
    ],
)
def test_bad_meshes_are_refused(
    app: Any, skarn: dict[str, Any], data: bytes, words: str, sentence: Any
) -> None:
    """Against the faults: a header that lies, an open surface, a core larger than the ball, nothing."""
    request = with_mesh(skarn, file="core.stl")
    found = errors_of(app.test_client().post("/v1/designs", data=form(request, core=data)))
    assert found == sentence(f"mesh sent: {words}")


def test_files_and_names_must_agree(app: Any, skarn: dict[str, Any], sentence: Any) -> None:
    """Against the form: a mesh without file, and a file without mesh."""
    request = with_mesh(skarn, file="core.stl")
    found = errors_of(app.test_client().post("/v1/designs", data=form(request, other=b"x")))
    assert found == {
        "/design/meshes/0/file": sentence("mesh without its file"),
        "/design/meshes": sentence("file without a mesh"),
    }


def test_a_form_without_request_is_refused(app: Any) -> None:
    """Against the contract: the options first."""
    body = {"file": (io.BytesIO(b"x"), "core.stl")}
    assert "/options" in errors_of(app.test_client().post("/v1/designs", data=body))


def test_too_large_a_form_is_refused(app: Any, monkeypatch: pytest.MonkeyPatch, sentence: Any) -> None:
    """Against the limit of the contract, made small."""
    monkeypatch.setattr("ballgauge_service.web.routes.designs.MESH_BYTES_MAXIMUM", 1 << 20)
    body, kind = b"0" * ((1 << 20) + 1), "multipart/form-data; boundary=x"
    response = app.test_client().post("/v1/designs", data=body, content_type=kind)
    assert response.status_code == 413
    assert response.get_json()["detail"] == sentence("form too large")


def test_what_would_take_minutes_is_refused(
    post: Any, skarn: dict[str, Any], monkeypatch: pytest.MonkeyPatch, sentence: Any
) -> None:
    """Against the work limit: fifty boxes that cut each other; and samples of a ball of boxes."""
    box = {"shape": "rounded_box", "density": 1.5, "length_x": 1, "length_y": 1.1, "length_z": 1.2}
    boxes = [{**box, "name": f"box {n}", "position": [0.02 * n, 0.3, 0.01 * n]} for n in range(50)]
    many = {"design": {**skarn["design"], "solids": skarn["design"]["solids"][:2] + boxes}}
    found = errors_of(post(many))
    assert found["/design/solids"] == sentence("design: too many solids")
    few = {"design": {**skarn["design"], "solids": skarn["design"]["solids"][:2] + boxes[:2]}}
    tolerance = {"solids": ["box 0"], "field": "length_x", "half_width": 0.01}
    few["production"] = {"tolerances": [tolerance], "samples": 100_000}
    monkeypatch.setattr(budget, "WORK_LIMIT", 6e6)
    assert "at most" in errors_of(post(few))["/production/samples"]
    monkeypatch.setattr(budget, "WORK_LIMIT", 1e6)
    assert set(errors_of(post(few))) == {"/production/tolerances"}


def test_searches_are_priced_before_any_work(
    post: Any, monkeypatch: pytest.MonkeyPatch, sentence: Any
) -> None:
    """Against the work limit, made small: what fits, in place of the first line of progress."""
    request = design_example("skarn_targets")
    monkeypatch.setattr(budget, "WORK_LIMIT", 1e3)
    (first,) = lines_of(post(request, headers={"Accept": "application/x-ndjson"}))
    (error,) = first["problem"]["errors"]
    assert error["pointer"] == "/solve/parameters"
    assert error["detail"] == sentence("too much to search")
    monkeypatch.setattr(budget, "WORK_LIMIT", 5e3)
    told = {each["code"] for each in post(request).get_json()["cautions"]}
    assert "starts_left_out" in told


BLOCK = {
    "name": "block", "shape": "rounded_box", "length_x": 2, "length_y": 4.4, "length_z": 1.2, "density": 3,
    "position": [0.1, 0.1, 0.5],
}  # fmt: skip


def test_a_core_cut_off_its_axis_is_studied_by_few_cubatures(post: Any, skarn: dict[str, Any]) -> None:
    """10,000 samples of a triaxial core and a block that varies: the nodes of a full quadratic."""
    skarn["design"]["solids"].append(BLOCK)
    widths = {"length_x": 0.02, "offset_z": 0.02, "tilt_x": 1.0, "density": 0.02}
    tolerances = [{"solids": ["block"], "field": name, "half_width": each} for name, each in widths.items()]
    skarn["production"] = {"tolerances": tolerances, "samples": 10_000}
    *told, last = lines_of(post(skarn, headers={"Accept": "application/x-ndjson"}))
    assert [each["doing"] for each in told].count("production: fitting") == 1 + 2 * 3 + 3
    study = last["result"]["production"]
    assert study["samples"] == 10_000
    assert all(each["fit_error"] > 0.0 for each in study["spreads"])


def test_studies_are_priced_before_the_searches(
    post: Any, skarn: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Samples that do not fit are refused at once, though a search stands before them."""
    monkeypatch.setattr(budget, "WORK_LIMIT", 6e6)
    skarn["production"] = {
        "tolerances": [{"solids": ["core"], "field": "length_x", "half_width": 0.01}],
        "samples": 100_000,
    }
    skarn["solve"] = {
        "targets": {"weight": {"value": 15, "tolerance": 0.1}},
        "parameters": [{"solids": ["core"], "field": "density", "within": 0.3}],
    }
    skarn["design"]["solids"].append(BLOCK)
    (line,) = lines_of(post(skarn, headers={"Accept": "application/x-ndjson"}))
    assert {each["pointer"] for each in line["problem"]["errors"]} == {"/production/samples"}


def test_the_clock_is_the_last_resort(post: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against a deadline that has passed: said in words."""
    assert post(design_example("skarn")).status_code == 200
    monkeypatch.setattr(budget, "DEADLINE", -1.0)
    assert any("and ended" in text for text in errors_of(post(design_example("skarn"))).values())


def lines_of(response: Any) -> list[dict[str, Any]]:
    return [json.loads(line) for line in response.get_data().splitlines()]


def test_lines_speak_the_language_asked_for(post: Any, skarn: dict[str, Any]) -> None:
    """Against the plain answer in German, which is not the English one."""
    german = {"Accept-Language": "de"}
    *_, last = lines_of(post(skarn, headers={**german, "Accept": "application/x-ndjson"}))
    assert last["result"] == post(skarn, headers=german).get_json()
    assert last["result"]["cautions"] != post(skarn).get_json()["cautions"]


def test_progress_comes_before_the_result(post: Any) -> None:
    """Against the plain answer: the same result, after shares that never fall."""
    request = design_example("skarn_targets")
    events = lines_of(post(request, headers={"Accept": "application/x-ndjson"}))
    shares = [event["progress"] for event in events[:-1]]
    assert shares == sorted(shares)
    assert len(shares) > 10
    assert {event["doing"].partition(":")[0] for event in events[:-1]} == {"properties", "solving", "family"}
    assert events[-1]["result"] == post(request).get_json()


def test_a_problem_ends_the_lines(post: Any, skarn: dict[str, Any]) -> None:
    """Against the plain refusal: the same errors in the last line."""
    skarn["design"]["solids"][3]["position"] = [0, 0, 6]
    plain = post(skarn).get_json()["errors"]
    events = lines_of(post(skarn, headers={"Accept": "application/x-ndjson"}))
    assert events[-1]["problem"]["errors"] == plain


def test_other_answers_there_are_none(post: Any, skarn: dict[str, Any]) -> None:
    """Against RFC 9110, 15.5.7."""
    assert post(skarn, headers={"Accept": "text/csv"}).status_code == 406


def test_whoever_leaves_ends_the_work(app: Any) -> None:
    """Against the threads: closing an answer of lines leaves no worker behind."""
    request = design_example("skarn_production")
    request["production"]["samples"] = 100_000
    response = app.test_client().post(
        "/v1/designs", json=request, headers={"Accept": "application/x-ndjson"}, buffered=False
    )
    assert b"properties" in next(iter(response.response))
    response.close()
    assert "design" not in {thread.name for thread in threading.enumerate()}


def test_time_is_up(sentence: Any) -> None:
    """Against a clock by hand: all jobs of a request share one deadline."""
    now = [0.0]
    run = budget.Allowance(2, clock=lambda: now[0])
    run.begin("properties")
    now[0] = budget.DEADLINE - 1.0
    run.check()
    run.begin("properties of the second design")
    now[0] += 2.0
    with pytest.raises(InvalidInput, check=sentence("design: and ended")):
        run.check()


@pytest.mark.parametrize(
    ("media", "start"),
    [("text/html", b"<!doctype html>"), ("application/pdf", b"%PDF"), ("image/svg+xml", b"<svg"),
     ("model/3mf", b"PK"), ("model/stl", b"solid cover")],
)  # fmt: skip
def test_files_of_a_design(app: Any, media: str, start: bytes) -> None:
    """The first bytes of each kind, in the units and the language asked for."""
    asked = {"design": design_example("skarn")["design"], "report": {"language": "de", "units": "metric"}}
    response = app.test_client().post("/v1/designs", json=asked, headers={"Accept": media})
    assert response.status_code == 200
    assert response.mimetype == media
    assert response.data.startswith(start)
    if media == "text/html":
        assert 'lang="de"' in response.text
        assert " kg" in response.text


def test_an_archive_has_the_files_that_are_named(app: Any) -> None:
    asked = {"design": design_example("skarn")["design"]}
    headers = {"Accept": "application/zip"}
    response = app.test_client().post(
        "/v1/designs?report=pdf&drawing=svg&model=3mf", json=asked, headers=headers
    )
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        assert sorted(archive.namelist()) == ["design.json", "drawing.svg", "model.3mf", "report.pdf"]
        answer = json.loads(archive.read("design.json"))
    assert answer == app.test_client().post("/v1/designs", json=asked).get_json()
    refused = app.test_client().post("/v1/designs?report=doc", json=asked, headers=headers)
    assert refused.get_json()["errors"][0]["pointer"] == "/report"


def test_holes_have_their_ends(app: Any, skarn: dict[str, Any]) -> None:
    """Each axis begins on the surface, and ends as deep as the hole, and passes the center as it says."""
    holes = app.test_client().post("/v1/designs", json=skarn).get_json()["drilled"]["holes"]
    depths = [2.75, 2.25, 2.25]
    for hole, depth in zip(holes, depths, strict=True):
        mouth, bottom = (np.array([hole[end][axis] for axis in "xyz"]) for end in ("mouth", "bottom"))
        assert np.linalg.norm(mouth) == pytest.approx(4.29, abs=1e-9)
        assert np.linalg.norm(mouth - bottom) == pytest.approx(depth, abs=1e-9)
        way = (mouth - bottom) / depth
        assert np.linalg.norm(mouth - way * (way @ mouth)) == pytest.approx(hole["axis_offset"], abs=1e-9)
