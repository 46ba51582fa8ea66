"""Small files that unpack to gigabytes: refused in words, by a process that could not hold them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from openpyxl import Workbook
from pyarrow import parquet

MEMORY = 600 << 20
"""Bytes of data that the process which reads the files may have; what each would need is over a GiB."""

READ = f"""
import json, resource, sys
resource.setrlimit(resource.RLIMIT_DATA, ({MEMORY}, resource.RLIM_INFINITY))
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.lot.reading.reading import LotFile
for path in sys.argv[1:]:
    try:
        with LotFile(path) as lot:
            print(json.dumps(sum(len(chunk.rows) for chunk in lot)))
    except InvalidInput as refused:
        print(json.dumps([fault.pointer for fault in refused.faults]))
"""

ROWS = 20_000


def table(serials: Any, **settings: Any) -> bytes:
    sink = io.BytesIO()
    weights = pa.array([15.0] * len(serials))
    parquet.write_table(
        pa.table({"serial": serials, "weight": weights}), sink, write_statistics=False, **settings
    )
    return sink.getvalue()


def one_of_a_dictionary(**settings: Any) -> bytes:
    """One text of 100 kB, which 20,000 rows name."""
    places, texts = pa.array([0] * ROWS, pa.int32()), pa.array(["x" * 100_000])
    return table(pa.DictionaryArray.from_arrays(places, texts), **settings)


def encoded(encoding: str, size: int = 40_000) -> bytes:
    texts = pa.array(["x" * size] * ROWS)
    return table(
        texts,
        use_dictionary=False,
        column_encoding={"serial": encoding, "weight": "PLAIN"},
        compression="zstd",
    )


def nested() -> bytes:
    texts = pa.array(["x" * 40_000] * ROWS)
    whole = pa.ListArray.from_arrays(pa.array(range(ROWS + 1), pa.int32()), texts)
    return table(whole, compression="zstd")


def shared_texts() -> bytes:
    """A workbook with one shared text of 100 kB, which 20,000 cells name."""
    book, sink = Workbook(), io.BytesIO()
    assert book.active is not None
    for row in (["serial", "weight"], ["marked", 15.0]):
        book.active.append(row)
    book.save(sink)
    made = io.BytesIO()
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    link = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"
    changes: Mapping[str, Callable[[bytes], bytes]] = {
        "xl/worksheets/sheet1.xml": lambda text: (
            text[: text.index(b'<row r="2"')]
            + b"".join(map(_row, range(2, ROWS + 2)))
            + b"</sheetData></worksheet>"
        ),
        "[Content_Types].xml": lambda text: text.replace(
            b"</Types>", f'<Override PartName="/xl/texts.xml" ContentType="{kind}"/></Types>'.encode()
        ),
        "xl/_rels/workbook.xml.rels": lambda text: text.replace(
            b"</Relationships>",
            f'<Relationship Id="rId99" Type="{link}" Target="/xl/texts.xml"/></Relationships>'.encode(),
        ),
    }
    with zipfile.ZipFile(sink) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if "sharedStrings" not in name:
                new.writestr(name, changes.get(name, bytes)(old.read(name)))
        space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        new.writestr("xl/texts.xml", f'<sst xmlns="{space}"><si><t>{"x" * 100_000}</t></si></sst>')
    return made.getvalue()


def _row(number: int) -> bytes:
    return b'<row r="%d"><c r="A%d" t="s"><v>0</v></c><c r="B%d"><v>15</v></c></row>' % ((number,) * 3)


BOMBS: Mapping[str, Callable[[], bytes]] = {
    "dictionary.parquet": one_of_a_dictionary,
    "plain_dictionary.parquet": lambda: one_of_a_dictionary(store_schema=False),
    "text_views.parquet": lambda: table(pa.array(["x" * 40_000] * ROWS, pa.string_view())),
    "beginnings.parquet": lambda: encoded("DELTA_BYTE_ARRAY"),
    "lengths.parquet": lambda: encoded("DELTA_LENGTH_BYTE_ARRAY"),
    "blanks.parquet": lambda: encoded("PLAIN"),
    "lists.parquet": nested,
    "shared.xlsx": shared_texts,
}


@pytest.mark.skipif(sys.platform != "linux", reason="limits of memory are those of Linux")
def test_what_unpacks_to_gigabytes_is_refused_in_bounded_memory(tmp_path: Path) -> None:
    for name, make in BOMBS.items():
        data = make()
        assert len(data) < 300_000, name
        (tmp_path / name).write_bytes(data)
    paths = [str(tmp_path / name) for name in BOMBS]
    done = subprocess.run(
        [sys.executable, "-c", READ, *paths], capture_output=True, text=True, timeout=120, check=True
    )
    told = dict(zip(BOMBS, map(json.loads, done.stdout.splitlines()), strict=True))
    assert told == {name: ["/file"] for name in BOMBS}


def test_long_texts_in_few_rows_are_read(tmp_path: Path) -> None:
    """A note of a page beside each ball is no attack: the columns that nobody reads are not unpacked."""
    from ballgauge_service.lot.reading.options import ReadingOptions
    from ballgauge_service.lot.reading.reading import LotFile

    notes = pa.DictionaryArray.from_arrays(pa.array([0] * ROWS, pa.int32()), pa.array(["x" * 100_000]))
    path = tmp_path / "lot.parquet"
    parquet.write_table(pa.table({"weight": [15.0] * ROWS, "remark of the press": notes}), path)
    with LotFile(str(path), ReadingOptions(unknown_columns="ignore")) as lot:
        assert sum(len(chunk.rows) for chunk in lot) == ROWS
