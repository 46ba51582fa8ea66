"""Lots through the client and the command, the engine in this process."""

from __future__ import annotations

import io
import json
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import pandas
import polars
import pyarrow as pa
import pytest
from pyarrow import csv as arrow_csv
from pyarrow import parquet

import ballgauge
from ballgauge._command.program import run

EXAMPLE = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv")
OPTIONS: dict[str, Any] = {
    "sampling": {"lot_size": 1000, "plan": {"aql": 1.0}},
    "rules": {"on": "2026-05-01"},
}
ROWS = {"scope": "measured", "sampling": {"rows": "every_ball"}, "rules": {"on": "2026-05-01"}}
PLAN = ["--lot-size", "1000", "--aql", "1.0", "--on", "2026-05-01"]
WEIGHTS = ("serial,weight\nA1,15\nA2,15.1\nA3,16.5\n", "serial,weight\nA1,15\nA2,15.1\n")


@pytest.fixture(scope="module")
def client() -> Any:
    with ballgauge.Client.embedded() as made:
        yield made


@pytest.fixture
def lot() -> Any:
    with as_file(EXAMPLE) as path:
        yield path


class Frame:
    """Writes itself as a data frame does."""

    def __init__(self, text: str) -> None:
        self.text = text

    def to_csv(self, *, index: bool) -> str:
        assert not index
        return self.text


class OtherFrame:
    """Writes itself as another library's data frame does."""

    def __init__(self, text: str) -> None:
        self.text = text

    def write_csv(self) -> str:
        return self.text


def test_a_lot_by_path(client: ballgauge.Client, lot: Path) -> None:
    """Against the plan: 80 balls, 1 nonconforming, 1 row left out, at most 2."""
    result = client.assess_lot(lot, OPTIONS)
    assert (result.lot_accepted, result.outcome, result.left_out.rows) == (True, "conforming", 1)
    assert result.worst_balls[0].serial == "OW7K20437"
    assert result.acceptance.by_count.acceptance_number == 2
    assert "lot_accepted=True" in repr(result)


def test_every_kind_of_lot_is_the_same_lot(client: ballgauge.Client, tmp_path: Path, sentence: Any) -> None:
    """Against one lot given as bytes, file, path, data frames of two kinds and Arrow table."""
    text = WEIGHTS[0]
    path = tmp_path / "lot.csv"
    path.write_text(text)
    table = arrow_csv.read_csv(io.BytesIO(text.encode()))
    with path.open("rb") as file:
        kinds = [text.encode(), file, path, str(path), Frame(text), OtherFrame(text), table]
        found = [client.assess_lot(each, {"scope": "measured"}) for each in kinds]
    assert {result.counts.nonconforming for result in found} == {1}
    assert len({result.quantities[0].mean for result in found}) == 1
    with pytest.raises(TypeError, check=sentence("lots: not int")):
        client.assess_lot(5)


def test_rows_one_by_one(client: ballgauge.Client, sentence: Any) -> None:
    """Against the file: its rows and serials; the lot once they are all taken."""
    with client.lot_rows(WEIGHTS[0].encode(), {"scope": "measured"}) as rows:
        with pytest.raises(RuntimeError) as caught:
            _ = rows.result
        assert str(caught.value) == sentence("sdk: lot before its last ball")
        taken = list(rows)
    assert [(row.row, row.serial, row.outcome) for row in taken] == [
        (2, "A1", "not_assessed"),
        (3, "A2", "not_assessed"),
        (4, "A3", "nonconforming"),
    ]
    assert taken[2].margin == pytest.approx(-0.5)
    assert rows.result.lot_accepted is False


def test_rows_of_a_long_file_by_path(client: ballgauge.Client, tmp_path: Path) -> None:
    """Against the number of balls: the file stays open while its rows are taken."""
    path = tmp_path / "long.csv"
    path.write_text("weight\n" + "15.25\n" * 400_000)
    with client.lot_rows(path, {"scope": "measured"}) as rows:
        assert sum(1 for _ in rows) == 400_000
    assert rows.result.counts.balls == 400_000


def test_files_are_written_whole_or_not_at_all(
    client: ballgauge.Client, lot: Path, tmp_path: Path, sentence: Any
) -> None:
    """Against the folder: both files of a good lot, nothing of a bad one."""
    report, rows = tmp_path / "lot.html", tmp_path / "balls.parquet"
    client.assess_lot(lot, OPTIONS, report=report, rows=rows)
    assert report.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert parquet.read_table(rows).num_rows == 79
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(ballgauge.InvalidRequest):
        client.assess_lot(b"weight\n", report=empty / "a.html", rows=empty / "a.csv")
    assert not list(empty.iterdir())
    with pytest.raises(ValueError, match="csv") as caught:
        client.assess_lot(lot, rows=tmp_path / "balls.doc")
    assert str(caught.value) == sentence("sdk: rows of an unknown format")


def test_progress_counts_the_bytes(client: ballgauge.Client, lot: Path) -> None:
    """Against the file's size."""
    told: list[tuple[int, int | None]] = []
    client.assess_lot(lot, OPTIONS, progress=lambda done, total: told.append((done, total)))
    assert told[-1] == (lot.stat().st_size, lot.stat().st_size)


def test_a_series(client: ballgauge.Client, lot: Path, sentence: Any) -> None:
    """Against the names and the number of lots."""
    result = client.assess_lots([lot, lot], OPTIONS)
    assert (result.lots_accepted, len(result.lots)) == (2, 2)
    assert result.drift[0].quantity == "weight"
    with pytest.raises(ValueError, check=sentence("lots: several lots")):
        client.assess_lots([lot])


def test_an_arrow_table_with_dates_and_gaps(client: ballgauge.Client) -> None:
    """Against the contract: a date as YYYY-MM-DD, what is null left out."""
    table = pa.table(
        {
            "weight": [15.0, 15.1],
            "hardness": [72.5, None],
            "approved_on": pa.array([17897, None], pa.date32()),
            "made_on": pa.array([17897, None], pa.date32()),
        }
    )
    result = client.assess_lot(table, {"scope": "measured"})
    assert (result.counts.conforming, result.counts.not_assessed) == (1, 1)


def test_the_command_reports(lot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the order of the report: left out, decision, what failed; exit code 0 where accepted."""
    assert run(["lot", str(lot), *PLAN]) == 0
    text = capsys.readouterr().out
    order = [
        "Left out: 1 of 80",
        "conforming  The lot is accepted",
        "OW7K20437",
        "hardness [Shore D]",
        "seed",
    ]
    places = [text.index(part) for part in order[:4]]
    assert places == sorted(places)
    assert "approved" not in text


def test_exit_codes(tmp_path: Path, lot: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the table of exit codes in the help."""
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    bad.write_text(WEIGHTS[0])
    good.write_text(WEIGHTS[1])
    assert run(["lot", str(good), "--measured"]) == 0
    assert run(["lot", str(good)]) == 1
    assert run(["lot", str(bad), "--measured"]) == 1
    assert run(["lot", str(good), "--aql", "1.0"]) == 2
    assert "/sampling/lot_size" in capsys.readouterr().err
    assert run(["lot", str(tmp_path / "none.csv")]) == 2
    assert run(["lot", str(good), "--rows", str(tmp_path / "x.doc")]) == 2
    assert run(["lot", str(good), "--url", "http://127.0.0.1:9"]) == 3


def test_files_of_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the mapping, the rows and the report asked for, and the JSON on standard output."""
    source, mapping = tmp_path / "lot.csv", tmp_path / "map.json"
    source.write_text("No;kg;Note\nA1;6,8;\nA2;7,5;heavy\n")
    mapping.write_text('{"No": "serial", "kg": "weight [kg]", "Note": null}')
    rows, report = tmp_path / "balls.ndjson", tmp_path / "lot.html"
    arguments = ["lot", str(source), "--measured", "--mapping", str(mapping), "--decimal", ",", "--json"]
    assert run([*arguments, "--rows", str(rows), "--report", str(report), "--progress"]) == 1
    printed = capsys.readouterr()
    document = json.loads(printed.out)
    assert document["worst_balls"][0]["serial"] == "A2"
    assert [json.loads(line)["serial"] for line in rows.read_text().splitlines()] == ["A1", "A2"]
    assert "Lot rejected" in report.read_text(encoding="utf-8")
    assert "judging" in printed.err


def test_options_in_a_file_and_a_sample_drawn(
    tmp_path: Path, lot: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Against the options file, over which the command line goes."""
    options = tmp_path / "options.json"
    options.write_text('{"confidence": 0.9, "sampling": {"lot_size": 500, "plan": {"aql": 4.0}}}')
    assert (
        run(["lot", str(lot), "--options", str(options), *PLAN, "--seed", "3", "--draw", "5", "--json"]) == 0
    )
    document = json.loads(capsys.readouterr().out)
    assert (document["confidence"], document["plan"]["lot_size"], document["plan"]["aql"]) == (0.9, 1000, 1.0)
    assert len(document["drawn"]["serials"]) == 5
    options.write_text("[]")
    assert run(["lot", str(lot), "--options", str(options)]) == 2


def test_a_file_is_read_as_the_command_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the file and the answer: every option of its reading, and the series' state carried on."""
    lot, mapping, identity, before = (tmp_path / name for name in ("lot.csv", "map", "identity", "before"))
    rows = "".join(f"a{n};15,1;80;82;03/04/2021;x\n" for n in range(9))
    lot.write_text(f"Kopf\nNr;Netto;H 1;H 2;Datum;Regal\n{rows}Max;15;80;81;03/04/2021;y\nz;1;1;1;;\n")
    names = {
        "Nr": "serial",
        "Netto": "weight",
        "H 1": "hardness 1",
        "H 2": "hardness 2",
        "Datum": "approved_on",
    }
    mapping.write_text(json.dumps(names))
    identity.write_text('{"supplier": "Ostrel Works"}')
    told = ["--mapping", str(mapping), "--identity", str(identity), "--readings", "mean", "--header-row", "2"]
    told += ["--dates", "month_first", "--ignore-row", "13", "--judge-row", "12", "--measured", "--json"]
    assert run(["lot", str(lot), *told, "--lot-size", "20", "--aql", "10", "--sample-seed", "3"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["counts"]["balls"], answer["left_out"]["no_balls"]["count"]) == (10, 1)
    assert (answer["file"]["dates"], answer["lot"]["supplier"]) == ("month_first", "Ostrel Works")
    assert answer["acceptance"]["by_count"]["drawn"]["seed"] == 3
    before.write_text(json.dumps(answer))
    arguments = ["lot", str(lot), *told, "--lot-size", "20", "--aql", "10", "--history", str(before)]
    assert run(arguments) == 0
    score = json.loads(capsys.readouterr().out)["sampling"]["state"]["score"]
    assert score > answer["sampling"]["state"]["score"]
    assert run(["lot", str(lot), *told, "--unknown-columns", "refuse"]) == 2
    assert run(["lot", str(lot), *told, "--sheet", "none"]) in (0, 1)


def test_the_command_on_several_lots(lot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Against the names of the lots; the report has the drift."""
    report = tmp_path / "drift.html"
    assert run(["lot", str(lot), str(lot), *PLAN, "--report", str(report)]) == 0
    text = capsys.readouterr().out
    assert "2 of 2 lots accepted" in text
    assert "No signal on any chart" in text
    assert "Hardness" in report.read_text(encoding="utf-8")
    paper = tmp_path / "drift.pdf"
    told = ["--language", "de", "--units", "metric", "--paper", "letter"]
    assert run(["lot", str(lot), str(lot), *PLAN, "--report", str(paper), *told]) == 0
    assert b"/Lang (de)" in paper.read_bytes()


def test_a_report_is_html_or_pdf(client: Any, lot: Path, tmp_path: Path, sentence: Any) -> None:
    """Against the first bytes of each, and an ending that is neither."""
    client.assess_lot(lot, OPTIONS, report=tmp_path / "lot.pdf")
    assert (tmp_path / "lot.pdf").read_bytes()[:5] == b"%PDF-"
    client.assess_lot(lot, OPTIONS, report=tmp_path / "lot.htm")
    assert (tmp_path / "lot.htm").read_text(encoding="utf-8").startswith("<!doctype html>")
    with pytest.raises(ValueError, check=sentence("lots: html or pdf")):
        client.assess_lot(lot, OPTIONS, report=tmp_path / "lot.docx")
    assert not (tmp_path / "lot.docx").exists()


def test_the_example_lot_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """Against the file of the package."""
    assert run(["example", "lot"]) == 0
    assert capsys.readouterr().out == EXAMPLE.read_text(encoding="utf-8")


def test_a_frame_keeps_the_serials_of_its_index(client: ballgauge.Client) -> None:
    """An index with a name, and one of texts without; numbers of rows without a name are none."""
    table = pandas.DataFrame({"serial": ["OW1", "OW2"], "weight": [15.1, 16.5]})
    named = table.set_index("serial")
    found = [
        client.assess_lot(frame, ROWS).worst_balls[0].serial
        for frame in (table, named, named.rename_axis(None), table[table.weight > 16])
    ]
    assert found == ["OW2"] * 4
    assert client.assess_lot(table[["weight"]][table.weight > 16], ROWS).worst_balls[0].serial is None


def test_rows_and_columns_and_lazy_frames_are_lots(client: ballgauge.Client) -> None:
    columns = {"serial": ["OW1", "OW2"], "weight": [15.1, 16.5], "rg": [2.5, float("nan")]}
    rows = pandas.DataFrame(columns).to_dict("records")
    whole = client.assess_lot(rows, ROWS)
    assert (whole.left_out.rows, whole.counts.balls) == (0, 2)
    for lot in (columns, iter(rows), polars.LazyFrame({**columns, "rg": [2.5, None]})):
        other = client.assess_lot(lot, ROWS)
        assert (other.counts, [(ball.serial, ball.margin) for ball in other.worst_balls]) == (
            whole.counts, [("OW2", -0.5)],
        )  # fmt: skip


def test_a_place_that_cannot_be_written_is_refused_before_the_work(
    client: ballgauge.Client, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client._http, "send", lambda _: pytest.fail("the lot was sent"))
    for given in ({"report": tmp_path / "no/x.html"}, {"rows": tmp_path / "no/x.csv"}):
        (target,) = given.values()
        with pytest.raises(OSError, match="x") as caught:
            client.assess_lot(WEIGHTS[0].encode(), ROWS, **given)
        assert caught.value.filename == str(target)
    (tmp_path / "taken.html").mkdir()
    with pytest.raises(IsADirectoryError):
        client.assess_lot(WEIGHTS[0].encode(), ROWS, report=tmp_path / "taken.html")
