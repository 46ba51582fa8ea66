"""What a line-up says in words: no digit below the uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from ballgauge_schemas.shared.words import PLACED
from ballgauge_service.motion.lineup.causes import TOGETHER
from ballgauge_service.motion.lineup.places import Difference, Opening, Place, Row, Value, value
from ballgauge_service.motion.lineup.request import Column, LineupRequest

STEPS = (1, 5, 10, 25)
"""Steps to which shares are rounded [%] (ours): the greatest one within their uncertainty."""

EXACT = 1e-6
"""Uncertainties under it are none (ours)."""

ALIKE = 0.95
"""Correlation of reads and covers from which the balls differ in one way only, as a whole (ours)."""

LEAST = 5
"""Shares under it [%] are not said (ours)."""


def same(text: str) -> str:
    """The text itself: English."""
    return text


@dataclass(frozen=True, slots=True)
class Wording:
    """A language: `text` gives its form of an English text."""

    language: str = "en"
    text: Callable[[str], str] = same

    def number(self, value: float, places: int) -> str:
        """A number with so many decimals, or rounded to tens where they are negative."""
        text = f"{round(value, places):.{max(places, 0)}f}".replace("-", "−")
        if not text.strip("−0."):
            text = text.lstrip("−")
        return text.replace(".", ",") if self.language == "de" else text

    def amount(self, found: Value, sign: float = 1.0) -> str:
        """A mean with its uncertainty, to the first digit of the uncertainty."""
        places = decimals(found.uncertainty)
        told = self.number(sign * found.mean, places)
        if not found.uncertainty > EXACT:
            return told
        return f"{told} ± {self.number(found.uncertainty, places)}"

    def plain(self, found: Value) -> str:
        """A mean without its uncertainty, to the first digit of it."""
        return self.number(found.mean, decimals(found.uncertainty))


def decimals(uncertainty: float) -> int:
    """Decimals of the first digit of an uncertainty; two where there is none."""
    if not uncertainty > EXACT:
        return 2
    places = -math.floor(math.log10(uncertainty))
    # 0.096 is 0.1: its first digit moves when it is rounded.
    return places - (round(uncertainty * 10.0**places) >= 10)


def column_name(column: Column, wording: Wording, *, lanes: bool) -> str:
    """A column by its amount of oil, with its lane's name where there are several."""
    volume = f"{wording.number(column.lane.volume, 1).removesuffix(',0').removesuffix('.0')} mL"
    return f"{column.lane.name}, {volume}" if lanes and column.lane.name else volume


@dataclass(frozen=True, slots=True)
class Speaker:
    """Says what was found of a line-up."""

    asked: LineupRequest
    wording: Wording

    def column(self, k: int) -> str:
        """A column's name."""
        several = len({column.group for column in self.asked.columns}) > 1
        return column_name(self.asked.columns[k], self.wording, lanes=several)

    def ball(self, k: int) -> str:
        """A ball's name."""
        return self.asked.entries[k].name

    def difference(self, found: Difference) -> str:
        """A ball against the reference, with what makes the difference."""
        reads, covers = found.values["reads"], found.values["covers"]
        _ = self.wording.text
        told = _("{reading} and {covering}").format(
            reading=self._reading(found.column, found.ball, self.asked.reference, reads),
            covering=self._covering(covers),
        )
        causes = self._causes(found)
        return f"{told}; {causes}." if causes else f"{told}."

    def _reading(self, column: int, ball: int, other: int, reads: Value) -> str:
        _ = self.wording.text
        if abs(reads.mean) < reads.uncertainty or reads.mean == 0.0:
            text = _("on {lane} {ball} reads where {other} does, within {amount} ft")
            amount = self.wording.number(reads.uncertainty, decimals(reads.uncertainty))
        elif reads.mean < 0.0:
            text = _("on {lane} {ball} reads {amount} ft earlier than {other}")
            amount = self.wording.amount(reads, -1.0)
        else:
            text = _("on {lane} {ball} reads {amount} ft later than {other}")
            amount = self.wording.amount(reads)
        return text.format(
            lane=self.column(column), ball=self.ball(ball), other=self.ball(other), amount=amount
        )

    def _covering(self, covers: Value) -> str:
        _ = self.wording.text
        if abs(covers.mean) < covers.uncertainty or covers.mean == 0.0:
            text = _("covers as many boards, within {amount}")
            amount = self.wording.number(covers.uncertainty, decimals(covers.uncertainty))
        elif covers.mean > 0.0:
            text, amount = _("covers {amount} boards more"), self.wording.amount(covers)
        else:
            text, amount = _("covers {amount} boards fewer"), self.wording.amount(covers, -1.0)
        return text.format(amount=amount)

    def _causes(self, found: Difference) -> str:
        """The main causes, once where both differences have the same."""
        _ = self.wording.text
        parts = {name: self._shares(found, name) for name in PLACED}
        if parts["reads"] and parts["reads"] == parts["covers"]:
            return _("the difference comes {causes}").format(causes=parts["reads"])
        told = []
        if parts["reads"]:
            told.append(_("the distance comes {causes}").format(causes=parts["reads"]))
        if parts["covers"]:
            told.append(_("the boards come {causes}").format(causes=parts["covers"]))
        return "; ".join(told)

    def _shares(self, found: Difference, measure: str) -> str:
        """Shares of a difference in words, the greatest first; nothing where it is within its uncertainty."""
        known = shares(found, measure)
        unsure = 100.0 * _unsure(found, measure) / max(abs(found.values[measure].mean), 1e-12)
        if known is None:
            return ""
        step = max((each for each in STEPS if each <= unsure), default=STEPS[0])
        rounded = {name: step * round(100.0 * share / step) for name, share in known.items()}
        main = sorted(rounded.items(), key=lambda each: -abs(each[1]))
        said = [self._cause(name, share) for name, share in main if abs(share) >= max(LEAST, unsure)]
        return ", ".join(said)

    def _cause(self, name: str, share: int) -> str:
        _ = self.wording.text
        texts = {
            "cover": _("{share} % from the cover"),
            "rg": _("{share} % from the RG"),
            "differential": _("{share} % from the differential"),
            "intermediate_differential": _("{share} % from the intermediate differential"),
            "layout": _("{share} % from the layout"),
            "size": _("{share} % from the size"),
            TOGETHER: _("{share} % from several together"),
        }
        return texts[name].format(share=self.wording.number(float(share), 0))

    def pair(self, row: Row) -> str:
        """Which two balls a bowler takes."""
        _ = self.wording.text
        if row.best is None:
            return _("Fewer than two balls can be compared.")
        first, second = (self.ball(k) for k in self.ordered(row))
        return _("The pair that stands for all: {first} and {second}.").format(first=first, second=second)

    def ordered(self, row: Row) -> tuple[int, int]:
        """The pair of a bowler, the earlier first."""
        assert row.best is not None, "there is a pair"
        reads = {k: sum(value_of(places[k]) for places in row.places) for k in row.best.balls}
        first, second = sorted(row.best.balls, key=lambda k: reads[k])
        return first, second

    def partner(self, row: Row) -> str:
        """Which ball completes the reference."""
        _ = self.wording.text
        found = row.partners.get(self.asked.reference)
        if found is None:
            return ""
        other = next(k for k in found.balls if k != self.asked.reference)
        words = _("{ball} goes best with {other}.")
        return words.format(ball=self.ball(self.asked.reference), other=self.ball(other))

    def opening(self, found: Opening) -> str:
        """What to take when a lane opens."""
        _ = self.wording.text
        lanes = {"fresh": self.column(found.columns[0]), "open": self.column(found.columns[1])}
        reads = found.changed["reads"]
        amount = self.wording.amount(reads, math.copysign(1.0, reads.mean))
        if found.take == found.ball:
            text = _("From {fresh} to {open} stay with {ball}.")
        elif abs(reads.mean) < reads.uncertainty:
            text = _("From {fresh} to {open}, after {ball} take {take}: it reads where that did.")
        elif reads.mean > 0.0:
            text = _("From {fresh} to {open}, after {ball} take {take}: it reads {amount} ft later.")
        else:
            text = _("From {fresh} to {open}, after {ball} take {take}: it reads {amount} ft earlier.")
        return text.format(**lanes, ball=self.ball(found.ball), take=self.ball(found.take), amount=amount)

    def row(self, row: Row) -> Iterator[str]:
        """What is said of a bowler."""
        _ = self.wording.text
        yield self.pair(row)
        if told := self.partner(row):
            yield told
        for each in row.openings:
            if each.ball == self.asked.reference:
                yield self.opening(each)
        known = [found for found in row.correlations if found is not None]
        if known and min(known) < -ALIKE:
            number = self.wording.number(min(known), 2)
            text = _("Where a ball reads nearly says what it covers (correlation {number}).")
            yield text.format(number=number)


def value_of(place: Place) -> float:
    """Where a place reads in the mean."""
    return value(place.reads).mean


def shares(found: Difference, measure: str) -> dict[str, float] | None:
    """Shares of a difference by cause, adding up to 1; None where it is within its uncertainty, or none."""
    difference, effects = found.values[measure], found.causes[measure]
    whole = sum(effects.values())
    if not effects or abs(difference.mean) <= _unsure(found, measure) or abs(whole) < 1e-9:
        return None
    return {name: effect / whole for name, effect in effects.items()}


def _unsure(found: Difference, measure: str) -> float:
    """Uncertainty of a difference whose causes are told, which are those of the launch alone."""
    difference, whole = found.values[measure], sum(found.causes[measure].values())
    return math.hypot(difference.uncertainty, difference.mean - whole)
