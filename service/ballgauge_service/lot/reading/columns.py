"""A chunk of a lot: from cells to judged columns, with every row that cannot be judged left out and told.

What is checked is what the contract checks of one ball (`BallSchema`), and what the engine refuses as
impossible; texts of the errors are theirs.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from marshmallow import ValidationError
from numpy.typing import NDArray

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.base import REQUIRED
from ballgauge_schemas.shared.limits import DIAMETER_AGREEMENT
from ballgauge_schemas.shared.words import COVERS
from ballgauge_service.check.request import Ball, impossible_ball
from ballgauge_service.lot.reading.apart import Apart, set_apart
from ballgauge_service.lot.reading.cells import (
    SERIAL,
    BoolArray,
    CellRules,
    Column,
    FloatArray,
    cell_at,
    converted,
    explain,
    has_clock,
    named_values,
    read_choices,
    read_days,
    read_quantity,
    read_texts,
    stated_uncertainty,
)
from ballgauge_service.lot.reading.headings import (
    DAYS,
    FIELDS,
    FLAGS,
    QUANTITIES,
    Heading,
    bad_file,
)
from ballgauge_service.physics.box_numbers import exceeds_size
from ballgauge_service.rulebooks import ASYMMETRIC_OVER, COLUMNS
from ballgauge_service.rulebooks import Column as RuleColumn

IntArray = NDArray[np.int64]
DayArray = NDArray[np.datetime64]

NOTES_MAXIMUM = 1000
"""Most bad cells and rows listed one by one (ours); all are counted."""

NAMED_MAXIMUM = 10_000
"""Most different values of a quantity held because their cells name the unit (ours)."""

_COLUMNS = {"identity": "identity_by_hand"}
_WORDS = {
    "cover": {word: float(place) for place, word in enumerate(COVERS)},
    "identity": {"checked_by_hand": 1.0},
}
_BALL = BallSchema()


class RawChunk(NamedTuple):
    """Balls as a file holds them.

    `rows` (n,) numbers of their rows in the file; `columns` the cells of each heading; `notes` on rows
    that could not be split into cells; `blank` count of empty lines; `apart` rows that are no balls;
    `lines` the rows of those of the notes that hold no number.
    """

    rows: IntArray
    columns: Mapping[Heading, Column]
    notes: Sequence[Note]
    blank: int
    apart: Sequence[Apart] = ()
    lines: Sequence[int] = ()


@dataclass(frozen=True, slots=True)
class Note:
    """Why a row is left out: row as a person counts them in the file, heading (None: the row), and reason."""

    row: int
    column: str | None
    field: str | None
    detail: str


@dataclass(slots=True)
class Notes:
    """What was left out of a lot, and why: everything counted, the first `NOTES_MAXIMUM` listed.

    `units_named`: by quantity the values of which a cell names the unit itself; `clocks`: quantities with a
    time such as 10:24. `no_balls` counts the rows set apart as no balls, `apart` the first of them.
    """

    left_out: int = 0
    cells: int = 0
    blank: int = 0
    listed: list[Note] = field(default_factory=list)
    by_column: Counter[str] = field(default_factory=Counter)
    units_named: dict[str, set[float]] = field(default_factory=dict)
    clocks: set[str] = field(default_factory=set)
    no_balls: int = 0
    apart: list[Apart] = field(default_factory=list)

    def set_apart(self, count: int, first: Sequence[Apart]) -> None:
        """Count rows that are no balls."""
        self.no_balls += count
        self.apart.extend(first[: NOTES_MAXIMUM - len(self.apart)])

    def name_unit(self, name: str, values: Iterable[float]) -> None:
        """Note values of a quantity of which a cell names the unit, the first `NAMED_MAXIMUM` of them."""
        held = self.units_named.setdefault(name, set())
        held.update(sorted(set(values) - held)[: NAMED_MAXIMUM - len(held)])

    @property
    def room(self) -> int:
        """How many more notes will be listed."""
        return NOTES_MAXIMUM - len(self.listed)

    def merge(self, later: Notes) -> None:
        """Take in what was left out of a later piece."""
        self.listed.extend(later.listed[: max(self.room, 0)])
        self.left_out += later.left_out
        self.cells += later.cells
        self.blank += later.blank
        for name, values in later.units_named.items():
            self.name_unit(name, values)
        self.clocks |= later.clocks
        self.set_apart(later.no_balls, later.apart)
        self.by_column.update(later.by_column)


@dataclass(frozen=True, slots=True)
class Balls:
    """The n balls of a chunk that can be judged.

    `rows` (n,) in the file; `serial` Arrow strings or None; `values` quantity to (n,) in trade units, NaN: no
    data; `uncertainty` likewise; `approved_on` and `made_on` (n,) datetime64[D], NaT unknown, or None; the
    rest (n,) 0, 1 or NaN, or None. `labels`: what the columns tell of the lot, Arrow strings by name.
    """

    rows: IntArray
    serial: pa.Array | None
    values: Mapping[str, FloatArray]
    uncertainty: Mapping[str, FloatArray]
    approved_on: DayArray | None = None
    made_on: DayArray | None = None
    house_ball: FloatArray | None = None
    cover: FloatArray | None = None
    high_performance_core: FloatArray | None = None
    identity_by_hand: FloatArray | None = None
    identity: FloatArray | None = None
    labels: Mapping[str, pa.Array] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)


def read_balls(
    chunk: RawChunk,
    rules: CellRules,
    notes: Notes,
    ignored: frozenset[int] = frozenset(),
    judged: frozenset[int] = frozenset(),
) -> Balls:
    """The balls of a chunk that can be judged; what cannot, and what is none, goes into `notes`.

    ignored: rows of the file that are no balls; judged: those that are, whatever they say. Raises
    InvalidInput for an Arrow column of a type that its field cannot have.
    """
    chunk = balls_alone(chunk, ignored, judged)
    notes.set_apart(len(chunk.apart), chunk.apart)
    reader = _Reader(chunk, rules)
    reader.read()
    reader.cross_check()
    reader.tell(notes)
    return reader.balls()


def balls_alone(chunk: RawChunk, ignored: frozenset[int], judged: frozenset[int]) -> RawChunk:
    """The chunk with its rows that are no balls in `apart`."""
    found = set_apart(chunk.rows, list(chunk.columns.items()), ignored, judged)
    unread = [Apart(note.row, None) for note in chunk.notes if note.row in ignored]
    if not found and not unread:
        return chunk
    keep = np.ones(len(chunk.rows), dtype=np.bool_)
    keep[[place for place, _ in found]] = False
    places = np.flatnonzero(keep)
    columns = {
        heading: [column[place] for place in places.tolist()]
        if isinstance(column, list)
        else column.take(pa.array(places))
        for heading, column in chunk.columns.items()
    }
    notes = [note for note in chunk.notes if note.row not in ignored]
    apart = sorted([*chunk.apart, *(each for _, each in found), *unread])
    return RawChunk(chunk.rows[keep], columns, notes, chunk.blank, apart, chunk.lines)


def _mean_of(several: Sequence[FloatArray], alone: FloatArray | None) -> FloatArray:
    """The mean (n,) of the readings of each ball, to the contract's digits; NaN where none was read."""
    stack = np.stack([*several, *([] if alone is None else [alone])])
    count = np.count_nonzero(~np.isnan(stack), axis=0)
    total = np.nansum(stack, axis=0)
    found = np.where(count == 1, total, np.nan)
    for number in range(2, len(stack) + 1):
        here = count == number
        found[here] = converted(total[here], 1.0 / number)
    return found


class _Reader:
    """Reads one chunk. `bad` holds (heading, mask) pairs; a later mask may stand on the same heading."""

    def __init__(self, chunk: RawChunk, rules: CellRules) -> None:
        self.chunk = chunk
        self.rules = rules
        self.size = len(chunk.rows)
        self.values: dict[str, FloatArray] = {}
        self.uncertainty: dict[str, FloatArray] = {}
        self.texts: dict[str, pa.Array] = {}
        self.days: dict[str, DayArray] = {}
        self.flags: dict[str, FloatArray] = {}
        self.bad: list[tuple[Heading, BoolArray, str]] = []
        self.headings: dict[str, Heading] = {}
        for heading in chunk.columns:
            if heading.name is not None:
                self.headings.setdefault(heading.name, heading)
        self.blank = np.zeros(self.size, dtype=np.bool_)
        self.units_named: dict[str, set[float]] = {}
        self.clocks: set[str] = set()
        self.readings: dict[str, list[FloatArray]] = {}

    def read(self) -> None:
        for heading, column in self.chunk.columns.items():
            if heading.field is not None:
                try:
                    bad = self._read_column(heading, column)
                except TypeError as error:
                    text = f"the column {error}, which no {heading.field} can be"
                    raise bad_file(text, column=heading.text) from None
                if bad.any():
                    self.bad.append((heading, bad, "cell"))
        for name, several in self.readings.items():
            self.values[name] = _mean_of(several, self.values.get(name))
        self._find_blank()
        self._require()

    def _read_column(self, heading: Heading, column: Column) -> BoolArray:
        name = str(heading.field)
        if heading.quantity is not None:
            values, bad = read_quantity(heading, column, self.rules)
            if heading.part == "value" and (named := named_values(column, values)):
                self.units_named.setdefault(name, set()).update(named)
            target = self.values if heading.part == "value" else self.uncertainty
            before = target.get(name)
            if heading.reading is not None and heading.part == "value":
                self.readings.setdefault(name, []).append(values)
            else:
                target[name] = values if before is None else np.where(np.isnan(before), values, before)
            if heading.quantity.kind == "time" and has_clock(column):
                self.clocks.add(name)
            stated = stated_uncertainty(heading, column) if heading.part == "value" else None
            if stated is not None:
                given = self.uncertainty.get(name, stated)
                self.uncertainty[name] = np.where(np.isnan(stated), given, stated)
            return bad
        if name in DAYS:
            days, bad = read_days(heading, column, self.rules)
            held = self.days.get(name)
            self.days[name] = days if held is None else np.where(np.isnat(held), days, held)
        elif name in FLAGS or name in _WORDS:
            read = float if name in FLAGS else _WORDS[name].__getitem__
            flags, bad = read_choices(heading, column, self.rules, read)
            before = self.flags.get(name)
            self.flags[name] = flags if before is None else np.where(np.isnan(before), flags, before)
        else:
            texts, bad = read_texts(heading, column, self.rules)
            self.texts[name] = texts if name not in self.texts else pc.coalesce(self.texts[name], texts)
        return bad

    def _find_blank(self) -> None:
        """Rows of empty cells alone, such as a spreadsheet leaves below a table."""
        some = self.values.get("weight")
        places = np.arange(self.size) if some is None else np.flatnonzero(np.isnan(some))
        if not places.size:
            return
        held = np.zeros(places.size, dtype=np.bool_)
        for _, bad, _ in self.bad:
            held |= bad[places]
        for numbers in (*self.values.values(), *self.uncertainty.values(), *self.flags.values()):
            held |= ~np.isnan(numbers[places])
        for texts in self.texts.values():
            held |= texts.is_valid().to_numpy(zero_copy_only=False)[places]
        for days in self.days.values():
            held |= ~np.isnat(days[places])
        self.blank[places[~held]] = True

    def _require(self) -> None:
        for name, needed in FIELDS.items():
            if not (needed.required and self.rules.whole and self.size):
                continue
            heading = self.headings.get(name, Heading(name, name))
            absent = np.isnan(self.values.get(name, np.full(self.size, np.nan))) & ~self.blank
            for other, bad, _ in self.bad:
                if other.name == name:
                    absent &= ~bad
            if absent.any():
                self.bad.append((heading, absent, "missing"))

    def cross_check(self) -> None:
        """What the contract and the engine ask of several fields at once."""
        value = self._value
        with np.errstate(invalid="ignore"):
            self._pair(
                "intermediate_differential",
                "differential",
                value("intermediate_differential") > value("differential"),
            )
            apart = np.abs(value("circumference") / math.pi - value("diameter")) > DIAMETER_AGREEMENT
            self._pair("diameter", "circumference", apart)
            parts = value("differential"), value("intermediate_differential")
            beyond = exceeds_size(0.5 * self._diameter(), value("rg"), *parts)
        if np.any(beyond):
            self.bad.append((self.headings["rg"], beyond, "impossible"))
        for name, numbers in self.uncertainty.items():
            alone = ~np.isnan(numbers) & np.isnan(value(name))
            for other, bad, _ in self.bad:
                if other.field == name and other.part == "value":
                    alone &= ~bad
            if alone.any():
                self.bad.append((self.headings[f"{name}_uncertainty"], alone, "alone"))

    def _value(self, name: str) -> FloatArray | np.float64:
        return self.values.get(name, np.float64(np.nan))

    def _diameter(self) -> FloatArray | np.float64:
        across, around = self._value("diameter"), self._value("circumference")
        return np.where(np.isnan(across), around / math.pi, across)

    def _pair(self, first: str, second: str, wrong: Any) -> None:
        if np.any(wrong):
            self.bad.extend((self.headings[name], wrong, "pair") for name in (first, second))

    def tell(self, notes: Notes) -> None:
        """Count every bad cell and row; list as many as there is room for, in the order of the file."""
        for name, values in self.units_named.items():
            notes.name_unit(name, values)
        notes.clocks |= self.clocks
        notes.blank += self.chunk.blank + int(np.count_nonzero(self.blank))
        notes.left_out += len(self.chunk.notes) + int(np.count_nonzero(self._out() & ~self.blank))
        for heading, bad, _ in self.bad:
            count = int(np.count_nonzero(bad))
            notes.cells += count
            notes.by_column[heading.text] += count
        if notes.room > 0 and (self.bad or self.chunk.notes):
            found = [*self.chunk.notes, *self._first_notes(notes.room)]
            found.sort(key=lambda note: note.row)
            notes.listed.extend(found[: notes.room])

    def _first_notes(self, room: int) -> Iterator[Note]:
        order = {heading: k for k, heading in enumerate(self.chunk.columns)}
        places = sorted(
            # What is missing comes first: a chunk may not even have its column.
            (place, -1 if why == "missing" else order.get(heading, -1), entry)
            for entry, (heading, bad, why) in enumerate(self.bad)
            for place in np.flatnonzero(bad)[:room].tolist()
        )
        for place, _, entry in places[:room]:
            heading, _, why = self.bad[entry]
            yield Note(
                int(self.chunk.rows[place]), heading.text, heading.field, self._why(place, heading, why)
            )

    def _why(self, place: int, heading: Heading, why: str) -> str:
        if why == "missing":
            return REQUIRED
        if why == "alone":
            return f"an uncertainty without a value of {heading.field}"
        if why == "cell":
            column = self.chunk.columns[heading]
            return explain(heading, cell_at(column, place), self.rules)
        numbers = {name: float(values[place]) for name, values in self.values.items()}
        held = {name: number for name, number in numbers.items() if not math.isnan(number)}
        if why == "impossible":
            ball = Ball.of({name: Quantity(x) for name, x in held.items()})
            return next(fault.words for fault in impossible_ball(ball))
        try:
            _BALL.load(held)
        except ValidationError as error:
            return " ".join(error.messages_dict[str(heading.field)])
        raise AssertionError("the contract takes what the lot refuses")

    def _out(self) -> BoolArray:
        out = self.blank.copy()
        for _, bad, _ in self.bad:
            out |= bad
        return out

    def balls(self) -> Balls:
        """The balls that stay."""
        out = self._out()
        keep = None if not out.any() else np.flatnonzero(~out)

        def kept(numbers: Any) -> Any:
            return numbers if keep is None else numbers[keep]

        serial = self.texts.get(SERIAL)
        return Balls(
            rows=kept(self.chunk.rows),
            serial=serial if serial is None or keep is None else serial.take(pa.array(keep)),
            labels={
                name: texts if keep is None else texts.take(pa.array(keep))
                for name, texts in self.texts.items()
                if name != SERIAL
            },
            values={name: kept(numbers) for name, numbers in self.values.items()},
            uncertainty={name: kept(numbers) for name, numbers in self.uncertainty.items()},
            **{name: kept(days) for name, days in self.days.items()},
            **{_COLUMNS.get(name, name): kept(flags) for name, flags in self.flags.items()},
        )


def rule_columns(
    balls: Balls, uncertainties: Mapping[str, float], *, play: bool = False
) -> dict[str, RuleColumn]:
    """The columns that the rules judge, as a check of each ball alone would make them.

    uncertainties: standard uncertainty of a quantity in its trade unit, for balls that state none of their
    own; play: whether the rules are those of play, which judge the drilled weight.
    """
    spread = {name: _spread(balls, name, uncertainties) for name in QUANTITIES}
    columns = {
        name: RuleColumn(values, spread[name])
        for name, values in balls.values.items()
        if name not in ("diameter", "circumference")
    }
    drilled = columns.get("drilled_weight")
    if play and drilled is not None:
        whole_weight = columns.get("weight")
        columns["weight"] = drilled if whole_weight is None else _over(drilled, whole_weight)
    columns.update(_size_columns(balls, spread))
    house = np.zeros(len(balls)) if balls.house_ball is None else np.nan_to_num(balls.house_ball)
    columns["house_ball"] = RuleColumn(house)
    by_hand = (
        np.zeros(len(balls)) if balls.identity_by_hand is None else np.nan_to_num(balls.identity_by_hand)
    )
    columns["identity_by_hand"] = RuleColumn(by_hand)
    if balls.identity is not None:
        columns["identity"] = RuleColumn(balls.identity)
    if balls.high_performance_core is not None:
        columns["high_performance_core"] = RuleColumn(balls.high_performance_core)
    if balls.made_on is not None:
        made = balls.made_on.astype("datetime64[D]", copy=False)
        columns["made_on"] = RuleColumn(np.where(np.isnat(made), np.nan, made.view(np.int64)))
    if balls.cover is not None:
        known = ~np.isnan(balls.cover)
        for word in ("reactive", "urethane"):
            told = np.where(known, (balls.cover == COVERS.index(word)).astype(np.float64), np.nan)
            columns[f"{word}_cover"] = RuleColumn(told)
    split, whole = balls.values.get("intermediate_differential"), balls.values.get("differential")
    if split is not None and whole is not None:
        parted = split - ASYMMETRIC_OVER * whole
        asymmetric = np.where(np.isnan(parted), np.nan, (parted > 0.0).astype(np.float64))
        columns["asymmetric"] = RuleColumn(asymmetric)
    return {name: columns[name] for name in COLUMNS if name in columns}


def _spread(balls: Balls, name: str, uncertainties: Mapping[str, float]) -> FloatArray | None:
    own, common = balls.uncertainty.get(name), uncertainties.get(name)
    if common is None:
        return own
    if own is None:
        return np.full(len(balls), common)
    return np.where(np.isnan(own), common, own)


def _over(first: RuleColumn, second: RuleColumn) -> RuleColumn:
    """The first column, and the second where it has no value."""
    absent, blank = np.isnan(first.values), np.full(len(first.values), np.nan)
    spreads = [blank if each.uncertainty is None else each.uncertainty for each in (first, second)]
    return RuleColumn(np.where(absent, second.values, first.values), np.where(absent, *spreads[::-1]))


def _size_columns(balls: Balls, spread: Mapping[str, FloatArray | None]) -> dict[str, RuleColumn]:
    """Diameter and circumference, each from the other where only that is known."""
    across, around = balls.values.get("diameter"), balls.values.get("circumference")
    if across is None and around is None:
        return {}
    return {
        "diameter": _either(across, spread["diameter"], around, spread["circumference"], divide=True),
        "circumference": _either(around, spread["circumference"], across, spread["diameter"], divide=False),
    }


def _either(
    own: FloatArray | None,
    own_spread: FloatArray | None,
    other: FloatArray | None,
    other_spread: FloatArray | None,
    *,
    divide: bool,
) -> RuleColumn:
    def turned(numbers: FloatArray) -> FloatArray:
        return numbers / math.pi if divide else math.pi * numbers

    if other is None:
        assert own is not None
        return RuleColumn(own, own_spread)
    if own is None:
        return RuleColumn(turned(other), None if other_spread is None else turned(other_spread))
    absent = np.isnan(own)
    if not absent.any():
        return RuleColumn(own, own_spread)
    values = np.where(absent, turned(other), own)
    if own_spread is None and other_spread is None:
        return RuleColumn(values)
    blank = np.full(len(own), np.nan)
    given = blank if own_spread is None else own_spread
    implied = blank if other_spread is None else turned(other_spread)
    return RuleColumn(values, np.where(absent, implied, given))
