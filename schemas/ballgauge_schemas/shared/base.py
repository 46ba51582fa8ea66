"""The base of all schemas, and the plain fields.

A schema here is a marshmallow schema that reads its own object in one pass over the members given, and
collects every error before it raises. Rules between fields go into `check`, which also runs where single
fields have failed, so that a caller sees all that is wrong at once; marshmallow's load hooks are not run.
Each field has a `read`, which takes decoded JSON and raises ValidationError.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from typing import Any, ClassVar

import marshmallow
from marshmallow import ValidationError, fields, missing
from marshmallow.exceptions import SCHEMA
from marshmallow.types import StrSequenceOrSet, UnknownOption

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.wording import UnknownField, json_type, listed, shown_number, shown_text

Errors = dict[Any, Any]
"""Error texts in marshmallow's nesting: lists of texts under field names and array indices."""


REQUIRED = "missing; this field is required"


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


def _count(errors: Any) -> int:
    below = errors.values() if isinstance(errors, dict) else errors if isinstance(errors, list) else None
    return 1 if below is None else sum(map(_count, below))


def _or_null(read: Callable[[Any], Any]) -> Callable[[Any], Any]:
    return lambda value: None if value is None else read(value)


class Schema(marshmallow.Schema):
    """A strict object: every member is known, every error is told."""

    also_known: ClassVar[tuple[str, ...]] = ()
    """Names that belong to a sister schema: errors here, but worth suggesting."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
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
        loaded, errors = self._read_members(data)
        self._read_absent(data, loaded, errors)
        if errors:
            self._name_unknown(errors)
        self.check(loaded, errors)
        if errors:
            raise ValidationError(errors, valid_data=loaded)
        return loaded

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

    def _read_members(self, data: dict[Any, Any]) -> tuple[dict[str, Any], Errors]:
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
                self._note(name, error, loaded, errors)
        return loaded, errors

    def _read_absent(self, data: dict[Any, Any], loaded: dict[str, Any], errors: Errors) -> None:
        for name in self._required:
            if name not in data:
                errors[name] = [REQUIRED]
        for name, make in self._makers.items():
            if name not in data:
                loaded[name] = make()

    def _note(self, name: str, error: ValidationError, loaded: dict[str, Any], errors: Errors) -> None:
        errors[name] = error.messages
        loaded.pop(name, None)
        if isinstance(error.valid_data, (dict, list)):
            loaded[name] = error.valid_data

    def _name_unknown(self, errors: Errors) -> None:
        unknown = [name for name in errors if name not in self._readers]
        for name in unknown[: limits.UNKNOWN_MAXIMUM]:
            text = [UnknownField.of(name, (*self._readers, *self.also_known))]
            errors[name] = {SCHEMA: text} if name == SCHEMA else text
        for name in unknown[limits.UNKNOWN_MAXIMUM :]:
            del errors[name]
        if len(unknown) > limits.UNKNOWN_MAXIMUM:
            add_error(errors, (SCHEMA,), f"{len(unknown) - limits.UNKNOWN_MAXIMUM} more unknown fields")


def _documented(description: str, example: Any, more: Mapping[str, Any]) -> dict[str, Any]:
    return {"description": description, "examples": [example], **more}


class Text(fields.String):
    """A short text without control characters."""

    _CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")

    def __init__(
        self,
        *,
        description: str,
        example: str,
        maximum: int = 120,
        pattern: str | None = None,
        required: bool = False,
        allow_none: bool = False,
    ) -> None:
        shape = {"maxLength": maximum, "pattern": pattern or r"^[^\u0000-\u001f\u007f-\u009f]*$"}
        super().__init__(
            required=required, allow_none=allow_none, metadata=_documented(description, example, shape)
        )
        self.maximum = maximum
        self.pattern = None if pattern is None else re.compile(pattern)

    def read(self, value: Any) -> str:
        """Read the text in `value`; raises ValidationError."""
        if not isinstance(value, str):
            raise ValidationError(f"must be a string; got {json_type(value)}")
        if len(value) > self.maximum:
            raise ValidationError(f"must be at most {self.maximum} characters long; got {len(value)}")
        if self._CONTROL.search(value):
            raise ValidationError("must not hold control characters")
        if self.pattern is not None and not self.pattern.fullmatch(value):
            raise ValidationError(f"must match {self.pattern.pattern}; got {shown_text(value)}")
        return value


class Choice(fields.String):
    """One of a few words."""

    def __init__(
        self,
        *words: str,
        description: str,
        required: bool = False,
        default: str | None = None,
        allow_none: bool = False,
    ) -> None:
        super().__init__(
            required=required,
            allow_none=allow_none,
            load_default=missing if default is None else default,
            metadata=_documented(
                description, default or words[0], {"enum": [*words, None] if allow_none else list(words)}
            ),
        )
        self.words = words

    def read(self, value: Any) -> str:
        """Read the word in `value`; raises ValidationError."""
        if isinstance(value, str) and value in self.words:
            return value
        got = shown_text(value) if isinstance(value, str) else json_type(value)
        raise ValidationError(f"must be {listed(self.words, 'or')}; got {got}")


class Flag(fields.Boolean):
    """true or false, and nothing that merely resembles them."""

    def __init__(
        self,
        *,
        description: str,
        required: bool = False,
        default: bool | None = None,
        allow_none: bool = False,
        example: bool = True,
    ) -> None:
        super().__init__(
            required=required,
            allow_none=allow_none,
            load_default=missing if default is None else default,
            metadata=_documented(description, example, {}),
        )

    def read(self, value: Any) -> bool:
        """Read the truth value in `value`; raises ValidationError."""
        if value is True or value is False:
            return bool(value)
        raise ValidationError(f"must be true or false; got {json_type(value)}")


class Number(fields.Float):
    """A finite plain number within limits; `unit` is documentation."""

    def __init__(
        self,
        *,
        description: str,
        example: float,
        minimum: float,
        maximum: float,
        unit: str = "1",
        exclusive: bool = False,
        required: bool = False,
        default: float | None = None,
        allow_none: bool = False,
    ) -> None:
        names = ("exclusiveMinimum", "exclusiveMaximum") if exclusive else ("minimum", "maximum")
        limits = {names[0]: minimum, names[1]: maximum}
        super().__init__(
            required=required,
            allow_none=allow_none,
            load_default=missing if default is None else default,
            metadata=_documented(description, example, {"x-unit": unit, **limits}),
        )
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
        limits = f"{words[0]} {shown_number(self.minimum)} {words[1]} {shown_number(self.maximum)}"
        raise ValidationError(f"must be {limits}; got {shown_number(value)}")


class Whole(fields.Integer):
    """A whole number within limits; in answers only."""

    def __init__(
        self,
        *,
        description: str,
        example: int,
        minimum: int,
        maximum: int,
        required: bool = False,
        allow_none: bool = False,
    ) -> None:
        limits = {"x-unit": "1", "minimum": minimum, "maximum": maximum}
        super().__init__(
            required=required, allow_none=allow_none, metadata=_documented(description, example, limits)
        )
        self.minimum, self.maximum = minimum, maximum

    def read(self, value: Any) -> int:
        """Read the whole number in `value`; raises ValidationError."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValidationError(f"must be a whole number; got {json_type(value)}")
        if self.minimum <= value <= self.maximum:
            return value
        raise ValidationError(f"must be from {self.minimum} to {self.maximum}; got {shown_number(value)}")


class Day(fields.Date):
    """A calendar date written YYYY-MM-DD, from 1900 to 2100."""

    PATTERN = r"^(19[0-9]{2}|20[0-9]{2}|2100)-[0-9]{2}-[0-9]{2}$"
    _SHAPE = re.compile(PATTERN)

    def __init__(
        self, *, description: str, example: str, required: bool = False, allow_none: bool = False
    ) -> None:
        shape = {"pattern": self.PATTERN, "x-minimum": "1900-01-01", "x-maximum": "2100-12-31"}
        super().__init__(
            required=required, allow_none=allow_none, metadata=_documented(description, example, shape)
        )

    def read(self, value: Any) -> datetime.date:
        """Read the date in `value`; raises ValidationError."""
        got = shown_text(value) if isinstance(value, str) else json_type(value)
        if not isinstance(value, str) or not self._SHAPE.fullmatch(value):
            raise ValidationError(f"must be a date from 1900 to 2100 written as YYYY-MM-DD; got {got}")
        try:
            return datetime.date.fromisoformat(value)
        except ValueError:
            raise ValidationError(f"{got} is not a day of the calendar") from None


class Part(fields.Nested):
    """An object within an object."""

    def __init__(
        self,
        schema: type[Schema],
        *,
        description: str,
        required: bool = False,
        allow_none: bool = False,
        make: Callable[[], Any] | None = None,
    ) -> None:
        super().__init__(
            schema,
            required=required,
            allow_none=allow_none,
            load_default=missing if make is None else make,
            metadata={"description": description},
        )

    @property
    def read(self) -> Callable[[Any], Any]:
        """The reader of the inner object."""
        inner = self.schema
        return inner.load


class Several(fields.List[Any]):
    """An array, each entry of which is read by one field; its length is limited."""

    def __init__(
        self,
        entry: fields.Field[Any],
        *,
        description: str,
        minimum: int,
        maximum: int,
        required: bool = False,
        allow_none: bool = False,
        make: Callable[[], Any] | None = None,
    ) -> None:
        super().__init__(
            entry,
            required=required,
            allow_none=allow_none,
            load_default=missing if make is None else make,
            metadata={"description": description, "minItems": minimum, "maxItems": maximum},
        )
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
                loaded.append(error.valid_data if isinstance(error.valid_data, dict) else {})
                count += _count(error.messages)
                if count >= limits.ERRORS_MAXIMUM and index + 1 < len(value):
                    errors = {
                        SCHEMA: [f"{count} errors; entries from {index + 1} on were not read"],
                        **errors,
                    }
                    break
        if errors:
            raise ValidationError(errors, valid_data=loaded)
        return loaded


class Table(fields.Dict):
    """An object with names of its own; in answers only."""

    def __init__(
        self,
        entry: fields.Field[Any] | None = None,
        *,
        description: str,
        example: dict[str, Any],
        required: bool = False,
        allow_none: bool = False,
    ) -> None:
        super().__init__(
            keys=fields.String(),
            values=entry,
            required=required,
            allow_none=allow_none,
            metadata=_documented(description, example, {}),
        )
