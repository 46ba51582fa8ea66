"""The approved list: who is on it, by name, day of use and make; what it feeds, what it leaves open."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ballgauge import Client, InvalidRequest
from ballgauge_schemas.record.documents import SignedRecordSchema
from ballgauge_schemas.shared.approved_list import (
    Approved,
    ApprovedList,
    BadApprovedListError,
    covers_every_day,
    folded,
    read_csv,
)
from ballgauge_service.record import evaluate as records
from ballgauge_service.record.keys import Keyring, new_key
from ballgauge_service.web.http.settings import BadSettings, Settings

Body = dict[str, Any]
Check = Callable[[Body], Body]

LIST = [
    {"brand": "Ostrel Works", "model": "Tarn 48", "approved_on": "2021-05-14"},
    {"brand": "Ostrel Works", "model": "Skarn", "approved_on": "2010-01-01", "withdrawn_on": "2022-03-01"},
    {"brand": "Ostrel Works", "model": "Gannet", "made_from": "2015-01-01", "made_to": "2017-12-31"},
    {"brand": "Märe", "model": "Curlew", "approved_on": "2004-01-01", "made_to": "2014-12-31"},
    {"brand": "Märe", "model": "Curlew", "approved_on": "2015-01-01", "made_from": "2015-01-01"},
]
CSV = (
    "brand,model,approved_on,withdrawn_on,made_from,made_to\r\n"
    "Ostrel Works,Tarn 48,2021-05-14,,,\r\n"
    'Ostrel Works,"Skarn",2010-01-01,2022-03-01,,\r\n'
)


def asked(ball: Body, rows: list[Body] | None = LIST, **rules: Any) -> Body:
    given = {} if rows is None else {"approved_list": rows}
    return {"ball": {"weight": 15, **ball}, "rules": {"on": "2026-05-01", **given, **rules}}


def identity(answer: Body) -> tuple[str, bool]:
    found = next(each for each in answer["findings"] if each["rule"] == "identity")
    return found["outcome"], found["advisory"]


def lacking(answer: Body) -> list[str]:
    return [each["field"] for each in answer["missing"] if "identity" in each["needed_for"]]


CASES: list[tuple[Body, Body, str, str, list[str]]] = [
    ({"name": "Ostrel Works Tarn 48"}, {}, "listed", "conforming", []),
    ({"name": " óstrel  WORKS tarn\u00a048 "}, {}, "listed", "conforming", []),
    ({"name": "Ostrel Works Tarn 48"}, {"on": "2021-05-13"}, "approved_later", "nonconforming", []),
    ({"name": "Ostrel Works Tarn 48"}, {"on": "2021-05-14"}, "listed", "conforming", []),
    ({"name": "Ostrel Works Skarn"}, {"on": "2022-02-28"}, "listed", "conforming", []),
    ({"name": "Ostrel Works Skarn"}, {"on": "2022-03-01"}, "withdrawn", "nonconforming", []),
    ({"name": "Ostrel Works Gannet", "made_on": "2014-12-31"}, {}, "made_outside", "nonconforming", []),
    ({"name": "Ostrel Works Gannet", "made_on": "2015-01-01"}, {}, "listed", "conforming", []),
    ({"name": "Ostrel Works Gannet", "made_on": "2018-01-01"}, {}, "made_outside", "nonconforming", []),
    ({"name": "Ostrel Works Gannet"}, {}, "made_on_needed", "not_assessed", ["/ball/made_on"]),
    ({"name": "Mare Curlew"}, {}, "listed", "conforming", []),
    ({"name": "Mare Curlew"}, {"on": "2010-01-01"}, "made_on_needed", "not_assessed", ["/ball/made_on"]),
    ({"name": "Ostrel Works Tarn 84"}, {}, "near_name", "not_assessed", ["/ball/name"]),
    ({"name": "Tarn 48"}, {}, "near_name", "not_assessed", ["/ball/name"]),
    ({"name": "Petrel"}, {}, "not_listed", "nonconforming", []),
    ({"name": "Petrel", "made_on": "1990-12-31"}, {}, "before_the_list", "not_assessed", ["/ball/identity"]),
    ({"name": "Petrel", "made_on": "1991-01-01"}, {}, "not_listed", "nonconforming", []),
    ({}, {}, "no_name", "not_assessed", ["/ball/name"]),
    ({"name": "  "}, {}, "no_name", "not_assessed", ["/ball/name"]),
]  # fmt: skip


@pytest.mark.parametrize(("ball", "rules", "standing", "outcome", "missing"), CASES)
def test_a_ball_stands_on_the_list_by_its_name_its_make_and_the_day(
    check: Check, ball: Body, rules: Body, standing: str, outcome: str, missing: list[str]
) -> None:
    answer = check(asked(ball, **rules))
    assert (answer["identity"]["standing"], identity(answer), lacking(answer)) == (
        standing,
        (outcome, False),
        missing,
    )


def test_near_names_are_listed_the_nearest_first(check: Check) -> None:
    rows = [{"brand": "Ostrel Works", "model": f"Tarn {number}"} for number in range(40, 60)]
    answer = check(asked({"name": "Ostrel Works Tarn 48x"}, rows))
    near = [row["model"] for row in answer["identity"]["near"]]
    assert (near[0], len(near)) == ("Tarn 48", 5)
    assert answer["identity"]["listed"] is None


def test_without_a_list_identity_is_open_unless_checked_by_hand(check: Check) -> None:
    answer = check(asked({"name": "Ostrel Works Tarn 48"}, None))
    assert (identity(answer), lacking(answer)) == (("not_assessed", False), ["/ball/identity"])
    assert "identity" not in answer
    assert "approved_list" not in answer["rules"]
    answer = check(asked({"identity": "checked_by_hand"}, None))
    assert (identity(answer), lacking(answer)) == (("not_assessed", True), [])


@pytest.mark.parametrize(
    ("name", "outcome"),
    [
        ("Ostrel Works Tarn 48", ("conforming", False)),
        ("Ostrel Works Skarn", ("nonconforming", False)),
        ("Petrel", ("not_assessed", True)),
        ("Tarn 48", ("not_assessed", True)),
        (None, ("not_assessed", True)),
    ],
)
def test_by_hand_counts_where_the_list_does_not_know_the_ball(
    check: Check, name: str | None, outcome: tuple[str, bool]
) -> None:
    named = {} if name is None else {"name": name}
    answer = check(asked({**named, "identity": "checked_by_hand"}))
    assert identity(answer) == outcome
    contradicted = any(each["code"] == "identity_contradicted" for each in answer["cautions"])
    assert contradicted == (name in ("Ostrel Works Skarn", "Petrel"))


def test_the_day_of_approval_is_the_list_s_where_the_ball_has_none(check: Check) -> None:
    """RG 2.445 in meets the limit of approvals before 2010-07-01 alone."""
    ball = {"name": "Märe Curlew", "rg": 2.445}
    days = {"2014-12-31": "conforming", "2015-01-01": "nonconforming", None: "inconclusive"}
    for made_on, expected in days.items():
        told = {} if made_on is None else {"made_on": made_on}
        answer = check(asked({**ball, **told}))
        found = next(each for each in answer["findings"] if each["rule"] == "rg_minimum")
        assert found["outcome"] == expected, made_on
        assert any("2015-01-01" in text for text in answer["assumptions"]) == (made_on == "2015-01-01")
    answer = check(asked({**ball, "made_on": "2015-01-01", "approved_on": "2004-01-01"}))
    assert ("approval_contradicted", "/ball/approved_on") in {
        (each["code"], each["pointer"]) for each in answer["cautions"]
    }
    found = next(each for each in answer["findings"] if each["rule"] == "rg_minimum")
    assert found["outcome"] == "conforming"


def test_other_days_of_use_have_their_own_standing(check: Check) -> None:
    body = asked({"name": "Ostrel Works Skarn"}) | {"also_on": ["2022-02-28", "2026-06-01"]}
    changed = [
        {each["rule"]: each["outcome"] for each in day["changes"]}.get("identity")
        for day in check(body)["also_on"]
    ]
    assert changed == ["conforming", None]


@pytest.mark.parametrize(
    ("rows", "pointers"),
    [
        ([LIST[0], {"brand": "ostrel", "model": "WORKS tarn 48"}], ["/rules/approved_list/1"]),
        ([LIST[2], {**LIST[2], "made_from": "2017-12-31"} | {"made_to": "2018-01-01"}],
         ["/rules/approved_list/1"]),
        ([LIST[2], {**LIST[2], "made_from": "2018-01-01", "made_to": "2019-01-01"}], []),
        ([{"brand": " ", "model": "A"}], ["/rules/approved_list/0/brand"]),
        ([{"brand": "A"}], ["/rules/approved_list/0/model"]),
        ([{"brand": "A", "model": "B", "made_from": "2020-01-02", "made_to": "2020-01-01"}],
         ["/rules/approved_list/0/made_to"]),
        ([{"brand": "A", "model": "B", "withdrawn": "2020-01-02"}], ["/rules/approved_list/0/withdrawn"]),
        ([], []),
    ],
)  # fmt: skip
def test_doubled_and_impossible_rows_are_refused_by_their_place(
    rows: list[Body], pointers: list[str]
) -> None:
    with Client.embedded() as client:
        try:
            client.check(asked({"name": "A B"}, rows))
            found = []
        except InvalidRequest as refused:
            found = [error.pointer for error in refused.errors]
    assert found == pointers


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (CSV + "ostrel works,SKARN,,,,\r\n", ["line 4: duplicate; line 3"]),
        (
            CSV + '\r\n"Ostrel\r\nWorks",X,,,,\r\nA,B,1.2.2020,,,\r\n',
            ["line 5: brand", "line 7: approved_on"],
        ),
        (CSV + "A,B\r\n", ["line 4: 2 cells under 6 headings"]),
        (CSV + "A,B,2020-02-30,,,\r\n,C,,,,\r\n", ["line 4: approved_on", "line 5: brand missing"]),
        (CSV + '"A,B', ["line 4"]),
        ("brand;model\r\nA;B\r\n", ["line 1: the heading"]),
        ("brand,model,brand\r\nA,B,C\r\n", ["line 1: the heading"]),
        ("brand,model\r\n", ["no rows"]),
        ("", ["line 1: the heading"]),
    ],
)
def test_a_bad_file_is_refused_by_line(text: str, lines: list[str]) -> None:
    with pytest.raises(BadApprovedListError) as refused:
        read_csv(text)
    assert all(line in str(refused.value) for line in lines)


def test_a_file_and_the_rows_of_a_request_are_the_same_list(
    tmp_path: Path, check: Check, sentence: Any
) -> None:
    file = tmp_path / "list.csv"
    file.write_bytes(b"\xef\xbb\xbf" + CSV.encode())
    with Client.embedded(approved_list=file) as known, Client.embedded() as plain:
        by_file = known.check(asked({"name": "Ostrel Works Tarn 48"}, None))
        by_rows = plain.check(asked({"name": "Ostrel Works Tarn 48"}, None), approved_list=file)
        assert by_file.identity == by_rows.identity
        assert by_file.rules.approved_list.digest == by_rows.rules.approved_list.digest
        assert (by_file.rules.approved_list.given_by, by_rows.rules.approved_list.given_by) == (
            "service",
            "request",
        )
        both = known.check(asked({"name": "Märe Curlew"}))
        assert (both.identity.standing, both.rules.approved_list.given_by) == ("listed", "request")
        assert [text for text in both.assumptions if "list" in text] == sentence(
            "approved list: of the request and of the service"
        )
        (listed,) = plain.check_many([asked({"name": "Märe Curlew"}, None)], approved_list=LIST)
        assert listed.identity.standing == "listed"
        other = [asked({"name": "Märe Curlew"}, LIST[:1])]
        (own,) = plain.check_many(other, approved_list=LIST)
        assert own.identity.standing == "not_listed"


def test_a_service_starts_with_a_sound_list_alone(tmp_path: Path, app: Any) -> None:
    from ballgauge_service.web.server.application import create_app

    file = tmp_path / "list.csv"
    file.write_text(CSV)
    settings = Settings.from_environment({"BALLGAUGE_APPROVED_LIST": str(file)})
    client = create_app(json_logs=False, warm_up=False, settings=settings).test_client()
    listed = client.get("/v1/rulebooks").json["approved_list"]
    assert listed == {"digest": read_csv(CSV).digest, "rows": 2}
    answer = client.post("/v1/checks", json=asked({"name": "Ostrel Works Tarn 48"}, None)).json
    assert answer["rules"]["approved_list"] == {**listed, "given_by": "service"}
    assert "approved_list" not in app.test_client().get("/v1/rulebooks").json
    file.write_text(CSV + "A,B\n")
    for wrong in (file, tmp_path / "none.csv"):
        with pytest.raises(BadSettings, match=re.escape(str(wrong))):
            create_app(json_logs=False, warm_up=False, settings=Settings(approved_list=str(wrong)))


def test_a_record_holds_the_list_s_digest_and_the_ball_s_rows_alone(tmp_path: Path) -> None:
    keyring = Keyring(new_key("k")["keys"])
    many = [*LIST, *({"brand": "Other", "model": f"Number {k}"} for k in range(5000))]
    from ballgauge_schemas import CHECK

    body = CHECK.load(asked({"name": "Ostrel Works Tarn 48"}, many))
    signed = records.sign({"check": body, "issued_on": date(2026, 5, 2)}, keyring)
    content = signed["content"]
    SignedRecordSchema().load(json.loads(json.dumps(signed)))
    assert content["rules"]["approved_list"]["rows"] == len(many)
    assert content["check"]["rules"]["approved_list"] == LIST[:1]
    assert signed["label"] is not None
    assert records.verify(signed["record"], None, keyring)["recheck"]["changes"] == []

    file = tmp_path / "list.csv"
    file.write_text("brand,model,withdrawn_on\nOstrel Works,Tarn 48,2026-04-01\n")
    from ballgauge_service.rulebooks import use

    use(Settings(approved_list=str(file)).shelf())
    try:
        recheck = records.verify(signed["record"], None, keyring)["recheck"]
    finally:
        use(None)
    assert recheck["rules_changed"]
    assert ("identity", "nonconforming") in {
        (each["rule"], each["now"]["outcome"]) for each in recheck["changes"]
    }


names = st.text(st.sampled_from("aAéÉ \u00a0ßİ1"), min_size=1, max_size=8)


@given(names)
def test_folding_is_blind_to_case_spaces_and_diacritics_and_folds_once(name: str) -> None:
    assert folded(folded(name)) == folded(name) == folded(f"  {name.replace(' ', '  ')} ")
    assert folded(name.upper()) == folded(name) == folded(name.lower())


DAYS = st.none() | st.dates(date(2000, 1, 1), date(2000, 1, 9))


@given(st.lists(st.tuples(DAYS, DAYS), min_size=1, max_size=4))
def test_rows_stand_together_where_no_day_has_two(spans: list[tuple[date | None, date | None]]) -> None:
    """Against counting, day by day; one more day on either side stands for all beyond."""
    rows = [Approved("A", "B", made_from=first, made_to=last) for first, last in spans]
    if any(row.made[0] > row.made[1] for row in rows):
        return
    days = [date(1999, 12, 31) + timedelta(k) for k in range(12)]
    counts = [sum(row.made[0] <= day <= row.made[1] for row in rows) for day in days]
    text = "brand,model,made_from,made_to\n" + "".join(
        f"A,B,{row.made_from or ''},{row.made_to or ''}\n" for row in rows
    )
    if max(counts) > 1:
        with pytest.raises(BadApprovedListError):
            read_csv(text)
    else:
        sorted_rows = read_csv(text).by_name["a b"]
        assert covers_every_day(sorted_rows) == (min(counts) == 1)


def test_lists_of_the_same_rows_are_the_same() -> None:
    rows = [Approved("A", "B"), Approved("C", "D", date(2020, 1, 1))]
    assert ApprovedList(tuple(rows)) == ApprovedList(tuple(reversed(rows)))
    assert ApprovedList(tuple(rows)) != ApprovedList((rows[0], Approved("C", "D")))


def test_the_command_takes_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from ballgauge._command.program import run

    (tmp_path / "list.csv").write_text(CSV)
    (tmp_path / "ball.json").write_text(json.dumps(asked({"name": "Ostrel Works Tarn 48"}, None)))
    arguments = ["check", str(tmp_path / "ball.json"), "--json", "--approved-list"]
    run([*arguments, str(tmp_path / "list.csv")])
    assert json.loads(capsys.readouterr().out)["identity"]["standing"] == "listed"
    (tmp_path / "bad.csv").write_text("brand,model\nA,B\na,b\n")
    assert run([*arguments, str(tmp_path / "bad.csv")]) == 2
    assert "line 3: duplicate; line 2" in capsys.readouterr().err
