"""Lots: files of balls to the service, and what it says of them."""

from __future__ import annotations

import contextlib
import io
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING, Any, NamedTuple, TypeVar

import requests

from ballgauge import _encoding
from ballgauge._errors import Failure, Problem, ServiceError, ServiceUnreachable, failure
from ballgauge._results import Record, _frozen

if TYPE_CHECKING:
    from ballgauge._client import Client

Result = TypeVar("Result")
Progress = Callable[[int, int | None], object]

PATIENCE = 600.0
"""Seconds that the answer on a lot may take once all of it is sent (ours)."""

_PIECE = 1 << 16
_PARQUET = b"PAR1"
_ROW_KINDS = {".csv": "csv", ".ndjson": "ndjson", ".jsonl": "ndjson", ".parquet": "parquet"}


@dataclass(frozen=True)
class LotResult:
    """A lot, judged.

    `lot_accepted` is True, False, or None where nothing is decided; `outcome` says the same in the words of
    the outcomes. `left_out` tells what of the file no number counts; `acceptance` the decision and its risk;
    `quantities` what the lot is like, quantity by quantity; `worst_balls` what failed and by how much.
    """

    lot_accepted: bool | None
    outcome: str
    message: str
    left_out: Record
    acceptance: Record
    counts: Record
    nonconforming: Record
    by_rule: tuple[Record, ...]
    quantities: tuple[Record, ...]
    sample_rules: tuple[Record, ...]
    plan: Record
    worst_balls: tuple[Record, ...]
    drawn: tuple[str, ...]
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    units: Record
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> LotResult:
        """Read one lot of /v1/lots."""
        acceptance = document["acceptance"]
        return cls(
            lot_accepted=acceptance["lot_accepted"],
            outcome=acceptance["outcome"],
            message=acceptance["message"],
            left_out=Record(document["left_out"]),
            acceptance=Record(acceptance),
            counts=Record(document["counts"]),
            nonconforming=Record(document["nonconforming"]),
            by_rule=_frozen(document["by_rule"]),
            quantities=_frozen(document["quantities"]),
            sample_rules=_frozen(document["sample_rules"]),
            plan=Record(document["plan"]),
            worst_balls=_frozen(document["worst_balls"]),
            drawn=tuple((document.get("drawn") or {}).get("serials", ())),
            cautions=_frozen(document.get("cautions", [])),
            assumptions=_frozen(document.get("assumptions", [])),
            units=Record(document.get("units", {})),
            raw=document,
        )


@dataclass(frozen=True)
class LotSeriesResult:
    """Several lots in time order: `outcome` is their worst; `drift` has charts and signals by quantity."""

    outcome: str
    lots_accepted: int
    names: tuple[str, ...]
    lots: tuple[LotResult, ...]
    drift: tuple[Record, ...]
    switching: tuple[Record, ...]
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> LotSeriesResult:
        """Read an answer of /v1/lots on several files."""
        return cls(
            outcome=document["outcome"],
            lots_accepted=document["lots_accepted"],
            names=tuple(document["names"]),
            lots=tuple(LotResult.from_document(lot) for lot in document["lots"]),
            drift=_frozen(document["drift"]),
            switching=_frozen(document.get("switching") or []),
            raw=document,
        )


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

    def __init__(self, response: requests.Response, held: contextlib.ExitStack) -> None:
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
            for line in self._response.iter_lines(chunk_size=_PIECE):
                document = json.loads(line)
                if "lot" in document:
                    self._result = LotResult.from_document(document["lot"])
                elif "problem" in document:
                    raise _problem(document["problem"], self._response)
                else:
                    yield LotRow(**{name: document[name] for name in LotRow._fields})
        except requests.RequestException as error:
            raise ServiceUnreachable(f"the answer broke off: {error}") from error
        except (ValueError, KeyError, TypeError):
            raise ServiceError(_not_ours(self._response)) from None
        finally:
            self.close()
        if self._result is None:
            raise ServiceError(_not_ours(self._response))

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
    client: Client,
    lot: Any,
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    rows_to: str | os.PathLike[str] | None,
    progress: Progress | None,
) -> LotResult:
    """See `Client.assess_lot`."""
    document = documents(client, [lot], options, report, rows_to, progress)
    return _read(LotResult.from_document, document)


def assess_series(
    client: Client, lots: list[Any], options: Mapping[str, Any] | None, progress: Progress | None
) -> LotSeriesResult:
    """See `Client.assess_lots`."""
    if len(lots) < 2:
        raise ValueError(f"several lots are needed for a series; got {len(lots)}")
    return _read(LotSeriesResult.from_document, documents(client, lots, options, None, None, progress))


def rows(client: Client, lot: Any, options: Mapping[str, Any] | None, progress: Progress | None) -> LotRows:
    """See `Client.lot_rows`."""
    with contextlib.ExitStack() as stack:
        response = stack.enter_context(_posted(client, [lot], options, "application/x-ndjson", "", progress))
        return LotRows(response, stack.pop_all())


def documents(
    client: Client,
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
    kind = _row_kind(rows_to)
    if report is None and rows_to is None:
        with _posted(client, lots, options, "application/json", "", progress) as response:
            return _document(response.content)
    if len(lots) > 1:
        return _series_with_report(client, lots, options, report, progress)
    query = f"?rows={kind}"
    with (
        _posted(client, lots, options, "application/zip", query, progress) as response,
        tempfile.TemporaryFile() as kept,
    ):
        _collect(response, kept)
        with zipfile.ZipFile(kept) as archive:
            document = _document(archive.read("lot.json"))
            for target, member in ((report, "report.html"), (rows_to, f"balls.{kind}")):
                if target is not None:
                    with archive.open(member) as source:
                        _write(Path(target), source)
            return document


def _series_with_report(
    client: Client,
    lots: list[Any],
    options: Mapping[str, Any] | None,
    report: str | os.PathLike[str] | None,
    progress: Progress | None,
) -> dict[str, Any]:
    if not all(isinstance(lot, (str, os.PathLike)) for lot in lots):
        raise ValueError("a report on several lots is written from files named by path: they are sent twice")
    with _posted(client, lots, options, "application/json", "", progress) as response:
        document = _document(response.content)
    with _posted(client, lots, options, "text/html", "", None) as response:
        _write(Path(report or ""), io.BytesIO(response.content))
    return document


def _row_kind(target: str | os.PathLike[str] | None) -> str:
    if target is None:
        return "csv"
    kind = _ROW_KINDS.get(Path(target).suffix.lower())
    if kind is None:
        raise ValueError(f"rows are written as {', '.join(_ROW_KINDS)}; got {Path(target).name!r}")
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


def _collect(response: requests.Response, kept: IO[bytes]) -> None:
    try:
        for piece in response.iter_content(_PIECE):
            kept.write(piece)
    except requests.RequestException as error:
        raise ServiceUnreachable(f"the answer broke off: {error}") from error


@contextlib.contextmanager
def _posted(
    client: Client,
    lots: list[Any],
    options: Mapping[str, Any] | None,
    accept: str,
    query: str,
    progress: Progress | None,
) -> Iterator[requests.Response]:
    """Send lots in a form, as they are read; inside, an answer of status 200. Raises as every call."""
    boundary = os.urandom(16).hex()
    head = _part(boundary, "options", None) + _encoding.encode(options or {}) + b"\r\n"
    with contextlib.ExitStack() as held:
        opened = [_by_path(client, lot) or _open(lot, held) for lot in lots]
        sent = _Sent(progress)
        try:
            held.enter_context(_beside(client, opened, sent))
            response = client._session.post(
                f"{client._url}/v1/lots{query}",
                data=_form(opened, head, boundary, sent),
                headers={"Content-Type": f"multipart/form-data; boundary={boundary}", "Accept": accept},
                timeout=(client._timeout, max(client._timeout, PATIENCE)),
                allow_redirects=False,
                stream=True,
            )
            held.callback(response.close)
            content = b"" if response.status_code == 200 else response.content
        except requests.RequestException as error:
            raise ServiceUnreachable(f"{client._url} gives no whole answer: {error}") from error
        if response.status_code != 200:
            raise _refusal(content, response)
        yield response


def _refusal(content: bytes, response: requests.Response) -> Failure:
    try:
        told = json.loads(content)
    except ValueError:
        told = None
    return _problem(told if isinstance(told, dict) else {}, response)


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


def _form(opened: list[_Opened], head: bytes, boundary: str, sent: _Sent) -> Iterator[bytes]:
    """The parts of the form, file by file."""
    for each in opened:
        sent.there_is(each.size)
    yield head
    for each in opened:
        yield _part(boundary, "file", each.name)
        for piece in each.pieces:
            sent.add(len(piece))
            yield piece
        yield b"\r\n"
    yield f"--{boundary}--\r\n".encode()


def _part(boundary: str, name: str, filename: str | None) -> bytes:
    """The head of a part; what a header cannot hold of a file's name is percent-encoded (RFC 7578)."""
    head = f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"'
    if filename is None:
        return (head + "\r\nContent-Type: application/json\r\n\r\n").encode()
    safe = filename.replace('"', "%22").replace("\r", "%0D").replace("\n", "%0A").replace("\\", "%5C")
    return f'{head}; filename="{safe}"\r\nContent-Type: application/octet-stream\r\n\r\n'.encode(
        "utf-8", "replace"
    )


class _Opened(NamedTuple):
    """A lot ready to be sent: name, bytes, how many there are (None: unknown), or its path instead."""

    name: str
    pieces: Iterable[bytes]
    size: int | None
    path: str | None = None


def _by_path(client: Client, lot: Any) -> _Opened | None:
    """A Parquet file that the service and its workers read themselves; None of anything else."""
    if client._neighbour is None or not isinstance(lot, (str, os.PathLike)):
        return None
    with Path(lot).open("rb") as file:
        if file.read(len(_PARQUET)) != _PARQUET:
            return None
        return _Opened(Path(lot).name, (), os.fstat(file.fileno()).st_size, os.path.abspath(lot))


@contextlib.contextmanager
def _beside(client: Client, opened: list[_Opened], sent: _Sent) -> Iterator[None]:
    """Inside, the service is told the paths of what is not sent, and tells of the rows it has judged."""
    if client._neighbour is None:
        yield
        return
    files = [None if each.path is None else (each.path, _Judged(sent, each.size or 0)) for each in opened]
    client._neighbour.told = {"ballgauge.files": files}
    try:
        yield
    finally:
        client._neighbour.told = {}


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
    return _encoding._plain(value)


def _document(content: bytes) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(content)
    return document


def _read(read: Callable[[Mapping[str, Any]], Result], document: Mapping[str, Any]) -> Result:
    try:
        return read(document)
    except (KeyError, TypeError, AttributeError):
        raise ServiceError(Problem(200, "OK", "the answer is not one of this service's", None, ())) from None


def _problem(told: Mapping[str, Any], response: requests.Response) -> Failure:
    status = int(told.get("status", response.status_code))
    request_id = response.headers.get("X-Request-Id")
    try:
        problem = Problem.from_document(told, status, request_id)
    except (KeyError, TypeError, AttributeError):
        problem = _not_ours(response)
    if not told:
        problem = _not_ours(response)
    return failure(problem, status)


def _not_ours(response: requests.Response) -> Problem:
    request_id = response.headers.get("X-Request-Id")
    text = "the answer is not one of this service's, or not whole"
    return Problem(response.status_code, response.reason or "", text, request_id, ())
