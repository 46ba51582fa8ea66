"""Lots read from CSV, NDJSON, XLSX and Parquet: headings, units, rows and what is told of bad cells.

Units are checked against the exact definitions of the pound and the inch (NIST SP 811, 2008, appendix B);
texts and limits against the project's own contract (`BallSchema`).
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from ballgauge_schemas import ValidationError
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.limits import COLUMNS_MAXIMUM
from ballgauge_schemas.shared.quantity import convert
from ballgauge_service.lot.reading.cells import converted
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.reading.reading import LotFile
from ballgauge_service.lot.reading.text import LINE_MAXIMUM

FORMATS = ("csv", "ndjson", "xlsx", "parquet")
Make = Callable[..., Any]

BALLS = [
    {
        "serial": "A1",
        "weight": 15.06,
        "diameter": 8.59,
        "rg": 2.49,
        "house_ball": False,
        "approved_on": "2022-03-01",
    },
    {
        "serial": "A2",
        "weight": 16.2,
        "diameter": 8.55,
        "rg": 2.51,
        "house_ball": True,
        "approved_on": "2004-03-01",
    },
    {
        "serial": "A3",
        "weight": 14.0,
        "diameter": None,
        "rg": 2.44,
        "house_ball": False,
        "approved_on": "2009-12-31",
    },
]


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_gives_the_same_verdicts(judge: Make, written: Make, kind: str) -> None:
    first, other = judge(written(BALLS, "csv")), judge(written(BALLS, kind))
    for mine, theirs in zip(first.balls, other.balls, strict=True):
        assert {**mine, "row": 0} == {**theirs, "row": 0}
    assert other.report["file"]["format"] == kind
    assert other.rows == ([2, 3, 4] if kind in ("csv", "xlsx") else [1, 2, 3])


@pytest.mark.parametrize("kind", FORMATS)
def test_a_file_by_path_is_read_like_a_stream(written: Make, kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"lot.{kind}"
    path.write_bytes(written(BALLS, kind))
    with LotFile(path) as lot:
        assert lot.format == kind
        assert sum(len(chunk.rows) for chunk in lot) == len(BALLS)


def test_units_in_headings_are_the_contracts(judge: Make) -> None:
    data = b"serial,weight [kg],diameter (mm),hardness [Shore D]\nA,6.85,218.313,75\n"
    with LotFile(io.BytesIO(data)) as lot:
        assert [(heading.field, heading.unit) for heading in lot.headings] == [
            ("serial", None), ("weight", "kg"), ("diameter", "mm"), ("hardness", "Shore D"),
        ]  # fmt: skip
    by_text = BallSchema().load({"weight": "6.85 kg", "diameter": "218.313 mm"})
    ball = judge(data).balls[0]
    assert by_text["diameter"].value == 8.595  # 218.313 / 25.4, exact
    assert ball["rules"]["diameter"] == "conforming"
    assert judge(data).report["quantities"]["weight"]["mean"] == by_text["weight"].value


@given(
    st.lists(st.floats(-1e6, 1e6).filter(lambda x: x == 0.0 or abs(x) > 1e-6), min_size=1, max_size=50),
    st.sampled_from([1.0, 1 / 25.4, 1 / 0.45359237, 0.01, 39.37007874015748, 60.0, 1e-3]),
)
@settings(deadline=None)
def test_columns_are_converted_to_the_digit_as_the_contract_converts(
    values: list[float], size: float
) -> None:
    expected = [convert(value, size) for value in values]
    assert converted(np.array(values), size).tolist() == expected


def test_mapping_renames_leaves_out_and_keeps_units(judge: Make) -> None:
    data = "Nr;Gewicht, netto [kg];Umfang;Prüfer\nA;6,85;27,0;x\n".encode()
    mapping = {"Nr": "serial", "Gewicht, netto": "weight", "Umfang": "circumference [in]", "Prüfer": None}
    judged = judge(data, mapping=mapping)
    assert judged.balls[0]["serial"] == "A"
    assert [column["field"] for column in judged.report["file"]["columns"]] == [
        "serial",
        "weight",
        "circumference",
        None,
    ]
    assert judged.report["quantities"]["weight"]["mean"] == convert(6.85, 1 / 0.45359237)


@pytest.mark.parametrize(
    ("head", "suggestion"),
    [
        ("wieght", "weight"),
        ("weight,weight [kg]", None),
        ("weight [mm]", None),
        ("weight,serial [kg]", None),
        ("weight,", None),
        ("serial,rg", None),
        ("15.06,8.59", None),
    ],
)
def test_headings_that_are_wrong_refuse_the_file(
    refused: Make, head: str, suggestion: str | None, sentence: Any
) -> None:
    details = refused(f"{head}\n1,2\n".encode(), unknown_columns="refuse")
    assert [detail["detail"] for detail in details] == sentence(f"heading {head}")
    assert suggestion is None or details[0]["suggestion"] == suggestion


def test_every_wrong_heading_is_named_at_once(refused: Make) -> None:
    assert [
        detail["column"] for detail in refused(b"wieght,rgg,serial\n1,2,3\n", unknown_columns="refuse")
    ] == ["wieght", "rgg"]


@pytest.mark.parametrize("kind", FORMATS)
def test_bad_cells_are_told_by_row_and_column_and_the_rest_is_judged(
    judge: Make, written: Make, kind: str, sentence: Any
) -> None:
    rows = [
        {"serial": "a", "weight": 15.0, "rg": 2.5},
        {"serial": "b", "weight": 99.0, "rg": 9.0},
        {"weight": None, "serial": "c"},
    ]
    judged = judge(written(rows, kind))
    start = 2 if kind in ("csv", "xlsx") else 1
    assert judged.rows == [start]
    assert judged.notes == [
        (start + 1, "weight", sentence("weight beyond its bounds")),
        (start + 1, "rg", sentence("rg beyond its bounds")),
        (start + 2, "weight", sentence("missing field")),
    ]
    assert judged.report["left_out"] == 2
    assert judged.report["left_out_by_column"] == {"weight": 2, "rg": 1}


def test_cells_are_judged_by_the_contracts_own_words(judge: Make) -> None:
    cells = {
        "weight": "200",
        "diameter": "wide",
        "approved_on": "2022-13-01",
        "house_ball": "maybe",
        "cover": "felt",
    }
    data = f"serial,{','.join(cells)}\nx,{','.join(cells.values())}\ny,15,8.59,,,\n".encode()
    told = {column: detail for _, column, detail in judge(data).notes}
    given_ = {**cells, "weight": 200}
    with pytest.raises(ValidationError) as caught:
        BallSchema().load(given_)
    expected = {name: texts[0] for name, texts in caught.value.messages_dict.items()}
    assert told == expected


def test_fields_that_contradict_each_other_are_left_out_as_the_contract_does(judge: Make) -> None:
    data = (
        b"serial,weight,diameter,circumference,rg,differential,intermediate_differential\n"
        b"a,15,8.5,27.0,2.5,0.01,0.02\nb,15,8.0,27.0,,,\nc,15,7.6,,3.2,0.05,\nd,15,,,3.2,0.05,\n"
    )
    judged = judge(data)
    assert judged.rows == [5]
    assert [(row, column) for row, column, _ in judged.notes] == [
        (2, "differential"), (2, "intermediate_differential"),
        (3, "diameter"), (3, "circumference"), (4, "rg"),
    ]  # fmt: skip
    assert "disagree" in judged.notes[2][2]
    assert "impossible" in judged.notes[4][2]


def test_blank_lines_are_counted_and_rows_keep_their_numbers(judge: Make) -> None:
    judged = judge(b"\nserial,weight\na,15\n\n  \n,\nb,14\n\r\nc,nan\n")
    assert judged.rows == [3, 7]
    assert judged.report["blank_rows"] == 5
    assert judged.notes[0][0] == 9


def test_rows_of_the_wrong_length_are_told(judge: Make) -> None:
    judged = judge(b"serial,weight\na,15\nb\nc,14,1\nd,13\n")
    assert judged.rows == [2, 5]
    assert [(row, column) for row, column, _ in judged.notes] == [(3, None), (4, None)]


def test_a_line_end_within_quotation_marks_ends_no_row(judge: Make, sentence: Any) -> None:
    judged = judge(b'serial,weight\n"a, ""x""",15\n"b\nb",15\nc,14\n')
    assert judged.balls[0]["serial"] == 'a, "x"'
    assert judged.rows == [2, 4]
    assert judged.notes == [(3, "serial", sentence("control characters in a cell"))]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_separators_are_found(judge: Make, written: Make, separator: str) -> None:
    judged = judge(written(BALLS, "csv", separator=separator))
    assert len(judged.balls) == 3
    assert judged.report["file"]["separator"] == separator


def test_a_separator_that_is_not_clear_is_asked_for(refused: Make, sentence: Any) -> None:
    assert refused(b"weight;weight,weight\n1\n")[0]["detail"] == sentence("lot: name it")


def test_decimal_commas_are_found_and_told(judge: Make, written: Make) -> None:
    judged = judge(written(BALLS, "csv", separator=";", decimal=","))
    assert judged.report["file"]["decimal_found"] is True
    assert [ball["margin"] for ball in judged.balls] == [
        ball["margin"] for ball in judge(written(BALLS, "csv")).balls
    ]


def test_commas_that_may_stand_between_thousands_are_asked_for(judge: Make, refused: Make) -> None:
    data = b"weight;roughness\n15;21,234\n"
    assert "decimal" in refused(data)[0]["detail"]
    assert judge(data, decimal=",").report["quantities"]["roughness"]["mean"] == 21.234


def test_a_comma_among_points_is_told_and_not_guessed(judge: Make, sentence: Any) -> None:
    judged = judge(b"serial;weight\na;15.0\nb;15,1\n")
    assert judged.notes == [(3, "weight", sentence("comma among points"))]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_marked_encodings_are_found(judge: Make, encoding: str) -> None:
    judged = judge("serial,weight\nä–1,15\n".encode(encoding))
    assert judged.balls[0]["serial"] == "ä–1"


def test_other_encodings_are_named_and_bad_bytes_told_by_row(judge: Make, sentence: Any) -> None:
    data = "serial,weight\nok,15\nä,15\n".encode("cp1252")
    judged = judge(data)
    assert judged.rows == [2]
    assert judged.notes == [(3, None, sentence("byte of another encoding"))]
    assert judge(data, encoding="cp1252").balls[1]["serial"] == "ä"
    assert [row for row, _, _ in judge(b"serial,weight\n\x81,15\nb,15\n", encoding="cp1252").notes] == [2]


def test_headings_in_an_unnamed_encoding_refuse_the_file(refused: Make, sentence: Any) -> None:
    assert refused("größe,weight\na,15\n".encode("cp1252"))[0]["detail"] == sentence("lot: name the encoding")
    assert refused("serial,weight\na,15\n".encode("utf-16-le"))[0]["detail"] == sentence("lot: UTF-16")
    assert refused(b"weight\n15\n", encoding="zlib")[0]["detail"] == sentence("unknown encoding")


def test_texts_that_mean_no_data_are_named_not_guessed(judge: Make) -> None:
    data = b"serial,weight,rg\na,15,n/a\nb,14,2.5\n"
    assert judge(data).rows == [3]
    assert judge(data, missing=("n/a",)).rows == [2, 3]


def test_repeated_serials_are_told_by_row_and_judged(judge: Make) -> None:
    judged = judge(b"serial,weight\na,15\nb,15\na,14\nabcdefghi,15\n,15\n,15\nabcdefghj,15\na,15\n")
    assert len(judged.balls) == 8
    assert judged.report["repeated_serials"] == {
        "count": 2,
        "listed": [{"row": 4, "first_row": 2}, {"row": 9, "first_row": 2}],
    }


@given(st.lists(st.text("ab9-é", max_size=20), min_size=1, max_size=60))
@settings(deadline=None)
def test_repeated_serials_are_those_a_plain_loop_finds(
    judge: Make, written: Make, serials: list[str]
) -> None:
    rows = [{"serial": serial, "weight": 15} for serial in serials]
    judged = judge(written(rows, "ndjson"), chunk_bytes=100)
    seen: dict[str, int] = {}
    expected = [
        {"row": row, "first_row": seen[serial]}
        for row, serial in enumerate(serials, 1)
        if serial and seen.setdefault(serial, row) != row
    ]
    assert judged.report["repeated_serials"] == {"count": len(expected), "listed": expected}


def test_uncertainty_columns_have_the_unit_of_their_quantity(judge: Make, sentence: Any) -> None:
    data = b"weight [kg],weight_uncertainty,rg,rg_uncertainty\n7,0.01,2.5,\n7,,,0.1\n"
    with LotFile(io.BytesIO(data)) as lot:
        assert [heading.unit for heading in lot.headings] == ["kg", "kg", "in", "in"]
    judged = judge(data)
    assert judged.notes == [(3, "rg_uncertainty", sentence("uncertainty without a value"))]


def test_json_cells_are_the_contracts_quantities(judge: Make, sentence: Any) -> None:
    lines = [
        '{"serial": "a", "weight": "6.85 kg", "diameter": {"value": 218.313, "unit": "mm"}}',
        '{"serial": "b", "weight": "15.06"}',
        '{"serial": "c", "weight": 15, "wieght": 3}',
        '{"serial": "d", "weight": 15, "weight": 15}',
        '{"serial": "e", "weight": NaN}',
        "[1]",
        '{"serial": "g", "weight": true}',
        "",
        '{"serial": "h", "weight": 15, "weight [kg]": 7}',
        '{"serial": "i", "weight": 15}',
    ]
    judged = judge("\n".join(lines).encode())
    assert judged.rows == [1, 10]
    assert [row for row, _, _ in judged.notes] == [2, 3, 4, 5, 6, 7, 9]
    assert judged.notes[0][2] == sentence("lot: has no unit")
    assert judged.notes[1][2] == sentence("misspelt member of a row")
    assert judged.report["blank_rows"] == 1


def test_workbooks_tell_formulas_sheets_and_dates(judge: Make, workbook: Make, sentence: Any) -> None:
    data = workbook(
        [
            ["serial", "weight", "approved_on"],
            ["a", 15.0, None],
            ["b", "=A1", None],
            [7, "15.5", "2020-01-02"],
        ]
    )
    judged = judge(data)
    assert judged.report["file"]["formulas"] == 1
    assert judged.notes == [(3, "weight", sentence("formula without a value"))]
    assert [ball["serial"] for ball in judged.balls] == ["a", "7"]


def test_workbooks_that_begin_lower_keep_their_rows(judge: Make, workbook: Make) -> None:
    rows: list[list[Any]] = [
        [],
        [],
        [None, "serial", "weight"],
        [None, "a", 15],
        [],
        [None, "b", 99],
        [None, "c", 14, "x"],
    ]
    judged = judge(workbook(rows))
    assert judged.rows == [4]
    assert [(row, column) for row, column, _ in judged.notes] == [(6, "weight"), (7, None)]


def test_parquet_types_that_cannot_be_are_refused(refused: Make, sentence: Any) -> None:
    sink = io.BytesIO()
    parquet.write_table(pa.table({"weight": pa.array([[1.0], [2.0]])}), sink)
    assert refused(sink.getvalue())[0]["detail"] == sentence("lot: holds list")


def test_parquet_takes_integers_decimals_days_and_dictionaries(judge: Make) -> None:
    import datetime
    from decimal import Decimal

    sink = io.BytesIO()
    table = pa.table(
        {
            "serial": pa.array(["a", "b"]).dictionary_encode(),
            "weight": pa.array([15, 16]),
            "rg": pa.array([Decimal("2.45"), Decimal("2.50")]),
            "approved_on": pa.array([datetime.date(2010, 6, 30), None]),
        }
    )
    parquet.write_table(table, sink)
    judged = judge(sink.getvalue())
    assert [ball["rules"]["rg_minimum"] for ball in judged.balls] == ["conforming", "conforming"]
    assert judged.report["quantities"]["rg"]["minimum"] == 2.45


def test_a_file_without_balls_is_refused(workbook: Make, refused: Make, sentence: Any) -> None:
    assert refused(b"")[0]["detail"] == sentence("empty file")
    assert refused(b"serial,weight\n")[0]["detail"] == sentence("file without balls")
    assert refused(b"serial,weight\na,x\n")[1]["row"] == 2
    assert refused(workbook([["serial", "weight"]]))[0]["detail"] == sentence("file without balls")


def test_too_many_columns_are_refused(written: Make, workbook: Make, refused: Make) -> None:
    names = [f"c{k}" for k in range(5000)]
    for data in (",".join(names).encode(), workbook([names]), written([dict.fromkeys(names, 1)], "parquet")):
        assert f"at most {COLUMNS_MAXIMUM}" in refused(data)[0]["detail"]


def test_the_line_limit_holds_to_the_byte(judge: Make, refused: Make) -> None:
    pad = LINE_MAXIMUM - len(b"a,15,\n")
    data = b"serial,weight,name\na,15," + b"x" * pad + b"\nb,15,\n"
    assert judge(data).rows == [3]
    assert refused(data.replace(b"a,15,", b"a,15,x"))[0]["row"] == 2


@pytest.mark.parametrize("kind", ["csv", "ndjson"])
@given(
    rows=st.lists(
        st.fixed_dictionaries(
            {"serial": st.text("ab,\"';é", max_size=5)},
            optional={
                "weight": st.sampled_from([15.0, 16.5, 99.0, "x", None]),
                "rg": st.sampled_from([2.5, 2.4, "2 1/2 in", "n", None]),
            },
        ),
        min_size=1,
        max_size=25,
    ),
    size=st.integers(1, 400),
)
@settings(deadline=None, max_examples=60)
def test_chunks_change_nothing(
    judge: Make, written: Make, kind: str, rows: list[dict[str, Any]], size: int
) -> None:
    rows = [{"serial": "first", "weight": 15.0, "rg": 2.5}, *rows]
    whole, cut = judge(written(rows, kind)), judge(written(rows, kind), chunk_bytes=size)
    assert cut == whole


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_chunks_change_nothing_in_whole_files(judge: Make, written: Make, kind: str) -> None:
    rows = [{"serial": f"s{k % 40}", "weight": 3.0 + k / 3, "rg": 2.4 + k / 400} for k in range(60)]
    assert judge(written(rows, kind), chunk_bytes=640) == judge(written(rows, kind))


@given(st.permutations(range(12)))
@settings(deadline=None, max_examples=25)
def test_shuffled_rows_change_no_ball_and_no_total(judge: Make, written: Make, order: list[int]) -> None:
    rows = [
        {
            "serial": f"s{k}",
            "weight": 13.9 + 0.21 * k,
            "rg": 2.43 + 0.031 * k,
            "differential": 0.004 * k,
            "roughness": 7.7 * k,
        }
        for k in range(12)
    ]
    straight, mixed = judge(written(rows, "csv")), judge(written([rows[k] for k in order], "csv"))
    by_serial = {ball["serial"]: {**ball, "row": 0} for ball in straight.balls}
    assert {ball["serial"]: {**ball, "row": 0} for ball in mixed.balls} == by_serial
    for part in ("outcomes", "rules", "quantities"):
        assert mixed.report[part] == straight.report[part]


def test_options_that_make_no_sense_are_refused(refused: Make) -> None:
    for options in (
        {"separator": "x"},
        {"decimal": "x"},
        {"format": "yaml"},
        {"decimal": ",", "separator": ","},
    ):
        assert refused(b"weight\n15\n", **options)
    assert ReadingOptions().chunk_bytes > 0


@pytest.mark.parametrize(
    ("kind", "day"),
    [
        (pa.date32(), 18_263),
        (pa.date64(), 18_263 * 86_400_000),
        (pa.timestamp("ms"), 18_263 * 86_400_000),
        (pa.timestamp("us"), 18_263 * 86_400_000_000),
        (pa.timestamp("ns"), 18_263 * 86_400_000_000_000),
    ],
)
def test_days_beyond_the_calendar_are_told_by_row(judge: Make, kind: Any, day: int) -> None:
    """2020-01-02, and the largest and least numbers of the type, some of which came round to a good day."""
    whole = pa.int32() if kind == pa.date32() else pa.int64()
    most = 2 ** (whole.bit_width - 1) - 1
    days = pa.array([day, most - most % 86_400_000, 86_400_000 - most + most % 86_400_000, None], whole)
    sink = io.BytesIO()
    parquet.write_table(pa.table({"weight": [15.0] * 4, "approved_on": days.cast(kind)}), sink)
    judged = judge(sink.getvalue())
    assert judged.rows == [1, 4]
    assert [(row, column) for row, column, _ in judged.notes] == [(2, "approved_on"), (3, "approved_on")]


def test_spellings_that_change_within_a_file_are_one_field(judge: Make) -> None:
    """Against the same file with one spelling, in chunks and whole."""
    rows = [
        {"serial": "a", "weight": 15.0, "approved_on": "2004-12-31", "house_ball": True, "cover": "urethane"},
        {
            "Serial": "b",
            "weight": 15.0,
            "Approved on": "2023-01-01",
            "House ball": False,
            "Cover": "reactive",
        },
    ] * 3
    plain = [{key.lower().replace(" ", "_"): value for key, value in row.items()} for row in rows]
    one, other = ("".join(json.dumps(row) + "\n" for row in each).encode() for each in (rows, plain))
    expected = judge(other)
    for size in (1, 300, 1 << 20):
        assert judge(one, chunk_bytes=size).balls == expected.balls
    doubled = one + b'{"weight": 15, "Weight": 14}\n'
    assert [row for row, _, _ in judge(doubled).notes] == [7]
