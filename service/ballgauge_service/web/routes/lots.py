"""The address of lots: a file of balls in, as it comes; rows, the lot, its report or all of them out.

A refusal before the first answer has its own status. Where an answer has begun (rows as they are judged), a
file that turns out unreadable ends it with a line `problem` and without a line `lot`: what has no `lot`
stands for nothing. Answers that cannot say so (tables, archives) are made whole before they begin.
"""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Callable, Generator, Iterator
from contextlib import ExitStack
from datetime import date
from typing import IO, TYPE_CHECKING, Any

from flask import Blueprint, Response, current_app, g, request

from ballgauge_schemas import LOT_REQUEST
from ballgauge_schemas.lot.request import LOT_BODIES
from ballgauge_schemas.shared.limits import LOTS_MAXIMUM
from ballgauge_schemas.shared.words import REPORT_FORMATS, ROW_FORMATS
from ballgauge_service.web.access import access
from ballgauge_service.web.http import bodies, bulk, refusals, serializer, uploads
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import SETTINGS
from ballgauge_service.web.routes import records

if TYPE_CHECKING:
    from ballgauge_service.lot.evaluate import Lot
    from ballgauge_service.lot.judging.verdicts import Verdicts
    from ballgauge_service.lot.request import LotRequest

    Answer = Callable[[LotRequest, "Files", uploads.Body], Response]

Files = Iterator[uploads.Upload]

blueprint = Blueprint("lots", __name__)

STREAMED = (1 << 20) + (1 << 16)
"""Bytes read before rows that leave at once are judged: a little more than the longest row (ours)."""

FILES = "ballgauge.files"
"""Name in the WSGI environment, which no header can have: of a caller in this process its files in order, as
a path and a callable that is told the rows judged and those there are, or None for one in the body."""

_PIECE = 1 << 18
_FORMATS = {
    "text/csv": "csv",
    "application/x-ndjson": "ndjson",
    "application/vnd.apache.parquet": "parquet",
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": "xlsx",
}


@blueprint.post("/v1/lots")
def assess() -> Response:
    """Judge a lot, or several in time order."""
    body = uploads.Body(request, current_app.extensions[SETTINGS].largest_lot)
    try:
        answer = _chosen_answer()
        options, files = _asked(body)
        # Deferred, so that a check of one ball never loads what only lots need.
        from ballgauge_service.lot.request import read_request

        return _ANSWERS[answer](read_request(LOT_REQUEST.load(options)), files, body)
    except Exception:
        body.drain()
        raise


@blueprint.post("/v1/records/lots")
def sign() -> Response:
    """Judge a lot and sign the decision."""
    body = uploads.Body(request, current_app.extensions[SETTINGS].largest_lot)
    try:
        day, options, files = _issued_on(), *_asked(body)
        from ballgauge_service.lot.answer import lot_record
        from ballgauge_service.lot.request import read_request
        from ballgauge_service.record.evaluate import sign_content

        keyring = records.signing_keyring()
        found = _whole(read_request(LOT_REQUEST.load(options)), files)
        if "lots" in found:
            raise Refusal(422, "one lot is signed at a time; send one file")
        return serializer.respond(sign_content(lot_record(found, day), keyring))
    except Exception:
        body.drain()
        raise


def _issued_on() -> date:
    """The day that the record is dated."""
    try:
        stated = request.args.get("issued_on")
        return access.record_day(None if stated is None else date.fromisoformat(stated))
    except ValueError:
        error = {"pointer": "/issued_on", "detail": "must be a day such as 2026-05-01"}
        raise Refusal(422, "the query cannot be met; see errors", [error]) from None


def _chosen_answer() -> str:
    best = request.accept_mimetypes.best_match(list(_ANSWERS))
    if not request.accept_mimetypes:
        return "application/json"
    if best is None:
        raise Refusal(406, f"a lot is answered as {', '.join(_ANSWERS)}")
    return (
        "application/json"
        if request.accept_mimetypes[best] == request.accept_mimetypes["application/json"]
        else best
    )


def _asked(body: uploads.Body) -> tuple[Any, Iterator[uploads.Upload]]:
    """The options as decoded JSON, and the files as they come."""
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise Refusal(415, "the body must be sent as it is, without a content coding")
    if request.mimetype == "multipart/form-data":
        form = uploads.Form(body, uploads.boundary(request))
        text = form.options()
        return (bodies.read_options(text) if text else {}), form.files()
    if request.mimetype not in LOT_BODIES:
        sent = f"not {request.mimetype[:100]!r}" if request.mimetype else "none was sent"
        raise Refusal(415, f"the content type must be multipart/form-data or a file's own; {sent}")
    name, text = request.args.get("name"), request.args.get("options", "").encode("utf-8", "surrogatepass")
    options = bodies.read_options(text) if text else {}
    known = _FORMATS.get(request.mimetype)
    if known is not None and isinstance(options, dict) and isinstance(options.setdefault("file", {}), dict):
        options["file"].setdefault("format", known)
    return options, iter([uploads.Upload(name, body)])


def _lots(
    lot_request: LotRequest, files: Files, stack: ExitStack, *, rows: bool, streamed: bool = False
) -> Iterator[Lot]:
    """Each file opened, to be read to its end before the next is taken. Raises InvalidInput, Refusal.

    rows : whether the balls are asked for; streamed : whether they leave before all of the file has come
    """
    from ballgauge_service.lot.evaluate import Lot
    from ballgauge_service.lot.request import request_of_lot

    workers, local = bulk.chosen(), request.environ.get(FILES, ())
    for number, (name, source) in enumerate(files):
        if number == LOTS_MAXIMUM:
            raise Refusal(422, f"at most {LOTS_MAXIMUM} files are taken")
        path, told = (local[number] if number < len(local) else None) or (None, None)
        yield stack.enter_context(
            Lot(
                path or source, name, request_of_lot(lot_request, number),
                chunk_bytes=STREAMED if streamed else None, bulk=workers, rows_wanted=rows, streamed=streamed,
                told=told,
            )
        )  # fmt: skip


def _whole(lot_request: LotRequest, files: Files) -> dict[str, Any]:
    """The answer on all files, each read to its end."""
    from ballgauge_service.lot.evaluate import evaluate_series

    with ExitStack() as stack:
        lots: list[Lot] = []
        for lot in _lots(lot_request, files, stack, rows=False):
            _read(lot)
            lots.append(lot)
        return evaluate_series(lots) if len(lots) > 1 else lots[0].answer()


def _read(lot: Lot, take: Callable[[Verdicts], object] = lambda verdicts: None) -> None:
    for verdicts in lot:
        take(verdicts)


def _only(lots: Iterator[Lot]) -> Iterator[Lot]:
    """The one lot there may be where rows are asked for."""
    for number, lot in enumerate(lots):
        if number:
            raise Refusal(422, "rows are given for one file at a time; ask for JSON or HTML, or send one")
        yield lot


def _json(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
    return Response(serializer.dump_in_order(_whole(lot_request, files)), content_type="application/json")


def _report(answer: dict[str, Any], lot_request: LotRequest, kind: str) -> bytes:
    """The report on an answer, as HTML or PDF, in the words of the pages."""
    from ballgauge_service.core.report.style import Style
    from ballgauge_service.lot.report.page import print_report, write_report
    from ballgauge_service.pages import labels, languages, sentences
    from ballgauge_service.web.http.language import translated

    wanted = lot_request.report
    text = languages.gettext(wanted.language)
    translate = sentences.translator(wanted.language)
    if translate is not None:
        answer = translated(answer, translate)
    style = Style(
        wanted.language, wanted.units == "metric", wanted.paper, text, lambda name: text(labels.LABELS[name])
    )
    return print_report(answer, style) if kind == "pdf" else write_report(answer, style).encode()


def _html(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
    page = _report(_whole(lot_request, files), lot_request, "html")
    return Response(page, content_type="text/html; charset=utf-8")


def _pdf(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
    return Response(_report(_whole(lot_request, files), lot_request, "pdf"), content_type="application/pdf")


def _ndjson(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
    """Rows as they are judged. What fails before the first of them fails with a status of its own."""
    lines = _row_lines(lot_request, files)
    first = next(lines)
    request_id = g.get("request_id")

    def rest() -> Iterator[bytes]:
        try:
            yield first
            yield from lines
        except Exception as error:  # noqa: BLE001 - the answer has begun: its last line is where to say so
            refusal = refusals.refusal_of(error, request_id)
            yield serializer.dump({"problem": refusals.problem(refusal, request_id)}) + b"\n"
            body.drain()
        finally:
            lines.close()

    return Response(rest(), content_type="application/x-ndjson")


def _row_lines(lot_request: LotRequest, files: Files) -> Generator[bytes, None, None]:
    from ballgauge_service.lot.report.rows import ndjson_lines

    with ExitStack() as stack:
        answer: dict[str, Any] = {}
        for lot in _only(_lots(lot_request, files, stack, rows=True, streamed=True)):
            yield from map(bytes, map(ndjson_lines, lot))
            answer = lot.answer()
        yield serializer.dump_in_order({"lot": answer}) + b"\n"


def _table(kind: str) -> Answer:
    def answer(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
        with ExitStack() as stack:
            kept = stack.enter_context(tempfile.TemporaryFile(prefix="lot-"))
            _write_rows(lot_request, files, kind, kept, stack)
            media = next(name for name, short in _FORMATS.items() if short == kind)
            return _from_file(kept, media, f"balls.{kind}", stack.pop_all())

    return answer


def _write_rows(
    lot_request: LotRequest, files: Files, kind: str, sink: IO[bytes], stack: ExitStack
) -> dict[str, Any]:
    """Write every ball of the one file, and give the lot."""
    from ballgauge_service.lot.report.rows import ResultWriter

    answer: dict[str, Any] = {}
    for lot in _only(_lots(lot_request, files, stack, rows=True)):
        writer = ResultWriter(sink, kind)  # type: ignore[arg-type]
        _read(lot, writer.write)
        writer.close()
        answer = lot.answer()
    return answer


def _archive(lot_request: LotRequest, files: Files, body: uploads.Body) -> Response:
    kind = request.args.get("rows", ROW_FORMATS[0])
    report = request.args.get("report", REPORT_FORMATS[0])
    errors = [
        {"pointer": f"/{name}", "detail": f"must be one of {', '.join(known)}"}
        for name, given, known in (("rows", kind, ROW_FORMATS), ("report", report, REPORT_FORMATS))
        if given not in known
    ]
    if errors:
        raise Refusal(422, "the query cannot be met; see errors", errors)
    with ExitStack() as stack:
        kept = stack.enter_context(tempfile.TemporaryFile(prefix="lot-"))
        with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
            with archive.open(_member(f"balls.{kind}"), "w", force_zip64=True) as sink:
                result = _write_rows(lot_request, files, kind, sink, stack)
            archive.writestr(_member("lot.json"), serializer.dump_in_order(result))
            archive.writestr(_member(f"report.{report}"), _report(result, lot_request, report))
        return _from_file(kept, "application/zip", "lot.zip", stack.pop_all())


def _member(name: str) -> zipfile.ZipInfo:
    """A member with the earliest date an archive knows: the same lot gives the same bytes."""
    found = zipfile.ZipInfo(name)
    found.compress_type = zipfile.ZIP_DEFLATED
    return found


def _from_file(kept: IO[bytes], media: str, name: str, stack: ExitStack) -> Response:
    size = kept.tell()
    kept.seek(0)

    def pieces() -> Iterator[bytes]:
        with stack:
            while piece := kept.read(_PIECE):
                yield piece

    response = Response(pieces(), content_type=media)
    response.headers["Content-Length"] = str(size)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    response.call_on_close(stack.close)
    return response


_ANSWERS: dict[str, Answer] = {
    "application/json": _json,
    "application/x-ndjson": _ndjson,
    "text/csv": _table("csv"),
    "application/vnd.apache.parquet": _table("parquet"),
    "text/html": _html,
    "application/pdf": _pdf,
    "application/zip": _archive,
}
