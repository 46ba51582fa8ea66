"""Overlays of one's own: in a request, in a folder, stacked, refused; by our own schema and files."""

from __future__ import annotations

import json
import pickle
import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from ballgauge_schemas.check.request import RulesSchema
from ballgauge_schemas.shared.limits import OVERLAY_SETS_MAXIMUM
from ballgauge_schemas.shared.overlay import (
    OverlayLimitSchema,
    OverlayRuleSchema,
    OverlaySchema,
)
from ballgauge_service.check.evaluate import evaluate_checks
from ballgauge_service.check.request import Rules
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.pages import guide
from ballgauge_service.rulebooks import (
    BadFolderError,
    Own,
    compile_edition,
    digest,
    file_faults,
    read_folder,
    read_rulebook,
    rulebook,
    use,
)
from ballgauge_service.web.http.settings import BadSettings, Settings
from ballgauge_service.web.server.application import create_app

TEN_LINES = guide.source("rules").split("```toml\n")[1].split("```")[0]

EVENT = """\
overlay = { name = "city_open", base = "usbc" }
[[rule]]
id = "event_hardness"
quantity = "hardness"
limit = [{ min = 78 }]
[[rule]]
id = "no_heavy_balls"
quantity = "weight"
binds = "use"
limit = [{ max = 15, effective_to = 2022-07-31 }, { effect = "exempt", effective_from = 2022-08-01 }]
"""


def own(name: str = "own", base: str = "usbc", **rule: Any) -> dict[str, Any]:
    asked = {"id": "event_hardness", "quantity": "hardness", "limit": [{"min": 78}], **rule}
    return {"overlay": {"name": name, "base": base}, "rule": [asked]}


def checked(*overlays: Any, body: str = "usbc", **ball: Any) -> dict[str, Any]:
    return {
        "ball": {"weight": 15, **ball},
        "rules": {"body": body, "on": "2026-05-01", "overlays": list(overlays)},
    }


@pytest.fixture(scope="module")
def client() -> Any:
    return create_app(json_logs=False, warm_up=False).test_client()


def outcomes(answer: Any) -> dict[str, str]:
    return {finding["rule"]: finding["outcome"] for finding in answer.json["findings"]}


def test_a_tournament_says_its_rules_in_ten_lines(client: Any, tmp_path: Path) -> None:
    """The guide's: 78 D at this event, no urethane made before 2022-08-01; as a file and as JSON."""
    assert len(TEN_LINES.splitlines()) == 10
    file = tmp_path / "city_open.toml"
    file.write_text(TEN_LINES)
    assert not isinstance(file_faults(file), list)
    overlay = json.loads(json.dumps(tomllib.loads(TEN_LINES), default=str))
    assert read_rulebook(TEN_LINES).rules == rulebook("usbc", own_of(overlay)).overlays[0].rules
    for hardness, cover, made, expected in (
        (78, "urethane", "2022-08-01", ("conforming", "conforming")),
        (77.9, "urethane", "2022-08-01", ("nonconforming", "conforming")),
        (80, "urethane", "2022-07-31", ("conforming", "nonconforming")),
        (80, "reactive", "2022-07-31", ("conforming", "conforming")),
        (80, "polyester", None, ("conforming", "conforming")),
        (80, "urethane", None, ("conforming", "not_assessed")),
        (80, None, "2022-07-31", ("conforming", "inconclusive")),
        (80, None, "2022-08-01", ("conforming", "conforming")),
        (None, "reactive", None, ("not_assessed", "conforming")),
    ):
        told = {"hardness": hardness, "cover": cover, "made_on": made}
        ball = {name: value for name, value in told.items() if value is not None}
        answer = client.post("/v1/checks", json=checked(overlay, **ball))
        found = outcomes(answer)
        assert (found["event_hardness"], found["event_urethane"]) == expected, told
        if "inconclusive" in expected:
            lacking = [
                each["field"] for each in answer.json["missing"] if "event_urethane" in each["needed_for"]
            ]
            assert lacking == ["/ball/cover"]


@pytest.mark.parametrize(
    ("made", "hardness", "expected", "told"),
    [
        ("2025-12-31", 75, "not_assessed", "2025-12-31"),
        ("2026-01-01", 75, "nonconforming", "2026-01-01"),
        ("2026-01-01", 78, "conforming", "2026-01-01"),
        (None, 78, "conforming", "manufacture was not given"),
    ],
)
def test_a_rule_may_bind_by_the_day_a_ball_was_made(
    client: Any, made: str | None, hardness: float, expected: str, told: str
) -> None:
    """The day before and the day itself; the finding tells the day of manufacture, not that of approval."""
    rows = [{"effect": "unbound", "effective_to": "2025-12-31"}, {"min": 78, "effective_from": "2026-01-01"}]
    ball = {"hardness": hardness, "approved_on": "2024-02-03"} | ({"made_on": made} if made else {})
    answer = client.post("/v1/checks", json=checked(own(binds="made", limit=rows), **ball))
    (found,) = (each for each in answer.json["findings"] if each["rule"] == "event_hardness")
    assert found["outcome"] == expected
    assert told in found["message"]
    assert "2024-02-03" not in found["message"]


@pytest.mark.parametrize("name", ["approved_on", "made_on"])
def test_a_rule_may_be_about_a_day(client: Any, name: str) -> None:
    """Its finding tells the day that was judged; a ball without one is not assessed."""
    rule = own(quantity=name, limit=[{"min": "2020-01-01"}])
    for day, outcome, margin in (("2020-01-03", "conforming", 2.0), ("2019-12-31", "nonconforming", -1.0)):
        answer = client.post("/v1/checks", json=checked(rule, **{name: day}))
        (found,) = (each for each in answer.json["findings"] if each["rule"] == "event_hardness")
        assert (found["outcome"], found["margin"]) == (outcome, margin)
        assert date(1970, 1, 1) + timedelta(days=found["value"]) == date.fromisoformat(day)
    answer = client.post("/v1/checks", json=checked(rule))
    assert outcomes(answer)["event_hardness"] == "not_assessed"
    assert f"/ball/{name}" in [each["field"] for each in answer.json["missing"]]


def own_of(overlay: dict[str, Any]) -> Own:
    return Own.of(RulesSchema().load({"overlays": [overlay]})["overlays"][0])


def test_what_an_overlay_leaves_out_is_filled_in() -> None:
    rules = {rule.id: rule for rule in read_rulebook(EVENT).rules}
    hardness, heavy = rules["event_hardness"], rules["no_heavy_balls"]
    assert (hardness.unit, hardness.binds, hardness.stages) == ("Shore D", "use", ("play",))
    assert (hardness.limits[0].basis, str(hardness.limits[0].source)) == ("published", "City open (undated)")
    assert heavy.limits[1].note == "By City open."


@pytest.mark.parametrize(("hardness", "expected"), [(78, "conforming"), (77.9, "nonconforming")])
def test_an_overlay_in_a_request_judges(client: Any, hardness: float, expected: str) -> None:
    answer = client.post("/v1/checks", json=checked(own(), hardness=hardness))
    assert outcomes(answer)["event_hardness"] == expected
    rules = answer.json["rules"]
    assert rules["overlay"] == "own"
    assert [each["name"] for each in rules["overlays"]] == ["own"]
    assert rules["digest"] != digest(rulebook("usbc")) != rules["overlays"][0]["digest"]


def test_overlays_are_stacked_in_their_order(client: Any) -> None:
    """Against the rule that the last one says."""
    strict, lax = own("strict", limit=[{"min": 80}]), own("lax", limit=[{"min": 60}])
    for laid, expected in (((strict, lax), "conforming"), ((lax, strict), "nonconforming")):
        answer = client.post("/v1/checks", json=checked(*laid, hardness=75))
        assert outcomes(answer)["event_hardness"] == expected
        assert answer.json["rules"]["overlay"] == ", ".join(each["overlay"]["name"] for each in laid)


def test_a_known_overlay_by_either_member_is_the_same(client: Any) -> None:
    old = {"ball": {"weight": 15}, "rules": {"body": "ibf", "on": "2026-05-01", "overlay": "australia"}}
    assert client.post("/v1/checks", json=old).data == (
        client.post("/v1/checks", json=checked("australia", body="ibf")).data
    )


@pytest.mark.parametrize(
    ("overlay", "pointers"),
    [
        ("nowhere", ["/rules/overlays/0"]),
        (5, ["/rules/overlays/0"]),
        ({}, ["/rules/overlays/0/overlay", "/rules/overlays/0/rule"]),
        (own(base="ibf"), ["/rules/overlays/0/overlay/base"]),
        (own(quantity="hardnes"), ["/rules/overlays/0/rule/0/quantity"]),
        (own(unit="lb"), ["/rules/overlays/0/rule/0/unit"]),
        (own(color="red", limit=[{"min": "78"}]),
         ["/rules/overlays/0/rule/0/color", "/rules/overlays/0/rule/0/limit/0/min"]),
        (own(limit=[{"min": 78}, {"max": 90}]), ["/rules/overlays/0/rule/0/limit"]),
        (own(limit=[{"min": 9, "max": 8}]), ["/rules/overlays/0/rule/0/limit/0/min"]),
        (own(limit=[{"min": 9, "when": {"wait": {"over": 1}}}]), ["/rules/overlays/0/rule/0/limit/0/when"]),
        (own(limit=[{"min": 9, "when": {"weight": {}}}]), ["/rules/overlays/0/rule/0/limit/0/when"]),
        (own(limit=[{"min": 9, "when": []}]), ["/rules/overlays/0/rule/0/limit/0/when"]),
        (own(limit=[{"min": 9, "source": "paper"}]), ["/rules/overlays/0/source"]),
        (own(limit=[{"min": 9, "effective_from": "2026-02-30"}]),
         ["/rules/overlays/0/rule/0/limit/0/effective_from"]),
        (own(message={"conforming": "{x}"}), ["/rules/overlays/0/rule/0/message"]),
    ],
)  # fmt: skip
def test_a_bad_overlay_is_a_422_that_names_each_field(client: Any, overlay: Any, pointers: list[str]) -> None:
    answer = client.post("/v1/checks", json=checked(overlay))
    assert answer.status_code == 422
    assert [error["pointer"] for error in answer.json["errors"]] == pointers


def test_every_address_that_takes_rules_takes_overlays_and_refuses_bad_ones(client: Any) -> None:
    design = {
        "design": {
            "diameter": 8.58, "solids": [{"name": "a", "shape": "sphere", "density": 1.2, "diameter": 8.58}]
        }
    }  # fmt: skip
    for laid, status in ((own(stages=["approval"]), 200), (own(quantity="x"), 422)):
        asked = {**design, "rules": {"overlays": [laid]}}
        answer = client.post("/v1/designs", json=asked)
        assert answer.status_code == status, answer.json
        body = "weight,hardness\n15,77\n"
        options = json.dumps({"rules": {"overlays": [laid]}, "sampling": {"rows": "every_ball"}})
        lot = client.post("/v1/lots", query_string={"options": options}, data=body, content_type="text/csv")
        assert lot.status_code == status, lot.json
        if status == 200:
            assert [f["outcome"] for f in answer.json["findings"] if f["rule"] == "event_hardness"]
            assert lot.json["rules"]["overlay"] == "own"


def test_what_an_overlay_may_ask_of_the_service_is_bounded(client: Any) -> None:
    """Hostile overlays: conditions that cut balls into millions of kinds, too many rules, too many sets."""
    ranges = [
        {
            "max": 1,
            "when": {
                name: {"min": 10 * k + 0.1 * place, "max": 10 * k + 5}
                for place, name in enumerate(("weight", "rg", "roughness", "hardness"))
            },
        }
        for k in range(12)
    ]
    fine = client.post("/v1/checks", json=checked(own(quantity="friction", unit="1", limit=ranges)))
    assert (fine.status_code, fine.json["errors"][0]["pointer"]) == (422, "/rules/overlays/0/rule/0/limit")
    spread = [
        {"id": f"rule_{k}_{place}", "quantity": "friction",
         "limit": [{"max": 1, "when": {name: {"over": 0.01 * k}, other: {"over": 0.01 * k}}}]}
        for k in range(20) for place, (name, other) in enumerate((("weight", "rg"),))
    ]  # fmt: skip
    laid = [{**own(f"own_{n}"), "rule": [
        {**rule, "id": f"{rule['id']}_{n}"} for rule in spread]} for n in range(3)]  # fmt: skip
    many = client.post("/v1/checks", json=checked(*laid))
    assert (many.status_code, many.json["errors"][0]["pointer"]) == (422, "/rules/overlays")
    sets = [checked(own(limit=[{"min": 70 + k}])) for k in range(OVERLAY_SETS_MAXIMUM + 1)]
    refused = client.post("/v1/checks", json={"checks": sets})
    assert [error["pointer"] for error in refused.json["errors"]] == [
        f"/checks/{OVERLAY_SETS_MAXIMUM}/rules/overlays"
    ]
    assert client.post("/v1/checks", json={"checks": sets[:-1]}).status_code == 200
    assert client.post("/v1/checks", json=checked(*[own(f"o_{k}") for k in range(6)])).status_code == 422


def test_the_published_schema_and_the_files_are_of_one_form() -> None:
    """Against the TOML: the same overlay through the contract, as JSON, and out of a file."""
    data = {
        "overlay": {"name": "city_open", "base": "usbc"},
        "rule": [
            {"id": "event_hardness", "quantity": "hardness", "limit": [{"min": 78}]},
            {"id": "no_heavy_balls", "quantity": "weight", "binds": "use",
             "limit": [{"max": 15, "effective_to": "2022-07-31"},
                       {"effect": "exempt", "effective_from": "2022-08-01"}]},
        ],
    }  # fmt: skip
    loaded = RulesSchema().load({"overlays": [data]})
    laid = rulebook("usbc", Own.of(loaded["overlays"][0])).overlays[0]
    assert laid.rules == read_rulebook(EVENT).rules
    assert digest(laid) == digest(read_rulebook(EVENT))


def test_editions_are_kept_by_content_and_go_to_other_processes() -> None:
    first = Rules.of(RulesSchema().load({"overlays": [own()], "on": "2026-05-01"})).edition()
    again = Rules.of(RulesSchema().load({"overlays": [own()], "on": "2026-05-01"})).edition()
    assert first is again
    there = pickle.loads(pickle.dumps(first.source))
    assert there == first.source
    assert compile_edition(there, date(2026, 5, 1), "play") is first


def test_a_folder_is_read_listed_and_judged_by(tmp_path: Path) -> None:
    (tmp_path / "event.toml").write_text(EVENT)
    settings = Settings(rulebooks=str(tmp_path))
    client = create_app(json_logs=False, warm_up=False, settings=settings).test_client()
    (book,) = client.get("/v1/rulebooks?body=usbc").json["rulebooks"]
    assert "city_open" in book["overlays"]
    assert book["overlay_digests"]["city_open"] == digest(read_rulebook(EVENT))
    answer = client.post("/v1/checks", json=checked("city_open", hardness=75))
    assert outcomes(answer)["event_hardness"] == "nonconforming"
    assert answer.json["rules"]["overlays"][0]["digest"] == book["overlay_digests"]["city_open"]
    other = create_app(json_logs=False, warm_up=False).test_client()
    assert other.post("/v1/checks", json=checked("city_open")).status_code == 422


def test_a_body_of_the_folder_stands_in_place_of_the_shipped_one(
    tmp_path: Path, head: str, rule: str, limit: str
) -> None:
    text = (head + rule + limit).replace('body = "test"', 'body = "usbc"')
    (tmp_path / "usbc.toml").write_text(text)
    shelf = read_folder(tmp_path)
    assert len(shelf.books["usbc"].rules) == 1
    assert shelf.books["ibf"] == rulebook("ibf")


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("min = 78", "min = 78, most = 80", 5),
        ('quantity = "weight"', 'quantity = "weigth"', 8),
        ('binds = "use"', 'binds = "birth"', 9),
        ("{ max = 15", "{ max = ", 10),
        ('base = "usbc"', 'base = "nobody"', 1),
        ('id = "no_heavy_balls"\n', "", 6),
    ],
)
def test_a_bad_file_is_refused_by_name_and_line(tmp_path: Path, old: str, new: str, line: int) -> None:
    assert old in EVENT
    (tmp_path / "good.toml").write_text(EVENT)
    bad = tmp_path / "bad.toml"
    bad.write_text(EVENT.replace("city_open", "other").replace(old, new))
    found = file_faults(bad)
    assert isinstance(found, list)
    assert [fault.startswith(f"{bad}:{line}: ") for fault in found] == [True], found
    with pytest.raises(BadFolderError, match=r"bad\.toml"):
        read_folder(tmp_path)
    with pytest.raises(BadSettings, match=rf"bad\.toml:{line}"):
        create_app(json_logs=False, warm_up=False, settings=Settings(rulebooks=str(tmp_path)))


WHOLE = {
    "overlay": {
        "name": "whole", "base": "usbc", "title": "Whole", "document": "All there is", "edition": "first",
        "compiled_on": "2026-01-10",
    },
    "notes": ["A note."],
    "source": {"paper": {"document": "Paper", "date": "2026-01"}},
    "rule": [
        {
            "id": "event_size", "title": "Size", "clause": "1", "quantity": "diameter", "unit": "in",
            "binds": "made", "stages": ["play", "approval"], "when_measured": ["play"], "advisory": True,
            "advice_at": ["play"], "as_made": True, "notes": ["A note."],
            "message": {"conforming": "{value} fits.", "nonconforming": "{value} is not {limit}."},
            "limit": [
                {
                    "effect": "limit", "min": 8.5, "max": 8.6, "judged_min": 8.4999, "judged_max": 8.6001,
                    "doubtful": "min", "metric_twin": "218.5 mm", "effective_from": "2020-01-01",
                    "effective_to": "2030-01-01", "when": {"made_on": {"over": "2020-01-01"}},
                    "basis": "secondary", "source": "paper", "note": "A note.",
                },
            ],
        },
        {
            "id": "event_day", "quantity": "made_on",
            "limit": [
                {"min": "2022-08-01", "max": "2026-01-01",
                 "when": [{"weight": {"min": 8, "max": 16}}, {"weight": {"over": 3, "under": 4}}]},
                {"effect": "exempt", "when": {"weight": {"under": 3}}},
            ],
        },
    ],
}  # fmt: skip
"""Every key that an overlay may have; days are texts, as in JSON."""


FACT = """[[fact]]
id = "a"
statement = "A"
value = 1
unit = "1"
basis = "published"
source = "overlay"
"""


def in_toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {in_toml(each)}" for name, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(in_toml, value)) + "]"
    if isinstance(value, str) and len(value) == 10 and value.replace("-", "").isdigit():
        return value
    return json.dumps(value)


def test_the_contract_knows_every_key_that_a_file_may_have() -> None:
    """One overlay with every key, in both forms."""
    rule, limit = WHOLE["rule"][0], WHOLE["rule"][0]["limit"][0]
    assert (set(rule), set(limit)) == (set(OverlayRuleSchema().fields), set(OverlayLimitSchema().fields))
    text = "\n".join(f"{name} = {in_toml(part)}" for name, part in WHOLE.items())
    laid = rulebook("usbc", own_of(WHOLE)).overlays[0]
    assert laid.rules == read_rulebook(text).rules
    assert laid.rules[0].limits[0].twin == 218.5 / 25.4


@pytest.mark.parametrize(
    ("extra", "line", "pointer"),
    [
        ('color = "red"\n', 1, "/color"),
        ('[[procedure]]\nnumber = "1"\ntitle = "A"\nsource = "overlay"\n', 11, "/procedure"),
        (FACT, 11, "/fact"),
        ('procedures = ["1"]\n', 11, "/rule/1/procedures"),
    ],
)  # fmt: skip
def test_what_no_overlay_has_is_refused_by_name_and_line(
    tmp_path: Path, client: Any, extra: str, line: int, pointer: str
) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(extra + EVENT if line == 1 else EVENT + extra)
    found = file_faults(bad)
    assert isinstance(found, list)
    assert any(fault.startswith(f"{bad}:{line}: {pointer} ") for fault in found), found
    overlay = json.loads(json.dumps(tomllib.loads(bad.read_text()), default=str))
    answer = client.post("/v1/checks", json=checked(overlay))
    assert f"/rules/overlays/0{pointer}" in [error["pointer"] for error in answer.json["errors"]]


def test_an_overlay_too_large_for_its_body_is_refused_at_the_start_by_name(tmp_path: Path) -> None:
    """An edition holds 63 rules; the body's own count too."""
    rules = "".join(
        f'[[rule]]\nid = "event_{k}"\nquantity = "friction"\nlimit = [{{ max = 1 }}]\n' for k in range(63)
    )
    (tmp_path / "good.toml").write_text(EVENT)
    (tmp_path / "large.toml").write_text('overlay = { name = "large", base = "usbc" }\n' + rules)
    with pytest.raises(BadSettings, match=r"large\.toml.*\b63\b"):
        create_app(json_logs=False, warm_up=False, settings=Settings(rulebooks=str(tmp_path)))


def test_two_files_of_one_name_or_no_folder_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(EVENT)
    (tmp_path / "b.toml").write_text(EVENT)
    with pytest.raises(BadFolderError, match=r"b\.toml.* city_open .*a\.toml"):
        read_folder(tmp_path)
    with pytest.raises(BadFolderError, match="nowhere"):
        read_folder(tmp_path / "nowhere")


def test_a_folder_is_for_its_own_thread_and_context_alone(tmp_path: Path) -> None:
    (tmp_path / "event.toml").write_text(EVENT)
    use(read_folder(tmp_path))
    try:
        assert rulebook("usbc", "city_open").overlays
    finally:
        use(None)
    with pytest.raises(LookupError):
        rulebook("usbc", "city_open")


def test_the_starting_file_passes_and_its_comments_too() -> None:
    """Against the schema, as it is, and with what it shows in comments put in."""
    path = Path(OverlaySchema.__module__.replace(".", "/")).parents[1]
    text = (
        Path(__file__).parents[2] / "schemas" / path / "example_overlays" / "city_open_2026.toml"
    ).read_text()
    assert len(read_rulebook(text).rules) == 2
    shown = text.replace("#: ", "")
    shown = "\n".join(
        line for line in shown.splitlines()
        if not line.strip().startswith(("when:", "effect:", "words (", "basis and source:"))
    ).replace('  { min = 8, basis = "secondary", source = "summary" },', "").replace(
        "{ min = 8, effective_from = 2026-01-01 },",
        '{ min = 8, effective_from = 2026-01-01, effective_to = 2026-12-31, source = "summary" },',
    )  # fmt: skip
    assert len(read_rulebook(shown).rules) == 2


def test_no_overlay_without_rules_reaches_the_engine() -> None:
    with pytest.raises(InvalidInput):
        evaluate_checks([{"ball": {}, "rules": {"body": "usbc", "overlays": ["nowhere"]}}])
