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
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from ballgauge import _encoding
from ballgauge._failures import foreign, told
from ballgauge._http import JSON, Http, Request, document_of
from ballgauge._values import Record, Result, each, member, whole

if TYPE_CHECKING:
    from requests import Response

Progress = Callable[[int, int | None], object]

PATIENCE = 600.0
"""Seconds that the answer on a lot may take once all of it is sent (ours)."""

_PIECE = 1 << 16
_PARQUET = b"PAR1"
_REPORT_KINDS = {"html": "text/html", "pdf": "application/pdf"}
_ROW_KINDS = {".csv": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".parquet": "parquet"}


def _decided(name: str) -> Any:
    return whole(lambda document: document["acceptance"][name])


class LotResult(Result, init=False):
    """A lot, judged.

    `lot_accepted` is True, False, or None where nothing is decided; `outcome` says the same in the words of
    the outcomes. `left_out` tells what of the file no number counts; `lot` what the lot is
    and who inspected it; `acceptance` the decision and its risk;
    `quantities` what the lot is like, quantity by quantity; `worst_balls` what failed and by how much.
    """

    lot_accepted: bool | None = _decided("lot_accepted")
    outcome: str = _decided("outcome")
    message: str = _decided("message")
    left_out: Record
    lot: Record = member(default={})
    models: tuple[Record, ...] = member(default=[])
    acceptance: Record
    counts: Record
    nonconforming: Record
    by_rule: tuple[Record, ...]
    quantities: tuple[Record, ...]
    sample_rules: tuple[Record, ...]
    plan: Record
    worst_balls: tuple[Record, ...]
    drawn: tuple[str, ...] = member(lambda drawn: tuple(drawn.get("serials", ())), default={})
    cautions: tuple[Record, ...] = member(default=[])
    assumptions: tuple[str, ...] = member(default=[])
    units: Record = member(default={})


class LotSeriesResult(Result, init=False):
    """Several lots in time order: `outcome` is their worst; `drift` has charts and signals by quantity."""

    outcome: str
    lots_accepted: int
    names: tuple[str, ...]
    lots: tuple[LotResult, ...] = member(each(LotResult))
    drift: tuple[Record, ...]
    switching: tuple[Record, ...] = member(default=[])


class LotRow(NamedTuple):
    """One ball of a lot: its row in the file, the rule that decides, its margin (negative outside)."""

    row: int
    serial: str | None
    outcome: str
    rule: str | None
    margin: float | None
    unit: str | None
    reason: str


class LotRows:
    """The balls of a lot as they are judged; once they are all taken, `result` has the lot.

    Close it, or use it in a ``with`` statement, where not all of them are taken.
    """

    def __init__(self, http: Http, response: Response, held: contextlib.ExitStack) -> None:
        self._http = http
        self._response = response
        self._held = held
        self._result: LotResult | None = None

    @property
    def result(self) -> LotResult:
        """The lot. Raises RuntimeError before the last ball is taken."""
        if self._result is None:
            raise RuntimeError("the lot is not judged before its last ball is taken")
        return self._result

    def __iter__(self) -> Iterator[LotRow]:
        try:
            with self._http.reaching("broke its answer off"):
                for line in self._response.iter_lines(chunk_size=_PIECE):
                    document = json.loads(line)
                    if "lot" in document:
                        self._result = LotResult(document["lot"])
                    elif "problem" in document:
                        raise told(document["problem"], self._response)
                    else:
                        yield LotRow(**{name: document[name] for name in LotRow._fields})
        except (ValueError, KeyError, TypeError):
            raise foreign(self._response) from None
        finally:
            self.close()
        if self._result is None:
            raise foreign(self._response)

    def close(self) -> None:
        """Let the connection and the file go."""
        self._held.close()

    def __enter__(self) -> LotRows:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def assess_series(
    http: Http, lots: list[Any], options: Mapping[str, Any] | None, progress: Progress | None
) -> LotSeriesResult:
    """See `Client.assess_lots`."""
    if len(lots) < 2:
        raise ValueError(f"several lots are needed for a series; got {len(lots)}")
    return LotSeriesResult(documents(http, lots, options, None, None, progress))


def signed(http: Http, lot: Any, issued_on: date | str | None, options: Mapping[str, Any] | None) -> Record:
    """See `Client.sign_lot`."""
    query = "" if issued_on is None else f"?issued_on={issued_on}"
    with _posted(http, [lot], options, JSON, query, None, "/v1/records/lots") as response:
        return Record(document_of(response.content))


def rows(http: Http, lot: Any, options: Mapping[str, Any] | None, progress: Progress | None) -> LotRows:
    """See `Client.lot_rows`."""
    with contextlib.ExitStack() as stack:
        response = stack.enter_context(_posted(http, [lot], options, "application/x-ndjson", "", progress))
        return LotRows(http, response, stack.pop_all())


def documents(
    http: Http,
    lots: list[Any],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    rows_to: str | os.PathLike[str] | None,
    progress: Progress | None,
) -> dict[str, Any]:
    """Judge lots; write the files asked for; give the service's own document."""
    # Deferred: importing the client must stay quick, and most of its users have no lots.
    import zipfile

    if len(lots) > 1 and rows_to is not None:
        raise ValueError("rows are written for one lot at a time")
    kind, written = _row_kind(rows_to), _report_kind(report)
    if report is None and rows_to is None:
        with _posted(http, lots, options, JSON, "", progress) as response:
            return document_of(response.content)
    if len(lots) > 1:
        return _series_with_report(http, lots, options, report, written, progress)
    query = f"?rows={kind}&report={written}"
    with (
        _posted(http, lots, options, "application/zip", query, progress) as response,
        tempfile.TemporaryFile() as kept,
    ):
        with http.reaching("broke its answer off"):
            for piece in response.iter_content(_PIECE):
                kept.write(piece)
        with zipfile.ZipFile(kept) as archive:
            document = document_of(archive.read("lot.json"))
            for target, member in ((report, f"report.{written}"), (rows_to, f"balls.{kind}")):
                if target is not None:
                    with archive.open(member) as source:
                        _write(Path(target), source)
            return document


def _series_with_report(
    http: Http,
    lots: list[Any],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    kind: str,
    progress: Progress | None,
) -> dict[str, Any]:
    if not all(isinstance(lot, (str, os.PathLike)) for lot in lots):
        raise ValueError("a report on several lots is written from files named by path: they are sent twice")
    with _posted(http, lots, options, JSON, "", progress) as response:
        document = document_of(response.content)
    with _posted(http, lots, options, _REPORT_KINDS[kind], "", None) as response:
        _write(Path(report or ""), io.BytesIO(response.content))
    return document


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


def _write(target: Path, source: IO[bytes]) -> None:
    """Write a file that takes its name when it is whole."""
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as sink:
            while piece := source.read(_PIECE):
                sink.write(piece)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


@contextlib.contextmanager
def _posted(
    http: Http,
    lots: list[Any],
    options: Mapping[str, Any] | None,
    accept: str,
    query: str,
    progress: Progress | None,
    address: str = "/v1/lots",
) -> Iterator[Response]:
    """Send lots in a form, as they are read; inside, the answer as it comes."""
    form = _encoding.Form(options or {})
    with contextlib.ExitStack() as held:
        opened = [(http.transport.reads_paths and _by_path(lot)) or _open(lot, held) for lot in lots]
        sent = _Sent(progress)
        for one in opened:
            sent.there_is(one.size)
        body = form.pieces((one.name, sent.counted(one.pieces)) for one in opened)
        beside = {"ballgauge.files": [_read_there(one, sent) for one in opened]}
        asked = Request("POST", f"{address}{query}", body, form.content_type, accept, PATIENCE, True, beside)
        response = http.stream(asked)
        held.callback(response.close)
        yield response


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


def _by_path(lot: Any) -> _Opened | None:
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
        return _Opened(Path(lot).name, iter(lambda: file.read(_PIECE), b""), size)
    if isinstance(lot, (bytes, bytearray, memoryview)):
        return _cut("lot", bytes(lot))
    if isinstance(lot, io.TextIOBase):
        raise TypeError("the file must be open for bytes, not for text")
    if hasattr(lot, "read"):
        name = Path(str(getattr(lot, "name", "lot"))).name
        return _Opened(name, iter(lambda: lot.read(_PIECE), b""), None)
    if hasattr(lot, "to_csv"):
        return _cut("lot.csv", lot.to_csv(index=False).encode())
    if hasattr(lot, "write_csv"):
        return _cut("lot.csv", lot.write_csv().encode())
    if hasattr(lot, "to_batches"):
        return _Opened("lot.ndjson", _arrow_lines(lot), None)
    raise TypeError(
        f"a lot is a path, a file, bytes, a data frame or an Arrow table, not {type(lot).__name__}"
    )


def _cut(name: str, data: bytes) -> _Opened:
    return _Opened(name, (data[start : start + _PIECE] for start in range(0, len(data), _PIECE)), len(data))


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
