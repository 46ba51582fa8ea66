"""What a lot adds up to: counts, means and histograms, the same however its balls are ordered or cut.

Sums are of whole numbers, so they are exact: each value is taken as a multiple of a 2^-32nd of its field's
range (contract limits), and what that leaves out as a multiple of a 2^-62nd (ours). The mean is thus right
to a 2^-52nd of the range, the spread to a 2^-32nd.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple, Self

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from ballgauge_service.core.compiled import compiled
from ballgauge_service.lot.judging.verdicts import Verdicts
from ballgauge_service.lot.reading.columns import Balls
from ballgauge_service.lot.reading.headings import QUANTITIES
from ballgauge_service.rulebooks import OUTCOMES

BINS = 4096
"""Bins of a histogram, of equal width over the field's range in the contract (ours)."""

KEPT_MAXIMUM = 100_000
"""Most balls of a lot whose own values are kept (ours): statistics of larger lots use counts and bins."""

DUPLICATES_LISTED = 1000
"""Most repeated serial numbers listed (ours); all are counted."""

# What adding a value up costs the interpreter, and what compiling costs [s] (ours, measured).
_ADDING, _COMPILING = 2e-6, 1.0

_COARSE, _FINE = 31, 30
_LOW_BITS = (1 << _COARSE) - 1
_BITS_A_ROW = 16
"""Places for each row in the table that seeks repeats (ours): one in sixteen is sought in vain."""
_NOT_ASSESSED = OUTCOMES.index("not_assessed")
_NAMELESS = np.uint64(0x9E3779B97F4A7C15)


class _Scale(NamedTuple):
    """Of a quantity its least value, bins a unit, the middle of its range, and steps a unit from there."""

    minimum: float
    bins: float
    middle: float
    steps: float


@compiled
def add_up(
    values: Any, scale: _Scale, bins: NDArray[np.int64]
) -> tuple[int, float, float, int, int, int, int]:
    """Count values (n,) in their bins, NaN: none; with how many, the least, the greatest, and their sums.

    The sums are of steps, of what these leave out, and of squared steps in two parts.
    """
    count, steps, rest, high, low = 0, 0, 0, 0, 0
    least, most = math.inf, -math.inf
    for value in values:
        if value == value:
            count += 1
            least, most = min(least, value), max(most, value)
            scaled = (value - scale.middle) * scale.steps
            whole = round(scaled)
            rest += round((scaled - whole) * 2.0**_FINE)
            steps += whole
            square = whole * whole
            high += square >> _COARSE
            low += square & _LOW_BITS
            bins[min(int((value - scale.minimum) * scale.bins), BINS - 1)] += 1
    return count, least, most, steps, rest, high, low


@compiled
def note_repeats(places: Any, seen: NDArray[np.uint8], again: NDArray[np.uint8]) -> None:
    """Set the bit of each place (n,) in `seen`, and where it is set already the one in `again`."""
    for place in places:
        bit = 1 << (place & 7)
        again[place >> 3] |= seen[place >> 3] & bit
        seen[place >> 3] |= bit


@dataclass
class QuantityTotals:
    """Count, sums, extremes and histogram of one quantity, in its trade unit.

    `bins` (BINS,) counts over `minimum` to `maximum`, the contract's limits of the field.
    """

    minimum: float
    maximum: float
    count: int = 0
    lowest: float = math.inf
    highest: float = -math.inf
    bins: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BINS, dtype=np.int64))
    _sum: int = 0
    _rest: int = 0
    _squares: int = 0

    @property
    def _exponent(self) -> int:
        """The range's half is less than two to this."""
        return math.frexp(0.5 * (self.maximum - self.minimum))[1]

    @property
    def _middle(self) -> float:
        return 0.5 * (self.minimum + self.maximum)

    def add(self, values: NDArray[np.float64]) -> None:
        """Take in values (n,), NaN: none."""
        scale = _Scale(
            self.minimum,
            BINS / (self.maximum - self.minimum),
            self._middle,
            2.0 ** (_COARSE - self._exponent),
        )
        run = add_up.expecting(len(values) * _ADDING, _COMPILING)
        count, lowest, highest, steps, rest, high, low = run(np.ascontiguousarray(values), scale, self.bins)
        self.count += count
        self.lowest, self.highest = min(self.lowest, lowest), max(self.highest, highest)
        self._sum += steps
        self._rest += rest
        self._squares += (high << _COARSE) + low

    def merge(self, other: QuantityTotals) -> None:
        """Take in what another part of the lot added up to."""
        self.count += other.count
        self.lowest, self.highest = min(self.lowest, other.lowest), max(self.highest, other.highest)
        self.bins = self.bins + other.bins
        self._sum += other._sum
        self._rest += other._rest
        self._squares += other._squares

    @property
    def mean(self) -> float | None:
        """The mean; None of no values."""
        if not self.count:
            return None
        steps = Fraction((self._sum << _FINE) + self._rest, self.count << _FINE)
        mean = Fraction(self._middle) + steps * Fraction(2) ** (self._exponent - _COARSE)
        return min(max(float(mean), self.lowest), self.highest)

    @property
    def squares(self) -> float | None:
        """The sum of squared distances from the mean, in the unit's square; None of no values."""
        if not self.count:
            return None
        if self.lowest == self.highest:
            return 0.0
        steps = Fraction(self._squares) - Fraction(self._sum * self._sum, self.count)
        return float(steps * Fraction(4) ** (self._exponent - _COARSE))

    @property
    def standard_deviation(self) -> float | None:
        """The sample standard deviation (divisor n - 1); None of fewer than two values."""
        squares = self.squares
        return None if self.count < 2 or squares is None else math.sqrt(squares / (self.count - 1))


class Serials:
    """The rows judged so far by serial number, as 64-bit digests, each with what it came to.

    Upper and lower case are alike: a7 and A7 are one ball that was typed twice.

    Two different serials pass for one with a chance of about n^2 / 2^65: three in a million for ten million
    balls. What a row came to is its outcome code, and above two bits the rules that it was not assessed by.
    """

    def __init__(self) -> None:
        self.parts: list[tuple[NDArray[np.uint64], NDArray[np.int64] | range]] = []
        self.fates: list[NDArray[np.integer[Any]]] = []
        self.nameless: list[tuple[NDArray[np.int64], NDArray[np.integer[Any]]]] = []

    def add(self, rows: NDArray[np.int64], serial: pa.Array | None, fates: NDArray[np.integer[Any]]) -> None:
        """Take in some rows; a ball without a serial repeats none."""
        if not len(rows):
            return
        if serial is None or serial.null_count:
            given = np.zeros(len(rows), dtype=np.bool_)
            if serial is not None:
                given = serial.is_valid().to_numpy(zero_copy_only=False)
                serial = serial.drop_null()
            self.nameless.append((rows[~given], fates[~given]))
            rows, fates = rows[given], fates[given]
        if serial is None or not len(rows):
            return
        first, last = int(rows[0]), int(rows[-1])
        places = range(first, last + 1) if last - first + 1 == len(rows) else rows
        self.parts.append((digests(pc.ascii_upper(serial)), places))
        self.fates.append(fates)

    def merge(self, other: Serials) -> None:
        """Take in those of another part of the lot."""
        self.parts.extend(other.parts)
        self.fates.extend(other.fates)
        self.nameless.extend(other.nameless)

    def balls(self, measured: int | None) -> tuple[NDArray[np.uint64], NDArray[np.int64], NDArray[np.int8]]:
        """Each ball once: a number to draw it by, (n,), the first row it stands in, and its outcome code.

        The rows of one serial are one ball, and the worst of them is its outcome. measured: the rules, as
        bits, that a ball must be assessed by; None: by all.
        """
        nothing = np.empty(0, dtype=np.int64)
        digest = np.concatenate([nothing.astype(np.uint64), *(digest for digest, _ in self.parts)])
        rows = np.concatenate([nothing, *(np.asarray(rows) for _, rows in self.parts)])
        codes = np.concatenate(
            [nothing.astype(np.int8), *(codes_of(fates, measured) for fates in self.fates)]
        )
        order = np.lexsort((rows, digest))
        digest, rows = digest[order], rows[order]
        starts = np.flatnonzero(np.concatenate((digest[:1] == digest[:1], digest[1:] != digest[:-1])))
        worst = np.maximum.reduceat(codes[order], starts) if starts.size else codes
        alone = np.concatenate([nothing, *(rows for rows, _ in self.nameless)])
        loose = np.concatenate([nothing.astype(np.int8), *(codes_of(f, measured) for _, f in self.nameless)])
        keys = np.concatenate((mixed(digest[starts]), mixed(mixed(alone.astype(np.uint64)) + _NAMELESS)))
        return keys, np.concatenate((rows[starts], alone)), np.concatenate((worst, loose))

    def _alike(self) -> NDArray[np.uint64]:
        """The digests of which another has the same upper bits: all that repeat, and some by chance."""
        size = sum(len(digest) for digest, _ in self.parts)
        bits = max((size * _BITS_A_ROW).bit_length(), 3)
        seen, again = (np.zeros(1 << (bits - 3), dtype=np.uint8) for _ in range(2))
        for digest, _ in self.parts:
            run = note_repeats.expecting(len(digest) * _ADDING, _COMPILING)
            run((digest >> np.uint64(64 - bits)).astype(np.int64), seen, again)
        found = []
        for digest, _ in self.parts:
            places = (digest >> np.uint64(64 - bits)).astype(np.int64)
            found.append(digest[again[places >> 3] >> (places & 7) & 1 == 1])
        return np.concatenate(found)

    def repeated(self) -> tuple[int, list[tuple[int, int]]]:
        """How many rows repeat an earlier row's serial, and the first of them: (row, first row)."""
        if not self.parts:
            return 0, []
        ordered = np.sort(self._alike())
        again = ordered[1:][ordered[1:] == ordered[:-1]]
        if not again.size:
            return 0, []
        distinct = np.unique(again)
        pairs: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        for digest, rows in self.parts:
            place = np.minimum(np.searchsorted(distinct, digest), len(distinct) - 1)
            hit = np.flatnonzero(distinct[place] == digest)
            pairs.append((place[hit], hit + rows.start if isinstance(rows, range) else rows[hit]))
        keys, places = (np.concatenate(part) for part in zip(*pairs, strict=True))
        order = np.argsort(places, kind="stable")
        keys, places = keys[order], places[order]
        _, first = np.unique(keys, return_index=True)
        later = np.ones(len(keys), dtype=np.bool_)
        later[first] = False
        listed = np.flatnonzero(later)[:DUPLICATES_LISTED]
        found = [(int(places[k]), int(places[first[keys[k]]])) for k in listed.tolist()]
        return int(again.size), found


def fates_of(outcome: NDArray[np.int8], unknown: NDArray[np.int64]) -> NDArray[np.integer[Any]]:
    """What balls (n,) came to, as `Serials` keeps it."""
    unjudged = outcome == _NOT_ASSESSED
    if not unjudged.any():
        return outcome
    return np.where(unjudged, unknown << 2, 0) | outcome


def codes_of(fates: NDArray[np.integer[Any]], measured: int | None) -> NDArray[np.int8]:
    """Outcome codes, where no rule beyond those measured need assess a ball."""
    codes = (fates & 3).astype(np.int8)
    if measured is not None and fates.dtype == np.int64:
        lacking = fates >> 2
        codes[(lacking != 0) & (lacking & measured == 0)] = OUTCOMES.index("conforming")
    return codes


def mixed(numbers: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Numbers (n,) scattered over 64 bits: the finalizer of SplitMix64 (Steele, Lea and Flood 2014)."""
    found = (numbers ^ (numbers >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    found = (found ^ (found >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return found ^ (found >> np.uint64(31))


def digests(texts: pa.Array) -> NDArray[np.uint64]:
    """A 64-bit digest of each of (n,) Arrow strings, none null: multiply and shift by 8-byte words (ours)."""
    count = len(texts)
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)[
        texts.offset : texts.offset + count + 1
    ].astype(np.int64)
    data = texts.buffers()[2]
    held = b"" if data is None else data.to_pybytes() if len(data) < 16 else memoryview(data)
    start, end = int(offsets[0]), int(offsets[-1])
    padded = np.zeros(end - start + 8, dtype=np.uint8)
    padded[: end - start] = np.frombuffer(held, dtype=np.uint8)[start:end]
    words = np.ndarray((end - start + 1,), dtype="<u8", buffer=padded, strides=(1,))
    length = np.diff(offsets)
    places = offsets[:-1] - start
    result = length.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    for step in range(0, int(length.max(initial=0)), 8):
        left = np.clip(length - step, 0, 8)
        mask = _MASKS[left]
        word = words[np.minimum(places + step, end - start)] & mask
        result = (result ^ word) * np.uint64(0xD6E8FEB86659FD93)
        result ^= result >> np.uint64(32)
    return result


_MASKS = np.array([(1 << (8 * k)) - 1 for k in range(9)], dtype=np.uint64)


@dataclass
class LotTotals:
    """A lot, or a part of one, added up. Parts may be merged in any order.

    `outcomes` (4,) balls by outcome code; `by_rule` rule id to (5,) balls not judged, then by outcome code;
    `quantities` by name. `kept` holds the values of the first balls while there are at most `KEPT_MAXIMUM`.
    """

    balls: int = 0
    outcomes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(len(OUTCOMES), dtype=np.int64))
    by_rule: dict[str, NDArray[np.int64]] = field(default_factory=dict)
    decided_by: Counter[str] = field(default_factory=Counter)
    quantities: dict[str, QuantityTotals] = field(default_factory=dict)
    serials: Serials = field(default_factory=Serials)
    _kept: list[Balls] | None = field(default_factory=list)

    def add(self, balls: Balls, verdicts: Verdicts) -> None:
        """Take in the balls of a chunk and their verdicts."""
        self.balls += len(balls)
        self.outcomes += np.bincount(verdicts.outcome, minlength=len(OUTCOMES))
        for rule, codes in zip(verdicts.rules, verdicts.by_rule, strict=True):
            counted = self.by_rule.setdefault(rule, np.zeros(len(OUTCOMES) + 1, dtype=np.int64))
            counted += _counts(codes)
        broken = np.bincount(
            verdicts.rule[verdicts.outcome == len(OUTCOMES) - 1], minlength=len(verdicts.rules)
        )
        for place in np.flatnonzero(broken).tolist():
            self.decided_by[verdicts.rules[place]] += int(broken[place])
        for name, values in balls.values.items():
            self.totals_of(name).add(values)
        self.serials.add(balls.rows, balls.serial, fates_of(verdicts.outcome, verdicts.unknown))
        self._keep([balls])

    def totals_of(self, name: str) -> QuantityTotals:
        """What a quantity adds up to, from nothing where it is new."""
        limits = QUANTITIES[name]
        return self.quantities.setdefault(name, QuantityTotals(limits.minimum, limits.maximum))

    def _keep(self, more: list[Balls] | None) -> None:
        if self.balls > KEPT_MAXIMUM or more is None:
            self._kept = None
        if self._kept is not None and more is not None:
            self._kept.extend(more)

    def merge(self, other: Self) -> None:
        """Take in what another part of the lot added up to."""
        self.balls += other.balls
        self.outcomes = self.outcomes + other.outcomes
        for rule, counted in other.by_rule.items():
            self.by_rule[rule] = self.by_rule.get(rule, np.zeros_like(counted)) + counted
        self.decided_by.update(other.decided_by)
        for name, totals in other.quantities.items():
            self.totals_of(name).merge(totals)
        self.serials.merge(other.serials)
        self._keep(other._kept)

    def kept(self) -> Kept | None:
        """All balls, their rows ascending; None of a lot of more than `KEPT_MAXIMUM` balls."""
        if self._kept is None:
            return None
        parts = sorted((part for part in self._kept if len(part)), key=lambda part: int(part.rows[0]))
        rows = np.concatenate([part.rows for part in parts]) if parts else np.empty(0, dtype=np.int64)
        blank = [np.full(len(part), np.nan) for part in parts]
        values = {
            name: np.concatenate(
                [part.values.get(name, none) for part, none in zip(parts, blank, strict=True)]
            )
            for name in self.quantities
            if parts
        }
        unknown = [np.full(len(part), np.datetime64("NaT", "D")) for part in parts]
        days = [
            none if part.approved_on is None else part.approved_on
            for part, none in zip(parts, unknown, strict=True)
        ]
        kinds = [
            [""] * len(part) if kind is None else kind.to_pylist()
            for part, kind in ((part, kind_of(part)) for part in parts)
        ]
        return Kept(
            rows,
            values,
            np.concatenate(days) if days else np.empty(0, dtype="datetime64[D]"),
            np.array([kind for part in kinds for kind in part], dtype=np.str_),
        )


class Kept(NamedTuple):
    """Balls in the order of the file.

    `rows` (n,); `values` by quantity, (n,) NaN: no data; `approved_on` (n,) datetime64[D], NaT: unknown;
    `kinds` (n,), maker and model as the file tells them, empty: not told.
    """

    rows: NDArray[np.int64]
    values: Mapping[str, NDArray[np.float64]]
    approved_on: NDArray[np.datetime64]
    kinds: NDArray[np.str_]


def kind_of(balls: Balls) -> pa.Array | None:
    """Maker and model of each ball (n,), empty where not told; None where the file tells none."""
    names = [name for name in ("maker", "model", "name") if name in balls.labels]
    if names[-2:] == ["model", "name"]:
        names.pop()
    if not names:
        return None
    told = [pc.fill_null(balls.labels[name], "") for name in names]
    return pc.utf8_trim_whitespace(pc.binary_join_element_wise(*told, " "))


def _counts(codes: NDArray[np.int8]) -> NDArray[np.int64]:
    """Balls not judged, then by outcome code."""
    if not codes.size:
        return np.zeros(len(OUTCOMES) + 1, dtype=np.int64)
    first = codes[0]
    if (codes == first).all():
        found = np.zeros(len(OUTCOMES) + 1, dtype=np.int64)
        found[first + 1] = codes.size
        return found
    return np.array([np.count_nonzero(codes == code) for code in range(-1, len(OUTCOMES))], dtype=np.int64)
