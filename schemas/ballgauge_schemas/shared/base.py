"""The base of all schemas, and the plain fields.

A schema here is a marshmallow schema that reads its own object in one pass over the members given, and
collects every error before it raises. Rules between fields go into `check`, which also runs where single
fields have failed, so that a caller sees all that is wrong at once. marshmallow's hooks and validators are
not run, and a class that has any is refused. Each field has a `read`, which takes decoded JSON and raises
ValidationError.

Every field takes `required` and `allow_none`, and either `default`, which loading fills in, or `assumed`,
which the engine takes where the field is absent; the document shows both as `default`. A field is written as
what it takes, an example, and its description.
"""

from __future__ import annotations

import datetime
import functools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, ClassVar, TypedDict, Unpack

import marshmallow
from marshmallow import ValidationError, fields, missing
from marshmallow.exceptions import SCHEMA
from marshmallow.schema import SchemaMeta
from marshmallow.types import StrSequenceOrSet, UnknownOption

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.wording import UnknownField, json_type, listed, shown_number, shown_text

Errors = dict[Any, Any]
"""Error texts in marshmallow's nesting: lists of texts under field names and array indices."""

REQUIRED = "missing; this field is required"
UNKNOWN_MORE = "more unknown fields"


def add_error(errors: Errors, path: tuple[str | int, ...], text: str) -> None:
    """Add `text` at `path`, unless something above that place is wrong as a whole."""
    node: Any = errors
    for step in path[:-1]:
        node = node.setdefault(step, {})
        if not isinstance(node, dict):
            return
    found = node.setdefault(path[-1], [])
    if isinstance(found, dict):
        found = found.setdefault(SCHEMA, [])
    found.append(text)


def has_error(errors: Errors, *path: str | int) -> bool:
    """Tell whether anything is wrong at `path`, below it, or above it as a whole."""
    node: Any = errors
    for step in path:
        if not isinstance(node, dict):
            return True
        if step not in node:
            return False
        node = node[step]
    return True


def given(names: Iterable[str], loaded: Mapping[str, Any], errors: Errors) -> list[str]:
    """Those of some members that were given, right or wrong."""
    return [name for name in names if name in loaded or name in errors]


def require(part: Any, names: Iterable[str], errors: Errors, path: tuple[str | int, ...], text: str) -> None:
    """Ask for members of a loaded part at `path`, where it is an object."""
    for name in names:
        if isinstance(part, dict) and name not in part and not has_error(errors, *path, name):
            add_error(errors, (*path, name), text)


def _count(errors: Any) -> int:
    below = errors.values() if isinstance(errors, dict) else errors if isinstance(errors, list) else None
    return 1 if below is None else sum(map(_count, below))


def _or_null(read: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda value: None if value is None else read(value)


class _StrictMeta(SchemaMeta):
    def __new__(
        mcs, name: str, bases: tuple[type, ...], attrs: dict[str, Any], *, whole: bool = False
    ) -> type:
        """Make a class of schemas; whole: every member that it tells itself is required."""
        for field in attrs.values():
            if whole and isinstance(field, fields.Field):
                field.required = True
        return super().__new__(mcs, name, bases, attrs)

    def __init__(
        cls,  # noqa: N805 - of a metaclass
        name: str,
        bases: tuple[type, ...],
        attrs: dict[str, Any],
        **_: Any,
    ) -> None:
        super().__init__(name, bases, attrs)  # type: ignore[no-untyped-call]
        if cls._hooks:
            raise TypeError(f"{name}: hooks ({', '.join(sorted(cls._hooks))}) are not run; override `check`")
        told = {each for each in vars(attrs.get("Meta", object)) if not each.startswith("__")} - {"include"}
        unread = sorted(told | attrs.keys() & {"handle_error", "error_messages"})
        if unread:
            raise TypeError(f"{name}: {', '.join(unread)} would be overlooked; a schema is strict as it is")
        for member, field in cls._declared_fields.items():
            for option in ("validate", "pre_load", "post_load", "data_key", "attribute"):
                if getattr(field, option):
                    raise TypeError(f"{name}.{member}: `{option}` is not supported; give the field a `read`")


class Schema(marshmallow.Schema, metaclass=_StrictMeta):
    """A strict object: every member is known, every error is told."""

    also_known: ClassVar[tuple[str, ...]] = ()
    """Names that belong to a sister schema: errors here, but worth suggesting."""

    def __init__(self) -> None:
        super().__init__()
        self._readers: dict[str, Callable[[Any], Any]] = {}
        self._defaults: dict[str, Any] = {}
        self._makers: dict[str, Callable[[], Any]] = {}
        for name, field in self.load_fields.items():
            read: Callable[[Any], Any] = getattr(field, "read", field.deserialize)
            self._readers[name] = _or_null(read) if field.allow_none else read
            if callable(field.load_default):
                self._makers[name] = field.load_default
            elif field.load_default is not missing:
                self._defaults[name] = field.load_default
        self._required = tuple(name for name, field in self.load_fields.items() if field.required)
        self._awaited = frozenset((*self._required, *self._makers))

    def load(
        self,
        data: Any,
        *,
        many: bool | None = None,
        partial: bool | StrSequenceOrSet | None = None,
        unknown: UnknownOption | None = None,
    ) -> dict[str, Any]:
        """Give the object in `data` with its quantities in trade units.

        Raises ValidationError with every error of the object and of all below it, and TypeError where a
        marshmallow option asks for less strictness.
        """
        if many or partial is not None or unknown is not None:
            raise TypeError("the contract is strict: many, partial and unknown are not supported")
        if not isinstance(data, dict):
            raise ValidationError({SCHEMA: [f"must be an object; got {json_type(data)}"]})
        loaded = self._defaults.copy()
        errors: Errors = {}
        readers = self._readers
        for name, value in data.items():
            read = readers.get(name)
            if read is None:
                errors[name] = []
                continue
            try:
                loaded[name] = read(value)
            except ValidationError as error:
                errors[name] = error.messages
                loaded.pop(name, None)
                if isinstance(error.valid_data, (dict, list)):
                    loaded[name] = error.valid_data
        if not self._awaited <= data.keys():
            self._read_absent(data, loaded, errors)
        if errors:
            self._name_unknown(errors)
        self.check(loaded, errors)
        if errors:
            raise ValidationError(errors, valid_data=loaded)
        return loaded

    @property
    def required_names(self) -> tuple[str, ...]:
        """The members that are always there."""
        return self._required

    def validate(
        self, data: Any, *, many: bool | None = None, partial: bool | StrSequenceOrSet | None = None
    ) -> dict[str, list[str]]:
        """Give the errors that `load` would raise, empty where there are none."""
        try:
            self.load(data, many=many, partial=partial)
        except ValidationError as error:
            return dict(error.messages_dict)
        return {}

    def check(self, loaded: dict[str, Any], errors: Errors) -> None:
        """Add the errors between fields. `loaded` lacks what failed; `errors` says what did."""

    def _read_absent(self, data: dict[Any, Any], loaded: dict[str, Any], errors: Errors) -> None:
        for name in self._required:
            if name not in data:
                errors[name] = [REQUIRED]
        for name, make in self._makers.items():
            if name not in data:
                loaded[name] = make()

    def _name_unknown(self, errors: Errors) -> None:
        unknown = [name for name in errors if name not in self._readers]
        for name in unknown[: limits.UNKNOWN_MAXIMUM]:
            text = [UnknownField.of(name, (*self._readers, *self.also_known))]
            errors[name] = {SCHEMA: text} if name == SCHEMA else text
        for name in unknown[limits.UNKNOWN_MAXIMUM :]:
            del errors[name]
        if len(unknown) > limits.UNKNOWN_MAXIMUM:
            add_error(errors, (SCHEMA,), f"{len(unknown) - limits.UNKNOWN_MAXIMUM} {UNKNOWN_MORE}")


class Options(TypedDict, total=False):
    """What every field takes besides its own."""

    required: bool
    allow_none: bool
    default: Any
    assumed: Any


def told(
    shape: Mapping[str, Any],
    *,
    required: bool = False,
    allow_none: bool = False,
    default: Any = missing,
    assumed: Any = missing,
) -> dict[str, Any]:
    """Marshmallow's options of a field, whose `shape` is what the document says of it."""
    shown = assumed if default is missing else default
    metadata = {**shape} if shown is missing else {**shape, "default": shown}
    options = {"required": required, "allow_none": allow_none, "metadata": metadata}
    return options if default is missing else {**options, "load_default": default}


PLAIN = r"^[^\u0000-\u001f\u007f-\u009f]*$"
"""Text without control characters, as a pattern of ECMA-262."""


class Text(fields.String):
    """A short text without control characters."""

    _CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")

    def __init__(
        self,
        example: str,
        description: str,
        *,
        maximum: int = 120,
        pattern: str | None = None,
        **options: Unpack[Options],
    ) -> None:
        shape = {
            "description": description, "examples": [example], "maxLength": maximum,
            "pattern": pattern or PLAIN,
        }  # fmt: skip
        super().__init__(**told(shape, **options))
        self.maximum = maximum
        self.pattern = None if pattern is None else re.compile(pattern)

    def read(self, value: Any) -> str:
        """Read the text in `value`; raises ValidationError."""
        if not isinstance(value, str):
            raise ValidationError(f"must be a string; got {json_type(value)}")
        if len(value) > self.maximum:
            raise ValidationError(f"must be at most {self.maximum} characters long; got {len(value)}")
        if not value.isprintable() and self._CONTROL.search(value):
            raise ValidationError("must not hold control characters")
        if self.pattern is not None and not self.pattern.fullmatch(value):
            raise ValidationError(f"must match {self.pattern.pattern}; got {shown_text(value)}")
        return value


class Choice(fields.String):
    """One of a few words."""

    def __init__(self, words: Sequence[str], description: str, **options: Unpack[Options]) -> None:
        example = options.get("default", options.get("assumed", words[0]))
        enum = [*words, None] if options.get("allow_none") else list(words)
        super().__init__(**told({"description": description, "examples": [example], "enum": enum}, **options))
        self.words = tuple(words)

    def read(self, value: Any) -> str:
        """Read the word in `value`; raises ValidationError."""
        if isinstance(value, str) and value in self.words:
            return value
        got = shown_text(value) if isinstance(value, str) else json_type(value)
        raise ValidationError(f"must be {listed(self.words, 'or')}; got {got}")


class Flag(fields.Boolean):
    """true or false, and nothing that merely resembles them."""

    def __init__(self, description: str, *, example: bool = True, **options: Unpack[Options]) -> None:
        super().__init__(**told({"description": description, "examples": [example]}, **options))

    def read(self, value: Any) -> bool:
        """Read the truth value in `value`; raises ValidationError."""
        if value is True or value is False:
            return bool(value)
        raise ValidationError(f"must be true or false; got {json_type(value)}")


class Number(fields.Float):
    """A finite plain number within limits; `unit` is documentation."""

    def __init__(
        self,
        minimum: float,
        maximum: float,
        example: float,
        description: str,
        *,
        unit: str = "1",
        exclusive: bool = False,
        **options: Unpack[Options],
    ) -> None:
        names = ("exclusiveMinimum", "exclusiveMaximum") if exclusive else ("minimum", "maximum")
        shape = {
            "description": description, "examples": [example], "x-unit": unit,
            names[0]: minimum, names[1]: maximum,
        }  # fmt: skip
        super().__init__(**told(shape, **options))
        self.minimum, self.maximum, self.exclusive = minimum, maximum, exclusive

    def read(self, value: Any) -> float:
        """Read the number in `value`; raises ValidationError."""
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValidationError(f"must be a number; got {json_type(value)}")
        inside = (
            self.minimum < value < self.maximum if self.exclusive else self.minimum <= value <= self.maximum
        )
        if inside:
            return float(value)
        words = ("more than", "and less than") if self.exclusive else ("from", "to")
        ends = f"{words[0]} {shown_number(self.minimum)} {words[1]} {shown_number(self.maximum)}"
        raise ValidationError(f"must be {ends}; got {shown_number(value)}")


class Whole(fields.Integer):
    """A whole number within limits."""

    def __init__(
        self, minimum: int, maximum: int, example: int, description: str, **options: Unpack[Options]
    ) -> None:
        shape = {
            "description": description, "examples": [example], "x-unit": "1",
            "minimum": minimum, "maximum": maximum,
        }  # fmt: skip
        super().__init__(**told(shape, **options))
        self.minimum, self.maximum = minimum, maximum

    def read(self, value: Any) -> int:
        """Read the whole number in `value`; raises ValidationError."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValidationError(f"must be a whole number; got {json_type(value)}")
        if self.minimum <= value <= self.maximum:
            return value
        raise ValidationError(f"must be from {self.minimum} to {self.maximum}; got {shown_number(value)}")


def seed() -> Whole:
    """The start of a study's random numbers."""
    words = "Start of the random numbers: the same seed, the same answer."
    return Whole(0, limits.SEED_MAXIMUM, 7, words, assumed=limits.DEFAULT_SEED)


class Day(fields.Date):
    """A calendar date written YYYY-MM-DD, from 1900 to 2100."""

    PATTERN = r"^(19[0-9]{2}|20[0-9]{2}|2100)-[0-9]{2}-[0-9]{2}$"
    _SHAPE = re.compile(PATTERN)

    def __init__(self, example: str, description: str, **options: Unpack[Options]) -> None:
        shape = {
            "description": description, "examples": [example], "pattern": self.PATTERN,
            "x-minimum": "1900-01-01", "x-maximum": "2100-12-31",
        }  # fmt: skip
        super().__init__(**told(shape, **options))

    def read(self, value: Any) -> datetime.date:
        """Read the date in `value`; raises ValidationError."""
        if not isinstance(value, str) or not self._SHAPE.fullmatch(value):
            got = shown_text(value) if isinstance(value, str) else json_type(value)
            raise ValidationError(f"must be a date from 1900 to 2100 written as YYYY-MM-DD; got {got}")
        try:
            return datetime.date.fromisoformat(value)
        except ValueError:
            raise ValidationError(f"{shown_text(value)} is not a day of the calendar") from None


@functools.cache
def _instance(schema: type[Schema]) -> Schema:
    return schema()


class Part(fields.Nested):
    """An object within an object; a `default` is read like a given one, whenever none is given."""

    def __init__(self, schema: type[Schema], description: str, **options: Unpack[Options]) -> None:
        super().__init__(schema, **told({"description": description}, **options))
        if "default" in options:
            self.load_default = lambda: self.read(options["default"])

    @property
    def schema(self) -> Schema:
        """The inner object's schema; every part of a class has the same."""
        return _instance(self.nested)  # type: ignore[arg-type]

    @property
    def read(self) -> Callable[[Any], Any]:
        """The reader of the inner object."""
        return self.schema.load


_PLAIN = (fields.String, fields.Number, fields.Boolean, fields.Date)


class Several(fields.List[Any]):
    """An array, each entry of which is read by one field; its length is limited."""

    def __init__(
        self,
        entry: fields.Field[Any],
        maximum: int,
        description: str,
        *,
        minimum: int = 0,
        **options: Unpack[Options],
    ) -> None:
        shape = {"description": description, "minItems": minimum, "maxItems": maximum}
        super().__init__(entry, **told(shape, **options))
        if "default" in options:
            self.load_default = lambda: list(options["default"])
        self.minimum, self.maximum = minimum, maximum

    def read(self, value: Any) -> list[Any]:
        """Read the entries of `value`; raises ValidationError."""
        if not isinstance(value, list):
            raise ValidationError(f"must be an array; got {json_type(value)}")
        if not self.minimum <= len(value) <= self.maximum:
            raise ValidationError(f"must hold {self.minimum} to {self.maximum} entries; got {len(value)}")
        read_entry: Callable[[Any], Any] = getattr(self.inner, "read", self.inner.deserialize)
        loaded: list[Any] = []
        errors: Errors = {}
        count = 0
        for index, entry in enumerate(value):
            try:
                loaded.append(read_entry(entry))
            except ValidationError as error:
                errors[index] = error.messages
                # What cannot be read stands as an object without members, a plain value as nothing.
                unread: dict[str, Any] | None = None if isinstance(self.inner, _PLAIN) else {}
                loaded.append(error.valid_data if isinstance(error.valid_data, dict) else unread)
                count += _count(error.messages)
                if count >= limits.ERRORS_MAXIMUM and index + 1 < len(value):
                    text = f"{count} errors; entries from {index + 1} on were not read"
                    errors = {SCHEMA: [text], **errors}
                    break
        if errors:
            raise ValidationError(errors, valid_data=loaded)
        return loaded


class Table(fields.Dict):
    """An object with names of its own; in answers only."""

    def __init__(
        self,
        entry: fields.Field[Any] | None,
        example: dict[str, Any],
        description: str,
        **options: Unpack[Options],
    ) -> None:
        shape = {"description": description, "examples": [example]}
        super().__init__(keys=fields.String(), values=entry, **told(shape, **options))
