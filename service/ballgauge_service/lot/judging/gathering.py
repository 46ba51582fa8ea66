"""What a lot's report needs beyond its totals: binding limits, the worst balls, serials and order."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Self

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ballgauge_schemas.lot.request import LABELS
from ballgauge_schemas.shared.limits import WORST_BALLS
from ballgauge_service.lot.judging.totals import (
    KEPT_MAXIMUM,
    LotTotals,
    Serials,
    codes_of,
    fates_of,
    kind_of,
)
from ballgauge_service.lot.judging.verdicts import Verdicts, words_of
from ballgauge_service.lot.reading.cells import converted
from ballgauge_service.lot.reading.columns import Balls
from ballgauge_service.rulebooks import OUTCOMES, Edition, State
from ballgauge_service.rulebooks.model import Limit

NOT_ASSESSED = OUTCOMES.index("not_assessed")
INCONCLUSIVE = OUTCOMES.index("inconclusive")
_SIZES = {"diameter", "circumference"}

SERIALS_MAXIMUM = 1_000_000
"""Most serials a sample is drawn from (ours)."""

LABELS_MAXIMUM, KINDS_MAXIMUM, OTHERS = 20, 1000, "others"
"""Most texts of a column, and models of a file, that are told one by one (ours)."""

# Balls held beyond those wanted, so that equally bad ones are told in the order of their serials.
_TIES = 1000
# Times so many rows are held before the worst of them are sorted out.
_PARTS = 16
_WORST = ("margin", "reason")

_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True)
class BindingLimits:
    """The limits of one quantity: the narrowest that bind any ball, as printed, and whether balls differ."""

    min: float | None
    max: float | None
    differ: bool
    rules: tuple[str, ...]


class OpenLimits(NamedTuple):
    """The widest limits that may bind where it is open which do, for want of these columns."""

    min: float | None
    max: float | None
    unknown: tuple[str, ...]


class WorstBall(NamedTuple):
    """A ball that is nonconforming or inconclusive, as `Verdicts` tells of it."""

    code: int
    nearness: float
    row: int
    serial: str | None
    rule: str | None
    margin: float | None
    unit: str | None
    reason: str


@dataclass
class Gathered(LotTotals):
    """Totals of a lot, and with them its limits, its worst balls and, of a small lot, its order.

    `worst_wanted`: how many balls to list; `serials_wanted`: whether every serial is kept. `rules_of`: the
    rules of each class of defects, and `by_class` what the balls came to by these alone. `labels`: what the
    columns tell of the lot, the first `LABELS_MAXIMUM` texts of each; `kinds`: maker and model to what their
    rows came to, see `fates_of`, and how many did.
    """

    edition: Edition | None = None
    worst_wanted: int = WORST_BALLS
    serials_wanted: bool = False
    rules_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    by_class: dict[str, Serials] = field(default_factory=dict)
    labels: dict[str, list[str]] = field(default_factory=dict)
    kinds: dict[str, Counter[int]] = field(default_factory=dict)
    _held: NDArray[np.int64] | int = 0
    _worst: list[pa.Table] = field(default_factory=list)
    _serials: list[pa.Array] = field(default_factory=list)
    _unjudged: Counter[int] = field(default_factory=Counter)

    def add(self, balls: Balls, verdicts: Verdicts) -> None:
        """Take in the balls of a chunk and their verdicts."""
        super().add(balls, verdicts)
        if not len(balls):
            return
        self._held = self._held + verdicts.held
        self._judge_classes(balls, verdicts)
        unknown = verdicts.unknown[verdicts.outcome == NOT_ASSESSED]
        lacking, counts = np.unique(unknown, return_counts=True)
        self._unjudged.update(dict(zip(lacking.tolist(), counts.tolist(), strict=True)))
        self._note_worst(verdicts)
        self._note_labels(balls, verdicts)
        self._keep_serials([pa.nulls(len(balls), pa.string()) if balls.serial is None else balls.serial])

    def merge(self, other: Self) -> None:
        """Take in what a later part of the lot added up to."""
        super().merge(other)
        self._held = self._held + other._held
        for name, serials in other.by_class.items():
            self.by_class.setdefault(name, Serials()).merge(serials)
        self._unjudged.update(other._unjudged)
        self._keep_worst(other._worst)
        self._keep_serials(other._serials)
        for name, told in other.labels.items():
            self._tell(name, told)
        for kind, fates in other.kinds.items():
            self._count_kind(kind, fates)

    def _note_labels(self, balls: Balls, verdicts: Verdicts) -> None:
        """What the columns tell of the lot, and the outcomes of each maker and model."""
        for name, texts in balls.labels.items():
            if name in LABELS:
                self._tell(name, pc.drop_null(pc.unique(texts)).to_pylist())
        kind = kind_of(balls)
        if kind is None:
            return
        fates = pa.array(fates_of(verdicts.outcome, verdicts.unknown).astype(np.int64))
        found = (
            pa.table({"kind": kind, "fate": fates}).group_by(["kind", "fate"]).aggregate([([], "count_all")])
        )
        for each in found.to_pylist():
            self._count_kind(each["kind"], {each["fate"]: each["count_all"]})

    def _tell(self, name: str, texts: Iterable[str]) -> None:
        held = {*self.labels.get(name, ()), *texts}
        self.labels[name] = sorted(held)[:LABELS_MAXIMUM]

    def _count_kind(self, kind: str, fates: Mapping[int, int]) -> None:
        if kind not in self.kinds and len(self.kinds) >= KINDS_MAXIMUM:
            kind = OTHERS
        self.kinds.setdefault(kind, Counter()).update(fates)

    def by_kind(self, measured: int | None) -> dict[str, NDArray[np.int64]]:
        """Rows by outcome, (4,), of each maker and model, by name; measured: see `Serials.balls`."""
        found = {}
        for kind, fates in sorted(self.kinds.items()):
            codes = codes_of(np.array(list(fates), dtype=np.int64), measured)
            counts = np.array(list(fates.values()), dtype=np.int64)
            found[kind] = np.bincount(codes, counts, minlength=len(OUTCOMES)).astype(np.int64)
        return found

    def _judge_classes(self, balls: Balls, verdicts: Verdicts) -> None:
        """Note what each ball comes to by the rules of each class; one that none of them reaches is good."""
        assert self.edition is not None
        for name, rules in self.rules_of.items():
            places = [place for place, rule in enumerate(verdicts.rules) if rule in rules]
            outcome = np.zeros(len(balls), dtype=np.int8)
            if places:
                outcome = np.maximum(verdicts.by_rule[places].max(axis=0), 0).astype(np.int8)
            mask = sum(1 << self.edition.regime.index[rule] for rule in rules)
            fates = fates_of(outcome, verdicts.unknown & mask)
            self.by_class.setdefault(name, Serials()).add(balls.rows, balls.serial, fates)

    def _keep_serials(self, more: list[pa.Array]) -> None:
        if self.serials_wanted or self.balls <= KEPT_MAXIMUM:
            self._serials.extend(more)
        else:
            self._serials = []

    def measured_rules(self) -> tuple[list[str], list[str]]:
        """The rules that count on quantities that any ball has, and those on others; ids in order."""
        assert self.edition is not None
        given = {name for name, sums in self.quantities.items() if sums.count}
        given |= _SIZES if given & _SIZES else set()
        counted = [rule for rule in self.edition.rules if not rule.advisory and self._reaches(rule.id)]
        return (
            [rule.id for rule in counted if rule.quantity in given],
            [rule.id for rule in counted if rule.quantity not in given],
        )

    def _reaches(self, rule: str) -> bool:
        return rule in self.by_rule and int(self.by_rule[rule][1:].sum()) > 0

    def conforming_where_measured(self) -> int:
        """Balls not assessed by every rule, but conforming by all rules on what any ball of the lot has."""
        mask = self.measured_mask()
        passed = (count for lacking, count in self._unjudged.items() if lacking and not lacking & mask)
        return sum(passed) if mask else 0

    def measured_mask(self) -> int:
        """The rules that count on what any ball of the lot has, as bits."""
        assert self.edition is not None
        return sum(1 << self.edition.regime.index[rule] for rule in self.measured_rules()[0])

    def limits(self) -> dict[str, BindingLimits]:
        """The limits of every quantity that has any, by name."""
        return {name: _binding(states) for name, states in self._limiting().items()}

    def ends(self, name: str) -> tuple[float, float]:
        """The least and greatest value of a quantity that its limits allow, which may be printed rounded."""
        inner = [state.inner for _, state in self._limiting().get(name, ())]
        return max((low for low, _ in inner), default=-math.inf), min(
            (high for _, high in inner), default=math.inf
        )

    def open_limits(self) -> dict[str, OpenLimits]:
        """By name the quantities of which it is open, for some ball, which of several limits holds."""
        found = {name: _widest([state for _, state in held]) for name, held in self._limiting().items()}
        return {name: widest for name, widest in found.items() if widest.unknown}

    def limits_in_force(self) -> dict[str, list[Limit]]:
        """The limits that some ball was judged by, or may be, by rule; those of no ball are left out."""
        assert self.edition is not None
        found: dict[str, list[Limit]] = {}
        for place in np.flatnonzero(self._held).tolist():
            state = self.edition.regime.states[place]
            known = found.setdefault(self.edition.rules[state.rule].id, [])
            known += [limit for limit in state.limits if limit is not None and limit not in known]
        return found

    def _limiting(self) -> dict[str, list[tuple[str, State]]]:
        """The states with limits that any ball with a value is in, by quantity, and their rules."""
        assert self.edition is not None
        found: dict[str, list[tuple[str, State]]] = {}
        for place in np.flatnonzero(self._held).tolist():
            state = self.edition.regime.states[place]
            rule = self.edition.rules[state.rule]
            limitless = rule.advisory or state.exempt or state.uncounted or math.isnan(state.inner[0])
            if rule.quantity in self.quantities and not limitless:
                found.setdefault(rule.quantity, []).append((rule.id, state))
        return found

    def _note_worst(self, verdicts: Verdicts) -> None:
        odd = np.flatnonzero(verdicts.outcome >= INCONCLUSIVE)
        if not odd.size or not self.worst_wanted:
            return
        order = np.lexsort((verdicts.rows[odd], verdicts.nearness[odd], -verdicts.outcome[odd]))
        odd = odd[order[: self.worst_wanted + _TIES]]
        serial = pa.nulls(odd.size, pa.string()) if verdicts.serial is None else verdicts.serial.take(odd)
        found = {name: getattr(verdicts, name)[odd] for name in ("outcome", "nearness", "rows", *_WORST)}
        self._keep_worst([pa.table({**found, "serial": serial})])

    def _keep_worst(self, more: list[pa.Table]) -> None:
        self._worst.extend(more)
        if sum(len(part) for part in self._worst) > _PARTS * (self.worst_wanted + _TIES):
            self._worst = [self._in_order()]

    def _in_order(self) -> pa.Table:
        found = pa.concat_tables(self._worst)
        named = found.append_column("name", pc.fill_null(found["serial"], ""))
        keys = [("outcome", "descending"), ("nearness", "ascending"), ("name", "ascending")]
        order = pc.sort_indices(named, [*keys, ("rows", "ascending")])
        return found.take(order[: self.worst_wanted + _TIES])

    def worst(self) -> list[WorstBall]:
        """The balls that are nonconforming or inconclusive, worst first."""
        assert self.edition is not None
        if not self._worst:
            return []
        words = words_of(self.edition)
        return [
            WorstBall(
                ball["outcome"],
                ball["nearness"],
                ball["rows"],
                ball["serial"],
                words[ball["reason"]].rule,
                None if math.isnan(ball["margin"]) else ball["margin"],
                words[ball["reason"]].unit,
                words[ball["reason"]].reason,
            )
            for ball in self._in_order()[: self.worst_wanted].to_pylist()
        ]

    def serials_seen(self) -> list[str | None]:
        """Every serial by row, None where a ball has none; of a small lot, or where wanted."""
        return [text for part in self._serials for text in part.to_pylist()]

    def ordered(self) -> Ordered | None:
        """The balls of a small lot in serial order; None of a lot whose values are not kept."""
        kept = self.kept()
        if kept is None:
            return None
        rows, values, days, kinds = kept
        serials = self.serials_seen()
        full = bool(serials) and None not in serials
        keys = [_natural(str(serial)) for serial in serials] if full else []
        order = np.array(
            sorted(range(len(rows)), key=lambda k: (keys[k], rows[k])) if full else range(len(rows))
        )
        order = order.astype(np.int64)
        return Ordered(
            "serial" if full else "file",
            rows[order],
            [serials[k] if serials else None for k in order.tolist()],
            {name: numbers[order] for name, numbers in values.items()},
            days[order],
            kinds[order],
        )


class Ordered(NamedTuple):
    """Balls in `order`, `serial` or `file`: rows (n,), serials, values by quantity (n,), NaN: no data.

    `approved_on` (n,) datetime64[D], NaT: unknown; `kinds` (n,) maker and model, empty: not told.
    """

    order: str
    rows: NDArray[np.int64]
    serials: list[str | None]
    values: Mapping[str, NDArray[np.float64]]
    approved_on: NDArray[np.datetime64]
    kinds: NDArray[np.str_]

    def of_kind(self, kind: str) -> Ordered:
        """The balls of one maker and model."""
        here = np.flatnonzero(self.kinds == kind)
        return Ordered(
            self.order,
            self.rows[here],
            [self.serials[place] for place in here.tolist()],
            {name: numbers[here] for name, numbers in self.values.items()},
            self.approved_on[here],
            self.kinds[here],
        )


class RepeatedRow(NamedTuple):
    """A row with the serial of an earlier one, and the quantities it reads otherwise; None: not known."""

    row: int
    first_row: int
    differs: list[str] | None


@dataclass(frozen=True, slots=True)
class Repeats:
    """Rows that repeat a serial: all, the first of them, and how many of those contradict the earlier row."""

    count: int
    listed: list[RepeatedRow]
    contradictory: int | None


def find_repeats(totals: LotTotals, ordered: Ordered | None) -> Repeats:
    """The rows that stand for a ball that was told of before, and where their readings differ from it."""
    count, pairs = totals.serials.repeated()
    if ordered is None:
        return Repeats(count, [RepeatedRow(*pair, None) for pair in pairs], None)
    place = {int(row): k for k, row in enumerate(ordered.rows.tolist())} if pairs else {}
    listed = [
        RepeatedRow(
            row,
            first,
            [
                name
                for name, values in ordered.values.items()
                if not np.array_equal(values[place[row]], values[place[first]], equal_nan=True)
            ],
        )
        for row, first in pairs
    ]
    return Repeats(count, listed, sum(bool(each.differs) for each in listed))


def once_a_ball(totals: Gathered, ordered: Ordered) -> tuple[Gathered, Ordered]:
    """Totals and balls, each serial once: its values the means of its rows, the rest its first row's."""
    places: dict[str, int] = {}
    group = np.empty(len(ordered.rows), dtype=np.int64)
    first: list[int] = []
    for row, serial in enumerate(pc.ascii_upper(pa.array(ordered.serials, pa.string())).to_pylist()):
        group[row] = len(first) if serial is None else places.setdefault(serial, len(first))
        if group[row] == len(first):
            first.append(row)
    start = np.array(first, dtype=np.int64)
    values = {}
    for name, numbers in ordered.values.items():
        given = ~np.isnan(numbers)
        count = np.bincount(group[given], minlength=len(start))
        total = np.bincount(group[given], numbers[given], minlength=len(start))
        mean = np.where(count == 1, total, np.nan)
        for number in np.unique(count[count > 1]).tolist():
            mean[count == number] = converted(total[count == number], 1.0 / number)
        values[name] = mean
    once = replace(totals, balls=len(start), quantities={})
    for name, numbers in values.items():
        once.totals_of(name).add(numbers)
    serials = [ordered.serials[row] for row in first]
    days, kinds = ordered.approved_on[start], ordered.kinds[start]
    return once, Ordered(ordered.order, ordered.rows[start], serials, values, days, kinds)


def _natural(serial: str) -> tuple[tuple[int, int, str], ...]:
    """A key that puts A9 before A10."""
    parts = _DIGITS.split(serial)
    return tuple((0, int(part), "") if k % 2 else (1, 0, part) for k, part in enumerate(parts) if part)


def _binding(states: list[tuple[str, State]]) -> BindingLimits:
    low = max(state.inner[0] for _, state in states)
    high = min(state.inner[1] for _, state in states)
    by_rule: dict[str, set[tuple[tuple[float, float], tuple[float, float]]]] = {}
    for rule, state in states:
        by_rule.setdefault(rule, set()).add((state.inner, state.hull))
    return BindingLimits(
        max(state.printed[0] for _, state in states) if math.isfinite(low) else None,
        min(state.printed[1] for _, state in states) if math.isfinite(high) else None,
        any(len(intervals) > 1 for intervals in by_rule.values()),
        tuple(by_rule),
    )


def _widest(states: list[State]) -> OpenLimits:
    low = max(state.hull[0] for state in states)
    high = min(state.hull[1] for state in states)
    return OpenLimits(
        low if math.isfinite(low) else None,
        high if math.isfinite(high) else None,
        tuple(dict.fromkeys(name for state in states if state.inner != state.hull for name in state.unknown)),
    )
