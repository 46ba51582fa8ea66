"""What a search aims at: numbers of a ball as made and drilled, of one ball or across several.

A number is wanted at a value within a tolerance, or on one side of a limit, or both sides of two. Its miss is
counted in tolerances: (number - value) / tolerance, which meets the target from -1 to 1, or how far beyond a
limit it lies, which must be nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ballgauge_schemas.shared.limits import TARGET_WEIGHT
from ballgauge_schemas.shared.words import CLEARANCE, DRILLED_NUMBERS, MORE_NUMBERS, NUMBERS
from ballgauge_service.core.budget import Run
from ballgauge_service.core.units import OZ_PER_CUBIC_INCH, OZ_PER_LB
from ballgauge_service.design.clearance import least_clearance
from ballgauge_service.design.cover import cover_depth
from ballgauge_service.design.drilling import DRILLED, Drill, Drilled, drill_packed, placed_holes
from ballgauge_service.design.mass import (
    CELLS,
    error_bounds,
    finite,
    numbers_at,
    pack_inside,
)
from ballgauge_service.design.model import STUDY_CELLS, Shapes, furthest_outside, remembered
from ballgauge_service.design.parameters import Moves, Parameter, unpacked
from ballgauge_service.design.prices import (
    EVALUATION,
    HOLE_USUAL_CELLS,
    VERTEX,
    cell_price,
    clearance_price,
    cubature_price,
    hole_cell_price,
)
from ballgauge_service.design.solids.packing import DENSITY, Packed
from ballgauge_service.design.solids.relations import reach_from_center
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design

NOWHERE = 1e3
"""Tolerances that a number counts as missed by where the ball does not have it (ours)."""

EDGE = 0.01
"""How far inside a limit a search aims, in tolerances, so that it ends on the right side (ours)."""

MET = 1e-6
"""Tolerances beyond which a target is missed (ours): the rounding of the search."""

SEARCH_CELLS, KEPT_CELLS = 16, 200
"""Most cells of the cubature across a hole while shapes move, and where one drilling serves all densities
(ours): three holes of a design in five layers are then off by about 1e-7 in of differential and 3e-5 oz of a
reading, or a hundredth of that."""

Key = tuple[bytes, int]

Numbers = Mapping[str, Floats]
"""Numbers of a ball by name, (n,): one value, or one for each drilling it is held over."""


@dataclass(frozen=True, slots=True)
class Target:
    """What a number should be: value and tolerance in its unit; weight: how much a miss counts.

    With at_least or at_most there is no value, and tolerance is only what one miss counts. With neither, the
    value is what the design has to begin with.
    """

    number: str
    value: float | None
    tolerance: float
    weight: float = TARGET_WEIGHT
    at_least: float | None = None
    at_most: float | None = None

    @property
    def one_sided(self) -> bool:
        """Whether limits stand in place of a value."""
        return self.at_least is not None or self.at_most is not None

    @property
    def wanted(self) -> float:
        """The value, or the limit that is given (the upper one of two)."""
        given = (self.at_most, self.at_least, self.value)
        return next((each for each in given if each is not None), math.nan)

    def misses(self, numbers: Floats, inside: float = 0.0) -> Floats:
        """Misses in tolerances (n,), aimed as far inside the limits as is said.

        Parameters
        ----------
        numbers : (n,) array
        inside : float [tolerances]

        Returns
        -------
        (n,) array
        """
        if not self.one_sided:
            return (numbers - self.wanted) / self.tolerance
        above = -math.inf if self.at_most is None else (numbers - self.at_most) / self.tolerance + inside
        below = -math.inf if self.at_least is None else (self.at_least - numbers) / self.tolerance + inside
        found: Floats = np.maximum(above, 0.0) - np.maximum(below, 0.0)
        return found

    def slack(self, numbers: Floats) -> Floats:
        """Tolerances left on either side (2, n), negative beyond what meets the target.

        Parameters
        ----------
        numbers : (n,) array

        Returns
        -------
        (2, n) array
        """
        low, high = self.at_least, self.at_most
        if not self.one_sided:
            low, high = self.wanted - self.tolerance, self.wanted + self.tolerance
        below = np.full(numbers.shape, math.inf) if low is None else (numbers - low) / self.tolerance
        above = np.full(numbers.shape, math.inf) if high is None else (high - numbers) / self.tolerance
        return np.array([below, above])


@dataclass(frozen=True, slots=True)
class Held:
    """The drillings that drilled targets are held over.

    mean: whether their mean is wanted, in place of each of them; clear_of: names of the solids that the
    clearance is measured from, all but cover and the ball itself where none is named.
    """

    drills: tuple[Drill, ...] = ()
    mean: bool = False
    clear_of: tuple[str, ...] = ()


AS_MADE = Held()
"""No drilling."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One ball of a search: its design, what is wanted of it, and the drillings that is held over."""

    name: str
    design: Design
    targets: tuple[Target, ...]
    held: Held = AS_MADE


@dataclass(frozen=True, slots=True)
class Across:
    """A number that differs by no more than `within` between some of the balls, by their places."""

    number: str
    balls: tuple[int, ...]
    within: float
    weight: float = TARGET_WEIGHT


@dataclass(frozen=True, slots=True)
class Aim:
    """A target, and the balls it is of: one, or several whose differences it holds."""

    target: Target
    balls: tuple[int, ...]

    @property
    def across(self) -> bool:
        """Whether it holds differences between balls."""
        return len(self.balls) > 1

    def of(self, found: Sequence[Numbers]) -> Floats:
        """The numbers (n,) that the target is about; NaN where a ball does not have them.

        Parameters
        ----------
        found : sequence of mappings, the numbers of each ball

        Returns
        -------
        (n,) array
        """
        if not self.across:
            return found[self.balls[0]][self.target.number]
        values = [found[ball][self.target.number] for ball in self.balls]
        pairs = [(a, b) for at, a in enumerate(values) for b in values[at + 1 :]]
        return np.concatenate([np.subtract.outer(b, a).ravel() for a, b in pairs])

    def misses(self, found: Sequence[Numbers], inside: float = 0.0) -> Floats:
        """Misses in tolerances (n,).

        Parameters
        ----------
        found : sequence of mappings, the numbers of each ball
        inside : float [tolerances]

        Returns
        -------
        (n,) array
        """
        return _filled(self.target.misses(self.of(found), inside))

    def slack(self, found: Sequence[Numbers]) -> Floats:
        """Tolerances left on either side of each number, as far as there is a limit (k,).

        Parameters
        ----------
        found : sequence of mappings, the numbers of each ball

        Returns
        -------
        (k,) array
        """
        left = self.target.slack(self.of(found)).ravel()
        return np.where(np.isnan(left), -NOWHERE, left)[~np.isinf(left)]

    def excess(self, found: Sequence[Numbers]) -> Floats:
        """Tolerances beyond what meets the target (n,); negative within.

        Parameters
        ----------
        found : sequence of mappings, the numbers of each ball

        Returns
        -------
        (n,) array
        """
        least = self.target.slack(self.of(found)).min(axis=0)
        return -np.where(np.isnan(least), -NOWHERE, least)

    def worst(self, found: Sequence[Numbers]) -> tuple[float, float, float]:
        """Number, miss and excess where they are worst.

        Parameters
        ----------
        found : sequence of mappings, the numbers of each ball

        Returns
        -------
        number, miss, excess : float
        """
        excess = self.excess(found)
        at = int(np.argmax(excess))
        return float(self.of(found)[at]), float(self.misses(found)[at]), float(excess[at])


def _filled(misses: Floats) -> Floats:
    filled: Floats = np.where(np.isfinite(misses), misses, NOWHERE)
    return filled


def resolved(aims: Sequence[Aim], found: Sequence[Numbers]) -> tuple[Aim, ...]:
    """The aims, those without a value at what the balls have to begin with.

    Parameters
    ----------
    aims : sequence of Aim
    found : sequence of mappings, the numbers of each ball

    Returns
    -------
    tuple of Aim
    """
    return tuple(
        aim
        if aim.target.value is not None or aim.target.one_sided
        else replace(aim, target=replace(aim.target, value=float(np.mean(aim.of(found)))))
        for aim in aims
    )


class Ball:
    """One ball of a search as a function of the parameters.

    Parameters
    ----------
    variant : Variant
    parameters : sequence of Parameter
        All of the search.
    wanted : sequence of str
        Numbers that are asked of it; drilled ones are found for each drilling it is held over.
    balance_arm : float
        Arm of the shop balance [in].
    run : Run
        Where the work counts.

    Raises
    ------
    InvalidInput
        A solid leaves the ball.
    """

    def __init__(
        self,
        variant: Variant,
        parameters: Sequence[Parameter],
        wanted: Sequence[str],
        balance_arm: float,
        run: Run,
    ) -> None:
        design = variant.design
        names = {solid.name for solid in design.solids}
        places = [
            at
            for at, each in enumerate(parameters)
            if names.issuperset(each.solids) and (not each.variants or variant.name in each.variants)
        ]
        self.variant, self.places = variant, tuple(places)
        self.moves = Moves(design, pack_inside(design), parameters, places)
        self.moving = sum(parameters[at].field != "density" for at in places)
        self._deep = bool({"cover_depth_shallowest", "cover_depth_deepest"}.intersection(wanted))
        self._drilled = not set(DRILLED_NUMBERS).isdisjoint(wanted)
        self._clear = CLEARANCE in wanted
        clear_of = variant.held.clear_of or [s.name for s in design.solids[1:] if s.role != "cover"]
        self._rows = np.array([design.index(name) for name in clear_of if name in names], np.int64)
        self._arm, self._run = balance_arm, run
        self._shapes = Shapes(STUDY_CELLS if self.moving else CELLS, cubature_price(design, 1), run)
        self._known: dict[Key, Drilled] = {}
        self._clear_known: dict[Key, float] = {}
        self._work = 0.0

    @property
    def work(self) -> float:
        """Work counted so far [µs]."""
        return self._shapes.work + self._work

    @cached_property
    def _cell_price(self) -> float:
        return cell_price(self.variant.design)

    def prices(self, moving: int, drillings: int) -> tuple[float, float]:
        """Estimated work of all that is found once, and of one step of a search whose shapes move [µs].

        Parameters
        ----------
        moving : int, sizes and places that move
        drillings : int, most that the ball is held over

        Returns
        -------
        once, each : float [µs]
        """
        packed = self.moves.packed
        cells, across = (STUDY_CELLS, SEARCH_CELLS) if moving else (CELLS, HOLE_USUAL_CELLS)
        drill = clear = 0.0
        for each in self.variant.held.drills[:drillings]:
            drill += len(each.holes) * across * hole_cell_price(packed, len(each.holes))
            clear += clearance_price(packed, len(each.holes), len(self._rows))
        found = (
            EVALUATION
            + VERTEX * len(packed.vertices)
            + cells * self._cell_price
            + (clear if self._clear else 0.0)
        )
        return found + drill, found + (drill if self._drilled else 0.0)

    def at(self, values: Floats, *, drilled: bool = False) -> tuple[Numbers, float]:
        """The numbers at the parameters' values, and how far the worst solid leaves the ball [in].

        Parameters
        ----------
        values : (d,) array, of all parameters of the search
        drilled : bool, whether also those of the drilled ball that no target asks for

        Returns
        -------
        numbers : mapping of name to (n,) array
        beyond : float [in]
        """
        packed = self.moves.at(values)
        radius = reach_from_center(packed, 0)
        moments = self._shapes.moments(packed)
        numbers = numbers_at(moments, radius, self._arm)
        found = {name: numbers[at : at + 1] for at, name in enumerate(NUMBERS)}
        found |= self._more(packed, moments, radius)
        if self.variant.held.drills and (drilled or self._drilled or self._clear):
            found |= self._held(packed, moments, radius, full=drilled)
        return found, self.beyond(values)

    def beyond(self, values: Floats) -> float:
        """How far the worst solid leaves the ball there [in].

        Parameters
        ----------
        values : (d,) array, of all parameters of the search

        Returns
        -------
        float
        """
        packed = self.moves.at(values)
        return float(furthest_outside(packed, np.ones(len(packed.table), np.bool_)))

    def design_at(self, values: Floats) -> Design:
        """The design at the parameters' values.

        Parameters
        ----------
        values : (d,) array, of all parameters of the search

        Returns
        -------
        Design
        """
        return unpacked(self.variant.design, self.moves.at(values))

    def error_at(self, values: Floats) -> dict[str, float]:
        """Bounds of the error of weight, RG and differential there.

        Parameters
        ----------
        values : (d,) array, of all parameters of the search

        Returns
        -------
        dict of number to its bound
        """
        packed = self.moves.at(values)
        moments = self._shapes.moments(packed)
        numbers = numbers_at(moments, reach_from_center(packed, 0), self._arm)
        return error_bounds(self._shapes.error(packed), moments, numbers)

    def _more(self, packed: Packed, moments: Floats, radius: float) -> Numbers:
        volume = 4.0 / 3.0 * math.pi * radius**3
        depths = (math.nan, math.nan)
        if self._deep:
            shallowest, deepest = cover_depth(self.variant.design, packed)
            depths = (_or_nan(shallowest), _or_nan(deepest))
        values = (moments[0] / OZ_PER_CUBIC_INCH / volume, packed.table[:, DENSITY].max(), *depths)
        return {name: np.array([value]) for name, value in zip(MORE_NUMBERS, values, strict=True)}

    def _held(self, packed: Packed, moments: Floats, radius: float, *, full: bool) -> Numbers:
        held = self.variant.held
        count = len(held.drills)
        table = np.full((count, len(DRILLED_NUMBERS) + 1), np.nan)
        for at in range(count if self._clear else 0):
            table[at, -1] = self._clearance(packed, moments, at)
        for at in range(count if full or self._drilled else 0):
            table[at, :-1] = self._drill(packed, moments, radius, at)
        if held.mean:
            table = np.vstack([table.mean(axis=0)])
        return {name: table[:, at] for at, name in enumerate((*DRILLED_NUMBERS, CLEARANCE))}

    def _drill(self, packed: Packed, moments: Floats, radius: float, at: int) -> list[float]:
        drill = self.variant.held.drills[at]
        drilled = self._holes(packed, moments, at)
        slugs = drilled.packed.table[len(packed.table) :, DENSITY]
        densities = np.concatenate([packed.table[:, DENSITY], slugs])
        after = moments + drilled.changes(densities).sum(axis=0)
        numbers = numbers_at(after, radius, drill.arm)
        x, y, z = drilled.body @ after[1:4] / drill.arm
        hand = float(drill.layout["hand"])
        return [*numbers[:DRILLED].tolist(), z, hand * x, y]

    def _holes(self, packed: Packed, moments: Floats, at: int) -> Drilled:
        drill = self.variant.held.drills[at]

        def found() -> Drilled:
            cells = SEARCH_CELLS if self.moving else KEPT_CELLS
            weight = float(moments[0]) / OZ_PER_LB
            drilled = drill_packed(packed, weight, drill.layout, drill.holes, cells, any_density=True)
            self._count(drilled.cells * hole_cell_price(packed, len(drill.holes)))
            return drilled

        return remembered(self._known, (self._shapes.key(packed), at), found)

    def _clearance(self, packed: Packed, moments: Floats, at: int) -> float:
        drill = self.variant.held.drills[at]

        def found() -> float:
            self._count(clearance_price(packed, len(drill.holes), len(self._rows)))
            whole, _, _ = placed_holes(packed, float(moments[0]) / OZ_PER_LB, drill.layout, drill.holes)
            return float(least_clearance(whole, self._rows))

        return remembered(self._clear_known, (self._shapes.key(packed), at), found)

    def _count(self, work: float) -> None:
        self._run.check()
        self._work += work
        self._run.add(work)


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def plain(
    numbers: Numbers, aims: Sequence[Aim], ball: int, found: Sequence[Numbers]
) -> dict[str, float | None]:
    """Each number once: the ball's own, and of those held over several drillings the one that is worst.

    Parameters
    ----------
    numbers : mapping, of the ball
    aims : sequence of Aim
    ball : int, its place
    found : sequence of mappings, the numbers of each ball

    Returns
    -------
    dict of number to its value
    """
    own = {name: finite(float(values[0])) for name, values in numbers.items() if name in NUMBERS}
    for aim in aims:
        if aim.balls == (ball,):
            own[aim.target.number] = finite(aim.worst(found)[0])
    return own


def drilled_numbers(numbers: Numbers) -> Iterator[dict[str, float | None]]:
    """The numbers of the drilled ball, drilling by drilling.

    Parameters
    ----------
    numbers : mapping, of the ball

    Returns
    -------
    iterator of dict
    """
    names = [name for name in (*DRILLED_NUMBERS, CLEARANCE) if name in numbers]
    for at in range(len(numbers[names[0]]) if names else 0):
        yield {name: finite(float(numbers[name][at])) for name in names}
