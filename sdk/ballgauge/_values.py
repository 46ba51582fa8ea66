"""Results with names and types; `raw` always holds the service's own document."""

from __future__ import annotations

import copy
import functools
import re
import reprlib
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Self, TypeVar, dataclass_transform

from ballgauge import _notebook as notebook
from ballgauge._failures import foreign

Read = Callable[[Any], Any]

_LONGEST_REPR = 2000
"""Characters (ours)."""

_brief = reprlib.Repr()
_brief.maxlevel, _brief.maxdict, _brief.maxlist, _brief.maxstring = 3, 20, 3, 80


def cut(text: str) -> str:
    """A text no longer than a `repr` is here."""
    return text if len(text) < _LONGEST_REPR else f"{text[: _LONGEST_REPR - 5]}...)"


@dataclass_transform(frozen_default=True, kw_only_default=True)
class Record(Mapping[str, Any]):
    """A read-only JSON object whose members are attributes too: ``result.derived.balance.arm``.

    Objects inside are records, arrays are tuples; `ballgauge.types` has their kinds. What a kind may have and
    this one has not is None. A member goes before a method of its name: where there is a member `values`,
    ``record.values`` is that, and ``record["values"]`` always. `to_dict` gives JSON's own.
    """

    if not TYPE_CHECKING:
        __slots__ = ("_members",)

        def __getattribute__(self, name: str) -> Any:
            if name[0] != "_":
                members = object.__getattribute__(self, "_members")
                if name in members:
                    return self[name]
            return object.__getattribute__(self, name)

        def __getattr__(self, name: str) -> Any:
            if "None" in _annotations(type(self)).get(name, ""):
                return None
            raise AttributeError(f"no member {name!r}; there are {', '.join(self._members)}")

    _members: Mapping[str, Any]

    def __init_subclass__(cls, *, init: bool) -> None:
        # As in `Result`.
        pass

    def __init__(self, members: Mapping[str, Any]) -> None:
        object.__setattr__(self, "_members", members)

    def __getitem__(self, name: str) -> Any:
        return frozen(self._members[name], _annotations(type(self)).get(name, ""))

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a record cannot be changed")

    def __delattr__(self, name: str) -> None:
        raise AttributeError("a record cannot be changed")

    def __iter__(self) -> Iterator[str]:
        return iter(self._members)

    def __len__(self) -> int:
        return len(self._members)

    def __repr__(self) -> str:
        return cut(f"{type(self).__name__}({_brief.repr(self._members)})")

    def to_dict(self) -> dict[str, Any]:
        """The object as JSON has it, of which nothing here is changed."""
        return dict(copy.deepcopy(self._members))

    def to_frame(self) -> Any:
        """The members as a data frame of one row; see `Result.to_frame`."""
        return notebook.frame([self._members])

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self._members, *_annotations(type(self))]

    def _ipython_key_completions_(self) -> list[str]:
        return list(self._members)

    def __reduce__(self) -> tuple[type[Record], tuple[Mapping[str, Any]]]:
        return type(self), (self._members,)


Named = TypeVar("Named")


class Table(Record, Generic[Named], init=False):
    """A record whose members have names of their own, and all one kind."""

    if TYPE_CHECKING:

        def __getitem__(self, name: str) -> Named: ...

        def __getattr__(self, name: str) -> Named: ...


def frozen(value: Any, annotation: str = "") -> Any:
    """A JSON value that cannot be changed: objects as records of the kind annotated, arrays as tuples."""
    if isinstance(value, dict):
        return _kind(annotation)(value)
    if isinstance(value, list):
        return tuple(frozen(each, annotation) for each in value)
    return value


def _annotations(kind: type) -> Mapping[str, str]:
    return kind.__annotations__


@functools.cache
def _kind(annotation: str) -> type[Record]:
    """The kind of record that an annotation names; the plain one where it names none, or several."""
    if annotation in ("", "Record"):
        return Record
    # Deferred: who reads no more than an outcome needs no kinds.
    from ballgauge import types

    named = (getattr(types, name, None) for name in re.findall(r"\w+", annotation))
    kinds = [kind for kind in named if isinstance(kind, type) and issubclass(kind, Record)]
    return kinds[0] if len(kinds) == 1 else Record


def member(read: Read | None = None, **default: Any) -> Any:
    """A member of a document, made a value by `read`; it must be there unless a `default` stands for it."""
    return _Member(read, default)


def whole(read: Read) -> Any:
    """A value that `read` finds in the whole document."""
    return _Member(read, {"default": None}, whole=True)


def each(kind: type[Result]) -> Read:
    """Reads an array of documents."""
    return lambda documents: tuple(map(kind, documents))


class _Member:
    """Makes a value when it is first asked for; the result keeps it."""

    def __init__(self, read: Read | None, default: Mapping[str, Any], *, whole: bool = False) -> None:
        self._read, self._default, self._whole = read, default, whole
        self.needed = not default

    def __set_name__(self, owner: type[Result], name: str) -> None:
        self._name = name

    def __get__(self, result: Result | None, owner: type[Result]) -> Any:
        if result is None:
            return self
        try:
            value = result.__dict__[self._name] = self._made(result.raw, owner)
        except (KeyError, TypeError, AttributeError):
            raise foreign() from None
        return value

    def _made(self, document: Mapping[str, Any], owner: type[Result]) -> Any:
        if self._whole and self._read is not None:
            return self._read(document)
        value = document.get(self._name)
        value = self._default.get("default") if value is None else value
        return frozen(value, _annotations(owner)[self._name]) if self._read is None else self._read(value)


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(member, whole))
class Result:
    """A document of the service with names and types, which cannot be changed.

    The annotations of a kind of result are its members. Raises ServiceError for a document that lacks one,
    or has another kind of value in its place.
    """

    raw: Mapping[str, Any]
    request_id: str | None
    _members: ClassVar[tuple[str, ...]]
    _rows: ClassVar[str]
    _needed: ClassVar[frozenset[str]]

    def __init_subclass__(cls, *, init: bool, rows: str = "") -> None:
        # `init` is False, for type checkers: a result is made of its document alone. `rows` is the member
        # whose rows are its table in a notebook.
        cls._rows = rows
        cls._members = tuple(cls.__annotations__)
        for name in cls._members:
            if name not in vars(cls):
                setattr(cls, name, plain := member())
                plain.__set_name__(cls, name)
        cls._needed = frozenset(name for name in cls._members if vars(cls)[name].needed)

    def __init__(self, raw: Mapping[str, Any], request_id: str | None = None) -> None:
        if not isinstance(raw, dict):
            raise foreign()
        if lacking := self._needed - raw.keys():
            raise foreign(lacking=sorted(lacking))
        self.__dict__["raw"] = raw
        self.__dict__["request_id"] = request_id

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            # What a newer service tells besides.
            raw = self.__dict__.get("raw", {})
            if name not in raw:
                raise AttributeError(f"no member {name!r}; there are {', '.join(self._members)}")
            return frozen(raw[name])

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """Read one document of the service."""
        return cls(document)

    def __setattr__(self, name: str, value: Any) -> None:
        raise AttributeError("a result cannot be changed")

    def __delattr__(self, name: str) -> None:
        raise AttributeError("a result cannot be changed")

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and self._values() == other._values()

    def __hash__(self) -> int:
        return hash(self._values())

    def __repr__(self) -> str:
        values = {name: self.raw[name] if name in self.raw else getattr(self, name) for name in self._members}
        told = (f"{name}={_brief.repr(value)}" for name, value in values.items())
        return cut(f"{type(self).__name__}({', '.join(told)})")

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.raw]

    def to_dict(self) -> dict[str, Any]:
        """The service's document as JSON has it, of which nothing here is changed."""
        return dict(copy.deepcopy(self.raw))

    def to_frame(self, member: str | None = None) -> Any:
        """A data frame of pandas or polars, whichever is there: the findings, the worst balls, or a `member`.

        An object inside a row becomes columns with its name before theirs: ``limit.max``. Raises ImportError
        where neither is installed, ValueError for a member that is no array of objects.
        """
        rows = self.raw.get(member or self._rows)
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise ValueError(f"{member or self._rows!r} is no array of objects")
        return notebook.frame(rows)

    def _repr_html_(self) -> str:
        page = notebook.page(type(self).__name__, self.raw, self._rows)
        try:
            return page + self._picture()
        except (KeyError, TypeError, ValueError):
            return page  # of an answer that lacks what is drawn

    def _picture(self) -> str:
        """A picture as SVG; none for most results."""
        return ""

    def _values(self) -> tuple[Any, ...]:
        return tuple(getattr(self, name) for name in self._members)
