"""One harness a parser: bytes in, and out come only the refusals that the parser documents.

A harness's `feed` returns for input that is taken and for input that is refused as documented. Whatever else
it raises is a finding: another exception, or an AssertionError where an answer breaks what must hold of it.
Nothing is imported before `make` is called, so that a program can watch the imports.
"""

from __future__ import annotations

import functools
import io
import json
import math
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

Feed = Callable[[bytes], None]

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"
DICTIONARIES = HERE / "dictionaries"

SHORT_CHUNK = 48
"""Bytes of a chunk of a lot, few enough that a file of two hundred has several."""


class Harness(NamedTuple):
    """A parser under test; `longest` input in bytes."""

    name: str
    make: Callable[[], Feed]
    longest: int

    def corpus(self) -> list[bytes]:
        """The committed inputs, in the order of their names."""
        return [path.read_bytes() for path in sorted((CORPUS / self.name).iterdir())]

    @property
    def dictionary(self) -> Path | None:
        """A file of tokens in libFuzzer's form, None where the parser has no words."""
        path = DICTIONARIES / f"{self.name}.dict"
        return path if path.exists() else None


def _must(holds: bool, otherwise: str) -> None:
    assert holds, otherwise


def _requests() -> Feed:
    """Request JSON, through every schema of a request; what is wrong with it becomes a problem."""
    from ballgauge_schemas import (
        LOT_REQUEST,
        PROBLEM,
        ValidationError,
        load_check_body,
        load_drilling_body,
        validation_problem,
    )
    from ballgauge_schemas.design.request import DESIGN_REQUEST
    from ballgauge_schemas.motion.request import MOTION_REQUEST
    from ballgauge_schemas.record.documents import RECORD_PRINT, RECORD_REQUEST, RECORD_VERIFICATION
    from ballgauge_service.web.http.bodies import parse_json
    from ballgauge_service.web.http.refusals import Refusal

    schemas = (LOT_REQUEST, DESIGN_REQUEST, MOTION_REQUEST, RECORD_REQUEST, RECORD_VERIFICATION, RECORD_PRINT)
    loads = (load_check_body, load_drilling_body, *(schema.load for schema in schemas))

    def feed(data: bytes) -> None:
        try:
            document = parse_json(data)
        except Refusal as refusal:
            _must(refusal.status == 400, "another status than that of bad JSON")
            json.dumps([refusal.detail, list(refusal.errors)]).encode()
            return
        for load in loads:
            try:
                load(document)
            except ValidationError as error:
                told = validation_problem(error.messages, "0").to_dict()
                assert told["status"] == 422
                PROBLEM.load(json.loads(json.dumps(told, allow_nan=False)))

    return feed


def _quantity() -> Feed:
    """Texts of quantities of every kind, and the same text as the unit of an object."""
    import re

    from ballgauge_schemas import KINDS, Quantity, QuantityField, ValidationError
    from ballgauge_schemas.shared.quantity import TEXT_PATTERN

    pattern = re.compile(TEXT_PATTERN)
    fields = [QuantityField(kind, -1e6, 1e6, 1.0, "A value.") for kind in KINDS]

    def read(field: QuantityField, given: Any) -> Quantity | None:
        try:
            found = field.read(given)
        except ValidationError as error:
            json.dumps(error.messages).encode()
            return None
        assert math.isfinite(found.value)
        return found

    def feed(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        for field in fields:
            if read(field, text) is not None:
                assert pattern.search(text), "a text loads that the documented pattern does not take in"
            plain, written = read(field, {"value": 2.5, "unit": text}), read(field, f"2.5 {text}")
            if plain is not None and written is not None:
                assert plain == written, "an object and a text of one unit differ"

    return feed


def _lot(kind: str) -> Feed:
    """A lot's file: read whole and in short chunks, with one result."""
    from ballgauge_service.core.refusal import InvalidInput
    from ballgauge_service.lot.answer import plain
    from ballgauge_service.lot.reading.columns import Balls, Notes, read_balls
    from ballgauge_service.lot.reading.options import ReadingOptions
    from ballgauge_service.lot.reading.reading import LotFile
    from ballgauge_service.lot.reading.text import Text

    def rows_of(balls: Balls) -> Iterator[tuple[Any, ...]]:
        serials = [None] * len(balls) if balls.serial is None else balls.serial.to_pylist()
        columns = [
            {name: values for name, values in (*balls.values.items(), *more) if values is not None}
            for more in ((("house", balls.house_ball), ("cover", balls.cover)), ())
        ]
        for place, row in enumerate(balls.rows.tolist()):
            shown = {
                name: float(values[place]).hex()
                for name, values in columns[0].items()
                if not math.isnan(values[place])
            }
            spread = {
                name: float(values[place]).hex()
                for name, values in balls.uncertainty.items()
                if not math.isnan(values[place])
            }
            day = None if balls.approved_on is None else str(balls.approved_on[place])
            yield row, serials[place], None if day == "NaT" else day, shown, spread

    def again(lot: LotFile, data: bytes) -> None:
        # The bytes in which headings were looked for are one chunk: read anew, a short file has several.
        if kind == "csv":
            lot._text = Text(io.BytesIO(data), lot._text.encoding)
        elif kind == "ndjson":
            lot._json.text = Text(io.BytesIO(data), lot._text.encoding)

    def read(data: bytes, chunk: int) -> Any:
        notes = Notes()
        rows: list[Any] = []
        try:
            with LotFile(io.BytesIO(data), ReadingOptions(format=kind, chunk_bytes=chunk)) as lot:  # type: ignore[arg-type]
                again(lot, data)
                for part in lot:
                    rows += rows_of(read_balls(part, lot.rules, notes))
                json.dumps(plain(lot.found), allow_nan=False).encode()
        except InvalidInput as refused:
            json.dumps(plain(refused.faults), allow_nan=False).encode()
            return None
        listed = plain(notes.listed)
        json.dumps(listed, allow_nan=False).encode()
        return rows, notes.left_out, notes.cells, notes.blank, listed

    def feed(data: bytes) -> None:
        assert read(data, 1 << 22) == read(data, SHORT_CHUNK), "chunks change what is read"

    return feed


def _packed(name: str, member: str, make: Callable[[], Feed]) -> Feed:
    """The input as one member of an archive that is sound otherwise, so that no checksum stops it."""
    feed_archive = make()
    with zipfile.ZipFile(io.BytesIO(next(iter((CORPUS / name).iterdir())).read_bytes())) as sound:
        others = {each: sound.read(each) for each in sound.namelist() if each != member}
        assert len(others) < len(sound.namelist())

    def feed(data: bytes) -> None:
        sink = io.BytesIO()
        with zipfile.ZipFile(sink, "w") as archive:
            for each, content in (*others.items(), (member, data)):
                archive.writestr(zipfile.ZipInfo(each), content)
        feed_archive(sink.getvalue())

    return feed


def _mesh(kind: str) -> Feed:
    """A mesh; what is taken is closed, and encloses something."""
    from ballgauge_service.core.refusal import InvalidInput
    from ballgauge_service.design.solids.meshes import read_mesh
    from ballgauge_service.design.solids.polyhedra import mesh_moments

    def feed(data: bytes) -> None:
        try:
            mesh = read_mesh(data, kind)
        except InvalidInput as refused:
            json.dumps([(each.pointer, each.words) for each in refused.faults]).encode()
            return
        assert mesh_moments(mesh.vertices, mesh.faces)[0] > 0.0

    return feed


def _pattern() -> Feed:
    """An oil pattern, through the contract."""
    import numpy as np

    from ballgauge_schemas import ValidationError
    from ballgauge_schemas.motion.request import LaneSchema
    from ballgauge_service.core.refusal import InvalidInput
    from ballgauge_service.motion.request import read_lane
    from ballgauge_service.web.http.bodies import parse_json
    from ballgauge_service.web.http.refusals import Refusal

    contract = LaneSchema()

    def feed(data: bytes) -> None:
        try:
            lane = read_lane(contract.load({"pattern": parse_json(data)}))
        except (Refusal, ValidationError, InvalidInput):
            return
        assert np.isfinite(lane.cells).all()
        assert (lane.cells >= 0.0).all()

    return feed


@functools.cache
def _signed() -> tuple[Any, str]:
    """The keyring of the published example key, and the record of the corpus that it has signed."""
    from ballgauge_service.record.keys import DEMO_KEY, Keyring

    ring = Keyring([DEMO_KEY])
    text = (CORPUS / "record" / "genuine.txt").read_text("utf-8")
    assert ring.is_genuine(text)
    return ring, text


def _record() -> Feed:
    """The text of a record: none is genuine but the one that was signed, to the last letter."""
    from ballgauge_service.record.evaluate import verify

    ring, genuine = _signed()

    def feed(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        try:
            found = verify(text, None, ring)
        except ValueError as error:
            str(error).encode()
            return
        json.dumps(found, allow_nan=False).encode()
        assert found["state"] != "genuine" or text == genuine

    return feed


def _label() -> Feed:
    """The text of a label, and bytes that are written as one."""
    from ballgauge_service.record.evaluate import verify
    from ballgauge_service.record.labels import PREFIX, base45, read_label

    ring, genuine = _signed()

    def read(text: str) -> None:
        try:
            record = read_label(text)
            found = verify(text, None, ring)
        except ValueError as error:
            str(error).encode()
            return
        assert found["state"] != "genuine" or record == genuine

    def feed(data: bytes) -> None:
        read(data.decode("utf-8", "replace"))
        read(PREFIX + base45(data))

    return feed


def _document() -> Feed:
    """A picture or PDF in which a record is looked for."""
    from ballgauge_service.record.pictures import NothingFound, found_in

    def feed(data: bytes) -> None:
        try:
            json.dumps(found_in(data).decode()).encode()
        except NothingFound as nothing:
            str(nothing).encode()

    return feed


class _Pieces:
    """Bytes that come a few at a time, as those of a body may."""

    def __init__(self, data: bytes, size: int) -> None:
        self._stream = io.BytesIO(data)
        self._size = size

    def read(self, size: int = -1, /) -> bytes:
        return self._stream.read(self._size)


def _form() -> Feed:
    """A form of parts with the boundary `b`, the same in whatever pieces it comes."""
    from ballgauge_schemas import ValidationError
    from ballgauge_service.web.http.refusals import Refusal
    from ballgauge_service.web.http.uploads import Form

    def read(data: bytes, size: int) -> Any:
        try:
            form = Form(_Pieces(data, size), b"b")  # type: ignore[arg-type]
            found: list[Any] = [form.options()]
            for name, source in form.files():
                pieces = []
                while piece := source.read(100):
                    pieces.append(piece)
                found.append((name, b"".join(pieces)))
        except Refusal as refusal:
            _must(400 <= refusal.status < 500, "a refusal that blames the service")
            return refusal.status
        except ValidationError as lacking:
            return lacking.messages
        return found

    def feed(data: bytes) -> None:
        assert read(data, 1 << 16) == read(data, 3), "pieces change what is read"

    return feed


_XLSX = functools.partial(_lot, "xlsx")
_3MF = functools.partial(_mesh, "3mf")

HARNESSES = {
    harness.name: harness
    for harness in (
        Harness("requests", _requests, 8_000),
        Harness("quantity", _quantity, 100),
        Harness("csv", functools.partial(_lot, "csv"), 4_000),
        Harness("ndjson", functools.partial(_lot, "ndjson"), 4_000),
        Harness("parquet", functools.partial(_lot, "parquet"), 8_000),
        Harness("xlsx", _XLSX, 16_000),
        Harness("sheet", functools.partial(_packed, "xlsx", "xl/worksheets/sheet1.xml", _XLSX), 8_000),
        Harness("stl", functools.partial(_mesh, "stl"), 8_000),
        Harness("3mf", _3MF, 8_000),
        Harness("model", functools.partial(_packed, "3mf", "3D/3dmodel.model", _3MF), 8_000),
        Harness("obj", functools.partial(_mesh, "obj"), 8_000),
        Harness("ply", functools.partial(_mesh, "ply"), 8_000),
        Harness("pattern", _pattern, 4_000),
        Harness("record", _record, 8_000),
        Harness("label", _label, 4_000),
        Harness("document", _document, 16_000),
        Harness("form", _form, 4_000),
    )
}
