"""Finding and reading rulebooks and overlays: beside this module, in a folder, or out of a request."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from marshmallow import ValidationError

from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_schemas.shared.problems import flatten
from ballgauge_schemas.shared.text import utf8
from ballgauge_schemas.shared.words import BODIES, MADE_BY, STAGES
from ballgauge_service.rulebooks.model import Rulebook
from ballgauge_service.rulebooks.own import completed
from ballgauge_service.rulebooks.schema import parse_rulebook

FILE_MAXIMUM = 2**20
FILES_MAXIMUM = 200
"""Largest file of a folder of rulebooks [bytes], and most files in it (ours)."""

_OVERLAY_PREFIX = "overlay_"


class UnknownRulebookError(LookupError):
    """No rulebook or overlay of this name; the text names those there are.

    `place`: of the overlay among those asked for.
    """

    def __init__(self, words: str, place: int = 0) -> None:
        super().__init__(words)
        self.place = place


class RulebookError(ValueError):
    """A rule file or overlay breaks the schema; `messages` holds every fault by its place.

    `place`: of the overlay among those asked for, None: all of them.
    """

    def __init__(self, name: str, messages: Any, place: int | None = 0) -> None:
        super().__init__(f"{name}: {messages}")
        self.name, self.messages, self.place = name, messages, place

    def __reduce__(self) -> tuple[type, tuple[Any, ...]]:
        return RulebookError, (self.name, self.messages, self.place)


class BadFolderError(ValueError):
    """A folder of rulebooks cannot be used; the text names each bad file and line."""


@dataclass(frozen=True, slots=True)
class Own:
    """An overlay of one's own, as the contract's `Overlay` loads it; two of the same text are one."""

    text: str
    data: Mapping[str, Any] = field(compare=False, repr=False)

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Own:
        """The overlay of a loaded one."""
        return cls(json.dumps(data, sort_keys=True, default=str), data)


@dataclass(frozen=True, slots=True)
class Shelf:
    """The rulebooks by body, the overlays by name, and the approved list, that a service knows."""

    books: Mapping[str, Rulebook]
    overlays: Mapping[str, Rulebook]
    approved_list: ApprovedList | None = None


def read_rulebook(text: str, name: str = "rulebook") -> Rulebook:
    """A rulebook or an overlay from the TOML text of a rule file.

    Raises RulebookError with every fault, tomllib.TOMLDecodeError where the text is no TOML.
    """
    return _parsed(tomllib.loads(text), text, name)


def _parsed(data: Mapping[str, Any], text: str, name: str) -> Rulebook:
    try:
        found = parse_rulebook(completed(data))
    except ValidationError as error:
        raise RulebookError(name, error.messages) from error
    return replace(found, content=hashlib.sha256(text.encode()).hexdigest())


class _Files(Mapping[str, Rulebook]):
    """Rule files by name, each read when it is first asked for."""

    def __init__(self, paths: Mapping[str, Traversable]) -> None:
        self._paths = paths
        self._read: dict[str, Rulebook] = {}

    def __getitem__(self, name: str) -> Rulebook:
        if name not in self._read:
            path = self._paths[name]
            self._read[name] = read_rulebook(utf8(path.read_bytes()).decode(), path.name)
        return self._read[name]

    def __contains__(self, name: object) -> bool:
        return name in self._paths

    def __iter__(self) -> Iterator[str]:
        return iter(self._paths)

    def __len__(self) -> int:
        return len(self._paths)


@lru_cache(maxsize=1)
def shipped() -> Shelf:
    """The rule files beside this module, each named after its body or overlay."""
    paths = {
        item.name.removesuffix(".toml"): item
        for item in files(__package__).iterdir()
        if item.name.endswith(".toml")
    }
    books = {name: path for name, path in sorted(paths.items()) if not name.startswith(_OVERLAY_PREFIX)}
    overlays = {
        name.removeprefix(_OVERLAY_PREFIX): path
        for name, path in sorted(paths.items())
        if name.startswith(_OVERLAY_PREFIX)
    }
    return Shelf(_Files(books), _Files(overlays))


_SHELF: ContextVar[Shelf | None] = ContextVar("shelf", default=None)


def shelf() -> Shelf:
    """What is known here: the shipped files, unless `use` chose others."""
    return _SHELF.get() or shipped()


def approved_list() -> ApprovedList | None:
    """The approved list that is known here, None: none."""
    chosen = _SHELF.get()
    return None if chosen is None else chosen.approved_list


def use(chosen: Shelf | None) -> None:
    """Let this thread, and those that take its context, know other rulebooks; None: the shipped ones."""
    _SHELF.set(chosen)


def read_folder(folder: Path) -> Shelf:
    """The shipped rulebooks and those of a folder: a body's in place of the shipped one, overlays by name.

    Raises BadFolderError naming every file that cannot be used, with the line where it is known.
    """
    try:
        paths = sorted(path for path in folder.iterdir() if path.suffix == ".toml" and path.is_file())
    except OSError as error:
        raise BadFolderError(f"{folder}: {error.strerror}") from None
    faults = [f"{folder}: more than {FILES_MAXIMUM} files"] if len(paths) > FILES_MAXIMUM else []
    books, overlays = dict(shipped().books), dict(shipped().overlays)
    seen: dict[str, Path] = {}
    for path in paths[:FILES_MAXIMUM]:
        told = file_faults(path)
        if isinstance(told, Rulebook):
            kind, known = ("overlay", overlays) if told.base else ("rulebook", books)
            other = seen.setdefault(f"{kind} {told.body}", path)
            known[told.body] = told
            told = [f"{path}: {kind} {told.body} is also in {other.name}"] if other != path else []
        faults += told
    faults = faults or list(_too_large(Shelf(books, overlays), seen))
    if faults:
        raise BadFolderError("; ".join(faults))
    return Shelf(books, overlays)


def _too_large(known: Shelf, seen: Mapping[str, Path]) -> Iterator[str]:
    """The files whose rules, laid over those of their body, are more than an edition takes."""
    # Deferred: editions are compiled of what this module reads.
    from ballgauge_service.rulebooks.editions import compile_edition

    for name, base in known.books.items():
        laid = [each for each in known.overlays.values() if each.base == name]
        for over in (None, *laid):
            path = seen.get(f"overlay {over.body}" if over else f"rulebook {name}", f"overlay {over}")
            for made in (None, *(body for body in MADE_BY if body != name)):
                book = base if made is None else _made_by(base, known.books[made])
                book = book if over is None else _stacked(book, (over,))
                try:
                    for stage in STAGES:
                        compile_edition(book, None, stage)
                except RulebookError as refused:
                    yield f"{path}: with the rules of {name}: {refused.messages[0]}"
                    break


def file_faults(path: Path) -> Rulebook | list[str]:
    """The rulebook or overlay in a file; or what is wrong with it, each fault with file and line."""
    try:
        if path.stat().st_size > FILE_MAXIMUM:
            return [f"{path}: larger than {FILE_MAXIMUM >> 20} MiB"]
        text = utf8(path.read_bytes()).decode()
        found = read_rulebook(text, path.name)
        if (found.base or found.body) in BODIES:
            return found
        line = _line(text, "/overlay/base" if found.base else "/rulebook/body")
        return [f"{path}:{line}: no such body; there are: {', '.join(BODIES)}"]
    except RulebookError as refused:
        named = flatten(refused.messages)
        return [
            f"{path}:{_line(text, each['pointer'])}: {each['pointer']} {each['detail']}" for each in named
        ]
    except tomllib.TOMLDecodeError as error:
        told = re.search(r"at line (\d+)", str(error))
        return [f"{path}:{told[1] if told else 1}: {error}"]
    except UnicodeDecodeError:
        return [f"{path}: not UTF-8"]
    except OSError as error:
        return [f"{path}: {error.strerror}"]


def _line(text: str, pointer: str) -> int:
    """The line of a TOML text nearest to what a pointer names: that of its key, or of the table it is in."""
    steps = pointer.strip("/").split("/")
    tables, indices = [step for step in steps if not step.isdigit()], [s for s in steps if s.isdigit()]
    at, lines = 0, text.splitlines()
    for depth, name in enumerate(tables):
        header = re.compile(rf"\s*\[+\s*{re.escape('.'.join(tables[: depth + 1]))}\s*\]+")
        want = int(indices[min(depth, len(indices) - 1)]) if indices and depth < len(indices) else 0
        found = [n for n, line in enumerate(lines) if n >= at and header.match(line)]
        key = re.compile(rf"\s*{re.escape(name)}\s*=")
        if len(found) > want:
            at = found[want]
        else:
            at = next((n for n, line in enumerate(lines) if n >= at and key.match(line)), at)
    return at + 1


def bodies() -> tuple[str, ...]:
    """The names of the bodies with a rulebook, sorted."""
    return tuple(sorted(shelf().books))


def overlays() -> dict[str, str]:
    """The overlays there are: name and the body whose rules it lies over."""
    return {name: str(each.base) for name, each in sorted(shelf().overlays.items())}


def overlay_named(name: str) -> Rulebook:
    """The overlay of a name. Raises KeyError."""
    return shelf().overlays[name]


def rulebook(body: str, *overlays: str | Own | None, as_made: str | None = None) -> Rulebook:
    """The rulebook of a body, with the rules of overlays laid over it in their order.

    A rule of an overlay replaces the rule of the same id; others are added. The rules of the ball as made may
    be those of another body, `as_made`.

    Raises UnknownRulebookError for a body or overlay that is not there, or that do not belong together;
    RulebookError for an overlay of one's own that breaks the schema.
    """
    known = shelf()
    if body not in known.books:
        raise UnknownRulebookError(f"no rulebook of the body {body!r}; there are: {', '.join(bodies())}")
    base = known.books[body]
    if as_made is not None and as_made != body:
        base = _made_by(base, known.books[as_made])
    laid = tuple(_laid(body, each, place) for place, each in enumerate(overlays) if each is not None)
    return _stacked(base, laid) if laid else base


def _laid(body: str, overlay: str | Own, place: int) -> Rulebook:
    if isinstance(overlay, Own):
        try:
            found = _own(overlay)
        except RulebookError as refused:
            raise RulebookError("overlay", refused.messages, place) from None
        if found.base != body:
            text = f"an overlay over {found.base} does not lie over {body}"
            raise RulebookError("overlay", {"overlay": {"base": [text]}}, place)
        return found
    known = shelf().overlays.get(overlay)
    if known is None or known.base != body:
        fitting = [name for name, each in sorted(shelf().overlays.items()) if each.base == body]
        text = f"no overlay {overlay!r} for the body {body!r}; there are: {', '.join(fitting) or 'none'}"
        raise UnknownRulebookError(text, place)
    return known


@lru_cache(maxsize=64)
def _own(overlay: Own) -> Rulebook:
    return _parsed(overlay.data, overlay.text, "overlay")


@lru_cache(maxsize=64)
def _stacked(base: Rulebook, laid: Sequence[Rulebook]) -> Rulebook:
    rules = {rule.id: rule for book in (base, *laid) for rule in book.rules}
    content = hashlib.sha256(" ".join(book.content for book in (base, *laid)).encode()).hexdigest()
    return replace(
        base,
        title=", with ".join(book.title for book in (base, *laid)),
        edition="; ".join((base.edition, *(f"{over.title}: {over.edition}" for over in laid))),
        compiled_on=max(book.compiled_on for book in (base, *laid)),
        rules=tuple(rules.values()),
        notes=tuple(note for book in (base, *laid) for note in book.notes),
        content=content,
        overlays=tuple(laid),
    )


@lru_cache(maxsize=64)
def _made_by(base: Rulebook, other: Rulebook) -> Rulebook:
    """The rulebook with the other's rules of the ball as made."""
    made = tuple(rule for rule in other.rules if rule.as_made)
    return replace(
        base,
        edition=f"{base.edition}; the ball as made by {other.title}: {other.edition}",
        compiled_on=max(base.compiled_on, other.compiled_on),
        rules=made + tuple(rule for rule in base.rules if not rule.as_made),
        sample_rules=other.sample_rules,
        procedures=other.procedures,
        as_made=other.body,
        content=hashlib.sha256(f"{base.content} {other.content}".encode()).hexdigest(),
    )


def faults_of(messages: Any) -> Iterator[tuple[str, str]]:
    """The faults of a RulebookError's messages as JSON pointer and words."""
    for each in flatten(messages):
        yield each["pointer"], each["detail"]
