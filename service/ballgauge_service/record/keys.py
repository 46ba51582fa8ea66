"""Keys: Ed25519 (RFC 8032) as a JWK set (RFC 7517, RFC 8037), from the environment or a file.

The first private key of the set that lives signs; every key of the set verifies. To rotate, put the new
private key first and keep the old one, its private half removed: what it signed stays genuine. Signatures are
compact JWS (RFC 7515).
"""

from __future__ import annotations

import base64
import binascii
import datetime
import json
import os
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from ballgauge_service.core import secret_files
from ballgauge_service.core.secret_files import BadSecretFile

FILE_VARIABLE = "BALLGAUGE_KEYS_FILE"
"""Names a file that holds the JWK set."""

SET_VARIABLE = "BALLGAUGE_KEYS"
"""Holds the JWK set itself, or the word `demo`."""

ALGORITHM = "EdDSA"
"""What signatures name (RFC 8037, 2017), as most libraries know it; `Ed25519` (RFC 9864, 2025) is read."""

TYPE = "ballgauge-record"

_READ = (ALGORITHM, "Ed25519")
_LIFE = ("nbf", "exp")
_DAY = 86_400.0
_NAME = re.compile(r"[A-Za-z0-9._-]{1,32}")

DEMO_KEY: Mapping[str, str] = {
    "kty": "OKP",
    "crv": "Ed25519",
    "kid": "demo",
    "d": "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A",
    "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo",
}
"""The example key of RFC 8037 (2017), appendix A.1: its private half is public, so it proves nothing."""


class BadKeys(ValueError):
    """The keys given to the service cannot be used."""


class NoSigningKey(Exception):
    """The service has no private key."""


@dataclass(frozen=True, slots=True)
class Unsigned:
    """What a compact JWS holds before anything is known of its signature."""

    kid: str | None
    payload: bytes


@dataclass(frozen=True, slots=True)
class Key:
    """One key: its halves, and from when until when it signs [s since 1970, UTC]; None: no end."""

    public: Ed25519PublicKey
    private: Ed25519PrivateKey | None
    nbf: int | None
    exp: int | None

    def lives(self, begin: float, end: float | None = None) -> bool:
        """Whether it may sign at a time, or at some time from `begin` to `end`."""
        begins = self.nbf is None or self.nbf <= (begin if end is None else end)
        return begins and (self.exp is None or begin < self.exp)


class Keyring:
    """The keys of one service, by their id.

    Parameters
    ----------
    keys : sequence of dict
        JWK objects with `kty` OKP, `crv` Ed25519 and a `kid` of letters, digits, dots, dashes or underlines;
        `nbf` and `exp` say from when until when a key signs [s since 1970].
    clock : callable () -> float
        Seconds since 1970.

    Raises
    ------
    BadKeys
        A key is not of that kind, has no id, or has the id of another.
    """

    def __init__(self, keys: list[Mapping[str, Any]], clock: Callable[[], float] = time.time) -> None:
        self._keys: dict[str, Key] = {}
        self._clock = clock
        for number, given in enumerate(keys, 1):
            kid = given.get("kid") if isinstance(given, Mapping) else None
            if not isinstance(kid, str) or not _NAME.fullmatch(kid):
                raise BadKeys(
                    f"key {number} needs a kid of 1 to 32 letters, digits, dots, dashes, underlines"
                )
            if kid in self._keys:
                raise BadKeys(f"two keys have the kid {kid!r}")
            self._keys[kid] = _import(given, number)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] = os.environ) -> Keyring:
        """Read the keys that the environment names; an empty ring where it names none. Raises BadKeys."""
        path, text = environment.get(FILE_VARIABLE), environment.get(SET_VARIABLE)
        if path and text:
            raise BadKeys(f"{FILE_VARIABLE} and {SET_VARIABLE} are both set; one of them is enough")
        if path:
            try:
                text = secret_files.read(path, shared=not _holds_secret(path))
            except BadSecretFile as error:
                raise BadKeys(f"{FILE_VARIABLE}: {error}") from None
        if not text:
            return cls([])
        if text.strip() == "demo":
            return cls([DEMO_KEY])
        return cls(_keys_of(text, FILE_VARIABLE if path else SET_VARIABLE))

    def public_set(self) -> dict[str, Any]:
        """The JWK set for others: public halves only."""
        return {"keys": [_jwk(kid, key) for kid, key in self._keys.items()]}

    @property
    def signing_kid(self) -> str:
        """The id of the key that signs: the first private one that lives now. Raises NoSigningKey."""
        now = self._clock()
        kid = next((kid for kid, key in self._keys.items() if key.private and key.lives(now)), None)
        if kid is None:
            raise NoSigningKey
        return kid

    @property
    def may_sign(self) -> bool:
        """Whether a key is private, whenever it lives."""
        return any(key.private for key in self._keys.values())

    def knows(self, kid: str | None) -> bool:
        """Whether a key has this id."""
        return kid in self._keys

    def signed_on(self, kid: str, day: datetime.date) -> bool:
        """Whether the key of this id lived on some hour of a day, wherever on Earth that was its date."""
        noon = datetime.datetime.combine(day, datetime.time(12), datetime.UTC).timestamp()
        return self._keys[kid].lives(noon - _DAY, noon + _DAY)

    def is_demo(self, kid: str) -> bool:
        """Whether the key of this id is the published example key, under whatever id."""
        return _written(self._keys[kid].public) == DEMO_KEY["x"] if kid in self._keys else False

    def sign(self, payload: bytes) -> str:
        """Sign bytes; gives a compact JWS. Raises NoSigningKey."""
        kid = self.signing_kid
        private = self._keys[kid].private
        assert private is not None
        header = json.dumps({"alg": ALGORITHM, "kid": kid, "typ": TYPE}, separators=(",", ":"))
        signed = f"{encoded(header.encode())}.{encoded(payload)}"
        return f"{signed}.{encoded(private.sign(signed.encode()))}"

    def is_genuine(self, token: str) -> bool:
        """Whether the key that the token names has signed it, to the last bit of every part."""
        header, _, signature = parts(token)
        named = _header(header)
        key = self._keys.get(str(named.get("kid")))
        # What a header asks for beyond this is not understood here, and must not be taken for granted.
        if (
            key is None
            or set(named) != {"alg", "kid", "typ"}
            or named["typ"] != TYPE
            or named["alg"] not in _READ
        ):
            return False
        try:
            key.public.verify(signature, token.rpartition(".")[0].encode())
        except InvalidSignature:
            return False
        return True


def are_named() -> bool:
    """Whether the environment names keys."""
    return any(os.environ.get(name) for name in (FILE_VARIABLE, SET_VARIABLE))


def unsigned(token: str) -> Unsigned:
    """Take a compact JWS apart without believing it.

    Raises
    ------
    ValueError
        It is not a compact JWS in the one spelling that its bytes have.
    """
    header, payload, _ = parts(token)
    kid = _header(header).get("kid")
    return Unsigned(kid if isinstance(kid, str) else None, payload)


def _header(text: bytes) -> dict[str, Any]:
    try:
        named = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("the header is not JSON, or is nested too deep") from None
    return named if isinstance(named, dict) else {}


def parts(token: str) -> tuple[bytes, bytes, bytes]:
    """Decode the header, payload and signature of a compact JWS.

    Raises ValueError for another number of parts, and for base64url that does not come back as it was: the
    unused bits of a last letter could otherwise be changed without anyone noticing.
    """
    pieces = token.split(".")
    if len(pieces) != 3:
        raise ValueError("a record has three parts with dots between")
    header, payload, signature = (_decoded(piece) for piece in pieces)
    return header, payload, signature


def encoded(data: bytes) -> str:
    """Write bytes as base64url without padding (RFC 7515, appendix C)."""
    return base64.urlsafe_b64encode(data).decode("ascii").rstrip("=")


def _decoded(piece: str) -> bytes:
    try:
        data = base64.urlsafe_b64decode(piece + "=" * (-len(piece) % 4))
    except (binascii.Error, ValueError):
        data = b""
    if not data or encoded(data) != piece:
        raise ValueError("a part of the record is not base64url")
    return data


def new_key(kid: str) -> dict[str, Any]:
    """Make a JWK set with one new private key of this id. Raises BadKeys for an id that cannot be used."""
    private = Ed25519PrivateKey.generate()
    made = {
        "kty": "OKP", "crv": "Ed25519", "kid": kid, "alg": ALGORITHM, "use": "sig",
        "x": _written(private.public_key()), "d": encoded(private.private_bytes_raw()),
    }  # fmt: skip
    Keyring([made])
    return {"keys": [made]}


def _keys_of(text: str, where: str) -> list[Mapping[str, Any]]:
    try:
        document = json.loads(text)
    except ValueError as error:
        raise BadKeys(f"{where} is not JSON: {error}") from None
    keys = document.get("keys") if isinstance(document, dict) else None
    if not isinstance(keys, list) or not keys:
        raise BadKeys(f'{where} must be a JWK set: {{"keys": [...]}} with at least one key')
    return keys


def _import(given: Mapping[str, Any], number: int) -> Key:
    if given.get("kty") != "OKP" or given.get("crv") != "Ed25519":
        raise BadKeys(f"key {number} is not an Ed25519 key (kty OKP, crv Ed25519)")
    if given.get("alg", ALGORITHM) not in _READ or given.get("use", "sig") != "sig":
        raise BadKeys(f"key {number} is not for signing (alg {ALGORITHM}, use sig)")
    begin, end = (given.get(name) for name in _LIFE)
    for time_given in (begin, end):
        if time_given is not None and (isinstance(time_given, bool) or not isinstance(time_given, int)):
            raise BadKeys(f"key {number}: nbf and exp are whole seconds since 1970 (RFC 7519, NumericDate)")
    if begin is not None and end is not None and begin >= end:
        raise BadKeys(f"key {number} ends before it begins")
    try:
        public = Ed25519PublicKey.from_public_bytes(_decoded(given["x"]))
        private = Ed25519PrivateKey.from_private_bytes(_decoded(given["d"])) if "d" in given else None
    except (ValueError, TypeError, KeyError, AttributeError):
        raise BadKeys(f"key {number} cannot be read") from None
    if private is not None and private.public_key() != public:
        raise BadKeys(f"key {number}: its halves do not belong together")
    return Key(public, private, begin, end)


def _jwk(kid: str, key: Key) -> dict[str, Any]:
    life = {name: value for name, value in zip(_LIFE, (key.nbf, key.exp), strict=True) if value is not None}
    named = {"kty": "OKP", "crv": "Ed25519", "kid": kid, "alg": ALGORITHM, "use": "sig"}
    return {**named, "x": _written(key.public), **life}


def _written(public: Ed25519PublicKey) -> str:
    return encoded(public.public_bytes_raw())


def _holds_secret(path: str) -> bool:
    """Whether a file may hold a private key; public ones are for everybody to read."""
    try:
        return '"d"' in secret_files.read(path, shared=True)
    except BadSecretFile:
        return True
