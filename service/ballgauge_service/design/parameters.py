"""What a designer moves: numbers of solids, whole groups of them, ratios of lengths, points of a profile."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ballgauge_schemas.shared.words import (
    GROUP_SCALE,
    OFFSETS,
    POINT_FIELDS,
    POSITIONS,
    RATIO,
    TURNS,
)
from ballgauge_service.core.refusal import Fault
from ballgauge_service.design.model import Slot, fit_roundings, tilt_row
from ballgauge_service.design.solids.packing import (
    COLUMNS,
    DENSITY,
    FIRST,
    LAST,
    POSITION,
    ROTATION,
    Packed,
    columns_of,
    pack,
)
from ballgauge_service.design.solids.rotations import as_rotation
from ballgauge_service.design.solids.shapes import Floats
from ballgauge_service.design.solids.solids import Design, Profile, Shape, Solid

GROUP = (*OFFSETS, *TURNS, GROUP_SCALE)
"""What moves the solids as one body, from where they are: shifts [in], turns [deg] about the first solid's
place, and a scale about it."""

LEAST_RADIUS = 1e-3
"""Least radius of a moved point of a profile [in] (ours)."""


@dataclass(frozen=True, slots=True)
class Parameter(Slot):
    """A number of a design that may move between two bounds.

    point: of a profile, from 0; length, over: the two lengths of a ratio; variants: names of the variants of
    a set in which it moves, all that have the solids where none is named.
    """

    lower: float
    upper: float
    point: int = 0
    length: str = ""
    over: str = ""
    variants: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """The parameter in words."""
        what = self.field
        if self.field in POINT_FIELDS:
            what = f"{self.field} {self.point}"
        elif self.field == RATIO:
            what = f"{self.length} / {self.over}"
        where = f" in {', '.join(self.variants)}" if self.variants else ""
        return f"{what} of {', '.join(self.solids)}{where}"

    def faults(self, design: Design) -> Iterator[Fault]:
        """Yield what does not fit the design, relative to the parameter.

        Parameters
        ----------
        design : Design

        Returns
        -------
        iterator of Fault
        """
        if self.field in POINT_FIELDS:
            yield from self._faults_of_point(design)
        elif self.field == RATIO:
            for name in dict.fromkeys((self.length, self.over)):
                place = "/length" if name == self.length else "/over"
                for fault in replace(self, field=name).faults(design):
                    yield replace(fault, pointer=place) if fault.pointer == "/field" else fault
        else:
            yield from Slot(self.solids, POSITIONS[0] if self.field in GROUP else self.field).faults(design)

    def _faults_of_point(self, design: Design) -> Iterator[Fault]:
        for fault in Slot(self.solids, "density").faults(design):
            yield fault
            return
        for name in self.solids:
            shape = design.solids[design.index(name)].shape
            if not isinstance(shape, Profile):
                yield Fault("/field", f"{name!r} is no profile")
            elif self.point >= len(shape.points):
                yield Fault("/point", f"{name!r} has {len(shape.points)} points, counted from 0")
            elif self.field == POINT_FIELDS[0]:
                before, after = shape.points[: self.point], shape.points[self.point + 1 :]
                low = before[-1][0] if before else -np.inf
                high = after[0][0] if after else np.inf
                if self.lower < low or self.upper > high:
                    yield Fault(
                        "/point", f"heights must not fall; its neighbors leave it {low:g} to {high:g}"
                    )

    def value(self, design: Design) -> float:
        """The number's present value (of the first solid): 0 of a shift or turn, 1 of a scale.

        Parameters
        ----------
        design : Design

        Returns
        -------
        float, in the field's unit
        """
        if self.field in GROUP:
            return 1.0 if self.field == GROUP_SCALE else 0.0
        solid = design.solids[design.index(self.solids[0])]
        if self.field in POINT_FIELDS:
            assert isinstance(solid.shape, Profile)
            return solid.shape.points[self.point][POINT_FIELDS.index(self.field)]
        row = pack(replace(design, solids=(design.solids[0], solid))).table[1]
        columns = columns_of(solid.shape)
        if self.field == RATIO:
            return float(row[columns[self.length]] / row[columns[self.over]])
        return float(row[columns[self.field]])

    @property
    def rank(self) -> int:
        """Its turn among others: what shapes a solid before what moves the group."""
        return 2 if self.field in GROUP else 1 if self.field == RATIO else 0


def unpacked(design: Design, packed: Packed) -> Design:
    """The design whose arrays are `packed`, which differ from those of `design` in numbers alone.

    Parameters
    ----------
    design : Design
    packed : Packed

    Returns
    -------
    Design
    """
    solids = []
    for solid, row in zip(design.solids, packed.table, strict=True):
        sizes = {name: float(row[column]) for name, column in COLUMNS[type(solid.shape)].items()}
        shape: Shape = replace(solid.shape, **sizes)  # type: ignore[arg-type]
        if isinstance(shape, Profile):
            first = int(row[FIRST])
            points = packed.points[first : first + len(shape.points)]
            shape = replace(shape, points=tuple((float(h), float(r)) for h, r in points))
        x, y, z = row[POSITION : POSITION + 3].tolist()
        rotation = as_rotation(row[ROTATION : ROTATION + 9].reshape(3, 3))
        solids.append(Solid(shape, float(row[DENSITY]), solid.role, solid.name, (x, y, z), rotation))
    return replace(design, solids=tuple(solids))


class Moves:
    """The parameters of one design, bound to its arrays.

    Parameters
    ----------
    design : Design
    packed : Packed
        Its arrays.
    parameters : sequence of Parameter
        All of a search; those of no concern here, by `places`, are left alone.
    places : sequence of int
        Which of them move this design.
    """

    def __init__(
        self, design: Design, packed: Packed, parameters: Sequence[Parameter], places: Sequence[int]
    ) -> None:
        self.packed = packed
        self._columns = [columns_of(solid.shape) for solid in design.solids]
        order = sorted(places, key=lambda at: parameters[at].rank)
        self._moves = [
            (at, parameters[at], [design.index(name) for name in parameters[at].solids]) for at in order
        ]

    def at(self, values: Floats) -> Packed:
        """The arrays with the parameters' values (d,) set.

        Parameters
        ----------
        values : (d,) array, of all parameters of the search

        Returns
        -------
        Packed
        """
        packed = self.packed._replace(table=self.packed.table.copy(), points=self.packed.points.copy())
        for at, parameter, rows in self._moves:
            self._set(packed, parameter, rows, float(values[at]))
        fit_roundings(packed.table)
        return packed

    def _set(self, packed: Packed, parameter: Parameter, rows: list[int], value: float) -> None:
        table, field = packed.table, parameter.field
        pivot = table[rows[0], POSITION : POSITION + 3].copy()
        for row in rows:
            columns = self._columns[row]
            if field in OFFSETS:
                table[row, POSITION + OFFSETS.index(field)] += value
            elif field in TURNS:
                tilt_row(table, row, TURNS.index(field), value, pivot)
            elif field == GROUP_SCALE:
                place = table[row, POSITION : POSITION + 3]
                table[row, POSITION : POSITION + 3] = pivot + value * (place - pivot)
                sizes = [column for column in columns.values() if column >= POSITION + 3]
                table[row, sizes] *= value
            elif field == RATIO:
                table[row, columns[parameter.length]] = value * table[row, columns[parameter.over]]
            elif field in POINT_FIELDS:
                self._set_point(packed, int(table[row, FIRST]), int(table[row, LAST]), parameter, value)
            else:
                table[row, columns[field]] = value

    @staticmethod
    def _set_point(packed: Packed, first: int, last: int, parameter: Parameter, value: float) -> None:
        at = first + parameter.point
        if parameter.field == POINT_FIELDS[1]:
            packed.points[at, 1] = value if at in (first, last - 1) else max(value, LEAST_RADIUS)
            return
        low = packed.points[at - 1, 0] if at > first else -np.inf
        high = packed.points[at + 1, 0] if at + 1 < last else np.inf
        packed.points[at, 0] = min(max(value, low), high)
