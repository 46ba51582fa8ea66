"""The client."""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date
from types import TracebackType
from typing import Any, TypeVar
from urllib.parse import urlencode

import requests

from ballgauge import _deprecation, _designs, _encoding, _engine, _lots, _motions, _retries
from ballgauge._designs import DesignProgress, DesignResult
from ballgauge._errors import InvalidRequest, Problem, ServiceError, ServiceUnreachable, failure
from ballgauge._lots import LotResult, LotRows, LotSeriesResult, Progress
from ballgauge._motions import MotionResult
from ballgauge._results import CheckResult, DrillingResult, Record
from ballgauge._transport import WSGIAdapter

Result = TypeVar("Result")

_EMBEDDED = "http://embedded.invalid"


class Client:
    """Asks one service.

    Parameters
    ----------
    url : str
        Where the service is, with its path prefix if it has one: ``http://127.0.0.1:8000``.
    timeout : float
        Seconds to wait for a connection, and for each part of the answer.
    key : str, optional
        Access key, where the service asks for one; it goes to this service alone, and redirects are not
        followed. Nothing but TLS (https) hides it on the way.
    retries : int
        Further tries after a safe failure: the connection was refused or broke before an answer, or the
        service (or a proxy before it) answered 502, 503 or 504, or 429 with a Retry-After. Waits double from
        0.1 s, or are what the answer's Retry-After asks for, and are never longer than 5 s. An answer that is
        slow to come is not asked for again.

    A client keeps connections open: close it, or use it in a ``with`` statement. A client is for one thread.

    Every call raises `InvalidRequest` (4xx, names the bad fields; `AccessRefused`, 401 and 403, and
    `TooManyRequests`, 429, are kinds of it), `ServiceError` (5xx) or `ServiceUnreachable`, all of them
    `BallgaugeError`.
    """

    def __init__(self, url: str, *, timeout: float = 30.0, key: str | None = None, retries: int = 2) -> None:
        if not url.lower().startswith(("http://", "https://")):
            raise ValueError(f"the address starts with http:// or https://, unlike {url!r}")
        if key is not None:
            _require_token(key)
        if retries < 0:
            raise ValueError(f"retries are 0 or more; got {retries}")
        self._url = url.rstrip("/")
        self._timeout = timeout
        self._retries = retries
        self._session = requests.Session()
        self._session.hooks["response"].append(_deprecation.Notice())
        self._neighbour: WSGIAdapter | None = None
        """The service that can be given a file's path in place of its bytes, where there is one."""
        if key is not None:
            # Not a header of the session: the process's .netrc would take its place.
            self._session.auth = _Bearer(key)

    @classmethod
    def embedded(cls, *, scheduler: str | None = None) -> Client:
        """Run the service inside this process; no port is opened.

        Parameters
        ----------
        scheduler : str, optional
            Address of a Dask scheduler whose workers do bulk work: tolerance studies, spreads and line maps,
            lots. Without it threads of this process do. The answers are the same.

        Raises
        ------
        ServiceUnreachable
            The engine is not installed.
        """
        with _engine.required():
            from ballgauge_service.web.http.settings import Settings
            from ballgauge_service.web.server.application import create_app

            # What is set for a server has no say over an engine inside this process.
            application = create_app(json_logs=False, warm_up=False, settings=Settings(scheduler=scheduler))
        client = cls(_EMBEDDED)
        # The process's proxy settings have no say over what never leaves it.
        client._session.trust_env = False
        adapter = WSGIAdapter(application)
        client._session.mount(_EMBEDDED, adapter)
        if scheduler is not None:
            client._neighbour = adapter
        return client

    def check(self, request: Mapping[str, Any]) -> CheckResult:
        """Check one ball: ``{"ball": {...}, "drilling": {...}, "rules": {...}, ...}``.

        >>> from ballgauge import InvalidRequest
        >>> with Client.embedded() as client:
        ...     try:
        ...         client.check({"ball": {"weight": "15 in", "rg": 25}})
        ...     except InvalidRequest as refused:
        ...         for error in refused.errors:
        ...             print(error.pointer, error.detail)
        /ball/weight 'in' is not a unit of weight; use for instance lb, oz, kg or g
        /ball/rg must be from 2 in to 3.2 in; got 25 in
        """
        _require_one(request, "checks", "check_many")
        return _result(CheckResult.from_document, self._post("/v1/checks", _encoding.encode(request)))

    def check_many(self, items: Iterable[Mapping[str, Any]]) -> Iterator[CheckResult]:
        """Check any number of balls, in order.

        Items are as for `check`, and are sent in batches as results are taken. An `InvalidRequest` names the
        bad fields of one batch, counting over all items; the results of earlier batches have been given then.

        No more than a batch of items is held at a time, so that they may come from a file or a database:

        >>> weights = (10 + number % 7 for number in range(1200))  # read as it goes, never all at once
        >>> with Client.embedded() as client:
        ...     results = client.check_many({"ball": {"weight": weight}} for weight in weights)
        ...     heavy = sum(result.outcome == "nonconforming" for result in results)
        >>> heavy
        0
        """
        for document in self._post_many("checks", items):
            yield _result(CheckResult.from_document, document)

    def drill(self, request: Mapping[str, Any]) -> DrillingResult:
        """Compute what drilling does to one ball: ``{"ball": {...}, "drilling": {...}}``."""
        _require_one(request, "drillings", "drill_many")
        return _result(DrillingResult.from_document, self._post("/v1/drillings", _encoding.encode(request)))

    def drill_many(self, items: Iterable[Mapping[str, Any]]) -> Iterator[DrillingResult]:
        """Compute any number of drillings, in order; see `check_many`."""
        for document in self._post_many("drillings", items):
            yield _result(DrillingResult.from_document, document)

    def assess_lot(
        self,
        lot: Any,
        options: Mapping[str, Any] | None = None,
        *,
        report: str | os.PathLike[str] | None = None,
        rows: str | os.PathLike[str] | None = None,
        progress: Progress | None = None,
    ) -> LotResult:
        """Judge a lot from the measurements of its balls.

        Parameters
        ----------
        lot : path, file object open for bytes, bytes, data frame or Arrow table
            One ball a row; the columns are the fields of a ball. CSV, NDJSON, XLSX and Parquet files are read
            as they are sent, in bounded memory.
        options : mapping, optional
            How the lot is judged, as the contract's `LotRequest` has it:
            ``{"sampling": {"lot_size": 1000, "plan": {"aql": 1.0}}, "rules": {"on": "2026-05-01"}}``.
        report, rows : path, optional
            Files to write: the report (HTML), and every ball with its outcome (.csv, .ndjson or .parquet).
            They are written when the lot has been judged, and not at all where it is refused.
        progress : callable, optional
            Called with the bytes sent and the bytes there are (None where nobody knows).

        The request is sent once; it is not tried again. Raises OSError where a file cannot be read or
        written.

        A data frame is a lot too; a ball without a measurement is not assessed, and never counts as good:

        >>> import pandas
        >>> frame = pandas.DataFrame({"serial": ["OW1", "OW2"], "weight": [15.1, 16.5]})
        >>> options = {"scope": "measured", "sampling": {"rows": "every_ball"}, "rules": {"on": "2026-05-01"}}
        >>> with Client.embedded() as client:
        ...     lot = client.assess_lot(frame, options)
        >>> lot.outcome, [(ball.serial, ball.margin) for ball in lot.worst_balls]
        ('nonconforming', [('OW2', -0.5)])
        """
        return _lots.assess(self, lot, options, report, rows, progress)

    def assess_lots(
        self,
        lots: Iterable[Any],
        options: Mapping[str, Any] | None = None,
        *,
        progress: Progress | None = None,
    ) -> LotSeriesResult:
        """Judge several lots of one model in time order, and chart their drift; see `assess_lot`."""
        return _lots.assess_series(self, list(lots), options, progress)

    def lot_rows(
        self, lot: Any, options: Mapping[str, Any] | None = None, *, progress: Progress | None = None
    ) -> LotRows:
        """Judge a lot and give its balls one by one, the first before the last is sent.

        The rows stand only with the lot: where the file turns out unreadable, or the answer breaks off, the
        iterator raises, and what it gave before counts for nothing.
        """
        return _lots.rows(self, lot, options, progress)

    def design(
        self,
        request: Mapping[str, Any],
        *,
        folder: str | os.PathLike[str] | None = None,
        progress: DesignProgress | None = None,
    ) -> DesignResult:
        """Compute a layered design: mass properties, findings, and what else is asked.

        Parameters
        ----------
        request : mapping
            As the contract's `DesignRequest` has it: ``{"design": {"diameter": 8.58, "solids": [...]},
            "drilling": {...}, "compare": {...}, "solve": {...}, "family": {...}, "production": {...}}``.
        folder : path, optional
            Where the mesh files are that the design names.
        progress : callable, optional
            Called with the share done (0 to 1) and what is being done. An exception of its own ends the work.

        The request is sent once; it is not tried again. Raises ValueError for mesh files outside the folder,
        OSError where one cannot be read.
        """
        return _designs.ask(self, request, folder, progress)

    def motion(self, request: Mapping[str, Any]) -> MotionResult:
        """Compute what a ball does on the lane, and what else is asked about it.

        request : as the contract's `MotionRequest` has it: ``{"ball": {...}, "bowler": "matched_one_handed",
        "lane": {"film": 30}}``, perhaps with "release", "spread", "line_map" and "explain". It is sent once;
        it is not tried again.
        """
        return _motions.ask(self, request)

    def motion_picture(self, request: Mapping[str, Any]) -> str:
        """Draw a motion, or the line map of the bowler in ``"picture"``, as one HTML page; see `motion`."""
        return _motions.picture(self, request)

    def sign(self, request: Mapping[str, Any]) -> Record:
        """Check a ball and sign the verdict: ``{"check": {...}, "issued_on": "2026-05-01", "player": "A"}``.

        The answer's ``record`` is the signed record, ``label`` the text of a QR code that carries it. Raises
        InvalidRequest also where the service has no key to sign with.
        """
        return Record(self._post("/v1/records", _encoding.encode(request)))

    def verify(self, record: str, *, on: date | str | None = None) -> Record:
        """Say what became of a record, or of a label's text: ``state`` is genuine, altered or unknown_key.

        ``recheck`` says whether the rules have changed since: those of the day `on`, or of the record's own.
        """
        asked = {"record": record, **({} if on is None else {"on": str(on)})}
        return Record(self._post("/v1/records/verify", _encoding.encode(asked)))

    def rulebooks(self, body: str | None = None, *, on: date | str | None = None) -> tuple[Record, ...]:
        """Give the rulebooks, or that of one `body`; with `on`, only the rules in force on that date."""
        found = Record(_parse(self._rulebooks(body, on))).get("rulebooks")
        if not isinstance(found, tuple):
            raise ServiceError(_foreign("OK", 200, None))
        return found

    def close(self) -> None:
        """Close the connections."""
        self._session.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _rulebooks(self, body: str | None, on: date | str | None) -> bytes:
        asked = {name: str(value) for name, value in (("body", body), ("on", on)) if value is not None}
        return self._send("GET", "/v1/rulebooks" + ("?" + urlencode(asked) if asked else ""))

    def _post(self, path: str, body: bytes) -> dict[str, Any]:
        return _parse(self._send("POST", path, body))

    def _post_many(self, member: str, items: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, Any]]:
        for first, count, body in _encoding.batches(member, items):
            try:
                results = self._post(f"/v1/{member}", body).get("results")
            except InvalidRequest as error:
                raise InvalidRequest(error.problem.moved(member, first)) from None
            if not isinstance(results, list) or len(results) != count:
                raise ServiceError(_foreign("OK", 200, None))
            yield from results

    def _send(
        self, method: str, path: str, body: bytes | None = None, content_type: str = "application/json"
    ) -> bytes:
        """Send one request, with further tries, and give the body of a successful answer."""
        attempt = 0
        while True:
            last = attempt == self._retries
            try:
                response = self._session.request(
                    method,
                    self._url + path,
                    data=body,
                    headers={"Content-Type": content_type} if body is not None else None,
                    timeout=self._timeout,
                    allow_redirects=False,
                )
            except requests.ConnectionError as error:
                if last or not _retries.is_safe(error):
                    raise ServiceUnreachable(f"{self._url} gives no answer: {error}") from error
                wait = _retries.backoff(attempt)
            except requests.RequestException as error:
                raise ServiceUnreachable(f"{self._url} gives no whole answer: {error}") from error
            else:
                wait = _retries.wait_after(response, attempt)
                if last or not _retries.is_worth_it(response) or wait > _retries.LONGEST_WAIT:
                    return _body(response)
            time.sleep(wait)
            attempt += 1


class _Bearer(requests.auth.AuthBase):
    """Sends an access key with a request (RFC 6750, 2.1)."""

    def __init__(self, key: str) -> None:
        self._key = key

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._key}"
        return request


def _require_token(key: str) -> None:
    # Deferred with all of the contract, for which a client without a key has no use yet.
    from ballgauge_schemas.shared.access import TOKEN

    if not re.fullmatch(TOKEN, key):
        raise ValueError("the access key holds other characters than a bearer token may (RFC 6750)")


def _require_one(request: Mapping[str, Any], member: str, method: str) -> None:
    if member in request:
        raise ValueError(f"one request, not {member}: give their items to {method}()")


def _body(response: requests.Response) -> bytes:
    """Give the body of a good answer, or raise what the answer says went wrong."""
    status, request_id = response.status_code, response.headers.get("X-Request-Id")
    if status == 200:
        return response.content
    try:
        problem = Problem.from_document(json.loads(response.content), status, request_id)
    except (ValueError, TypeError, KeyError, AttributeError):
        problem = _foreign(response.reason or "", status, request_id)
    raise failure(problem, status)


def _parse(body: bytes) -> dict[str, Any]:
    try:
        document = json.loads(body)
    except ValueError:
        document = None
    if not isinstance(document, dict):
        raise ServiceError(_foreign("OK", 200, None))
    return document


def _result(read: Callable[[Mapping[str, Any]], Result], document: Mapping[str, Any]) -> Result:
    try:
        return read(document)
    except (KeyError, TypeError, AttributeError):
        raise ServiceError(_foreign("OK", 200, None)) from None


def _foreign(title: str, status: int, request_id: str | None) -> Problem:
    return Problem(status, title, "the answer is not one of this service's", request_id, ())
