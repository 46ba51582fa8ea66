"""Access keys: what one looks like, and the file that holds their hashes.

A key is `ballgauge_<id>_<secret>`. The secret is 256 random bits, so there is no list of likely secrets to
try, and a plain SHA-256 of the key is as good at rest as a slow hash, which guards what people think up; a
slow one would let anybody spend the service's time. The id finds the hash; the prefix lets scanners of leaked
secrets know the key.

The file is TOML, one table `[[key]]` a key: `id`, `scopes`, `until` (its last day, UTC) and `sha256`.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import stat
import tempfile
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ballgauge_schemas.shared.access import SCOPES
from ballgauge_service.core import secret_files
from ballgauge_service.core.locks import alone
from ballgauge_service.core.secret_files import BadSecretFile

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

PREFIX = "ballgauge_"

SECRET_BYTES = 32
"""256 bits (ours)."""

_ID = r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?"
_KEY = re.compile(rf"{PREFIX}({_ID})_[A-Za-z0-9_-]{{43}}")
_DIGEST = re.compile("[0-9a-f]{64}")
_MEMBERS = ("id", "scopes", "until", "sha256")
_HEAD = "Access keys of a Ballgauge service: hashes only. `ballgauge access` adds, lists and revokes them."


class BadAccessKeys(ValueError):
    """A file of access keys that cannot be used, or a change that cannot be made; names every fault."""


@dataclass(frozen=True, slots=True)
class AccessKey:
    """A key as the file has it: `digest` is the SHA-256 of the whole key, `until` its last day (UTC)."""

    id: str
    scopes: frozenset[str]
    until: date
    digest: bytes


Keys = Mapping[str, AccessKey]


def id_of(key: str) -> str | None:
    """The id in a key; None where it is not one of ours."""
    found = _KEY.fullmatch(key)
    return found[1] if found else None


def digest_of(key: str) -> bytes:
    """The hash of a key."""
    return hashlib.sha256(key.encode()).digest()


def state_at(path: str) -> tuple[int, ...] | None:
    """What tells one state of a file from another; None where nothing can be looked at."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_mode


def read(path: str) -> Keys:
    """Read a file of keys; one without keys gives none. Raises BadAccessKeys."""
    return _parsed(_text(path), path)


def require_usable(keys: Keys, path: str, today: date) -> None:
    """Raise BadAccessKeys where no key of a file opens anything today."""
    if not any(key.until >= today for key in keys.values()):
        raise BadAccessKeys(f"{path} holds no key that is valid today; `ballgauge access add` makes one")


def kept(keys: Keys, path: str) -> Keys:
    """Those of the keys whose hashes a file still names that cannot be used; all, where it names none.

    Whoever takes a key out of a file revokes it, whatever else is wrong with the file; a file that was spoilt
    or is gone revokes nobody.
    """
    try:
        text = secret_files.read(path, shared=True)
    except BadSecretFile:
        return keys
    lines = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    return {name: key for name, key in keys.items() if key.digest.hex() in lines} or keys


def _text(path: str) -> str:
    try:
        return secret_files.read(path)
    except BadSecretFile as bad:
        raise BadAccessKeys(str(bad)) from None


def _parsed(text: str, path: str) -> Keys:
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadAccessKeys(f"{path} is not TOML: {error}") from None
    faults = [f"{name!r} is not known here" for name in document if name != "key"]
    rows = document.get("key", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        rows, faults = [], [*faults, "keys stand in tables [[key]]"]
    keys: dict[str, AccessKey] = {}
    for number, row in enumerate(rows, 1):
        wrong = _faults_of_row(row)
        if not wrong and row["id"] in keys:
            wrong = [f"id {row['id']!r} is given twice"]
        faults += [f"key {number}: {fault}" for fault in wrong]
        if not wrong:
            digest = bytes.fromhex(row["sha256"])
            keys[row["id"]] = AccessKey(row["id"], frozenset(row["scopes"]), row["until"], digest)
    if faults:
        raise BadAccessKeys("; ".join(f"{path}: {fault}" for fault in faults))
    return keys


def _faults_of_row(row: Mapping[str, Any]) -> list[str]:
    faults = [f"{name!r} is not known here" for name in row if name not in _MEMBERS]
    for name in _MEMBERS:
        if name not in row:
            faults.append(f"{name} is missing")
        elif not _CHECKS[name][0](row[name]):
            faults.append(f"{name} must be {_CHECKS[name][1]}")
    return faults


def _are_scopes(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(scope in SCOPES for scope in value)


_CHECKS: Mapping[str, tuple[Callable[[Any], bool], str]] = {
    "id": (
        lambda value: isinstance(value, str) and bool(re.fullmatch(_ID, value)),
        "1 to 32 of a to z, 0 to 9 and -, and neither begin nor end with -",
    ),
    "scopes": (_are_scopes, f"a list of {', '.join(SCOPES)}"),
    "until": (
        lambda value: isinstance(value, date) and not isinstance(value, datetime),
        "a day, such as 2027-06-30",
    ),
    "sha256": (
        lambda value: isinstance(value, str) and bool(_DIGEST.fullmatch(value)),
        "64 digits of 0 to 9 and a to f",
    ),
}


def add(path: str, key_id: str, scopes: list[str], until: date) -> str:
    """Make a key, put its hash in the file (made where there is none), and give the key.

    Raises BadAccessKeys where the id cannot be used or is taken, or the file is bad or cannot be written.
    """
    import tomlkit  # only whoever changes a file writes TOML

    key = f"{PREFIX}{key_id}_{secrets.token_urlsafe(SECRET_BYTES)}"
    ordered = [scope for scope in SCOPES if scope in scopes]
    row = {"id": key_id, "scopes": ordered, "until": until, "sha256": digest_of(key).hex()}
    if wrong := _faults_of_row(row):
        raise BadAccessKeys("; ".join(wrong))

    def change(document: TOMLDocument, keys: Keys) -> None:
        if key_id in keys:
            raise BadAccessKeys(f"{path} has a key {key_id!r} already; revoke it first, or take another id")
        table = tomlkit.table()
        table.update(row)
        if not keys:
            # An empty array in the place of tables cannot be appended to.
            document.pop("key", None)
            document["key"] = tomlkit.aot()
        document["key"].append(table)

    _change(path, change, made=True)
    return key


def revoke(path: str, key_id: str) -> Keys:
    """Take a key out of the file, and give those that are left. Raises BadAccessKeys as `add` does."""

    def change(document: TOMLDocument, keys: Keys) -> None:
        if key_id not in keys:
            raise BadAccessKeys(f"{path} has no key {key_id!r}; it has {', '.join(keys) or 'none'}")
        if len(keys) == 1:
            del document["key"]
        else:
            del document["key"][list(keys).index(key_id)]

    _change(path, change, made=False)
    return read(path)


def _change(path: str, change: Callable[[TOMLDocument, Keys], None], *, made: bool) -> None:
    import tomlkit

    target = os.path.realpath(path)
    try:
        with alone(os.path.dirname(target)):
            if made and not os.path.lexists(target):
                document, keys, found = tomlkit.document(), {}, None
                document.add(tomlkit.comment(_HEAD))
            else:
                text = _text(path)
                document, keys, found = tomlkit.parse(text), dict(_parsed(text, path)), os.stat(target)
            change(document, keys)
            written = tomlkit.dumps(document)
            _parsed(written, path)  # what could not be read again is not put in the place of what could
            _replace(Path(target), written, found)
    except OSError as error:
        raise BadAccessKeys(f"{path} cannot be written: {error.strerror}") from None


def _replace(target: Path, text: str, found: os.stat_result | None) -> None:
    """Put a file in the place of another in one step; who owns it, and whether its group reads it, stays."""
    number, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with open(number, "w", encoding="utf-8") as file:
            if found is not None and os.name == "posix":
                made = os.fstat(file.fileno())
                if (made.st_uid, made.st_gid) != (found.st_uid, found.st_gid):
                    os.fchown(file.fileno(), found.st_uid, found.st_gid)
                os.fchmod(file.fileno(), 0o600 | found.st_mode & stat.S_IRGRP)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, target)
    except BaseException:
        os.unlink(name)
        raise
