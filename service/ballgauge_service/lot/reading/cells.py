"""Cells of a lot's file to numbers, days and flags: whole columns at once, the odd cell by the contract.

A column is an Arrow array or a list of Python values. What is not a plain number in the expected place is
read as the contract reads it, one distinct cell at a time; a cell that the contract refuses is marked as bad
and its text asked for only where it is listed.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from marshmallow import ValidationError
from numpy.typing import NDArray

from ballgauge_schemas.shared.quantity import SIGNIFICANT_DIGITS, convert
from ballgauge_service.lot.reading.headings import DAYS, FIELDS, FLAGS, Heading
from ballgauge_service.lot.reading.synonyms import name_of, synonyms, unit_named

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
DayArray = NDArray[np.datetime64]
Column: TypeAlias = Any
"""An Arrow array, or a list of Python values."""

SERIAL = "serial"
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_COMMA_NUMBER = r"^[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$"
_UNIT = '[A-Za-z%":\u00b5]'
_CONTROL = "[\x00-\x1f\x7f\u0080-\u009f]"
_CLOCK = re.compile(r"(?:(\d{1,2}):)?(\d{1,3}):([0-5]\d(?:[.,]\d{1,6})?)")
_WITH_UNIT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]*)?|[+-]?\.[0-9]+) *([^0-9\s][^0-9]*[0-9]?)")
_YEAR_FIRST = re.compile(r"(\d{4})([./-]?)(\d{2})\2(\d{2})")
_YEAR_LAST = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4})")
_MONTH_NAMED = re.compile(r"(\d{1,2})[. -]+([^\W\d]+)[. ,-]+(\d{4})")
_MIDNIGHT = re.compile(r"[ T]0?0:00(?::00(?:\.0+)?)?$")
# Powers of ten up to this one are exact doubles (IEEE 754: 5^22 < 2^53).
_EXACT_POWER = 22
_TENS = 10.0 ** np.arange(_EXACT_POWER + 1)
# A product scaled to fourteen digits is off by at most 1e14 / 2^53 = 0.011 of its last digit: nearer than
# this to a half, or to fewer or more digits, the decision is left to `convert`.
_DOUBT = 0.02
_LEAST, _MOST = 1.001 * 10.0 ** (SIGNIFICANT_DIGITS - 1), 0.999 * 10.0**SIGNIFICANT_DIGITS


@dataclass(frozen=True, slots=True)
class CellRules:
    """How cells are read.

    `decimal` is the mark in numbers written as text; `missing` are texts that mean no data, besides the empty
    cell; `text_numbers`: whether a number may be written as text without a unit; `dates`: order of day and
    month where the year is last, None where none is known; `whole`: see `ReadingOptions`.
    """

    decimal: str = "."
    missing: tuple[str, ...] = ()
    text_numbers: bool = True
    dates: str | None = None
    whole: bool = True


def converted(values: FloatArray, size: float) -> FloatArray:
    """Values (n,) times the size of their unit, to the digit what the contract's `convert` gives for each."""
    if size == 1.0:
        return values
    with np.errstate(all="ignore"):
        product = values * size
        power = SIGNIFICANT_DIGITS - 1 - np.floor(np.log10(np.abs(product)))
        plain = (power >= 0) & (power <= _EXACT_POWER)
        scale = _TENS[np.where(plain, power, 0).astype(np.int64)]
        scaled = product * scale
        near = np.rint(scaled)
        result = near / scale
        plain &= np.abs(np.abs(scaled - near) - 0.5) > _DOUBT
        plain &= (np.abs(near) > _LEAST) & (np.abs(near) < _MOST)
    rest = np.flatnonzero(~plain & ~np.isnan(values))
    result[rest] = [convert(value, size) for value in values[rest].tolist()]
    turned: FloatArray = result
    return turned


def read_quantity(heading: Heading, column: Column, rules: CellRules) -> tuple[FloatArray, BoolArray]:
    """A quantity's column in its trade unit, (n,), NaN where a cell is empty or bad; and (n,) which are bad.

    Raises TypeError for an Arrow column of a type that holds no numbers.
    """
    values, missing, settled = _numbers(heading, column, rules)
    field = heading.quantity
    assert field is not None
    low, high = (
        (field.minimum, field.maximum) if heading.part == "value" else (0.0, field.maximum - field.minimum)
    )
    if settled is None:
        values = converted(values, heading.size)
    else:
        values = np.where(settled, values, converted(values, heading.size))
    if len(values) and low <= values.min() and values.max() <= high:
        return values, np.zeros(len(values), dtype=np.bool_)
    bad = ~((values >= low) & (values <= high))
    if missing is not None:
        bad &= ~missing
    if bad.any():
        values = np.where(bad, np.nan, values)
    return values, bad


def _numbers(
    heading: Heading, column: Column, rules: CellRules
) -> tuple[FloatArray, BoolArray | None, BoolArray | None]:
    """Values, which are missing (None: none), and which are in the trade unit already (None: none)."""
    if isinstance(column, list):
        return _listed_numbers(heading, column, rules)
    kind = column.type
    if (
        pa.types.is_floating(kind)
        or pa.types.is_integer(kind)
        or pa.types.is_decimal(kind)
        or pa.types.is_null(kind)
    ):
        missing = None if column.null_count == 0 else column.is_null().to_numpy(zero_copy_only=False)
        values = column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        return values, missing, None
    if _is_text(kind):
        return _text_numbers(heading, column, rules)
    raise TypeError(f"holds {kind}, not numbers")


def column_numbers(heading: Heading, cells: list[Any], rules: CellRules) -> FloatArray:
    """The numbers (n,) of a quantity's cells, whatever its limits, as the file writes them; NaN elsewhere."""
    values, missing, _ = _listed_numbers(heading, cells, rules)
    found: FloatArray = values if missing is None else np.where(missing, np.nan, values)
    return found


def is_given(cell: Any, rules: CellRules) -> bool:
    """Whether a cell holds anything."""
    plain = cell.strip() if isinstance(cell, str) else cell
    return not (plain is None or plain == "" or (isinstance(plain, str) and plain in rules.missing))


def stated_uncertainty(heading: Heading, column: Column) -> FloatArray | None:
    """The standard uncertainties (n,) that the objects among a list's cells state; None where none does."""
    if not isinstance(column, list) or heading.own_unit or not any(isinstance(cell, dict) for cell in column):
        return None
    found = np.full(len(column), np.nan)
    for place, cell in enumerate(column):
        if isinstance(cell, dict) and "uncertainty" in cell and not math.isnan(_by_contract(heading, cell)):
            found[place] = FIELDS[str(heading.field)].read(cell).uncertainty
    return found


def _text_numbers(
    heading: Heading, column: pa.Array, rules: CellRules
) -> tuple[FloatArray, BoolArray, BoolArray]:
    plain, missing = _trimmed(column, rules)
    pattern = _COMMA_NUMBER if rules.decimal == "," else _NUMBER
    number = pc.fill_null(pc.match_substring_regex(plain, pattern), False)
    digits = pc.replace_substring_regex(pc.if_else(number, plain, None), r"^\+", "")
    if rules.decimal == ",":
        digits = pc.replace_substring(digits, ",", ".")
    values = _cast(digits)
    rest = np.flatnonzero(~number.to_numpy(zero_copy_only=False) & ~missing)
    settled = np.zeros(len(values), dtype=np.bool_)
    if rest.size:
        distinct = pc.dictionary_encode(plain.take(pa.array(rest)))
        read = np.array([_by_contract(heading, text) for text in distinct.dictionary.to_pylist()])
        values[rest] = read[distinct.indices.to_numpy()]
        settled[rest] = True
    return values, missing, settled


def _cast(digits: pa.Array) -> FloatArray:
    try:
        values: FloatArray = pc.cast(digits, pa.float64()).to_numpy(zero_copy_only=False).copy()
    except pa.ArrowInvalid:
        # Past the range of doubles Arrow gives up; Python says infinite.
        values = np.array([math.nan if text is None else float(text) for text in digits.to_pylist()])
    return values


def _listed_numbers(
    heading: Heading, column: list[Any], rules: CellRules
) -> tuple[FloatArray, BoolArray | None, BoolArray | None]:
    if set(map(type, column)) <= {float, int}:
        try:
            return np.array(column, dtype=np.float64), None, None
        except OverflowError:
            pass
    if rules.text_numbers:
        texts = [cell if isinstance(cell, str) else None for cell in column]
        values, missing, settled = _text_numbers(heading, pa.array(texts, pa.string()), rules)
    else:
        values, settled = np.full(len(column), np.nan), np.zeros(len(column), dtype=np.bool_)
        missing = np.zeros(len(column), dtype=np.bool_)
    for place, cell in enumerate(column):
        if cell is None:
            missing[place] = True
        elif isinstance(cell, str) and rules.text_numbers:
            continue
        elif type(cell) is float or type(cell) is int:
            missing[place] = False
            values[place] = _as_float(cell)
        else:
            missing[place] = False
            values[place], settled[place] = _by_contract(heading, cell), True
    return values, missing, settled


def _as_float(number: float) -> float:
    try:
        return float(number)
    except OverflowError:
        return math.inf


def _by_contract(heading: Heading, cell: Any) -> float:
    """A cell that is no plain number, in the trade unit; NaN where the contract refuses it."""
    quantity = heading.quantity
    if quantity is None or heading.part == "uncertainty":
        return math.nan
    seconds = clock(cell) if quantity.kind == "time" else None
    if seconds is not None:
        return seconds
    if heading.own_unit:
        return math.nan
    try:
        return float(quantity.read(_spelled(quantity.kind, cell)).value)
    except ValidationError:
        return math.nan


def clock(cell: Any) -> float | None:
    """Seconds of a text such as 10:24 or 0:10:24, or of a workbook's time; None of anything else.

    Two numbers are minutes and seconds, also where a workbook took them for hours and minutes.
    """
    if isinstance(cell, str):
        match = _CLOCK.fullmatch(cell.strip())
        if match is None:
            return None
        hours, minutes, seconds = int(match[1] or 0), int(match[2]), float(match[3].replace(",", "."))
        return 3600.0 * hours + 60.0 * minutes + seconds
    if isinstance(cell, datetime.time):
        cell = datetime.datetime.combine(datetime.date.min, cell) - datetime.datetime.min
    if not isinstance(cell, datetime.timedelta):
        return None
    whole = cell.total_seconds()
    return whole / 60.0 if whole >= 3600.0 and whole % 60.0 == 0.0 else whole


def has_clock(column: Column) -> bool:
    """Whether a cell of a column is a time such as 10:24."""
    if isinstance(column, list):
        return any(clock(cell) is not None for cell in column)
    if not _is_text(column.type):
        return False
    return bool(pc.any(pc.match_substring(column, ":")).as_py())


def _spelled(kind: str, cell: Any) -> Any:
    """A text with its unit as the contract spells it."""
    match = _WITH_UNIT.fullmatch(cell.strip()) if isinstance(cell, str) else None
    named = None if match is None else unit_named(kind, match[2])
    return cell if match is None or named is None else f"{match[1]} {named[0]}"


def _trimmed(column: pa.Array, rules: CellRules) -> tuple[pa.Array, BoolArray]:
    """Texts without blanks around them, null where a cell is missing; and (n,) which are."""
    plain = pc.utf8_trim_whitespace(column)
    empty = pc.or_kleene(pc.is_null(plain), pc.equal(plain, ""))
    if rules.missing:
        empty = pc.or_kleene(empty, pc.is_in(plain, pa.array(rules.missing, plain.type)))
    missing = pc.fill_null(empty, True)
    return pc.if_else(missing, None, plain), missing.to_numpy(zero_copy_only=False)


def named_values(column: Column, values: FloatArray) -> list[float]:
    """The different values (n,) of a quantity's column whose cells name their own unit."""
    if not isinstance(column, list):
        if not _is_text(column.type):
            return []
        named = pc.fill_null(pc.match_substring_regex(column, _UNIT), False).to_numpy(zero_copy_only=False)
    else:
        named = np.array([_names_unit(cell) for cell in column], dtype=np.bool_)
    found: list[float] = np.unique(values[named & ~np.isnan(values)]).tolist()
    return found


def _names_unit(cell: Any) -> bool:
    if isinstance(cell, str):
        return re.search(_UNIT, cell) is not None
    return isinstance(cell, (dict, datetime.time, datetime.timedelta))


def read_texts(heading: Heading, column: Column, rules: CellRules) -> tuple[pa.Array, BoolArray]:
    """A name or serial column as an Arrow string array, null where missing; and (n,) which are bad.

    Whole numbers become their digits.

    Raises TypeError for an Arrow column of a type that holds no texts.
    """
    texts = _as_texts(column)
    limit = FIELDS[str(heading.field)].maximum
    if not rules.missing and not isinstance(column, list) and _is_plain(texts, limit):
        return texts.cast(pa.string()), np.zeros(len(texts), dtype=np.bool_)
    plain, _ = _trimmed(texts, rules)
    wrong = pc.or_kleene(pc.greater(pc.utf8_length(plain), limit), pc.match_substring_regex(plain, _CONTROL))
    bad = pc.fill_null(wrong, False).to_numpy(zero_copy_only=False)
    if isinstance(column, list):
        strange = [not (cell is None or isinstance(cell, str) or _is_whole(cell)) for cell in column]
        bad = bad | np.array(strange, dtype=np.bool_)
    return plain.cast(pa.string()), bad


def _is_plain(texts: pa.Array, limit: int) -> bool:
    """Whether all texts are visible ASCII without blanks, none empty, none too long: good as they are."""
    if texts.null_count or texts.type != pa.string() or not len(texts) or texts.buffers()[2] is None:
        return False
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    lengths = np.diff(offsets)
    letters = np.frombuffer(texts.buffers()[2], dtype=np.uint8)[offsets[0] : offsets[-1]]
    visible = letters - np.uint8(0x21) < np.uint8(0x5E)
    return bool(lengths.min() > 0 and lengths.max() <= limit and visible.all())


def _is_whole(cell: Any) -> bool:
    if isinstance(cell, bool) or not isinstance(cell, (int, float)):
        return False
    return math.isfinite(cell) and cell == int(cell) and abs(cell) < 2**63


def _as_texts(column: Column) -> pa.Array:
    if isinstance(column, list):
        texts = [
            cell if isinstance(cell, str) else str(int(cell)) if _is_whole(cell) else None for cell in column
        ]
        return pa.array(texts, pa.string())
    kind = column.type
    if _is_text(kind):
        return column
    if pa.types.is_integer(kind) or pa.types.is_null(kind):
        return column.cast(pa.string())
    raise TypeError(f"holds {kind}, not texts")


def read_days(heading: Heading, column: Column, rules: CellRules) -> tuple[DayArray, BoolArray]:
    """A column of days, (n,) datetime64[D], NaT where missing or bad; and (n,) which are bad.

    Raises TypeError for an Arrow column of a type that holds no days.
    """
    if not isinstance(column, list) and (pa.types.is_date(column.type) or pa.types.is_timestamp(column.type)):
        column = _in_the_calendar(column).cast(pa.timestamp("us"), safe=False)

    def read(heading: Heading, cell: Any) -> Any:
        return FIELDS[str(heading.field)].read(_day_text(cell, rules.dates))

    found, places = _distinct(heading, column, rules, read)
    known = [np.datetime64("NaT") if day is None or day is _BAD else np.datetime64(day) for day in found]
    return np.array(known, "M8[D]")[places], _bad(found)[places]


def _in_the_calendar(column: pa.Array) -> pa.Array:
    """Dates or times, with the last day for those before the year 1 or after 9999, which Python lacks."""
    kind = column.type
    unit = kind.unit if pa.types.is_timestamp(kind) else "s" if pa.types.is_date32(kind) else "ms"
    if unit == "ns":
        return column  # 64 bits of nanoseconds end in the year 2262
    day = 1 if pa.types.is_date32(kind) else 86_400 * {"s": 1, "ms": 1000, "us": 1_000_000}[unit]
    whole = pa.int32() if pa.types.is_date32(kind) else pa.int64()
    numbers = column.cast(whole).cast(pa.int64())
    within = pc.and_(pc.greater_equal(numbers, _FIRST_DAY * day), pc.less_equal(numbers, _LAST_DAY * day))
    return pc.if_else(within, numbers, _LAST_DAY * day).cast(whole).cast(kind)


def cell_at(column: Column, place: int) -> Any:
    """One cell of a column as Python has it; the text of its number where Python has no such day."""
    if isinstance(column, list):
        return column[place]
    try:
        return column[place].as_py()
    except (OverflowError, ValueError):
        return str(column[place].value)


def read_choices(
    heading: Heading, column: Column, rules: CellRules, code: Callable[[Any], float]
) -> tuple[FloatArray, BoolArray]:
    """A column of flags or words through `code`, (n,) float, NaN where none; and (n,) which are bad.

    A flag written as text is true or false, in any case of letters.

    Raises TypeError for an Arrow column of a type that holds neither.
    """
    found, places = _distinct(heading, column, rules, _contract_value)
    values = [math.nan if value is None or value is _BAD else code(value) for value in found]
    return np.array(values, dtype=np.float64)[places], _bad(found)[places]


_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896
"""1 January of the year 1 and 31 December 9999, in days from 1 January 1970."""

_BAD = object()


def _bad(found: list[Any]) -> BoolArray:
    return np.array([value is _BAD for value in found], dtype=np.bool_)


def _distinct(
    heading: Heading, column: Column, rules: CellRules, read: Callable[[Heading, Any], Any]
) -> tuple[list[Any], NDArray[np.int64]]:
    """Each distinct cell read, None where missing, `_BAD` where refused; and (n,) which one each cell is."""
    if isinstance(column, list):
        distinct: dict[Any, int] = {}
        keys = [(type(cell), cell if isinstance(cell, _SCALARS) else id(cell)) for cell in column]
        places = [distinct.setdefault(key, len(distinct)) for key in keys]
        cells = dict(zip(keys, column, strict=True))
        given = [cells[key] for key in distinct]
    else:
        kind = column.type
        if not (
            _is_text(kind)
            or pa.types.is_null(kind)
            or pa.types.is_boolean(kind)
            or pa.types.is_timestamp(kind)
        ):
            raise TypeError(f"holds {kind}")
        encoded = pc.dictionary_encode(
            column.cast(pa.string()) if pa.types.is_null(kind) else column, "encode"
        )
        given = encoded.dictionary.to_pylist()
        places = encoded.indices.to_numpy()
    return [_tried(heading, cell, rules, read) for cell in given], np.asarray(places, dtype=np.int64)


_SCALARS = (str, bool, int, float, datetime.date, datetime.time, datetime.timedelta)


def _tried(heading: Heading, cell: Any, rules: CellRules, read: Callable[[Heading, Any], Any]) -> Any:
    plain = cell.strip() if isinstance(cell, str) else cell
    if plain is None or plain == "" or (isinstance(plain, str) and plain in rules.missing):
        return None
    try:
        return read(heading, plain)
    except ValidationError:
        return _BAD


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _day_text(cell: Any, dates: str | None) -> Any:
    """A day as the contract writes it; a moment keeps its time of day, so that it is refused."""
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat() if cell.time() == datetime.time() else cell.isoformat(" ")
    if isinstance(cell, datetime.date):
        return cell.isoformat()
    text = _MIDNIGHT.sub("", cell) if isinstance(cell, str) else cell
    if not isinstance(text, str):
        return cell
    if match := _YEAR_FIRST.fullmatch(text):
        return f"{match[1]}-{match[3]}-{match[4]}"
    if (match := _YEAR_LAST.fullmatch(text)) and dates is not None:
        day, month = (match[1], match[2]) if dates == "day_first" else (match[2], match[1])
        return f"{match[3]}-{month:0>2}-{day:0>2}"
    if match := _MONTH_NAMED.fullmatch(text):
        month = synonyms().months.get(name_of(match[2])) or synonyms().months.get(name_of(match[2])[:3])
        return cell if month is None else f"{match[3]}-{month:02}-{match[1]:0>2}"
    return text


def _contract_value(heading: Heading, cell: Any) -> Any:
    return FIELDS[str(heading.field)].read(_plain_flag(heading, cell))


def _plain_flag(heading: Heading, cell: Any) -> Any:
    if heading.field in FLAGS and isinstance(cell, str):
        return {"true": True, "false": False}.get(cell.casefold(), cell)
    return cell


def explain(heading: Heading, cell: Any, rules: CellRules) -> str:
    """What is wrong with a bad cell, in the contract's words."""
    field = FIELDS[str(heading.field)]
    given = cell.strip() if isinstance(cell, str) else cell
    if heading.quantity is not None:
        return _explain_quantity(heading, given, rules)
    if heading.field in DAYS:
        given = _day_text(given, rules.dates)
    elif heading.field in FLAGS:
        given = _plain_flag(heading, given)
    return _refusal(lambda: field.read(given))


def _explain_quantity(heading: Heading, cell: Any, rules: CellRules) -> str:
    field = FIELDS[str(heading.field)]
    number = _plain_number(cell, rules)
    if number is not None and heading.part == "value":
        return _refusal(lambda: field.read({"value": number, "unit": heading.unit}))
    if number is not None:
        middle = 0.5 * (field.minimum + field.maximum)
        shown = {"value": middle, "uncertainty": convert(number, heading.size)}
        return _refusal(lambda: field.read(shown))
    if isinstance(cell, str):
        text = (
            _refusal(lambda: field.read({"value": cell}))
            if heading.own_unit
            else _refusal(lambda: field.read(cell))
        )
        if heading.own_unit or heading.part == "uncertainty":
            text = "must be a plain number; the heading gives the unit"
        other = _COMMA_NUMBER if rules.decimal == "." else _NUMBER
        if pc.match_substring_regex(pa.array([cell]), other)[0].as_py():
            comma = "a comma" if rules.decimal == "." else "a point"
            text = (
                f"no number with the decimal mark {rules.decimal!r}; name the mark if the file uses {comma}"
            )
        return text
    return _refusal(lambda: field.read(cell))


def _plain_number(cell: Any, rules: CellRules) -> float | None:
    if isinstance(cell, bool):
        return None
    if isinstance(cell, (int, float)):
        return _as_float(cell)
    if not isinstance(cell, str) or not rules.text_numbers:
        return None
    pattern = _COMMA_NUMBER if rules.decimal == "," else _NUMBER
    if not pc.match_substring_regex(pa.array([cell]), pattern)[0].as_py():
        return None
    return float(cell.replace(",", "."))


def _refusal(read: Callable[[], Any]) -> str:
    try:
        read()
    except ValidationError as error:
        return _first(error.messages)
    return "cannot be used here"


def _first(messages: Any) -> str:
    while not isinstance(messages, str):
        messages = next(iter(messages.values() if isinstance(messages, dict) else messages))
    return messages
