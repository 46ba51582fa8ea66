"""The rulebook as frozen value objects: what a rule file holds once it has passed its schema."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

from ballgauge_schemas.shared.words import Binds, Effect, Stage
from ballgauge_service.core.units import DAY, EPOCH, METRIC

ROUNDING = (
    "Values are compared as they are, unrounded (the absolute method of ASTM E29); a value of just a printed "
    "metric twin (31.8 mm for 1 1/4 in) meets the limit."
)
"""How every rulebook's limits are compared."""

ASYMMETRIC_OVER = 0.05
"""A ball is asymmetrical where its intermediate differential is a greater part of its differential (a pro
shop's copy of the USBC glossary, secondary)."""

COLUMNS: Mapping[str, str] = {
    "weight": "lb",
    "diameter": "in",
    "circumference": "in",
    "roundness": "in",
    "rg": "in",
    "differential": "in",
    "intermediate_differential": "in",
    "hardness": "Shore D",
    "friction": "1",
    "restitution": "1",
    "roughness": "µin",
    "oil_absorption_time": "s",
    "high_performance_core": "1",
    "max_density": "g/mL",
    "top_weight": "oz",
    "pin_to_cg": "in",
    "pin_to_low_rg_axis": "in",
    "mark_to_high_rg_axis": "in",
    "cover_thickness": "in",
    "cover_density": "g/mL",
    "holes": "1",
    "gripping_holes": "1",
    "gripping_hole_diameter": "in",
    "gripping_hole_depth": "in",
    "doubled_digits": "1",
    "unused_gripping_holes": "1",
    "thumb_holes": "1",
    "unused_thumb": "1",
    "balance_holes": "1",
    "balance_hole_diameter": "in",
    "vent_holes": "1",
    "excess_vent_holes": "1",
    "vent_hole_diameter": "in",
    "mill_holes": "1",
    "mill_hole_diameter": "in",
    "mill_hole_depth": "in",
    "plug_density": "g/mL",
    "unmarked_grip_centre": "1",
    "house_ball": "1",
    "reactive_cover": "1",
    "urethane_cover": "1",
    "asymmetric": "1",
    "balance_top": "oz",
    "balance_side": "oz",
    "balance_finger": "oz",
    "largest_imbalance": "oz",
    "identity": "1",
    "identity_by_hand": "1",
    "as_made": "1",
    "approved_on": DAY,
    "made_on": DAY,
}
"""Every column a rule may judge or ask about, and the unit its values are in (1: a number or a 0/1 flag;
date: days since 1970-01-01)."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a number comes from: the document and its date (YYYY, YYYY-MM, YYYY-MM-DD or undated)."""

    document: str
    date: str

    def __str__(self) -> str:
        return f"{self.document} ({self.date})"


@dataclass(frozen=True, slots=True)
class Bounds:
    """An interval: `min` and `max` belong to it, `over` and `under` do not; None is open."""

    min: float | None = None
    max: float | None = None
    over: float | None = None
    under: float | None = None

    @property
    def closed(self) -> tuple[float, float]:
        """The same interval as its least and greatest double, both belonging to it."""
        low = -math.inf if self.min is None else self.min
        high = math.inf if self.max is None else self.max
        if self.over is not None:
            low = max(low, math.nextafter(self.over, math.inf))
        if self.under is not None:
            high = min(high, math.nextafter(self.under, -math.inf))
        return low, high

    def as_dict(self) -> dict[str, float]:
        """The bounds that are set, by name."""
        parts = {"min": self.min, "max": self.max, "over": self.over, "under": self.under}
        return {name: value for name, value in parts.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Limit:
    """One row of a rule: the bounds it sets, where and when it holds, and its source.

    `effect` is `limit` (bounds), `exempt` (the rule asks nothing here: fulfilled), `unbound` (the rule does
    not reach here: no verdict, and none counted) or `words` (cannot be judged from numbers). `when` is a
    tuple of alternatives; the row holds where all bounds of any one alternative hold. `judged_min` and
    `judged_max` stand in for printed bounds that round one rule twice; a `doubtful` bound is one that some
    sources do not have: a value beyond it is not decided. `metric_twin` is printed beside `max`; a value of
    just that meets it.
    """

    effect: Effect
    min: float | None
    max: float | None
    effective_from: date | None
    effective_to: date | None
    judged_min: float | None
    judged_max: float | None
    doubtful: Literal["min", "max"] | None
    metric_twin: str | None
    when: tuple[tuple[tuple[str, Bounds], ...], ...]
    basis: str
    source: Source
    note: str | None = None

    @property
    def days(self) -> tuple[float, float]:
        """The first and last day on which the row holds, in days since 1970-01-01 (infinite: open)."""
        first = -math.inf if self.effective_from is None else float((self.effective_from - EPOCH).days)
        last = math.inf if self.effective_to is None else float((self.effective_to - EPOCH).days)
        return first, last

    @property
    def printed(self) -> tuple[float, float]:
        """The bounds as printed, which margins are told to (infinite: open)."""
        return (-math.inf if self.min is None else self.min, math.inf if self.max is None else self.max)

    @property
    def interval(self) -> tuple[float, float]:
        """The least and greatest allowed value (infinite: open)."""
        low = self.min if self.judged_min is None else self.judged_min
        high = self.max if self.judged_max is None else self.judged_max
        return (-math.inf if low is None else low, math.inf if high is None else high)

    @property
    def outer(self) -> tuple[float, float]:
        """The interval outside which the row is broken for sure."""
        low, high = self.interval
        return (-math.inf if self.doubtful == "min" else low, math.inf if self.doubtful == "max" else high)

    @property
    def twin(self) -> float | None:
        """The printed metric twin of `max`, in the rule's unit."""
        if self.metric_twin is None:
            return None
        number, unit = self.metric_twin.split()
        return float(number) / dict(METRIC.values())[unit]


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: what it judges, by which date it binds, at which stages, and its limits.

    `advisory`: it decides nothing; `advice_at`: nothing at these stages. `as_made`: it is of the ball as
    made, and a body without numbers of its own may be told to take it over.
    """

    id: str
    title: str
    clause: str | None
    quantity: str | None
    unit: str | None
    binds: Binds
    stages: tuple[Stage, ...]
    when_measured: tuple[Stage, ...]
    advisory: bool
    advice_at: tuple[Stage, ...]
    as_made: bool
    notes: tuple[str, ...]
    procedures: tuple[str, ...]
    message: tuple[tuple[str, str], ...]
    limits: tuple[Limit, ...]


@dataclass(frozen=True, slots=True)
class MoreBalls:
    """The statistic of a sample (`single` or `average`) and the bounds in which it calls for more balls.

    `count` is how many more; None where the rule names no number.
    """

    statistic: Literal["single", "average"]
    bounds: Bounds
    count: int | None


@dataclass(frozen=True, slots=True)
class SampleRule:
    """A rule on samples of a model.

    `single` bounds each ball (the named rule's own limit), `average` the mean of a sample or class,
    `max_rate` the share of nonconforming balls [0..1]. Values are in `unit`.
    """

    id: str
    title: str
    rule: str
    quantity: str
    unit: str
    effective_from: date | None
    single: Bounds
    average: Bounds | None
    max_rate: float | None
    more_balls: MoreBalls | None
    when: tuple[tuple[tuple[str, Bounds], ...], ...]
    basis: str
    source: Source
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Procedure:
    """A laboratory procedure the body lists, by number and title."""

    number: str
    title: str
    source: Source


@dataclass(frozen=True, slots=True)
class BackgroundFact:
    """A fact worth knowing beside the rules; nothing is judged by it."""

    id: str
    statement: str
    value: float
    unit: str
    basis: str
    source: Source


@dataclass(frozen=True, eq=False, slots=True)
class Rulebook:
    """One body's rulebook, or an overlay (`base` names the body it lies over).

    `content` is a digest of all that was read; rulebooks of the same content are the same. `overlays` are
    those laid over it; `as_made` the body whose rules of the ball as made it has taken over.
    """

    body: str
    title: str
    document: str
    edition: str
    compiled_on: date
    rules: tuple[Rule, ...]
    base: str | None = None
    sample_rules: tuple[SampleRule, ...] = ()
    procedures: tuple[Procedure, ...] = ()
    notes: tuple[str, ...] = ()
    facts: tuple[BackgroundFact, ...] = ()
    as_made: str | None = None
    content: str = ""
    overlays: tuple[Rulebook, ...] = ()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Rulebook) and self.content == other.content

    def __hash__(self) -> int:
        return hash(self.content)
