"""The address of lots: a file of balls in, as it comes; rows, the lot, its report or all of them out.

A refusal before the first answer has its own status. Where an answer has begun (rows as they are judged), a
file that turns out unreadable ends it with a line `problem` and without a line `lot`: what has no `lot`
stands for nothing. Answers that cannot say so (tables, archives) are made whole before they begin.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import ExitStack
from datetime import date
from types import MappingProxyType
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from flask import Blueprint, Response, current_app, request
from marshmallow import ValidationError
from werkzeug.wsgi import FileWrapper

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.lot.request import LOT_BODIES
from ballgauge_schemas.shared.limits import LOTS_MAXIMUM
from ballgauge_schemas.shared.words import REPORT_FORMATS, ROW_FORMATS
from ballgauge_service.web.access import access
from ballgauge_service.web.http import bodies, bulk, progress, serializer, uploads
from ballgauge_service.web.http.accepted import accepted, chosen
from ballgauge_service.web.http.language import style, translated
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import SETTINGS
from ballgauge_service.web.routes import records

if TYPE_CHECKING:
    from ballgauge_service.lot.evaluate import Lot
    from ballgauge_service.lot.request import LotRequest, ReportWanted

blueprint = Blueprint("lots", __name__)

STREAMED = (1 << 20) + (1 << 16)
"""Bytes read before rows that leave at once are judged: a little more than the longest row (ours)."""

FILES = "ballgauge.files"
"""Name in the WSGI environment, which no header can have: of a caller in this process its files in order, as
a path and a callable that is told the rows judged and those there are, or None for one in the body."""

_PIECE = 1 << 18
_KINDS = {"rows": ROW_FORMATS, "report": REPORT_FORMATS}
PARQUET = "application/vnd.apache.parquet"
_FORMATS = {
    "text/csv": "csv",
    "application/x-ndjson": "ndjson",
    PARQUET: "parquet",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": "xlsx",
}


class Asked(NamedTuple):
    """What is asked, the files it is asked of, as they come, and the body that holds them.

    `kinds`: the forms of what an archive holds, as far as the query chooses them
    """

    request: LotRequest
    files: Iterator[uploads.Upload]
    body: uploads.Body
    kinds: Mapping[str, str] = MappingProxyType({})


Answer = Callable[[Asked], Response]


@blueprint.post("/v1/lots")
def assess() -> Response:
    """Judge a lot, or several in time order."""
    with uploads.drained(request, current_app.extensions[SETTINGS].largest_lot) as body:
        answer = _ANSWERS[accepted(list(_ANSWERS), "a lot")]
        kinds = chosen(_KINDS)
        return answer(_asked(body)._replace(kinds=kinds))


@blueprint.post("/v1/records/lots")
def sign() -> Response:
    """Judge a lot and sign the decision."""
    with uploads.drained(request, current_app.extensions[SETTINGS].largest_lot) as body:
        day, asked = _issued_on(), _asked(body)
        from ballgauge_service.lot.answer import lot_record
        from ballgauge_service.record.evaluate import sign_content

        keyring = records.signing_keyring()
        found = _whole(asked)
        if "lots" in found:
            raise Refusal(422, "one lot is signed at a time; send one file")
        return serializer.respond(sign_content(lot_record(found, day), keyring))


def _issued_on() -> date:
    """The day that the record is dated."""
    try:
        stated = request.args.get("issued_on")
        return access.record_day(None if stated is None else date.fromisoformat(stated))
    except ValueError:
        raise ValidationError({"issued_on": "must be a day such as 2026-05-01"}) from None


def _asked(body: uploads.Body) -> Asked:
    # Deferred, so that a check of one ball never loads what only lots need.
    from ballgauge_service.lot.request import read_request

    options, files = _sent(body)
    return Asked(read_request(LOT_REQUEST.load(options)), files, body)


def _sent(body: uploads.Body) -> tuple[Any, Iterator[uploads.Upload]]:
    """The options as decoded JSON, and the files as they come."""
    bodies.require_plain(request)
    if request.mimetype == "multipart/form-data":
        form = uploads.Form(body, uploads.boundary(request))
        text = form.options()
        return (bodies.read_text(text) if text else {}), form.files()
    if request.mimetype not in LOT_BODIES:
        sent = f"not {request.mimetype[:100]!r}" if request.mimetype else "none was sent"
        raise Refusal(415, f"the content type must be multipart/form-data or a file's own; {sent}")
    name, text = request.args.get("name"), request.args.get("options", "").encode("utf-8", "surrogatepass")
    options = bodies.read_text(text) if text else {}
    known = _FORMATS.get(request.mimetype)
    if known is not None and isinstance(options, dict) and isinstance(options.setdefault("file", {}), dict):
        options["file"].setdefault("format", known)
    return options, iter([uploads.Upload(name, body)])


def _lots(asked: Asked, stack: ExitStack, *, rows: bool, streamed: bool = False) -> Iterator[Lot]:
    """Each file opened, to be read to its end before the next is taken. Raises InvalidInput, Refusal.

    rows : whether the balls are asked for; streamed : whether they leave before all of the file has come
    """
    from ballgauge_service.lot.evaluate import Lot
    from ballgauge_service.lot.request import request_of_lot

    workers, local = bulk.chosen(), request.environ.get(FILES, ())
    for number, (name, source) in enumerate(asked.files):
        if number == LOTS_MAXIMUM:
            raise Refusal(422, f"at most {LOTS_MAXIMUM} files are taken")
        path, told = (local[number] if number < len(local) else None) or (None, None)
        yield stack.enter_context(
            Lot(
                path or source, name, request_of_lot(asked.request, number),
                chunk_bytes=STREAMED if streamed else None, bulk=workers, rows_wanted=rows, streamed=streamed,
                told=told,
            )
        )  # fmt: skip


def _whole(asked: Asked) -> dict[str, Any]:
    """The answer on all files, each read to its end."""
    from ballgauge_service.lot.evaluate import evaluate_series

    with ExitStack() as stack:
        lots: list[Lot] = []
        for lot in _lots(asked, stack, rows=False):
            for _ in lot:
                pass
            lots.append(lot)
        return evaluate_series(lots) if len(lots) > 1 else lots[0].answer()


def _only(lots: Iterator[Lot]) -> Iterator[Lot]:
    """The one lot there may be where rows are asked for."""
    for number, lot in enumerate(lots):
        if number:
            raise Refusal(422, "rows are given for one file at a time; ask for JSON or HTML, or send one")
        yield lot


def _json(asked: Asked) -> Response:
    return Response(serializer.dump_in_order(_whole(asked)), content_type="application/json")


def _report(answer: dict[str, Any], wanted: ReportWanted, kind: str) -> bytes:
    """The report on an answer, as HTML or PDF, in the words of the pages."""
    from ballgauge_service.lot.report.page import print_report, write_report

    answer = translated(answer, wanted.language)
    written = style(wanted.language, wanted.units, wanted.paper)
    return print_report(answer, written) if kind == "pdf" else write_report(answer, written).encode()


def _page(kind: str, media: str) -> Answer:
    def answer(asked: Asked) -> Response:
        return Response(_report(_whole(asked), asked.request.report, kind), mimetype=media)

    return answer


def _row_lines(asked: Asked) -> Generator[bytes, None, None]:
    from ballgauge_service.lot.report.rows import ndjson_lines

    with ExitStack() as stack:
        answer: dict[str, Any] = {}
        for lot in _only(_lots(asked, stack, rows=True, streamed=True)):
            yield from map(bytes, map(ndjson_lines, lot))
            answer = lot.answer()
        yield serializer.dump_in_order({"lot": answer}) + b"\n"


def _write_rows(asked: Asked, kind: str, sink: IO[bytes]) -> dict[str, Any]:
    """Write every ball of the one file, and give the lot."""
    from ballgauge_service.lot.report.rows import ResultWriter

    answer: dict[str, Any] = {}
    with ExitStack() as stack:
        for lot in _only(_lots(asked, stack, rows=True)):
            writer = ResultWriter(sink, kind)  # type: ignore[arg-type]
            for verdicts in lot:
                writer.write(verdicts)
            writer.close()
            answer = lot.answer()
    return answer


def _table(kind: str, media: str) -> Answer:
    def answer(asked: Asked) -> Response:
        return _attached(media, f"balls.{kind}", lambda sink: _write_rows(asked, kind, sink))

    return answer


def _archive(asked: Asked) -> Response:
    kinds = {**{name: formats[0] for name, formats in _KINDS.items()}, **asked.kinds}

    def write(sink: IO[bytes]) -> None:
        with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            with archive.open(_member(f"balls.{kinds['rows']}"), "w", force_zip64=True) as rows:
                answer = _write_rows(asked, kinds["rows"], rows)
            report = _report(answer, asked.request.report, kinds["report"])
            archive.writestr(_member("lot.json"), serializer.dump_in_order(answer))
            archive.writestr(_member(f"report.{kinds['report']}"), report)

    return _attached("application/zip", "lot.zip", write)


def _member(name: str) -> zipfile.ZipInfo:
    """A member with the earliest date an archive knows: the same lot gives the same bytes."""
    found = zipfile.ZipInfo(name)
    found.compress_type = zipfile.ZIP_DEFLATED
    return found


def _attached(media: str, name: str, write: Callable[[IO[bytes]], object]) -> Response:
    """An answer that is written whole into a file before it begins."""
    with ExitStack() as stack:
        kept = stack.enter_context(tempfile.TemporaryFile(prefix="lot-"))
        write(kept)
        size = kept.tell()
        kept.seek(0)
        response = Response(FileWrapper(kept, _PIECE), content_type=media)
        response.headers["Content-Length"] = str(size)
        response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        response.call_on_close(stack.pop_all().close)
        return response


_ANSWERS: dict[str, Answer] = {
    "application/json": _json,
    progress.PROGRESS: lambda asked: progress.stream(_row_lines(asked), asked.body),
    "text/csv": _table("csv", "text/csv"),
    PARQUET: _table("parquet", PARQUET),
    "text/html": _page("html", "text/html"),
    "application/pdf": _page("pdf", "application/pdf"),
    "application/zip": _archive,
}
