"""Keys: Ed25519 (RFC 8032) as a JWK set (RFC 7517, RFC 8037), from the environment or a file.

The first private key of the set signs; every key of the set verifies. To rotate, put the new private key
first and keep the old one, its private half removed: what it signed stays genuine. Signatures are compact
JWS (RFC 7515).
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from joserfc import jws
from joserfc.errors import JoseError
from joserfc.jwk import OKPKey

FILE_VARIABLE = "BALLGAUGE_KEYS_FILE"
"""Names a file that holds the JWK set."""

SET_VARIABLE = "BALLGAUGE_KEYS"
"""Holds the JWK set itself, or the word `demo`."""

ALGORITHM = "Ed25519"
"""What new signatures name (RFC 9864, 2025); `EdDSA` is its older name (RFC 8037, 2017) and is read too."""

TYPE = "ballgauge-record"

_READ = (ALGORITHM, "EdDSA")
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


class Keyring:
    """The keys of one service, by their id.

    Parameters
    ----------
    keys : sequence of dict
        JWK objects with `kty` OKP, `crv` Ed25519 and a `kid` of letters, digits, dots, dashes or underlines.

    Raises
    ------
    BadKeys
        A key is not of that kind, has no id, or has the id of another.
    """

    def __init__(self, keys: list[Mapping[str, Any]]) -> None:
        self._keys: dict[str, OKPKey] = {}
        self._demo: set[str] = set()
        for number, given in enumerate(keys, 1):
            kid = given.get("kid") if isinstance(given, Mapping) else None
            if not isinstance(kid, str) or not _NAME.fullmatch(kid):
                raise BadKeys(
                    f"key {number} needs a kid of 1 to 32 letters, digits, dots, dashes, underlines"
                )
            if kid in self._keys:
                raise BadKeys(f"two keys have the kid {kid!r}")
            self._keys[kid] = key = _import(given, number)
            if key.thumbprint() == _demo_thumbprint():
                self._demo.add(kid)
        self._signing = next((kid for kid, key in self._keys.items() if key.is_private), None)

    @classmethod
    def from_environment(cls, environment: Mapping[str, str] = os.environ) -> Keyring:
        """Read the keys that the environment names; an empty ring where it names none. Raises BadKeys."""
        path, text = environment.get(FILE_VARIABLE), environment.get(SET_VARIABLE)
        if path and text:
            raise BadKeys(f"{FILE_VARIABLE} and {SET_VARIABLE} are both set; one of them is enough")
        if path:
            try:
                text = Path(path).read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError) as error:
                raise BadKeys(f"{FILE_VARIABLE}: {path} cannot be read: {error}") from None
        if not text:
            return cls([])
        if text.strip() == "demo":
            return cls([DEMO_KEY])
        return cls(_keys_of(text, FILE_VARIABLE if path else SET_VARIABLE))

    def public_set(self) -> dict[str, Any]:
        """The JWK set for others: public halves only."""
        return {"keys": [key.as_dict(private=False) | {"kid": kid} for kid, key in self._keys.items()]}

    @property
    def signing_kid(self) -> str:
        """The id of the key that signs. Raises NoSigningKey."""
        if self._signing is None:
            raise NoSigningKey
        return self._signing

    def knows(self, kid: str | None) -> bool:
        """Whether a key has this id."""
        return kid in self._keys

    def is_demo(self, kid: str) -> bool:
        """Whether the key of this id is the published example key, under whatever id."""
        return kid in self._demo

    def sign(self, payload: bytes) -> str:
        """Sign bytes; gives a compact JWS. Raises NoSigningKey."""
        header = {"alg": ALGORITHM, "kid": self.signing_kid, "typ": TYPE}
        return jws.serialize_compact(header, payload, self._keys[self.signing_kid], algorithms=list(_READ))

    def is_genuine(self, token: str) -> bool:
        """Whether the key that the token names has signed it, to the last bit of every part."""
        found = unsigned(token)
        key = self._keys.get(found.kid or "")
        if key is None:
            return False
        try:
            jws.deserialize_compact(token, key, algorithms=list(_READ))
        except (JoseError, ValueError):
            return False
        return True


def unsigned(token: str) -> Unsigned:
    """Take a compact JWS apart without believing it.

    Raises
    ------
    ValueError
        It is not a compact JWS in the one spelling that its bytes have.
    """
    header, payload, _ = parts(token)
    try:
        named = json.loads(header)
    except (ValueError, RecursionError):
        raise ValueError("the header is not JSON, or is nested too deep") from None
    kid = named.get("kid") if isinstance(named, dict) else None
    return Unsigned(kid if isinstance(kid, str) else None, payload)


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
    key = OKPKey.generate_key("Ed25519", private=True)
    made = {"keys": [key.as_dict(private=True) | {"kid": kid}]}
    Keyring(list(made["keys"]))
    return made


def _keys_of(text: str, where: str) -> list[Mapping[str, Any]]:
    try:
        document = json.loads(text)
    except ValueError as error:
        raise BadKeys(f"{where} is not JSON: {error}") from None
    keys = document.get("keys") if isinstance(document, dict) else None
    if not isinstance(keys, list) or not keys:
        raise BadKeys(f'{where} must be a JWK set: {{"keys": [...]}} with at least one key')
    return keys


def _import(given: Mapping[str, Any], number: int) -> OKPKey:
    if given.get("kty") != "OKP" or given.get("crv") != "Ed25519":
        raise BadKeys(f"key {number} is not an Ed25519 key (kty OKP, crv Ed25519)")
    try:
        public = OKPKey.import_key({name: given[name] for name in ("kty", "crv", "x")})
        if "d" not in given:
            return public
        private = OKPKey.import_key({name: given[name] for name in ("kty", "crv", "x", "d")})
        # The library takes a private key at its word; halves that do not match would verify nothing.
        trial = jws.serialize_compact({"alg": ALGORITHM}, b"trial", private, algorithms=[ALGORITHM])
        jws.deserialize_compact(trial, public, algorithms=[ALGORITHM])
    except (JoseError, ValueError, TypeError, KeyError):
        raise BadKeys(f"key {number} cannot be read, or its halves do not belong together") from None
    return private


def _demo_thumbprint() -> str:
    return OKPKey.import_key({name: DEMO_KEY[name] for name in ("kty", "crv", "x")}).thumbprint()
