"""Bulk work on the workers of a Dask scheduler."""

from __future__ import annotations

import atexit
import concurrent.futures
import contextlib
import logging
import os
import pickle
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import CancelledError
from functools import cache, lru_cache, partial
from typing import TYPE_CHECKING, Any, TypeVar

from ballgauge_service.core import budget
from ballgauge_service.core.bulk.pieces import (
    AHEAD,
    Bulk,
    BulkUnavailable,
    Check,
    Common,
    Failure,
    Feed,
    Piece,
    Result,
    Task,
    asking,
    name_of,
    named,
    opened,
    perform,
    unasked,
)
from ballgauge_service.core.bulk.sameness import Mark, differences, mark

if TYPE_CHECKING:
    from distributed import Client, Future

Answer = TypeVar("Answer")

CONNECTING = 5.0
"""Seconds in which a scheduler must answer and have a worker (ours)."""

HEARING = 10.0
"""Seconds in which a scheduler that is connected must answer (ours)."""

AWAY = 20.0
"""Seconds after which a scheduler that could not be used is asked again, in the background (ours)."""

ANSWERING = 30.0
"""Seconds in which every worker must tell what it is (ours): the first time it imports the engine."""

WITHOUT_WORKERS = 30.0
"""Seconds that work waits for a worker once all have gone (ours)."""

FLIGHT = 64
"""Most pieces in flight of one map (ours), on however many workers."""

CANCELING = 2.0
"""Seconds that are spent on telling a scheduler what is not wanted any more (ours)."""

_POLL = 0.25
_open_clients: list[Client] = []
_LOGGERS = ("distributed", "distributed.client", "distributed.core", "distributed.comm", "tornado")


class OtherVersion(Exception):
    """A worker that would not compute the same; the text says what it has otherwise."""


def perform_there(name: str, theirs: Mark, common: bytes, piece: bytes) -> Any:
    """On a worker: work on a piece, where this worker computes the same as who sent it."""
    if found := differences(theirs):
        return Failure(OtherVersion(found))
    work = named(name)
    # The bytes come from the service that this worker belongs to.
    common_of_all, own = pickle.loads(common), pickle.loads(piece)  # nosec B301
    return perform(work, common_of_all, own, unasked)


def hold(common: bytes) -> bytes:
    """On a worker: what all pieces share. As the result of a task it is made again where it is lost."""
    return common


@lru_cache(maxsize=8)
def cluster_at(address: str) -> Cluster:
    """The cluster behind a scheduler's address, one a process."""
    return Cluster(address)


class Cluster(Bulk):
    """The workers of one scheduler, connected when there is work, and again where the connection is lost.

    Parameters
    ----------
    address : the scheduler's: host:port, tcp://host:port, tls://host:port
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._lock = threading.Lock()
        self._client: tuple[int, Client] | None = None
        self._same: set[str] = set()
        self._failed: tuple[float, str] = (0.0, "")
        self._silent_until = 0.0
        self.trouble: str | None = None
        """Why it could not be used when it was last asked; None where it could, or was not asked."""

    def map(
        self,
        work: Task[Common, Piece, Result],
        common: Common,
        pieces: Iterable[Piece],
        check: Check = unasked,
        ahead: int = AHEAD,
    ) -> Iterator[Result]:
        """See `Bulk.map`."""
        client, threads = self._connected()
        room = min(max(ahead * threads, 1), FLIGHT)
        feed, ask = Feed(pieces), asking(check)
        pending: deque[Future[Any]] = deque()
        shared, send = self._sender(client, work, common)
        try:
            while True:
                pending.extend(send(piece) for piece in feed.take(room - len(pending)))
                if not pending:
                    break
                yield opened(self._result(client, pending.popleft(), ask))
        finally:
            # What all share, too: the frames of an error may hold on to it.
            with contextlib.suppress(Exception):
                _within(CANCELING, partial(client.cancel, [*pending, shared], force=True))
        feed.finish()

    def _sender(
        self, client: Client, work: Task[Common, Piece, Result], common: Common
    ) -> tuple[Future[bytes], Callable[[Piece], Future[Any]]]:
        """What all pieces share, on its way to the workers, and what sends a piece."""
        with self._reachable():
            shared = client.submit(hold, pickle.dumps(common, protocol=5), pure=False)
        start = partial(client.submit, perform_there, name_of(work), dict(mark()), shared, pure=False)

        def send(piece: Piece) -> Future[Any]:
            with self._reachable():
                return start(pickle.dumps(piece, protocol=5))

        return shared, send

    def _result(self, client: Client, future: Future[Any], check: Check) -> Any:
        """One piece's result, however long it takes, while somebody wants it and somebody works."""
        empty: float | None = None
        while True:
            check()
            began = time.monotonic()
            try:
                with self._reachable():
                    found = future.result(timeout=_POLL)
                break
            except TimeoutError:
                empty = self._without_workers(client, empty)
            finally:
                # The workers' own time is not known here; waiting for them costs what working does.
                budget.spend(time.monotonic() - began)
        if isinstance(found, Failure) and isinstance(found.error, OtherVersion):
            raise BulkUnavailable(_other("a worker", str(found.error)))
        return found

    def _without_workers(self, client: Client, since: float | None) -> float | None:
        """Since when there is no worker; raises BulkUnavailable where that is too long."""
        if self._workers(client):
            return None
        now = time.monotonic()
        if since is not None and now - since > WITHOUT_WORKERS:
            raise BulkUnavailable(f"the scheduler at {self.address} has lost all its workers")
        return now if since is None else since

    @contextlib.contextmanager
    def _reachable(self) -> Iterator[None]:
        """What Dask raises where scheduler or workers are lost, as BulkUnavailable."""
        from distributed import KilledWorker

        try:
            yield
        except KilledWorker as killed:
            text = f"a piece of the work ended several workers of the scheduler at {self.address}"
            raise BulkUnavailable(text) from killed
        except TimeoutError:
            raise
        except (CancelledError, OSError, RuntimeError) as lost:
            text = f"the scheduler at {self.address} was lost before the work was done"
            raise BulkUnavailable(text) from lost

    def reads(self, path: str, *, own: bool) -> bool:
        """See `Bulk.reads`: on every worker the path is the same file, by its size and last change."""
        if own:
            return False
        client, _ = self._connected()
        here = file_mark(path)
        return here is not None and all(
            theirs == here for theirs in self._asked(client, file_mark, path).values()
        )

    def _connected(self) -> tuple[Client, int]:
        """The client and how many threads work for it. Raises BulkUnavailable in bounded time."""
        began = time.monotonic()
        with self._lock:
            failed, text = self._failed
            # While this request waited, another one found out; or it said nothing a moment ago.
            if failed >= began or began < self._silent_until:
                raise BulkUnavailable(text)
            try:
                found = self._ready()
            except BulkUnavailable as unavailable:
                self._failed = time.monotonic(), str(unavailable)
                self._tell(str(unavailable))
                raise
            self.trouble = None
            return found

    def _tell(self, words: str) -> None:
        """Keep what is wrong, and ask again in the background until it is right."""
        seeking, self.trouble = self.trouble is not None, words
        if not seeking:
            threading.Thread(target=self._seek, name="scheduler", daemon=True).start()

    def _seek(self) -> None:
        while self.trouble is not None:
            time.sleep(AWAY)
            with contextlib.suppress(BulkUnavailable):
                self._connected()

    def _heard(self, seconds: float, call: Callable[[], Answer]) -> Answer:
        """What a call to the scheduler gives. Raises BulkUnavailable where it says nothing for so long."""
        try:
            return _within(seconds, call)
        except TimeoutError:
            text = f"the scheduler at {self.address} does not answer"
            self._failed = time.monotonic(), text
            self._silent_until = time.monotonic() + AWAY
            silent, self._client = self._client, None
            if silent is not None:
                threading.Thread(target=_close, args=(silent[1],), name="scheduler", daemon=True).start()
            self._tell(text)
            raise BulkUnavailable(text) from None

    def _workers(self, client: Client) -> Mapping[str, Any]:
        """What the scheduler knows of its workers."""
        with self._reachable():
            found: Mapping[str, Any] = self._heard(HEARING, client.scheduler_info)["workers"]
        return found

    def _ready(self) -> tuple[Client, int]:
        client = self._open()
        workers = self._workers(client)
        if not workers:
            with self._reachable(), contextlib.suppress(TimeoutError):
                _within(2 * CONNECTING, partial(client.wait_for_workers, 1, timeout=CONNECTING))
            workers = self._workers(client)
        if not workers:
            raise BulkUnavailable(f"the scheduler at {self.address} has no workers")
        self._require_same(client, set(workers))
        return client, sum(int(each["nthreads"]) for each in workers.values())

    def _open(self) -> Client:
        if self._client is not None:
            owner, client = self._client
            if owner == os.getpid():
                if client.status == "running":
                    return client
                _close(client)
            self._client = None
        try:
            client = self._heard(2 * CONNECTING, partial(_opened, self.address))
        except ModuleNotFoundError as error:
            text = f"a scheduler needs {error.name}, which is not installed; pip install 'ballgauge[cluster]'"
            raise BulkUnavailable(text) from None
        except (OSError, ValueError, TimeoutError, RuntimeError, TypeError) as error:
            text = f"no Dask scheduler can be reached at {self.address}: {' '.join(str(error).split())[:200]}"
            raise BulkUnavailable(text) from error
        self._client, self._same = (os.getpid(), client), set()
        return client

    def _require_same(self, client: Client, workers: set[str]) -> None:
        """Raise BulkUnavailable where a worker computes otherwise; each is asked once."""
        new = workers - self._same
        if not new:
            return
        for worker, theirs in self._asked(client, mark, workers=sorted(new)).items():
            if isinstance(theirs, BaseException):
                text = f"worker {worker} cannot run this engine: {type(theirs).__name__}: {theirs}"
                raise BulkUnavailable(text)
            if found := differences(theirs):
                raise BulkUnavailable(_other(f"worker {worker}", found))
        self._same = workers

    def _asked(
        self,
        client: Client,
        question: Callable[..., Answer],
        *arguments: Any,
        workers: list[str] | None = None,
    ) -> dict[str, Any]:
        """What each worker answers, or the exception that it raises instead."""

        async def ask() -> dict[str, Any]:
            found: dict[str, Any] = await client.run(question, *arguments, workers=workers, on_error="return")
            return found

        try:
            with self._reachable():
                answers: dict[str, Any] = client.sync(ask, callback_timeout=ANSWERING)
                return answers
        except TimeoutError:
            raise BulkUnavailable(f"a worker of the scheduler at {self.address} does not answer") from None


def _within(seconds: float, call: Callable[[], Answer]) -> Answer:
    """What a call gives; raises TimeoutError where it takes longer, and leaves it to itself.

    Dask's own limits of time do not hold where a scheduler is connected and says nothing.
    """
    found: concurrent.futures.Future[Answer] = concurrent.futures.Future()

    def run() -> None:
        try:
            found.set_result(call())
        except BaseException as error:  # noqa: BLE001 - it is raised where the result is asked for
            found.set_exception(error)

    threading.Thread(target=run, name="scheduler", daemon=True).start()
    return found.result(timeout=seconds)


def file_mark(path: str) -> tuple[int, int] | None:
    """Size [byte] and time of the last change [ns] of a file; None where there is none to be read."""
    try:
        with open(path, "rb") as file:
            found = os.fstat(file.fileno())
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns


def _other(worker: str, found: str) -> str:
    return f"{worker} would not compute the same as this process: it has {found}"


def _quieten() -> None:
    """Dask's own log of connections: what matters of it becomes BulkUnavailable."""
    for name in _LOGGERS:
        log = logging.getLogger(name)
        log.handlers[:] = [logging.NullHandler()]
        log.propagate = False


@cache
def _client_type() -> type[Client]:
    """A client that is closed by who opened it alone.

    Dask's own closes itself when it is collected. That can happen anywhere, also while another client starts
    and holds the lock that closing asks for: the thread would wait for itself for ever.
    """
    from distributed import Client

    class Owned(Client):
        def __del__(self) -> None:
            pass

    return Owned


def _opened(address: str) -> Client:
    """A client that is connected; one that fails is closed."""
    kind = _client_type()
    _quieten()
    client = kind.__new__(kind)
    try:
        kind.__init__(client, address, timeout=CONNECTING, set_as_default=False, name="ballgauge")
    except BaseException:
        _close(client)
        raise
    _open_clients.append(client)
    return client


def _close(client: Client) -> None:
    if client in _open_clients:
        _open_clients.remove(client)
    with contextlib.suppress(Exception):
        _within(2 * CANCELING, partial(client.close, timeout=CANCELING))


@atexit.register
def _close_all() -> None:
    for client in [*_open_clients]:
        _close(client)
