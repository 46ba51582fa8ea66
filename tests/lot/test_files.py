"""Files as factories write them: found and told, or asked about; never guessed in silence."""

from __future__ import annotations

import datetime
import io
import tomllib
from importlib import resources
from typing import Any

import openpyxl
import pytest

from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.reading.headings import FIELDS, NAMES
from ballgauge_service.lot.reading.synonyms import name_of, synonyms

from .conftest import workbook
from .test_decisions import HEAD, SAMPLE, bad, decided, lot_of, verdict


def codes(answer: dict[str, Any]) -> set[str]:
    return {each["code"] for each in answer["cautions"]}


def fields(answer: dict[str, Any]) -> list[tuple[str | None, str | None]]:
    return [(each["field"], each["unit"]) for each in answer["file"]["columns"]]


def mean(answer: dict[str, Any], name: str) -> Any:
    return next((each["mean"] for each in answer["quantities"] if each["quantity"] == name), None)


def refusals(text: str | bytes, **options: Any) -> list[tuple[int | None, str | None]]:
    with pytest.raises(InvalidInput) as refused:
        decided(text, **options)
    return [(fault.row, fault.column) for fault in refused.value.faults]


@pytest.mark.parametrize(
    "head",
    [
        "Serial No.,Mass [lb],Shore D,Oil time,Surface roughness,Approval date",
        "Seriennummer,Gewicht,Härte (Shore D),Ölaufnahme,Rauheit,Zulassungsdatum",
        "N.º de serie,PESO,Dureza,Absorción de aceite,Rugosidad,Fecha de aprobación",
        "N° de série,Poids lb,Dureté,Temps d'absorption,Rugosité,Date d'approbation",
    ],
)
def test_headings_in_four_languages_are_read_and_told(head: str) -> None:
    """Against the contract's names: the same answer, and a caution that names each heading so read."""
    plain, found = (decided(lot_of(77, *bad(3), head=each), sampling=SAMPLE) for each in (HEAD, head))
    assert found["counts"] == plain["counts"]
    assert [each["mean"] for each in found["quantities"]] == [each["mean"] for each in plain["quantities"]]
    assert [name for name, _ in fields(found)] == HEAD.split(",")
    (caution,) = [each for each in found["cautions"] if each["code"] == "headings_read"]
    assert all(repr(each["heading"]) in caution["message"] for each in found["file"]["columns"])
    assert "headings_read" not in codes(plain)


def test_no_word_stands_for_two_things() -> None:
    """Against the file of words itself: every heading is of a known field, and of one; months are twelve."""
    held = tomllib.loads(
        resources.files("ballgauge_service.lot.reading").joinpath("synonyms.toml").read_text("utf-8")
    )
    seen: dict[str, str] = {}
    for name, languages in held["headings"].items():
        assert name in FIELDS
        assert set(languages) == {"en", "de", "es", "fr"}
        for word in (each for words in languages.values() for each in words):
            assert seen.setdefault(name_of(word), name) == name, word
            assert name_of(word) not in NAMES or name_of(word) == name, word
    assert set(synonyms().months.values()) == set(range(1, 13))
    units = [word.casefold() for words in held["units"].values() for word in words]
    assert len(set(units)) == len(units)


@pytest.mark.parametrize(
    ("unit", "pounds"), [("LBS", 15.1), ("lbs.", 15.1), ("Pfund", 15.1), ("KG", 33.2897), ("oz", 0.94375)]
)
def test_units_are_read_however_they_are_written(unit: str, pounds: float) -> None:
    """Against the pound: in a cell, in brackets, as a heading's last word, in a row of their own."""
    shown = f"{15.1 * 15.1 / pounds:.6f}" if pounds != 15.1 else "15.1"
    if unit == "oz":
        shown = "241.6"
    if unit == "KG":
        shown = "6.8492"
    texts = [
        f"weight\n{shown} {unit}\n",
        f"weight [{unit}]\n{shown}\n",
        f"Weight {unit}\n{shown}\n",
        f"weight,hardness\n{unit},Shore D\n{shown},75\n",
    ]
    for text in texts:
        assert mean(decided(text), "weight") == pytest.approx(15.1, abs=1e-4), text


ROWS = "A1,15,75\nA2,15.1,76\n"


@pytest.mark.parametrize(
    ("above", "row"),
    [
        ("", 1),
        ("Report of inspection\n\n", 3),
        ("Ostrel Works\nLot,T48\nSupplier,Ostrel Works\n", 4),
        (",Mass,Cover\n", 2),
        ("sep=,\n", 2),
    ],
)
@pytest.mark.parametrize("chunk", [None, 3])
def test_a_table_below_other_lines_is_found(above: str, row: int, chunk: int | None) -> None:
    """Against the table alone: rows keep their numbers in the file, and the row of headings is told."""
    found = decided(above + "serial,weight,hardness\n" + ROWS, chunk=chunk)
    assert found["file"]["header_row"] == row
    assert (found["counts"]["balls"], mean(found, "weight"), found["left_out"]["rows"]) == (2, 15.05, 0)
    assert ("header_row" in codes(found)) is (row > 1)


def test_a_table_in_a_workbook_is_found_below_merged_headings_and_on_another_sheet() -> None:
    """Against the cells: three readings under one merged heading, titles above, a sheet of notes before."""
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.append(["Notes", "of the shift"])
    sheet = book.create_sheet("Lot 7")
    for cells in (
        ["Inspection of lot 7"],
        [],
        ["Ball", None, "Hardness", None, None],
        ["serial", "weight", 1, 2, 3],
        ["A1", 15.0, 74, 75, 77.5],
        ["A2", 15.0, 76, None, 77],
    ):
        sheet.append(cells)
    sheet.merge_cells("C3:E3")
    sink = io.BytesIO()
    book.save(sink)
    data = sink.getvalue()
    found = decided(data, name="lot.xlsx", file={"readings": "mean"})
    assert (found["file"]["sheet"], found["file"]["header_row"]) == ("Lot 7", 4)
    assert mean(found, "hardness") == pytest.approx((75.5 + 76.5) / 2)
    assert {"sheet", "header_row", "readings_averaged"} <= codes(found)
    assert refusals(data, name="lot.xlsx", file={"sheet": "Sheet"})
    named = decided(data, name="lot.xlsx", file={"readings": "mean", "sheet": "Lot 7", "header_row": 4})
    assert not {"sheet", "header_row"} & codes(named)
    assert named["quantities"] == found["quantities"]


def test_a_row_of_headings_may_be_named() -> None:
    """Against the file: two tables' headings, of which the caller names the second."""
    text = "serial,weight,hardness\nA1,15,75\nserial,weight\nA2,14,\n"
    assert decided(text)["file"]["header_row"] == 1
    assert mean(decided(text.replace("A2,14,", "A2,14"), file={"header_row": 3}), "weight") == 14
    assert refusals(text, file={"header_row": 9}) == [(9, None)]


def test_several_readings_are_averaged_where_asked() -> None:
    """Against the mean of each ball's readings; without asking, the second column is refused."""
    head = "serial,weight,hardness 1,Hardness_2,Härte 3,approved_on"
    text = "\n".join(
        [head, "A1,15,72,73,75,2024-03-01", "A2,15,71,73,75,2024-03-01", "A3,15,74,,,2024-03-01"]
    )
    found = decided(text, file={"readings": "mean"})
    (hardness,) = [each for each in found["quantities"] if each["quantity"] == "hardness"]
    assert hardness["count"] == 3
    assert hardness["minimum"] == 73
    assert hardness["mean"] == pytest.approx((220 / 3 + 73 + 74) / 3)
    assert found["counts"]["conforming"] == 3
    assert [column for _, column in refusals(text)] == ["Hardness_2", "Härte 3"]
    assert decided("\n".join(["weight,hardness 1", "15,75"]))["counts"]["balls"] == 1
    lines = '{"weight": 15, "hardness 1": 74, "hardness 2": 76}\n' * 2
    assert mean(decided(lines, name="lot.ndjson", file={"readings": "mean"}), "hardness") == 75


@pytest.mark.parametrize("count", [2, 3, 5])
def test_equal_readings_average_to_themselves(count: int) -> None:
    """Against the reading: 0.1 three times is 0.1, and no rounding error beyond a limit."""
    head = ",".join(["weight", *(f"friction {n + 1}" for n in range(count))])
    found = decided(head + "\n15" + ",0.32" * count + "\n", file={"readings": "mean"})
    assert mean(found, "friction") == 0.32


DAYS = "serial,weight,approved_on\n"


@pytest.mark.parametrize(
    ("days", "order", "told"),
    [
        (["2021-05-14", "2021/05/14", "20210514", "2021.05.14"], None, None),
        (["14.05.2021", "14.5.2021"], None, "day_first"),
        (["05/14/2021"], None, "month_first"),
        (["14/05/2021"], None, "day_first"),
        (["14-May-2021", "14 mai 2021", "14. Mai 2021"], None, None),
        (["14-05-2021 00:00", "14/05/2021 00:00:00"], None, None),
    ],
)
def test_common_dates_are_read_and_their_order_told(
    days: list[str], order: str | None, told: str | None
) -> None:
    """Against 14 May 2021, in each way to write it."""
    found = decided(DAYS + "".join(f"A{n},15,{day}\n" for n, day in enumerate(days)))
    assert (found["counts"]["balls"], found["left_out"]["rows"]) == (len(days), 0)
    assert found["file"].get("dates") == told or told is None
    assert ("dates_read" in codes(found)) is (found["file"].get("dates") is not None)


def test_dates_whose_order_is_open_are_asked_about() -> None:
    """Against 3 April and 4 March 2024: refused, and read as the caller says; contradictions too."""
    text = DAYS + "A1,15,03/04/2024\n"
    assert refusals(text) == [(None, None)]
    rule = {"rules": {"on": "2026-05-01"}}
    for order, day in (("day_first", "2024-04-03"), ("month_first", "2024-03-04")):
        found = decided(text, file={"dates": order}, **rule)
        assert found["counts"] == decided(text.replace("03/04/2024", day), **rule)["counts"]
        assert "dates_read" not in codes(found)
    assert refusals(DAYS + "A1,15,14/05/2021\nA2,15,05/14/2021\n") == [(None, None)]
    sheet = [
        ["serial", "weight", "approved_on"],
        ["A1", 15, "05/14/2021"],
        ["A2", 15, datetime.date(2021, 5, 14)],
    ]
    found = decided(workbook(sheet), name="lot.xlsx")
    assert (found["counts"]["balls"], found["file"]["dates"]) == (2, "month_first")
    late = DAYS + "A1,15,14/05/2021\n" * 30000 + "A2,15,05/14/2021\n"
    assert decided(late)["left_out"]["listed"][0]["row"] == 30002


def test_minutes_and_seconds_are_read_and_told() -> None:
    """Against 10 min 24 s: as text, under a heading of minutes, in a workbook as time, in three formats."""
    text = "weight,oil_absorption_time\n15,10:24\n15,624\n15,0:10:24\n15,10:24.0\n"
    found = decided(text)
    assert (mean(found, "oil_absorption_time"), found["left_out"]["rows"]) == (624, 0)
    assert "clocks_read" in codes(found)
    assert (
        mean(decided("weight,oil_absorption_time [min]\n15,10:24\n15,10.4\n"), "oil_absorption_time") == 624
    )
    times = [datetime.time(0, 10, 24), datetime.time(10, 24), "10:24", 624]
    sheet = [["weight", "oil_absorption_time"], *([15, each] for each in times)]
    found = decided(workbook(sheet), name="lot.xlsx")
    assert (mean(found, "oil_absorption_time"), "clocks_read" in codes(found)) == (624, True)
    for cell in ("10 min 24 s", "10min 24s", "10.4 min"):
        assert mean(decided(f"weight,oil_absorption_time\n15,{cell}\n"), "oil_absorption_time") == 624
    for heading in ("Oil absorption min", "Ölaufnahme (min)"):
        found = decided(f"weight,{heading}\n15,10.4\n")
        assert mean(found, "oil_absorption_time") == 624
        (column,) = [each for each in found["file"]["columns"] if each["field"] == "oil_absorption_time"]
        assert column["unit"] == "min"
    assert decided("weight,oil_absorption_time\n15,10:75\n15,600\n")["left_out"]["rows"] == 1
    assert decided("weight,hardness\n15,10:24\n15,75\n")["left_out"]["rows"] == 1


ENDINGS = [
    # Below a blank row, without a serial; footers; limits.
    ("\n,15,75,600,30,\n,15.5,76,600,30,\n", 2),
    ("\n,,,,,\nInspected by:,somebody,,,,\n", 1),
    ("\nSigned: inspector 7\n", 1),
    ("\n,16,90,,,\n", 1),
    # Statistics of the columns, without a serial, without a word or with one in another language.
    (",15.0375,74.25,600,30,\n", 1),
    ("平均,15.0375,74.25,600,30,\n", 1),
    ("合計,1203,5940,48000,2400,\n", 1),
    (",15,60,600,30,\n,15.2,75,600,30,\n", 2),
]


@pytest.mark.parametrize(("ending", "count"), ENDINGS)
@pytest.mark.parametrize("chunk", [None, 500])
def test_the_end_of_a_table_is_no_ball(ending: str, count: int, chunk: int | None) -> None:
    """Against the same table without it: the same counts and statistics, and the rows told."""
    rows = [f"A{n},{15 if n % 16 else 15.6},{75 if n % 20 else 60},600,30,2024-03-01" for n in range(80)]
    text = "\n".join([HEAD, *rows]).replace("15.6", "15.6") + "\n"
    means = (
        sum(15 if n % 16 else 15.6 for n in range(80)) / 80,
        sum(75 if n % 20 else 60 for n in range(80)) / 80,
    )
    assert means == pytest.approx((15.0375, 74.25))
    ending = ending.replace("15.2,", "15.6,")
    plain, found = decided(text), decided(text + ending, chunk=chunk)
    assert found["counts"] == plain["counts"]
    assert [each["mean"] for each in found["quantities"]] == [each["mean"] for each in plain["quantities"]]
    apart = found["left_out"]["no_balls"]
    assert apart["count"] == count
    assert all(each["word"] for each in apart["listed"])
    told = [each["row"] for each in apart["listed"]]
    again = decided(text + ending, file={"rows_judged": told})
    assert again["left_out"]["no_balls"]["count"] == 0
    assert again["counts"]["rows"] == 80 + count


def test_balls_that_look_like_none_are_judged() -> None:
    """Against the file: blocks of balls between blank rows, balls at the mean, one named Max where asked."""
    rows = [f"A{n},15,75,600,30,2024-03-01" for n in range(80)]
    blocks = "\n".join([HEAD, *rows[:40], "", *rows[40:76], "", *rows[76:]])
    found = decided(blocks)
    assert (found["counts"]["balls"], found["left_out"]["no_balls"]["count"]) == (80, 0)
    assert decided("\n".join([HEAD, *rows]))["counts"]["balls"] == 80
    nameless = "weight,hardness\n" + "15,75\n" * 20
    assert decided(nameless)["counts"]["balls"] == 20
    cut = decided("\n".join([HEAD, *rows, "", "A80,15,75"]))
    assert (cut["left_out"]["rows"], cut["left_out"]["no_balls"]["count"]) == (1, 0)
    named = "\n".join([HEAD, *rows, "Max,15,60,600,30,2024-03-01"])
    assert decided(named)["counts"]["balls"] == 80
    found = decided(named, file={"rows_judged": [82]})
    assert (found["counts"]["balls"], found["counts"]["nonconforming"]) == (81, 1)
    assert verdict(found)[1] == 81
