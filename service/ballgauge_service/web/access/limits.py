"""How much one key, or one address, may ask for in a minute.

A request costs 1 for each started 16 KiB that it announces, so that a thousand checks cost more than one; a
body whose size nobody announced, and one larger than the largest JSON body, cost as much as that. Once it is
answered it costs 1 for each started 10 ms of processor time where that is more, so that a study costs what as
much time of checks in a batch costs. What is counted are requests to `/v1/`; health, pages and documentation
are not.

Counted by the library `limits` with a sliding window: in each process for itself, which then has its share of
the limit, or in a storage that the processes have in common, as long as that answers.
"""

from __future__ import annotations

import ipaddress
import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, TypeVar

from limits import RateLimitItemPerMinute
from limits.errors import ConfigurationError
from limits.storage import MemoryStorage, Storage, storage_from_string
from limits.strategies import SlidingWindowCounterRateLimiter

from ballgauge_service.web.http import degraded
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import MEMORY, BadSettings, Settings

STEP = 2**14
"""Bytes of a body that cost 1 (ours)."""

WORK = 0.01
"""Processor time that costs 1 [s] (ours): several times that of a check, which costs 1 wherever it runs."""

COST_MAXIMUM = 64
"""The most that a body costs by its head (ours): what its work takes is counted after it."""

GUESSES_PER_MINUTE = 30
"""Keys that are not valid, a minute from one address, after which it is told to wait (ours)."""

SLOW = 1.0
"""Seconds that a storage of counts may take, once (ours)."""

TARDY = 0.25
"""Seconds that it may take for a request again and again (ours): it is asked by few threads."""

ASKED_AGAIN = 5.0
"""Seconds between two questions to a storage that was away (ours)."""

_WINDOW = 60
_ROUNDING = 1e-3
"""Seconds by which the storage may see a time otherwise than it is told (ours)."""

_POLICY = "minute"
_Told = TypeVar("_Told")


class Limits:
    """The limits of one process.

    A storage of all processes that fails, or takes longer than `SLOW`, or than `TARDY` again and again, is
    asked no more until it answers in the background; the process counts its share by itself meanwhile. Raises
    BadSettings.
    """

    def __init__(self, settings: Settings) -> None:
        share = math.ceil(settings.requests_per_minute / settings.processes)
        self._own = _Counts(_Memory(), share)
        self._shared = self._own
        if settings.limits_storage != MEMORY:
            self._shared = _Counts(_storage(settings.limits_storage), settings.requests_per_minute)
        self._away = threading.Event()
        self._usual = 0.0
        """Seconds that the storage takes for a request of late."""

    def name(self, key: str | None, address: str | None) -> str:
        """Whose requests are counted: a key's, or an address's where there is none."""
        return address_name(address) if key is None else f"key {key}"

    def cost(self, announced: int | None, method: str) -> int:
        """What a request counts as by its head: see `cost_of`."""
        return cost_of(announced, method)

    def spend(self, who: str, cost: int) -> Mapping[str, str]:
        """Count a request, and give what its answer tells. Raises Refusal, 429."""
        return self._counted(lambda counts: counts.spend(who, cost)) if self._own.limited else {}

    def charge(self, who: str, counted: int, seconds: float) -> None:
        """Count the processor time that a request took beyond what it was counted as [s].

        It is done already: what is left of the minute is the most that it can cost.
        """
        more = math.ceil(seconds / WORK) - counted
        if self._own.limited and more > 0:
            self._counted(lambda counts: counts.charge(who, more))

    def count_guess(self, address: str | None) -> None:
        """Count a key that is not valid. Raises Refusal, 429, once there are too many from this address.

        A valid key is let in all the same: behind one address there are many, and 256 bits cannot be guessed.
        """
        who = f"guess {address_name(address)}"
        self._counted(lambda counts: counts.guess(who))

    def _counted(self, count: Callable[[_Counts], _Told]) -> _Told:
        if self._shared is self._own or self._away.is_set():
            return count(self._own)
        start = time.monotonic()
        try:
            return count(self._shared)
        except Refusal:
            raise
        except Exception:  # noqa: BLE001 - what answers there may be anything
            self._lose()
            return count(self._own)
        finally:
            took = time.monotonic() - start
            self._usual += (took - self._usual) / 8
            if took > SLOW or self._usual > TARDY:
                self._lose()

    def _lose(self) -> None:
        if not self._away.is_set():
            self._away.set()
            self._usual = 0.0
            degraded.tell(
                "limits_storage", "the rate-limit storage does not answer; each process counts by itself"
            )
            threading.Thread(target=self._seek, name="limits", daemon=True).start()

    def _seek(self) -> None:
        while True:
            time.sleep(ASKED_AGAIN)
            start = time.monotonic()
            if self._shared.storage.check() and time.monotonic() - start <= TARDY:
                self._away.clear()
                degraded.tell("limits_storage", None)
                return


class _Memory(MemoryStorage):
    """Counts of this process, of this window and the one before it; what is older is nowhere.

    The library's own, while it counts, begins a thread each 10 ms that walks through all there are.
    """

    def __init__(self) -> None:
        super().__init__()
        self._window = 0.0
        self._now, self._before = Counter[str](), Counter[str]()
        self._lock = threading.RLock()

    def acquire_sliding_window_entry(self, key: str, limit: int, expiry: int, amount: int = 1) -> bool:
        """Count so much where the limit allows it, and say whether it did."""
        with self._lock:
            earlier, to_end, now, _ = self.get_sliding_window(key, expiry)
            allowed = math.floor(earlier * to_end / expiry + now) + amount <= limit
            if allowed:
                self._now[key] += amount
            return allowed

    def get_sliding_window(self, key: str, expiry: int) -> tuple[int, float, int, float]:
        """The counts of the window before and of this one, each with the seconds until it is forgotten."""
        with self._lock:
            window, passed = divmod(time.time(), expiry)
            if window != self._window:
                self._before = self._now if window == self._window + 1 else Counter()
                self._window, self._now = window, Counter()
            left = expiry - passed
            return self._before[key], left if self._before[key] else 0.0, self._now[key], left + expiry


class _Counts:
    """What is counted in one storage; every method raises StorageError where that fails."""

    def __init__(self, storage: Storage, requests: int) -> None:
        self.storage = storage
        self.limited = bool(requests)
        self._limiter = SlidingWindowCounterRateLimiter(storage)
        self._requests = RateLimitItemPerMinute(max(requests, 1))
        self._guesses = RateLimitItemPerMinute(GUESSES_PER_MINUTE)

    def spend(self, who: str, cost: int) -> Mapping[str, str]:
        cost = min(cost, self._requests.amount)
        if not self._limiter.hit(self._requests, who, cost=cost):
            raise self._too_many("too many requests in a minute", self._requests, who, cost)
        rest = self._rest(self._requests, who)
        return _fields(self._requests, rest, self._wait(self._requests, who, self._requests.amount - rest))

    def charge(self, who: str, cost: int) -> None:
        self._limiter.hit(self._requests, who, cost=min(cost, self._rest(self._requests, who)))

    def guess(self, who: str) -> None:
        if not self._limiter.hit(self._guesses, who):
            raise self._too_many("too many keys that are not valid", self._guesses, who, 1)

    def _too_many(self, words: str, limit: RateLimitItemPerMinute, who: str, cost: int) -> Refusal:
        wait = self._wait(limit, who, cost)
        headers = {"Retry-After": str(wait), **_fields(limit, self._rest(limit, who), wait)}
        return Refusal(429, f"{words}: {limit.amount} are allowed; wait {wait} s", headers=headers)

    def _rest(self, limit: RateLimitItemPerMinute, who: str) -> int:
        return self._limiter.get_window_stats(limit, who).remaining

    def _wait(self, limit: RateLimitItemPerMinute, who: str, cost: int) -> int:
        """Whole seconds, at least 1, after which so much is free if nothing else is asked for meanwhile."""
        key = limit.key_for(who)
        earlier, to_end, now, expiry = self.storage.get_sliding_window(key, _WINDOW)  # type: ignore[attr-defined]
        free = limit.amount - cost
        left = to_end if earlier else expiry - _WINDOW
        if now <= free:
            # In this window: the part of the window before that still counts shrinks evenly.
            seconds = to_end - _WINDOW * (free + 1 - now) / earlier if earlier else 0.0
        else:
            seconds = left + _WINDOW * (1 - (free + 1) / now)
        return max(1, math.floor(seconds + _ROUNDING) + 1)


def cost_of(announced: int | None, method: str = "POST") -> int:
    """What a request costs whose body announces so many bytes (None: it does not say)."""
    if announced is None:
        return 1 if method.upper() in ("GET", "HEAD", "OPTIONS") else COST_MAXIMUM
    return min(max(1, math.ceil(announced / STEP)), COST_MAXIMUM)


def _fields(limit: RateLimitItemPerMinute, rest: int, wait: int) -> Mapping[str, str]:
    """The fields of draft-ietf-httpapi-ratelimit-headers-10: the limit, what is left, until when."""
    return {
        "RateLimit-Policy": f'"{_POLICY}";q={limit.amount};w={_WINDOW}',
        "RateLimit": f'"{_POLICY}";r={rest};t={wait}',
    }


@lru_cache(maxsize=4096)
def address_name(given: str | None) -> str:
    """Who asks, by address. A home or firm has 2^64 addresses of IPv6, which count as one."""
    try:
        address = ipaddress.ip_address((given or "").partition("%")[0])
    except ValueError:
        return "address unknown"
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return f"address {address.ipv4_mapped}"
        return f"address {ipaddress.ip_network((address, 64), strict=False)}"
    return f"address {address}"


def _storage(uri: str) -> Storage:
    try:
        storage = storage_from_string(uri, wrap_exceptions=True, **_patience(uri))
    except (ConfigurationError, ImportError, ValueError) as error:
        # The address may hold a password.
        raise BadSettings(
            f"BALLGAUGE_LIMITS_STORAGE cannot be used ({type(error).__name__}): it is {MEMORY}, or a storage "
            "of the library limits with its client installed, such as redis://"
        ) from None
    assert isinstance(storage, Storage)
    return storage


def _patience(uri: str) -> dict[str, Any]:
    """Without them the client of redis waits for ever, and asks several times."""
    if not uri.startswith("redis"):
        return {}
    from redis.backoff import NoBackoff
    from redis.retry import Retry

    times = {"socket_connect_timeout": SLOW, "socket_timeout": SLOW}
    return {**times, "retry": Retry(NoBackoff(), 0), "health_check_interval": 0}
