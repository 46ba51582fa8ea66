"""Hostile and broken files: a clear refusal, bounded memory, nothing half-accepted."""

from __future__ import annotations

import io
import re
import struct
import tracemalloc
import zipfile
from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from ballgauge_schemas.shared.limits import COLUMNS_MAXIMUM
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.reading import headings
from ballgauge_service.lot.reading.columns import NOTES_MAXIMUM
from ballgauge_service.lot.reading.reading import LotFile
from ballgauge_service.lot.reading.xlsx import CELLS_MAXIMUM, UNPACKED_MAXIMUM

Make = Callable[..., Any]


class Endless:
    """A stream that gives a start, and then one letter for as long as it is read."""

    def __init__(self, start: bytes, length: int) -> None:
        self.start = start
        self.left = length
        self.given = 0

    def read(self, size: int, /) -> bytes:
        if self.start:
            piece, self.start = self.start[:size], self.start[size:]
            return piece
        size = min(size, self.left)
        self.left -= size
        self.given += size
        return b"7" * size


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_of_more_headings_than_are_read_no_more_are_looked_at(
    monkeypatch: pytest.MonkeyPatch, separator: str
) -> None:
    """Which names are near an unknown heading takes a while, and 30,000 of them fit before the first ball."""
    asked, resolve = [], headings.resolve_heading
    monkeypatch.setattr(headings, "resolve_heading", lambda *given: asked.append(given) or resolve(*given))
    names = separator.join(f"c{number}" for number in range(30_000))
    with pytest.raises(InvalidInput) as refused, LotFile(io.BytesIO(f"{names}\n1\n".encode())):
        pass
    assert "30000 columns" in str(refused.value)
    assert len(asked) < 20 * COLUMNS_MAXIMUM


@pytest.mark.parametrize(
    "start", [b"", b"serial,weight\n", b'serial,weight\n"a', b'{"weight": 15}\n{"serial": "', b"\xff\xfea\0"]
)
def test_a_line_of_200_mb_is_refused_without_being_held(start: bytes, sentence: Any) -> None:
    stream = Endless(start, 200_000_000)
    tracemalloc.start()
    try:
        with (
            pytest.raises(InvalidInput, check=sentence(f"lot: too long a line after {start!r}")),
            LotFile(stream) as lot,
        ):
            for _ in lot:
                pass
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert stream.given < 20_000_000
    assert peak < 60_000_000


def repacked(data: bytes, change: Callable[[str, bytes], bytes]) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, change(name, old.read(name)))
    return sink.getvalue()


def in_sheet(old: bytes, new: bytes) -> Callable[[str, bytes], bytes]:
    def change(name: str, data: bytes) -> bytes:
        return re.sub(old, new, data, count=1) if name.endswith("sheet1.xml") else data

    return change


@pytest.fixture
def sound(workbook: Make) -> bytes:
    data: bytes = workbook([["serial", "weight"], ["a", 15.0], ["b", 14.0]])
    return data


def bomb(sound: bytes) -> bytes:
    filling = b" " * (UNPACKED_MAXIMUM + 1)
    return repacked(sound, lambda name, data: data + filling if name.endswith("styles.xml") else data)


def test_a_zip_bomb_is_refused_by_its_directory(sound: bytes, refused: Make, sentence: Any) -> None:
    data = bomb(sound)
    assert len(data) < 1_000_000
    assert refused(data)[0]["detail"] == sentence("lot: workbook that swells")


def test_a_zip_bomb_that_hides_its_size_is_refused_while_unpacking(
    sound: bytes, refused: Make, sentence: Any
) -> None:
    data = bytearray(bomb(sound))
    size = struct.pack("<I", UNPACKED_MAXIMUM // 2)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        large = max(archive.infolist(), key=lambda member: member.file_size).file_size
    for place in [match.start() for match in re.finditer(re.escape(struct.pack("<I", large)), data)]:
        data[place : place + 4] = size
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert sum(member.file_size for member in archive.infolist()) < UNPACKED_MAXIMUM
    assert refused(bytes(data))[0]["detail"] == sentence("lot: unpacks to more than")


def test_far_cells_do_not_make_a_sheet_of_billions(sound: bytes, refused: Make, sentence: Any) -> None:
    far = repacked(sound, in_sheet(rb'<row r="3"(.*?)A3(.*?)B3', rb'<row r="1048576"\1A1048576\2GA1048576'))
    assert f"more than {CELLS_MAXIMUM} cells" in refused(far)[0]["detail"]
    wide = repacked(sound, in_sheet(rb'r="B3"', rb'r="XFD3"'))
    assert refused(wide)[0]["detail"] == sentence("lot: a cell in the last column")


def test_cells_without_a_reference_are_refused(sound: bytes, refused: Make, sentence: Any) -> None:
    assert refused(repacked(sound, in_sheet(rb'<c r="B3"', rb"<c")))[0]["detail"] == sentence(
        "lot: without a reference"
    )


@pytest.mark.parametrize(
    "cell",
    ['r="jjjjjjjjjB3"', 'r="b3"', 'r="AAAA3"', "r='B3'", 'x:r="B3" r="ZZZZ3"', 'r="B0"', 'r="B3" r="ZZZZ3"'],
)
def test_cells_that_the_reader_may_place_elsewhere_are_refused(
    sound: bytes, refused: Make, cell: str, sentence: Any
) -> None:
    """The first, within a kilobyte, asked the reader of the cells for a terabyte, which ends the process."""
    data = repacked(sound, in_sheet(rb'<c r="B3"', b"<c " + cell.encode()))
    assert refused(data)[0]["detail"] == sentence("lot: without a reference")


def test_a_cell_in_a_far_row_counts_by_its_own_reference(sound: bytes, refused: Make, sentence: Any) -> None:
    far = repacked(sound, in_sheet(rb'<c r="B3"', rb'<c r="ZZ999999"'))
    assert refused(far)[0]["detail"] == sentence("lot: a cell in a far row and column")
    far = repacked(sound, in_sheet(rb'<c r="B3"', rb'<c r="Z999999"'))
    assert f"more than {CELLS_MAXIMUM} cells" in refused(far)[0]["detail"]


def test_a_sheet_is_looked_through_wherever_it_is_kept(sound: bytes, refused: Make) -> None:
    """The name of a part is the workbook's own choice."""
    sink = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(sound)) as old, zipfile.ZipFile(sink, "w") as new:
        for name in old.namelist():
            data = old.read(name).replace(b"worksheets/sheet1.xml", b"media/picture.png")
            data = data.replace(b'<c r="B3"', b'<c r="Z999999"')
            new.writestr(name.replace("worksheets/sheet1.xml", "media/picture.png"), data)
    assert f"more than {CELLS_MAXIMUM} cells" in refused(sink.getvalue())[0]["detail"]


def test_workbooks_of_other_kinds_are_refused(refused: Make, sentence: Any) -> None:
    """An ODS repeats a cell a billion times in a few letters."""
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<x/>")
    assert refused(sink.getvalue())[0]["detail"] == sentence("lot: another kind")


def test_a_formula_with_its_value_is_used_and_counted(sound: bytes, judge: Make) -> None:
    judged = judge(repacked(sound, in_sheet(rb'(<c r="B3"[^>]*>)', rb"\1<f>B2-1</f>")))
    assert judged.rows == [2, 3]
    assert judged.report["file"]["formulas"] == 1


@pytest.mark.parametrize("share", [0.05, 0.5, 0.9, 0.99])
def test_workbooks_and_parquet_files_cut_short_are_refused(sound: bytes, refused: Make, share: float) -> None:
    sink = io.BytesIO()
    parquet.write_table(pa.table({"weight": np.linspace(14, 16, 5000)}), sink)
    for data in (sound, sink.getvalue()):
        assert "cannot be" in refused(data[: int(len(data) * share)])[0]["detail"]


def test_a_parquet_file_with_a_spoilt_page_is_refused(refused: Make) -> None:
    sink = io.BytesIO()
    numbers = np.random.default_rng(1).uniform(14, 16, 50_000)
    parquet.write_table(pa.table({"weight": numbers}), sink, compression="gzip")
    data = bytearray(sink.getvalue())
    data[200:400] = b"\xff" * 200
    assert "cannot be read" in refused(bytes(data))[0]["detail"]


def test_old_workbooks_and_false_names_are_refused(refused: Make, sentence: Any) -> None:
    assert refused(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500))[0]["detail"] == sentence(
        "lot: old binary workbook"
    )
    with pytest.raises(InvalidInput) as caught:
        LotFile(io.BytesIO(b"weight\n15\n"), name="lot.xlsx")
    assert str(caught.value) == sentence("lot: no workbook")
    with pytest.raises(InvalidInput, match="cannot be opened"):
        LotFile("/nonexistent/lot.csv")


def test_mixed_encodings_and_nul_characters_are_told_by_row(judge: Make) -> None:
    data = b"serial,weight\n\xc3\xa4,15\n\xe4,15\nc\0,15\nd\re,15\nf,15\n"
    judged = judge(data)
    assert judged.rows == [2, 6]
    assert [row for row, _, _ in judged.notes] == [3, 4, 5]


def test_quotation_marks_that_leave_rows_unclear_are_refused(
    refused: Make, judge: Make, sentence: Any
) -> None:
    assert refused(b'serial,weight\na"b,15\nc"d,15\ne,15\n')[0]["detail"] == sentence("lot: quotation marks")
    assert judge(b'serial,weight\n"a",15\n').rows == [2]


@pytest.mark.parametrize("chunk", [1, 40, 1 << 20])
def test_marks_whose_errors_cancel_are_refused_in_chunks_of_any_size(
    refused: Make, chunk: int, sentence: Any
) -> None:
    """The split into records and the reader of the cells see three rows each, at other places."""
    for rows in (b'c",15\n"\n",15\n"\n",15\n', b'd""",15,"74\n"b\nc",14,,\n\n"e",15,75\n'):
        details = refused(b"serial,weight,hardness\n" + rows, chunk_bytes=chunk)
        assert details[0]["detail"] == sentence(f"lot: quotation marks about {rows!r}")
        assert details[0]["row"] == 2


def test_a_mark_for_inches_is_no_quotation(judge: Make, refused: Make, sentence: Any) -> None:
    data = b'serial,weight,diameter\n"a,""b",15,8.5\nc,15,8.5"\n'
    assert [judge(data, chunk_bytes=size).rows for size in (1, 30, 1 << 20)] == [[2, 3]] * 3
    assert refused(data + b'd,15,8.5"\n')[0]["detail"] == sentence("lot: quotation mark for inches")


def test_the_list_of_bad_rows_is_short_and_the_count_whole(judge: Make) -> None:
    data = b"serial,weight\nok,15\n" + b"x,y\n" * 5000
    report = judge(data, chunk_bytes=1000).report
    assert report["left_out"] == 5000
    assert len(report["notes"]) == NOTES_MAXIMUM
    assert report["notes"][-1]["row"] == NOTES_MAXIMUM + 2


def test_deep_and_odd_json_is_told_by_row(judge: Make) -> None:
    lines = [
        b'{"weight": 15}',
        b"[" * 100_000,
        b'{"weight": ' + b"9" * 5000 + b"}",
        b'{"weight": 1e999}',
        b'{"weight": {"value": {"value": 1}}}',
        b'{"weight": 15} {"weight": 15}',
        b'{"weight": 15',
    ]
    judged = judge(b"\n".join(lines))
    assert judged.rows == [1]
    assert [row for row, _, _ in judged.notes] == [2, 3, 4, 5, 6, 7]


def test_a_stream_that_breaks_off_gives_its_error_and_no_report() -> None:
    class Broken(Endless):
        def read(self, size: int, /) -> bytes:
            if not self.start:
                raise ConnectionResetError("the client left")
            return super().read(size)

    with pytest.raises(ConnectionResetError), LotFile(Broken(b"serial,weight\na,15\n" * 3, 0)) as lot:
        list(lot)


def test_a_spooled_file_leaves_nothing_behind(sound: bytes, tmp_path: Any, monkeypatch: Any) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with LotFile(io.BytesIO(sound)) as lot:
        assert list(tmp_path.iterdir())
        assert lot.format == "xlsx"
    with pytest.raises(InvalidInput):
        LotFile(io.BytesIO(sound[:200]))
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", ["csv", "ndjson", "xlsx", "parquet"])
@given(places=st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 255)), min_size=1, max_size=12))
@settings(deadline=None, max_examples=150)
def test_spoilt_bytes_give_a_result_or_a_refusal_and_nothing_else(
    judge: Make, written: Make, kind: str, places: list[tuple[int, int]]
) -> None:
    rows = [{"serial": f"ä{k}", "weight": 14.0 + k / 10, "approved_on": "2020-01-02"} for k in range(20)]
    data = bytearray(written(rows, kind))
    for place, byte in places:
        data[place % len(data)] = byte
    try:
        judged = judge(bytes(data), format=kind)
    except InvalidInput:
        return
    assert len(judged.balls) + judged.report["left_out"] <= len(data)
    assert judged.report["balls"] == len(judged.balls) == sum(judged.report["outcomes"])
