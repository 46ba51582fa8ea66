"""Who may ask for what: bearer keys (RFC 6750, 2012), decided from the head of a request alone.

Nothing is asked for unless the settings name a file of keys. Health, the description of the interface, the
pages' own files and the public keys of records are open always. An address that is not named anywhere needs a
key: what is new is closed until it is put on a list.
"""

from __future__ import annotations

import hmac
import ipaddress
import logging
import re
import socket
import threading
import time
from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from flask import Flask, Response, g, request
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wsgi import get_content_length

from ballgauge_schemas.shared.access import ANY_SCOPE, DATED, NEEDED, TOKEN
from ballgauge_service.pages.blueprint import PAGES
from ballgauge_service.web.access import access_keys
from ballgauge_service.web.access.access_keys import AccessKey, BadAccessKeys, Keys
from ballgauge_service.web.http import degraded
from ballgauge_service.web.http.refusals import Refusal
from ballgauge_service.web.http.settings import MEMORY, BadSettings, Settings, require_origins

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIEnvironment

REALM = "ballgauge"

ENTRANCE = "ballgauge_entrance"
"""The name of the entrance among the application's extensions; None there where all are let in."""

DECIDED = "ballgauge.decided"
"""The name in a WSGI environment of what the entrance said; no header of a request can take it."""

_ADDRESS = "ballgauge.address"

COUNTED = ("/v1/", "/code")
"""Where the addresses begin whose requests are counted."""

RECHECKED = 2.0
"""Seconds between two looks at the file of keys (ours)."""

OPEN = frozenset(
    (
        *("/", *(f"/{name}" for name in PAGES), "/code", "/docs", "/openapi.json"),
        *("/healthz", "/readyz", "/v1/records/keys"),
    )
)
OPEN_FOLDERS = ("/static/", "/docs/", "/guide/")

_ABSENT = "this address needs an access key: send the header Authorization: Bearer and the key"
_INVALID = "the access key is not valid: unknown, revoked or expired"

_BEARER = re.compile(rf"Bearer +({TOKEN}) *", re.IGNORECASE)
_LONGEST_HEADER = 1024
_NOBODY = AccessKey("", frozenset(), date.max, bytes(32))
"""Compared where there is no such key, so that an unknown id takes as long as a wrong secret."""

_log = logging.getLogger("ballgauge_service.access")


class Denied(Refusal):
    """A request that its key, or the want of one, does not allow.

    `reason` is for the log alone; `guess` says that a key was sent which is not valid.
    """

    def __init__(
        self,
        status: int,
        detail: str,
        challenge: str,
        reason: str,
        *,
        guess: bool = False,
        key: str | None = None,
    ) -> None:
        parts = [f'realm="{REALM}"', *([challenge] if challenge else [])]
        super().__init__(status, detail, headers={"WWW-Authenticate": f"Bearer {', '.join(parts)}"})
        self.reason = reason
        self.guess = guess
        self.key = key


def needed(path: str) -> str | None:
    """The scope that an address needs; None where it is open."""
    if path in OPEN or path.startswith(OPEN_FOLDERS):
        return None
    return NEEDED.get(path, ANY_SCOPE)


def decide(authorization: str | None, path: str, keys: Keys, today: date) -> AccessKey | None:
    """Say whose request it is, from its head alone; None for an open address.

    path: decoded, without its query; today: the day by which keys end (UTC). Raises Denied: 401 without a
    valid key, 403 where its scopes do not reach, each with the challenge of RFC 6750.
    """
    scope = needed(path)
    if scope is None:
        return None
    if authorization is None or authorization.partition(" ")[0].lower() != "bearer":
        raise Denied(401, _ABSENT, "", "no key")
    key = _known(authorization, keys, today)
    if scope not in (ANY_SCOPE, *key.scopes):
        raise _lacking(key, scope, f"the access key {key.id!r} lacks the scope {scope!r}")
    return key


def _lacking(key: AccessKey, scope: str, words: str) -> Denied:
    challenge = f'error="insufficient_scope", scope="{scope}"'
    return Denied(403, words, challenge, f"key {key.id} lacks the scope {scope}", key=key.id)


def _known(authorization: str, keys: Keys, today: date) -> AccessKey:
    """The valid key in a header. Unknown, wrong and ended keys take the same steps to the same words."""
    found = _BEARER.fullmatch(authorization[:_LONGEST_HEADER])
    sent = found[1] if found else ""
    key = keys.get(access_keys.id_of(sent) or "", _NOBODY)
    right = hmac.compare_digest(key.digest, access_keys.digest_of(sent))
    if right and key.until >= today:
        return key
    reason = f"key {key.id} ended on {key.until}" if right else "unknown or wrong key"
    raise Denied(401, _INVALID, 'error="invalid_token"', reason, guess=True)


class KeyFile:
    """The keys of a file, as it is now.

    Where it cannot be used any more, the keys before it stay, but for those that were taken out of it. Raises
    BadAccessKeys where it cannot be used at first, or none of its keys is valid today.
    """

    def __init__(self, path: str, clock: Callable[[], float] = time.monotonic) -> None:
        self._path = path
        self._clock = clock
        self._state = access_keys.state_at(path)
        self._keys = access_keys.read(path)
        access_keys.require_usable(self._keys, path, today())
        self._looked = clock()
        self._looking = threading.Lock()

    def current(self) -> Keys:
        """The keys, at most `RECHECKED` seconds old."""
        if self._clock() - self._looked >= RECHECKED and self._looking.acquire(blocking=False):
            try:
                self._look()
            finally:
                self._looking.release()
        return self._keys

    def _look(self) -> None:
        self._looked = self._clock()
        state = access_keys.state_at(self._path)
        if state == self._state:
            return
        # The state from before the reading: what changes meanwhile is read again at the next look.
        self._state = state
        try:
            self._keys = access_keys.read(self._path)
        except BadAccessKeys as bad:
            self._keys = access_keys.kept(self._keys, self._path)
            words = f"no new keys are accepted, {len(self._keys)} keys stay in force: {bad}"
            degraded.tell("access_keys", words)
        else:
            degraded.tell("access_keys", None)
            _log.info("access keys read again: %d", len(self._keys))


def today() -> date:
    """The day by which keys end: that of UTC."""
    return datetime.now(UTC).date()


def record_day(stated: date | None) -> date:
    """The date of a record that the present request has signed: what it states, or today.

    Raises Denied where a key states another day than today, anywhere on Earth, and lacks the scope `date`.
    """
    now = datetime.now(UTC)
    if stated is None:
        return now.date()
    key = g.admission.key if "admission" in g else None
    first, last = ((now + timedelta(hours=hours)).date() for hours in (-12, 14))
    if key is not None and DATED not in key.scopes and not first <= stated <= last:
        words = f"the access key {key.id!r} may sign with today's date alone: it lacks the scope {DATED!r}"
        raise _lacking(key, DATED, words)
    return stated


class Admission(NamedTuple):
    """A request that was let in: by which key, where one was asked for, and what its answer's head tells.

    `who` is the key or the address that it is counted for, with what it was counted as; None: it is not.
    """

    key: AccessKey | None
    headers: Mapping[str, str]
    who: str | None = None
    cost: int = 0


class Entrance:
    """Lets requests in by their key and by what was asked before; needs no more than their heads.

    `waits` says that it asks another machine for the counts: not where nothing may wait. Raises BadSettings
    where the file of keys, or the storage of counts, cannot be used.
    """

    def __init__(self, settings: Settings) -> None:
        # Deferred: an engine inside another process counts nothing.
        from ballgauge_service.web.access.limits import Limits

        self._file = None if settings.access_keys is None else _opened(settings.access_keys)
        self._limits = Limits(settings)
        self._proxies = settings.trusted_proxies
        self.waits = settings.limits_storage != MEMORY

    def admit(self, environ: WSGIEnvironment) -> Admission:
        """Let a request in, by its head in a WSGI environment (PEP 3333), and count it.

        Raises Denied, 401 or 403, by its key, and Refusal, 429, by what was asked before.
        """
        path = _path_of(environ)
        # What may be asked, and from where, is no secret, and a browser asks it without any key.
        if environ["REQUEST_METHOD"] == "OPTIONS":
            return Admission(None, {})
        key = None if self._file is None else self._known(self._file, environ, path)
        try:
            return self._spent(environ, key) if path.startswith(COUNTED) else Admission(key, {})
        except Refusal as refusal:
            refusal.key = None if key is None else key.id
            raise

    def charge(self, admission: Admission, seconds: float) -> None:
        """Count the processor time that a request took, where that is more than it was counted as [s]."""
        if admission.who is not None:
            self._limits.charge(admission.who, admission.cost, seconds)

    def _spent(self, environ: WSGIEnvironment, key: AccessKey | None) -> Admission:
        """Count a request by its head. Raises Refusal, 429."""
        who = self._limits.name(None if key is None else key.id, self.address(environ))
        cost = self._limits.cost(get_content_length(environ), environ["REQUEST_METHOD"])
        return Admission(key, self._limits.spend(who, cost), who, cost)

    def decided(self, environ: WSGIEnvironment) -> Admission | Refusal:
        """Do as `admit` does, and give the refusal too, to be handed on under `DECIDED`."""
        try:
            return self.admit(environ)
        except Refusal as refusal:
            return refusal

    def _known(self, file: KeyFile, environ: WSGIEnvironment, path: str) -> AccessKey | None:
        try:
            return decide(environ.get("HTTP_AUTHORIZATION"), path, file.current(), today())
        except Denied as denied:
            if path.startswith(COUNTED):
                self._spent(environ, None)
            if denied.guess:
                self._limits.count_guess(self.address(environ))
            raise

    def caller(self, environ: WSGIEnvironment) -> str:
        """The name under which a caller without a key is counted."""
        return self._limits.name(None, self.address(environ))

    def address(self, environ: WSGIEnvironment) -> str | None:
        """The caller's address as trusted proxies tell it, also before the application has asked them."""
        if _ADDRESS not in environ:
            told = environ.get("REMOTE_ADDR"), environ.get("HTTP_X_FORWARDED_FOR")
            environ[_ADDRESS] = _believed(*told, self._proxies) if self._proxies else told[0]
        address: str | None = environ[_ADDRESS]
        return address


@lru_cache(maxsize=4096)
def _believed(nearest: str | None, forwarded: str | None, proxies: int) -> str | None:
    """The address that the last of so many proxies was asked from."""
    environ: dict[str, Any] = {"REMOTE_ADDR": nearest, "HTTP_X_FORWARDED_FOR": forwarded}
    ProxyFix(lambda *_: (), x_for=proxies, x_proto=0)(environ, lambda *_: print)
    found: str | None = environ["REMOTE_ADDR"]
    return found


def _path_of(environ: WSGIEnvironment) -> str:
    """The path as the application routes by it, which takes several slashes at its beginning for one."""
    path = str(environ.get("PATH_INFO", "")).encode("latin-1").decode("utf-8", "replace")
    return f"/{path.lstrip('/')}"


def register(app: Flask, settings: Settings) -> None:
    """Ask each request for its key, and count it, before anything of its body is read.

    The entrance, where there is one, is `ENTRANCE` among the application's extensions. What stands before the
    application may ask it first, and hands its Admission or Refusal on in the environment under `DECIDED`.
    Raises BadSettings.
    """
    app.extensions[ENTRANCE] = None
    if settings.access_keys is None and not settings.requests_per_minute:
        return
    app.extensions[ENTRANCE] = entrance = Entrance(settings)

    def admit() -> None:
        found = request.environ.get(DECIDED) or entrance.decided(request.environ)
        if isinstance(found, Refusal):
            g.key_id, g.reason = found.key, getattr(found, "reason", None)
            raise found
        g.admission = found
        g.key_id = None if found.key is None else found.key.id

    def tell(response: Response) -> Response:
        if "admission" in g:
            response.headers.update(g.admission.headers)
        return response

    app.before_request(admit)
    app.after_request(tell)


def _opened(path: str) -> KeyFile:
    try:
        return KeyFile(path)
    except BadAccessKeys as bad:
        raise BadSettings(f"access keys: {bad}") from None


def require_guarded(host: str, settings: Settings, *, open_to_anyone: bool) -> None:
    """Refuse to serve other machines without keys, unless whoever runs the service wants just that.

    Raises BadSettings, also where the keys or origins are bad, and OSError where the host has no address.
    """
    require_origins(settings.cors_origins)
    if settings.access_keys is not None:
        _opened(settings.access_keys)
    elif not open_to_anyone and not is_loopback(host):
        raise BadSettings(
            f"{host} can be reached from other machines, and nobody would be asked for an access key: name a "
            "file of keys with --access-keys (`ballgauge access add` makes one), or say --open-to-anyone"
        )


def is_loopback(host: str) -> bool:
    """Whether every address of a host is of this machine alone. Raises OSError where it has none."""
    found = {str(each[4][0]) for each in socket.getaddrinfo(host or None, 0, flags=socket.AI_PASSIVE)}
    addresses = [ipaddress.ip_address(address.partition("%")[0]) for address in found]
    return all((getattr(address, "ipv4_mapped", None) or address).is_loopback for address in addresses)
