"""The client."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from types import TracebackType
from typing import TYPE_CHECKING, Any, Unpack, overload

from ballgauge import _check, _design, _engine, _lineup, _lot, _motion, _record, _service
from ballgauge._check import (
    Brief,
    BriefResult,
    CheckResult,
    Checks,
    Collect,
    DrillingResult,
    Findings,
    Raise,
    Rows,
)
from ballgauge._design import DesignResult
from ballgauge._failures import InvalidRequest
from ballgauge._http import Found, Http, Steps
from ballgauge._lineup import LineupResult
from ballgauge._lot import LotResult, LotRows, LotSeriesResult
from ballgauge._motion import MotionResult

if TYPE_CHECKING:
    from requests import Session

    from ballgauge import types
    from ballgauge._network import Options, Proxies, TimeLimit, Way


class Client:
    """Asks one service.

    Parameters
    ----------
    url : str
        Where the service is, with its path prefix if it has one: ``http://127.0.0.1:8000``.
    timeout : float, pair, or `Timeouts`
        Seconds to wait for a connection, and for each part of the answer; `Timeouts` also bounds all of it.
    key : str, optional
        Access key, where the service asks for one; it goes to this service alone, and redirects are not
        followed. Nothing but TLS (https) hides it on the way.
    retries : int
        Further tries after a safe failure: the connection was refused or broke before an answer, or the
        service (or a proxy before it) answered 502, 503 or 504, or 429 with a Retry-After. Waits double from
        0.1 s, or are what the answer's Retry-After asks for, and are never longer than 5 s. An answer that is
        slow to come is not asked for again, nor is a lot, whose file is read as it is sent.
    headers : mapping, optional
        Further headers of every request.
    proxies : str or mapping, optional
        Address of a proxy, or one for each scheme; by default those of the environment.
    verify : bool or path
        Whose certificates are trusted: a file of them, in place of those that come with `certifi`; False asks
        for none, and anybody on the way can read and change what is said.
    cert : path or pair of paths, optional
        This client's certificate, and its private key.
    session : requests.Session, optional
        In place of one made here, with what it is set up for; `close` leaves it open.

    A client keeps connections open: close it, or use it in a ``with`` statement. Threads may share a client.

    Every call raises `InvalidRequest` (400, 413, 422 and the like: names the bad fields), `AccessRefused`
    (401, 403), `RateLimited` (429), `ServiceError` (5xx; `Redirected`), or `ServiceUnreachable`, whose
    kinds are `Timeout`, `ConnectionFailed` and `TlsFailed`; all of them are `BallgaugeError`.
    """

    def __init__(
        self,
        url: str,
        *,
        timeout: TimeLimit = 30.0,
        key: str | None = None,
        retries: int = 2,
        headers: Mapping[str, str] | None = None,
        proxies: Proxies | None = None,
        verify: bool | str | os.PathLike[str] = True,
        cert: str | tuple[str, str] | None = None,
        session: Session | None = None,
    ) -> None:
        # Deferred: the engine inside this process needs no HTTP client.
        from ballgauge._network import Network, Timeouts, Way

        if key is not None:
            require_token(key)
        way = Way(url, Timeouts.of(timeout), key, retries, dict(headers or {}), proxies, verify, cert)
        self._http = Http(Network(way, session))

    def with_options(self, **options: Unpack[Options]) -> Client:
        """The client with other options: those of its making, all but `url` and `session`.

        The connections are shared; headers are laid over those there are.

        >>> client = Client("http://127.0.0.1:8000")
        >>> quick = client.with_options(timeout=2, retries=0)
        """
        # Deferred as in __init__.
        from ballgauge._network import Network

        transport = self._http.transport
        if not isinstance(transport, Network):
            raise ValueError("the engine in this process has no connection to be set up")
        if (key := options.get("key")) is not None:
            require_token(key)
        made = Client.__new__(Client)
        made._http = Http(Network(transport.way.changed(**options), transport.session), self._http.notice)
        return made

    def __reduce__(self) -> Any:
        way = getattr(self._http.transport, "way", None)
        if way is None:
            raise TypeError("a client that runs the engine is not pickled: make one there, Client.embedded()")
        if way.key is not None:
            raise TypeError(
                "a client that holds an access key is not pickled, for the key would lie there in clear; "
                "make one there: Client(url, key=os.environ['BALLGAUGE_KEY'])"
            )
        return _of_way, (way,)

    @classmethod
    def embedded(
        cls,
        *,
        scheduler: str | None = None,
        rulebooks: str | os.PathLike[str] | None = None,
        approved_list: str | os.PathLike[str] | None = None,
    ) -> Client:
        """Run the service inside this process; no port is opened.

        Parameters
        ----------
        scheduler : str, optional
            Address of a Dask scheduler whose workers do bulk work: tolerance studies, spreads and line maps,
            lots. Without it threads of this process do. The answers are the same.
        rulebooks : path, optional
            Folder of rulebooks and overlays (TOML) beside the shipped ones.
        approved_list : path, optional
            The governing body's approved list (CSV: brand, model, approved_on, withdrawn_on, made_from,
            made_to), on which each ball's name is looked up; a request's own goes before it.

        Raises
        ------
        ValueError
            A file of that folder, or the list, cannot be used.
        ServiceUnreachable
            The engine is not installed.
        """
        client = cls.__new__(cls)
        client._http = Http(_engine.Engine(scheduler, rulebooks, approved_list))
        return client

    @overload
    def check(
        self, request: types.CheckEntry, *, detail: Findings = "full", **beside: Unpack[_check.Beside]
    ) -> CheckResult: ...

    @overload
    def check(
        self, request: types.CheckEntry, *, detail: Brief, **beside: Unpack[_check.Beside]
    ) -> BriefResult: ...

    def check(
        self,
        request: types.CheckEntry,
        *,
        detail: types.Detail | None = None,
        overlays: Iterable[_check.Overlay] = (),
        also_on: Iterable[date | str] = (),
        approved_list: Rows = None,
    ) -> CheckResult | BriefResult:
        """Check one ball: ``{"ball": {...}, "drilling": {...}, "rules": {...}, ...}``.

        detail : how much is answered, everything by default; the findings alone, or in brief
        overlays : rules laid over the body's, in place of the request's ``rules.overlays``: names that the
            service knows, whole overlays, or paths of their TOML files
        also_on : further days of use; the result's ``also_on`` has the outcome on each, and what changes it
        approved_list : the approved list, in place of the request's ``rules.approved_list``: its rows, or the
            path of its CSV file; the result's ``identity`` says how the ball stands on it

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
        asked = _check.asked(request, detail, overlays, also_on, approved_list)
        return self._run(_check.one(_check.kind_of(asked.get("detail", "full")), "checks", asked))

    @overload
    def check_many(
        self, items: Checks, *, detail: Findings = "full", approved_list: Rows = None, errors: Raise = "raise"
    ) -> Iterator[CheckResult]: ...

    @overload
    def check_many(
        self, items: Checks, *, detail: Findings = "full", approved_list: Rows = None, errors: Collect
    ) -> Iterator[CheckResult | InvalidRequest]: ...

    @overload
    def check_many(
        self, items: Checks, *, detail: Brief, approved_list: Rows = None, errors: Raise = "raise"
    ) -> Iterator[BriefResult]: ...

    @overload
    def check_many(
        self, items: Checks, *, detail: Brief, approved_list: Rows = None, errors: Collect
    ) -> Iterator[BriefResult | InvalidRequest]: ...

    def check_many(
        self,
        items: Checks,
        *,
        detail: types.Detail = "full",
        approved_list: Rows = None,
        errors: Raise | Collect = "raise",
    ) -> Iterator[CheckResult | BriefResult | InvalidRequest]:
        """Check any number of balls, in order.

        Items are as for `check`, and are sent in batches as results are taken. An `InvalidRequest` names the
        bad fields of one batch, counting over all items; the results of earlier batches have been given then.
        With ``errors="collect"`` each ball has its result, or in its place the `InvalidRequest` that names
        its own fields (``/ball/weight``): one bad ball does not lose the others.
        `approved_list` is for every item whose rules have none, and goes with each batch.

        No more than a batch of items is held at a time, so that they may come from a file or a database:

        >>> weights = (10 + number % 7 for number in range(1200))  # read as it goes, never all at once
        >>> with Client.embedded() as client:
        ...     results = client.check_many({"ball": {"weight": weight}} for weight in weights)
        ...     heavy = sum(result.outcome == "nonconforming" for result in results)
        >>> heavy
        0
        """
        return self._many(_check.check_many(items, detail, approved_list, errors))

    def _many(self, batches: Iterator[Steps[list[Found]]]) -> Iterator[Found]:
        for batch in batches:
            yield from self._run(batch)

    def _run(self, steps: Steps[Found]) -> Found:
        return self._http.run(steps)

    @property
    def _by_path(self) -> bool:
        return self._http.transport.reads_paths

    def drill(self, request: types.DrillingRequest) -> DrillingResult:
        """Compute what drilling does to one ball: ``{"ball": {...}, "drilling": {...}}``."""
        return self._run(_check.one(DrillingResult, "drillings", request))

    def drill_many(self, items: Iterable[types.DrillingRequest]) -> Iterator[DrillingResult]:
        """Compute any number of drillings, in order; see `check_many`."""
        return self._many(_check.many(DrillingResult, "drillings", items))

    def print_sheet(self, request: types.SheetRequest) -> bytes:
        """Print the sheet that a driller works from: ``{"check": {...}, "owner": "A", "paper": "letter"}``.

        It is a PDF; `language`, `units` (trade or metric) and `paper` (a4 or letter) say how it is written.
        """
        return self._run(_check.sheet(request))

    def assess_lot(
        self,
        lot: _lot.Lot,
        options: types.LotRequest | None = None,
        *,
        report: str | os.PathLike[str] | None = None,
        rows: str | os.PathLike[str] | None = None,
        progress: _lot.Progress | None = None,
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
            Files to write: the report (.html or .pdf; `options["report"]` has its language, units and paper),
            and every ball with its outcome (.csv, .ndjson or .parquet).
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
        return self._run(_lot.assess([lot], options, report, rows, progress, by_path=self._by_path))

    def assess_lots(
        self,
        lots: Iterable[_lot.Lot],
        options: types.LotRequest | None = None,
        *,
        progress: _lot.Progress | None = None,
    ) -> LotSeriesResult:
        """Judge several lots of one model in time order, and chart their drift; see `assess_lot`."""
        return self._run(_lot.assess_series(list(lots), options, progress, by_path=self._by_path))

    def lot_rows(
        self, lot: _lot.Lot, options: types.LotRequest | None = None, *, progress: _lot.Progress | None = None
    ) -> LotRows:
        """Judge a lot and give its balls one by one, the first before the last is sent.

        The rows stand only with the lot: where the file turns out unreadable, or the answer breaks off, the
        iterator raises, and what it gave before counts for nothing.
        """
        return _lot.rows(self._http, lot, options, progress)

    def design(
        self,
        request: types.DesignRequest,
        *,
        folder: str | os.PathLike[str] | None = None,
        progress: _design.Progress | None = None,
        report: str | os.PathLike[str] | None = None,
        drawing: str | os.PathLike[str] | None = None,
        model: str | os.PathLike[str] | None = None,
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
            Not called where files are written.
        report, drawing, model : path, optional
            Files to write: the report (.html or .pdf), the dimensioned drawing (.svg or .pdf) and the solids
            (.3mf, .stl or .step) of the design, or of the best that is solved for; of a set one for each
            ball. In the language, units and paper of `request["report"]`.

        Raises ValueError for mesh files outside the folder,
        OSError where one cannot be read.
        """
        files = {"report": report, "drawing": drawing, "model": model}
        return self._run(_design.ask(request, folder, progress, files))

    def motion(self, request: types.MotionRequest) -> MotionResult:
        """Compute what a ball does on the lane, and what else is asked about it.

        request : as the contract's `MotionRequest` has it: ``{"ball": {...}, "bowler": "matched_one_handed",
        "lane": {"film": 30}}``, perhaps with "release", "spread", "line_map" and "explain"
        """
        return self._run(_motion.ask(request))

    @staticmethod
    def shots(text: str) -> list[types.Shot]:
        """Read a CSV of measured shots, a row a passage, for ``"calibrate": {"shots": ...}`` of a motion.

        Columns: shot, distance [ft], time [s], speed [mph], board; release.speed and the like. Raises
        ValueError, naming line and column.
        """
        return _motion.shots(text)

    def motion_picture(self, request: types.MotionRequest, kind: str = "html") -> str:
        """Draw what is asked, or ``"picture"`` chooses, as one HTML page; a squad also as ``"svg"``."""
        return self._run(_motion.picture(request, kind))

    def lineup(
        self,
        request: types.LineupRequest,
        *,
        report: str | os.PathLike[str] | None = None,
        progress: _design.Progress | None = None,
    ) -> LineupResult:
        """Set balls beside one another for several bowlers and lanes, all thrown alike.

        Parameters
        ----------
        request : mapping
            As the contract's `LineupRequest` has it: ``{"balls": [{"name": "A", "box": {...}}, ...],
            "bowlers": [{"name": "Anna", "bowler": "matched_one_handed"}], "lanes": [{"film": 30}]}``.
        report : path, optional
            Where the sheet is written, by the end of its name as HTML, PDF or SVG.
        progress : callable, optional
            Called with the share done (0 to 1) and whose deliveries are followed.

        Raises ValueError for another end, OSError where the sheet cannot be written.
        """
        return self._run(_lineup.ask(request, report, progress))

    def sign(self, request: types.RecordRequest) -> types.SignedRecord:
        """Check a ball and sign the verdict: ``{"check": {...}, "player": "A"}``; `issued_on` is today.

        The answer's ``record`` is the signed record, ``label`` the text of a QR code that carries it. Raises
        InvalidRequest also where the service has no key to sign with.
        """
        return self._run(_record.sign(request))

    def sign_lot(
        self, lot: _lot.Lot, options: types.LotRequest | None = None, *, issued_on: date | str | None = None
    ) -> types.SignedLot:
        """Judge a lot, as `assess_lot` takes it, and sign the decision, dated `issued_on` or today.

        The answer's ``record`` is the signed record; it names the file by its SHA-256 and is verified as a
        ball's is: ``verify(...).lot`` holds what was signed. Raises InvalidRequest where the service has no
        signing key.
        """
        return self._run(_lot.signed(lot, issued_on, options, by_path=self._by_path))

    def verify(self, record: str, *, on: date | str | None = None) -> types.VerifiedRecord:
        """Say what became of a record, or of a label's text: ``state`` is genuine, altered or unknown_key.

        ``recheck`` says whether the rules have changed since: those of the day `on`, or of the record's own.
        """
        return self._run(_record.verify(record, on))

    def rulebooks(
        self, body: types.Body | None = None, *, on: date | str | None = None, overlay: str | None = None
    ) -> tuple[types.Rulebook, ...]:
        """Give the rulebooks, or that of one `body`; with `on`, only the rules in force on that date.

        overlay : name of an overlay laid over them, one that the service knows
        """
        return self._run(_check.listed(body, on, overlay))

    def rule_changes(
        self, body: types.Body, start: date | str, end: date | str, *, overlay: str | None = None
    ) -> tuple[_check.RuleChange, ...]:
        """Give the rules of a `body` that ask something else on the day `end` than on the day `start`.

        Each has ``rule``, ``title``, and the limits ``before`` and ``after`` as `rulebooks` has them.
        """
        return self._run(_check.changed_rules(body, start, end, overlay))

    def read_record(self, file: bytes | str | os.PathLike[str]) -> str:
        """Read the record out of a picture (PNG, JPEG) or PDF of its label or page, for `verify`."""
        return self._run(_record.read(file))

    def print_record(self, record: str, form: types.PrintForm = "a4") -> bytes:
        """Print a genuine record: as a page or a label (PDF), or its code alone (PNG)."""
        return self._run(_record.printed(record, form))

    def public_keys(self) -> types.PublicKeys:
        """Give the keys with which anyone verifies the service's records: ``keys``, a JWK set (RFC 7517)."""
        return self._run(_record.public_keys())

    def is_ready(self) -> bool:
        """Whether the service takes requests: False while it compiles or ends; raises where none answers."""
        return self._run(_service.is_ready())

    def version(self) -> str:
        """The service's version; `ballgauge.__version__` is the client's."""
        return self._run(_service.version())

    def close(self) -> None:
        """Close the connections."""
        self._http.transport.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _of_way(way: Way) -> Client:
    from ballgauge._network import Network

    made = Client.__new__(Client)
    made._http = Http(Network(way))
    return made


def require_token(key: str) -> None:
    """Raise ValueError where a key cannot be one."""
    # Deferred with all of the contract, for which a client without a key has no use yet.
    from ballgauge_schemas.shared.access import TOKEN

    if not re.fullmatch(TOKEN, key):
        raise ValueError("the access key holds other characters than a bearer token may (RFC 6750)")
