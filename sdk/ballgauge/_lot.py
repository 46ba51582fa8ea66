"""Lots: files of balls to the service, and what it says of them."""

from __future__ import annotations

import contextlib
import io
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeAlias

from ballgauge import _drawn as drawn
from ballgauge import _encoding
from ballgauge import _files as files
from ballgauge._failures import Answer, foreign, told
from ballgauge._http import JSON, PIECE, Http, Request, Steps, document_in, document_of, request_id
from ballgauge._values import Result, Table, each, member, whole

if TYPE_CHECKING:
    from requests import Response

    from ballgauge import types

Progress = Callable[[int, int | None], object]


class Bytes(Protocol):
    """A file open for bytes."""

    def read(self, size: int, /) -> bytes: ...


class Pandas(Protocol):
    """A data frame of pandas."""

    def to_csv(self, *given: Any, **options: Any) -> Any: ...


class Polars(Protocol):
    """A data frame of polars."""

    def write_csv(self, *given: Any, **options: Any) -> Any: ...


class Lazy(Protocol):
    """A lazy frame of polars."""

    def collect(self, *given: Any, **options: Any) -> Any: ...


class Arrow(Protocol):
    """An Arrow table."""

    def to_batches(self, *given: Any, **options: Any) -> Any: ...


Lot: TypeAlias = (
    str | os.PathLike[str] | Bytes | bytes | bytearray | memoryview | Pandas | Polars | Lazy | Arrow
    | Mapping[str, Iterable[object]] | Iterable[Mapping[str, object]]
)  # fmt: skip
"""A file by its path, open, or its bytes; a data frame, an Arrow table, rows, or columns by name."""

PATIENCE = 600.0
"""Seconds that the answer on a lot may take once all of it is sent (ours)."""

_PARQUET = b"PAR1"
_REPORT_KINDS = {"html": "text/html", "pdf": "application/pdf"}
_ROW_KINDS = {".csv": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".parquet": "parquet"}


def _decided(name: str) -> Any:
    return whole(lambda document: document["acceptance"][name])


class LotResult(Result, init=False, rows="worst_balls"):
    """A lot, judged.

    `lot_accepted` is True, False, or None where nothing is decided; `outcome` says the same in the words of
    the outcomes. `left_out` tells what of the file no number counts; `lot` what the lot is
    and who inspected it; `acceptance` the decision and its risk;
    `quantities` what the lot is like, quantity by quantity; `worst_balls` what failed and by how much.
    """

    lot_accepted: bool | None = _decided("lot_accepted")
    outcome: types.Outcome = _decided("outcome")
    message: str = _decided("message")
    left_out: types.LeftOut
    lot: types.LotTold = member(default={})
    models: tuple[types.Model, ...] = member(default=[])
    acceptance: types.Acceptance
    counts: types.LotCounts
    outcomes: Table[int] | None = member(default=None)
    defects: types.Defects | None = member(default=None)
    nonconforming: types.Nonconforming
    by_rule: tuple[types.RuleCounts, ...]
    quantities: tuple[types.QuantityStatement, ...]
    sample_rules: tuple[types.SampleRuleResult, ...]
    plan: types.Plan
    curves: types.Curves | None = member(default=None)
    variables: tuple[types.VariablesOutcome, ...] | None = member(default=None)
    sampling: types.SeriesState | None = member(default=None)
    measurement: types.Measurement | None = member(default=None)
    worst_balls: tuple[types.WorstBall, ...]
    drawn: tuple[str, ...] = member(lambda drawn: tuple(drawn.get("serials", ())), default={})
    file: types.FileFound | None = member(default=None)
    made_by: types.MadeBy | None = member(default=None)
    rules: types.UsedRules | None = member(default=None)
    decision: types.UsedDecision | None = member(default=None)
    uncertainties: Table[float | None] | None = member(default=None)
    confidence: float | None = member(default=None)
    coverage: float | None = member(default=None)
    cautions: tuple[types.Caution, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    units: Table[str] = member(default={})

    def _picture(self) -> str:
        return drawn.lot(self.raw["quantities"])


class LotSeriesResult(Result, init=False):
    """Several lots in time order: `outcome` is their worst; `drift` has charts and signals by quantity."""

    outcome: types.Outcome
    lots_accepted: int
    names: tuple[str | None, ...]
    lots: tuple[LotResult, ...] = member(each(LotResult))
    drift: tuple[types.DriftEntry, ...]
    switching: tuple[Table[Any], ...] = member(default=[])
    sampling: types.SeriesState | None = member(default=None)
    left_out: types.SeriesLeftOut | None = member(default=None)
    cautions: tuple[types.Caution, ...] = member(default=[])


class LotRow(NamedTuple):
    """One ball of a lot: its row in the file, the rule that decides, its margin (negative outside)."""

    row: int
    serial: str | None
    outcome: types.Outcome
    rule: str | None
    margin: float | None
    unit: str | None
    reason: str


class Lines:
    """Reads an answer of lines as it comes: balls, and at its end the lot."""

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._line = b""
        self._result: LotResult | None = None

    @property
    def result(self) -> LotResult:
        """See `LotRows.result`."""
        if self._result is None:
            raise RuntimeError("the lot is not judged before its last ball is taken")
        return self._result

    def take(self, piece: bytes) -> list[LotRow]:
        """Read the next bytes; gives the balls that are whole."""
        *lines, self._line = (self._line + piece).split(b"\n")
        return [row for line in lines if line and (row := self._read(line)) is not None]

    def end(self) -> None:
        """Say that there are no more bytes. Raises ServiceError where the lot has not come."""
        if self._line:
            self._read(self._line)
        if self._result is None:
            raise foreign(self._answer)

    def _read(self, line: bytes) -> LotRow | None:
        try:
            document = json.loads(line)
            if "lot" in document:
                self._result = LotResult(document["lot"], request_id(self._answer))
                return None
            if "problem" in document:
                raise told(document["problem"], self._answer)
            return LotRow(**{name: document[name] for name in LotRow._fields})
        except (ValueError, KeyError, TypeError):
            raise foreign(self._answer) from None


class LotRows:
    """The balls of a lot as they are judged; once they are all taken, `result` has the lot.

    Close it, or use it in a ``with`` statement, where not all of them are taken.
    """

    def __init__(self, http: Http, response: Response, held: contextlib.ExitStack) -> None:
        self._http = http
        self._response = response
        self._held = held
        self._lines = Lines(response)

    @property
    def result(self) -> LotResult:
        """The lot. Raises RuntimeError before the last ball is taken."""
        return self._lines.result

    def __iter__(self) -> Iterator[LotRow]:
        try:
            with self._http.reaching("broke its answer off"):
                for piece in self._response.iter_content(PIECE):
                    yield from self._lines.take(piece)
            self._lines.end()
        finally:
            self.close()

    def close(self) -> None:
        """Let the connection and the file go."""
        self._held.close()

    def __enter__(self) -> LotRows:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def assess(
    lots: list[Lot],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    rows: str | os.PathLike[str] | None,
    progress: Progress | None,
    *,
    by_path: bool,
) -> Steps[LotResult]:
    """See `Client.assess_lot`."""
    document, told = yield from documents(lots, options, report, rows, progress, by_path=by_path)
    return LotResult(document, told)


def assess_series(
    lots: list[Lot], options: Mapping[str, Any] | None, progress: Progress | None, *, by_path: bool
) -> Steps[LotSeriesResult]:
    """See `Client.assess_lots`."""
    if len(lots) < 2:
        raise ValueError(f"several lots are needed for a series; got {len(lots)}")
    document, told = yield from documents(lots, options, None, None, progress, by_path=by_path)
    return LotSeriesResult(document, told)


def signed(
    lot: Lot, issued_on: date | str | None, options: Mapping[str, Any] | None, *, by_path: bool
) -> Steps[types.SignedLot]:
    """See `Client.sign_lot`."""
    # Deferred: few calls need the kinds of all answers.
    from ballgauge import types

    address = "/v1/records/lots" + ("" if issued_on is None else f"?issued_on={issued_on}")
    with _posted([lot], options, JSON, None, by_path=by_path, address=address) as request:
        return types.SignedLot(document_in((yield request)))


def rows(http: Http, lot: Lot, options: Mapping[str, Any] | None, progress: Progress | None) -> LotRows:
    """See `Client.lot_rows`."""
    with contextlib.ExitStack() as stack:
        request = stack.enter_context(asked_rows(lot, options, progress, by_path=http.transport.reads_paths))
        response = http.stream(request)
        stack.callback(response.close)
        return LotRows(http, response, stack.pop_all())


def asked_rows(
    lot: Lot, options: Mapping[str, Any] | None, progress: Progress | None, *, by_path: bool
) -> contextlib.AbstractContextManager[Request]:
    """What asks for the balls of a lot, one by one; inside, the lot can be read."""
    return _posted([lot], options, "application/x-ndjson", progress, by_path=by_path, stream=True)


def documents(
    lots: list[Lot],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    rows_to: str | os.PathLike[str] | None,
    progress: Progress | None,
    *,
    by_path: bool,
) -> Steps[tuple[dict[str, Any], str | None]]:
    """Judge lots; write the files asked for; give the service's own document, and the request's id."""
    # Deferred: importing the client must stay quick, and most of its users have no lots.
    import zipfile

    if len(lots) > 1 and rows_to is not None:
        raise ValueError("rows are written for one lot at a time")
    kind, written = _row_kind(rows_to), _report_kind(report)
    for target in (report, rows_to):
        if target is not None:
            files.require_place(target)
    if len(lots) > 1 and report is not None:
        return (yield from _series_with_report(lots, options, report, written, progress, by_path=by_path))
    if report is None and rows_to is None:
        with _posted(lots, options, JSON, progress, by_path=by_path) as request:
            answer = yield request
            return document_in(answer), request_id(answer)
    query = f"?rows={kind}&report={written}"
    with tempfile.TemporaryFile() as kept:
        with _posted(
            lots, options, "application/zip", progress, by_path=by_path, address=f"/v1/lots{query}",
            taken=kept.write,
        ) as request:  # fmt: skip
            answer = yield request
        with zipfile.ZipFile(kept) as archive:
            document = document_of(archive.read("lot.json"))
            for target, member in ((report, f"report.{written}"), (rows_to, f"balls.{kind}")):
                if target is not None:
                    with archive.open(member) as source:
                        files.write(target, source)
            return document, request_id(answer)


def _series_with_report(
    lots: list[Lot],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str],
    kind: str,
    progress: Progress | None,
    *,
    by_path: bool,
) -> Steps[tuple[dict[str, Any], str | None]]:
    if not all(isinstance(lot, (str, os.PathLike)) for lot in lots):
        raise ValueError("a report on several lots is written from files named by path: they are sent twice")
    with _posted(lots, options, JSON, progress, by_path=by_path) as request:
        answer = yield request
    with _posted(lots, options, _REPORT_KINDS[kind], None, by_path=by_path) as request:
        files.write(report, io.BytesIO((yield request).content))
    return document_in(answer), request_id(answer)


def _row_kind(target: str | os.PathLike[str] | None) -> str:
    if target is None:
        return "csv"
    kind = _ROW_KINDS.get(Path(target).suffix.lower())
    if kind is None:
        raise ValueError(f"rows are written as {', '.join(_ROW_KINDS)}; got {Path(target).name!r}")
    return kind


def _report_kind(target: str | os.PathLike[str] | None) -> str:
    suffix = "" if target is None else Path(target).suffix.lower()
    kind = "html" if suffix in ("", ".htm") else suffix.removeprefix(".")
    if kind not in _REPORT_KINDS:
        raise ValueError(f"a report is written as .html or .pdf; got {Path(target or '').name!r}")
    return kind


@contextlib.contextmanager
def _posted(
    lots: list[Lot],
    options: Mapping[str, Any] | None,
    accept: str,
    progress: Progress | None,
    *,
    by_path: bool,
    address: str = "/v1/lots",
    **more: Any,
) -> Iterator[Request]:
    """The request that sends lots in a form, as they are read; they can be read inside."""
    form = _encoding.Form(options or {})
    with contextlib.ExitStack() as held:
        opened = [(by_path and _by_path(lot)) or _open(lot, held) for lot in lots]
        sent = _Sent(progress)
        for one in opened:
            sent.there_is(one.size)
        body = form.pieces((one.name, sent.counted(one.pieces)) for one in opened)
        beside = {"ballgauge.files": [_read_there(one, sent) for one in opened]}
        yield Request("POST", address, body, form.content_type, accept, PATIENCE, beside=beside, **more)


class _Sent:
    """Tells of the bytes sent."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._done = 0
        self.total: int | None = 0

    def there_is(self, size: int | None) -> None:
        """Count in a file of so many bytes."""
        self.total = None if size is None or self.total is None else self.total + size

    def add(self, count: int) -> None:
        """Count in bytes sent."""
        self._done += count
        if self._progress is not None:
            self._progress(self._done, self.total)

    def counted(self, pieces: Iterable[bytes]) -> Iterator[bytes]:
        """The pieces of a file, each counted as it goes."""
        for piece in pieces:
            self.add(len(piece))
            yield piece


class _Opened(NamedTuple):
    """A lot ready to be sent: name, bytes, how many there are (None: unknown), or its path instead."""

    name: str
    pieces: Iterable[bytes]
    size: int | None
    path: str | None = None


def _by_path(lot: Lot) -> _Opened | None:
    """A Parquet file that the service and its workers read themselves; None of anything else."""
    if not isinstance(lot, (str, os.PathLike)):
        return None
    with Path(lot).open("rb") as file:
        if file.read(len(_PARQUET)) != _PARQUET:
            return None
        return _Opened(Path(lot).name, (), os.fstat(file.fileno()).st_size, os.path.abspath(lot))


def _read_there(opened: _Opened, sent: _Sent) -> tuple[str, _Judged] | None:
    """What a service in this process is told of a file it reads itself, and whom to tell of its rows."""
    return None if opened.path is None else (opened.path, _Judged(sent, opened.size or 0))


class _Judged:
    """Tells of a file's rows judged as of so many of its bytes sent."""

    def __init__(self, sent: _Sent, size: int) -> None:
        self._sent, self._size, self._done = sent, size, 0

    def __call__(self, rows: int, there_are: int | None) -> None:
        done = self._size * rows // max(there_are or rows, 1)
        self._sent.add(done - self._done)
        self._done = done


def _open(lot: Any, held: contextlib.ExitStack) -> _Opened:
    if isinstance(lot, (str, os.PathLike)):
        file = held.enter_context(Path(lot).open("rb"))  # noqa: SIM115 - the stack closes it
        size = os.fstat(file.fileno()).st_size
        return _Opened(Path(lot).name, iter(lambda: file.read(PIECE), b""), size)
    if isinstance(lot, (bytes, bytearray, memoryview)):
        return _cut("lot", bytes(lot))
    if isinstance(lot, io.TextIOBase):
        raise TypeError("the file must be open for bytes, not for text")
    if hasattr(lot, "read"):
        name = Path(str(getattr(lot, "name", "lot"))).name
        return _Opened(name, iter(lambda: lot.read(PIECE), b""), None)
    return _of_values(lot)


def _of_values(lot: Any) -> _Opened:
    """A lot that is in memory: a data frame, a table, rows or columns."""
    if hasattr(lot, "collect_schema") and hasattr(lot, "collect"):
        lot = lot.collect()
    if hasattr(lot, "to_csv"):
        return _cut("lot.csv", _with_serials(lot).to_csv(index=False).encode())
    if hasattr(lot, "write_csv"):
        return _cut("lot.csv", lot.write_csv().encode())
    if hasattr(lot, "to_batches"):
        return _Opened("lot.ndjson", _arrow_lines(lot), None)
    if isinstance(lot, Mapping):
        lot = [dict(zip(lot, row, strict=True)) for row in zip(*lot.values(), strict=True)]
    if isinstance(lot, Iterable):
        return _Opened("lot.ndjson", (b"%s\n" % _encoding.encode(row) for row in lot), None)
    kinds = "a path, a file, bytes, a data frame, an Arrow table, rows or columns"
    raise TypeError(f"a lot is {kinds}, not {type(lot).__name__}")


def _with_serials(frame: Any) -> Any:
    """A frame of pandas whose index is among its columns where it says something: a name, or serials."""
    index = getattr(frame, "index", None)
    if index is None:
        return frame
    if any(name is not None and name not in frame.columns for name in index.names):
        return frame.reset_index()
    if index.nlevels == 1 and index.name is None and "serial" not in frame.columns:
        texts = [isinstance(label, str) for label in index]
        if texts and all(texts):
            return frame.rename_axis("serial").reset_index()
    return frame


def _cut(name: str, data: bytes) -> _Opened:
    return _Opened(name, (data[start : start + PIECE] for start in range(0, len(data), PIECE)), len(data))


def _arrow_lines(table: Any) -> Iterator[bytes]:
    """The rows of an Arrow table as lines of JSON; what is null is left out."""
    for batch in table.to_batches(max_chunksize=4096):
        lines = (
            json.dumps({name: value for name, value in row.items() if value is not None}, default=_plain)
            for row in batch.to_pylist()
        )
        yield ("\n".join(lines) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()[:10]
    return _encoding.plain(value)
