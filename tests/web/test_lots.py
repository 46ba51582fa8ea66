"""POST /v1/lots in this process: what it takes, what it answers, and what it refuses."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from importlib.resources import files
from typing import Any

import pyarrow as pa
import pytest
from pyarrow import parquet

from ballgauge_schemas.lot.answer import LOT_RESULT, LOT_SERIES_RESULT
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

LOT = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv").read_bytes()
OPTIONS = json.dumps({"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": {"on": "2026-05-01"}})
MEASURED = '{"scope":"measured"}'


@pytest.fixture
def client(app: Any) -> Any:
    return app.test_client()


def post(
    client: Any, *lots: bytes, accept: str | None = None, options: str = OPTIONS, query: str = ""
) -> Any:
    form = {"options": options, "file": [(io.BytesIO(lot), f"lot{k}.csv") for k, lot in enumerate(lots)]}
    return client.post(f"/v1/lots{query}", data=form, headers={"Accept": accept} if accept else {})


def pointers(response: Any) -> list[str]:
    assert response.content_type == "application/problem+json"
    return [error["pointer"] for error in response.json["errors"]]


def test_json_is_the_lot_with_what_was_left_out_first(client: Any) -> None:
    """Against the contract, and the order of the members."""
    response = post(client, LOT)
    assert (response.status_code, response.content_type) == (200, "application/json")
    LOT_RESULT.load(response.json)
    assert response.data.startswith(b'{"left_out":{"rows":1,')
    assert response.json["acceptance"]["lot_accepted"] is True


@pytest.mark.parametrize(
    "accept", ["application/json", "application/x-ndjson", "text/csv", "text/html", "application/zip"]
)
def test_the_same_lot_gives_the_same_bytes(client: Any, accept: str) -> None:
    """Against a second request."""
    first = post(client, LOT, accept=accept)
    assert first.status_code == 200
    assert first.data == post(client, LOT, accept=accept).data


def test_rows_then_the_lot(client: Any) -> None:
    """Against the JSON answer: one line a ball, last the lot."""
    *rows, last = map(json.loads, post(client, LOT, accept="application/x-ndjson").data.splitlines())
    assert len(rows) == 79
    assert rows[0]["row"] == 2
    assert last["lot"] == post(client, LOT).json


def test_rows_as_csv_and_parquet(client: Any) -> None:
    """Against the rows of the NDJSON answer."""
    *rows, _ = map(json.loads, post(client, LOT, accept="application/x-ndjson").data.splitlines())
    table = parquet.read_table(io.BytesIO(post(client, LOT, accept="application/vnd.apache.parquet").data))
    assert [{**row, "row": row["row"]} for row in table.to_pylist()] == rows
    cells = list(csv.DictReader(io.StringIO(post(client, LOT, accept="text/csv").data.decode(), newline="")))
    assert [cell["serial"] for cell in cells] == [row["serial"] for row in rows]
    assert [cell["reason"] for cell in cells] == [row["reason"] for row in rows]


@pytest.mark.parametrize("kind", ["csv", "ndjson", "parquet"])
def test_an_archive_has_everything(client: Any, kind: str) -> None:
    """Against the other answers."""
    response = post(client, LOT, accept="application/zip", query=f"?rows={kind}")
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        assert archive.namelist() == [f"balls.{kind}", "lot.json", "report.html"]
        assert json.loads(archive.read("lot.json")) == post(client, LOT).json
        assert archive.read("report.html") == post(client, LOT, accept="text/html").data


def test_a_report_as_pdf_in_the_language_and_units_asked_for(client: Any) -> None:
    """Against the PDF in the archive, and the language that the file names."""
    told = {"report": {"language": "de", "units": "metric", "paper": "letter"}}
    options = json.dumps(json.loads(OPTIONS) | told)
    alone = post(client, LOT, accept="application/pdf", options=options)
    assert (alone.mimetype, alone.data[:5]) == ("application/pdf", b"%PDF-")
    assert b"/Lang (de)" in alone.data
    response = post(client, LOT, accept="application/zip", options=options, query="?report=pdf")
    with zipfile.ZipFile(io.BytesIO(response.data)) as archive:
        assert archive.namelist() == ["balls.csv", "lot.json", "report.pdf"]
        assert archive.read("report.pdf") == alone.data
    page = post(client, LOT, accept="text/html", options=options).text
    assert "Los angenommen" in page
    assert post(client, LOT, options=options).json == post(client, LOT).json
    for accept in ("application/zip", "application/json"):
        refused = post(client, LOT, accept=accept, query="?report=doc&rows=xls")
        assert sorted(error["pointer"] for error in refused.json["errors"]) == ["/report", "/rows"]
    refused = post(client, LOT, options='{"report": {"language": "fr", "units": "both"}}')
    found = {error["pointer"] for error in refused.json["errors"]}
    assert found == {"/report/language", "/report/units"}


def test_no_cell_of_a_csv_begins_a_formula(client: Any) -> None:
    """Against what spreadsheets take for one: = + - @ at the start of a cell that is no number."""
    lot = b"serial,weight\n=1+1,15\n+x,15\n-y,15\n@z,16.5\n"
    response = post(client, lot, accept="text/csv", options=MEASURED)
    for cells in csv.reader(io.StringIO(response.data.decode(), newline="")):
        for cell in cells:
            assert cell[:1] not in ("=", "+", "@")
            assert not cell.startswith("-") or float(cell) < 0


def test_a_body_that_is_the_file(client: Any) -> None:
    """Against the same lot in a form."""
    response = client.post(
        "/v1/lots", query_string={"options": OPTIONS, "name": "lot0.csv"}, data=LOT, content_type="text/csv"
    )
    assert response.data == post(client, LOT).data


def test_a_parquet_body(client: Any) -> None:
    """Against the rows it holds."""
    sink = io.BytesIO()
    parquet.write_table(pa.table({"weight": [15.0, 15.2, 16.5]}), sink)
    response = client.post(
        "/v1/lots",
        query_string={"options": MEASURED},
        data=sink.getvalue(),
        content_type="application/vnd.apache.parquet",
    )
    assert response.json["counts"]["nonconforming"] == 1


def test_several_lots(client: Any, sentence: Any) -> None:
    """Against the contract; and rows belong to one file at a time."""
    response = post(client, LOT, LOT, LOT)
    LOT_SERIES_RESULT.load(response.json)
    assert response.json["lots_accepted"] == 3
    assert len(response.json["switching"]) == 3
    assert post(client, LOT, LOT, accept="text/html").status_code == 200
    refused = post(client, LOT, LOT, accept="text/csv")
    assert (refused.status_code, refused.json["detail"]) == (422, sentence("rows of several lots"))


def test_a_refused_file_names_row_and_column(client: Any) -> None:
    """Against the places in the file."""
    unknown = post(client, b"weihgt,rg\n15,2.5\n")
    (error,) = unknown.json["errors"]
    assert (unknown.status_code, error["column"], error["suggestion"]) == (422, "weihgt", "weight")
    none = post(client, b"weight\nx\n")
    assert [(e.get("row"), e.get("column")) for e in none.json["errors"]] == [(None, None), (2, "weight")]
    assert all(error["pointer"] == "/file" for error in none.json["errors"])


@pytest.mark.parametrize(
    ("options", "wrong"),
    [
        ('{"sampling":{"plan":{"aql":1}}}', ["/sampling/lot_size"]),
        ('{"sampling":{"lot_size":100,"plan":{"aql":1.1}}}', ["/sampling/plan/aql"]),
        ('{"confidence":2,"file":{"format":"doc"}}', ["/confidence", "/file/format"]),
        ('{"scoop":"all"}', ["/scoop"]),
        ('{"uncertainties":{"hardness":"1 kg"}}', ["/uncertainties/hardness"]),
        ('{"file":{"mapping":{"a":1}}}', ["/file/mapping/a"]),
        ("[]", [""]),
    ],
)
def test_bad_options_are_named_all_at_once(client: Any, options: str, wrong: list[str]) -> None:
    """Against RFC 6901."""
    response = post(client, LOT, options=options)
    assert response.status_code == 422
    assert pointers(response) == wrong


@pytest.mark.parametrize(
    ("content_type", "body", "status"),
    [
        ("application/json", b"{}", 415),
        ("", b"weight\n15\n", 415),
        ("multipart/form-data", b"x", 400),
        ("multipart/form-data; boundary=b", b"nothing of a form", 400),
        ("multipart/form-data; boundary=b", b"--b--\r\n", 422),
        (
            "multipart/form-data; boundary=b",
            b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\nweight\n15\n',
            400,
        ),
        (
            "multipart/form-data; boundary=b",
            b'--b\r\nContent-Disposition: form-data; name="other"\r\n\r\nx\r\n--b--\r\n',
            422,
        ),
        ("text/csv", b"", 422),
    ],
)
def test_what_is_no_lot_is_refused(client: Any, content_type: str, body: bytes, status: int) -> None:
    """Against HTTP and RFC 7578; the form that ends early is not taken for a whole one."""
    response = client.post("/v1/lots", data=body, content_type=content_type or None)
    assert (response.status_code, response.content_type) == (status, "application/problem+json")


def test_options_behind_the_file_are_refused(client: Any, sentence: Any) -> None:
    """Against the order that reading as it comes needs."""
    head = b'--b\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\nweight\n15\n\r\n'
    tail = b'--b\r\nContent-Disposition: form-data; name="options"\r\n\r\n{}\r\n--b--\r\n'
    response = client.post("/v1/lots", data=head + tail, content_type="multipart/form-data; boundary=b")
    assert response.status_code == 422
    assert response.json["detail"] == sentence("options behind the file")


def test_a_type_nobody_answers(client: Any) -> None:
    """Against RFC 9110: 406, with what there is."""
    response = post(client, LOT, accept="image/png")
    assert response.status_code == 406
    assert "text/csv" in response.json["detail"]


@pytest.mark.parametrize("announced", [True, False])
def test_the_size_of_a_lot_has_its_own_limit(announced: bool) -> None:
    """Against BALLGAUGE_LARGEST_LOT, with and without a length in the head."""
    settings = Settings.from_environment({"BALLGAUGE_LARGEST_LOT": "5000"})
    client = create_app(json_logs=False, warm_up=False, settings=settings).test_client()
    more = {} if announced else {"headers": {"Transfer-Encoding": "chunked"}, "input_stream": io.BytesIO(LOT)}
    body = {"data": LOT} if announced else {"environ_base": {"wsgi.input_terminated": True}}
    response = client.post("/v1/lots", content_type="text/csv", **more, **body)
    assert response.status_code == 413
    assert "5000 bytes" in response.json["detail"]


def test_a_mapping_renames_the_headings_of_a_factory(client: Any) -> None:
    """Against the same lot under the contract's own names."""
    rows = "Nummer;Gewicht;Härte;Zulassung;Bemerkung\nA1;6,8;75,5;2024-03-01;gut\nA2;6,9;72,1;2024-03-01;\n"
    lot = rows.encode("cp1252")
    mapping = {
        "Nummer": "serial",
        "Gewicht": "weight [kg]",
        "Härte": "hardness",
        "Zulassung": "approved_on",
        "Bemerkung": None,
    }
    options = {"scope": "measured", "file": {"encoding": "cp1252", "mapping": mapping}}
    response = post(client, lot, options=json.dumps(options))
    assert response.json["file"]["decimal"] == ","
    assert [(ball["serial"], ball["rule"]) for ball in response.json["worst_balls"]] == [("A2", "hardness")]
    assert response.json["quantities"][0]["mean"] == pytest.approx(6.85 / 0.45359237)
