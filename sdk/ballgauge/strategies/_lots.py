"""Lots: how they are judged, and the rows of their files. The ranges are ours."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from hypothesis import strategies as st

from ballgauge.strategies._balls import _BALL, _DIAMETER, _DIFFERENTIAL
from ballgauge.strategies._fields import (
    Range,
    Strategy,
    builds,
    draws,
    members_of,
    numbers,
    of_schema,
    walked,
)
from ballgauge_schemas.lot.request import (
    QUANTITIES,
    DefectClassSchema,
    DrawSchema,
    GaugeStudySchema,
    GaugeUsedSchema,
    InstrumentStudySchema,
    LotFileSchema,
    LotIdentitySchema,
    LotRequestSchema,
    SamplingPlanSchema,
    SamplingSchema,
    SwitchingStateSchema,
    UncertaintiesSchema,
    VariablesPlanSchema,
)
from ballgauge_schemas.shared.ball import BallSchema
from ballgauge_schemas.shared.limits import LEVEL
from ballgauge_schemas.shared.quantity import KINDS, QuantityField

_COLUMNS: Mapping[str, Range] = {
    "weight": _BALL["weight"],
    "diameter": _DIAMETER,
    "roundness": (0.0, 0.012),
    "rg": _BALL["rg"],
    "hardness": (70.0, 85.0),
    "friction": (0.1, 0.35),
    "restitution": _BALL["restitution"],
    "roughness": (5.0, 60.0),
    "max_density": (1.2, 3.5),
}
"""Quantities that a row of a lot's file has here, besides the differentials."""

_LOT_SIZES = (20.0, 1e5)
_PREFERRED: Mapping[str, Strategy] = {"aql": st.sampled_from([0.65, 1.0, 1.5, 2.5])}
"""Acceptable quality limits that the tables of ISO 2859-1 have."""

_PLANS: tuple[tuple[str, tuple[str, ...], tuple[str, ...], Mapping[str, Strategy]], ...] = (
    ("table", ("aql",), ("limiting_quality", "model"), _PREFERRED),
    ("zero_acceptance", ("limiting_quality",), ("aql", "level", "inspection"), {}),
    ("two_point", ("aql", "limiting_quality"), ("level", "inspection"), {}),
)
"""Kinds of plans, what each goes by, what it leaves idle, and what it draws in its own way."""
_QUALITIES = {"aql": (0.65, 2.5), "limiting_quality": (5.0, 20.0), "producer_risk": (0.01, 0.1)}
_RISKS = {"consumer_risk": (0.05, 0.2)}


@builds(SamplingPlanSchema)
def _plan() -> Strategy:
    narrow = {**_QUALITIES, **_RISKS}
    plans = [
        walked(
            SamplingPlanSchema,
            narrow=narrow,
            leave=idle,
            take=["kind", *take],
            given={"kind": st.just(kind), **own},
        )
        for kind, take, idle, own in _PLANS
    ]
    return st.one_of(plans)


draws(
    VariablesPlanSchema,
    narrow={**_QUALITIES, **_RISKS, "sigma": (0.001, 1.0)},
    take=["aql", "limiting_quality"],
)
# Rules stay in their own classes: which rules there are depends on the rulebook.
draws(DefectClassSchema, leave=["rules"], given={"aql": st.sampled_from([0.65, 1.0, 4.0])})
draws(SwitchingStateSchema, given={"aql": st.sampled_from([0.65, 1.0, 2.5])})
draws(GaugeUsedSchema, narrow={"uncertainty": (1e-4, 1e-2)})


@builds(SamplingSchema)
def _sampling() -> Strategy:
    variables = st.lists(of_schema(VariablesPlanSchema), max_size=2, unique_by=lambda plan: plan["quantity"])
    classes = st.lists(
        of_schema(DefectClassSchema), min_size=1, max_size=3, unique_by=lambda each: each["name"]
    )
    given: dict[str, Strategy] = {"variables": variables}
    leave = ["rows", "lot_sizes", "history", "classes"]
    sample = walked(
        SamplingSchema, narrow={"lot_size": _LOT_SIZES}, leave=leave, take=["lot_size"], given=given
    )
    given = {**given, "rows": st.just("every_ball"), "classes": classes}
    whole = walked(
        SamplingSchema, leave=["lot_size", "lot_sizes", "history", "plan"], take=["rows"], given=given
    )
    following = st.builds(_following, of_schema(SwitchingStateSchema), st.integers(50, 5000))
    classed = walked(
        SamplingSchema,
        narrow={"lot_size": _LOT_SIZES},
        leave=["rows", "lot_sizes", "history"],
        take=["lot_size", "plan", "classes"],
        given={"variables": variables, "classes": classes, "plan": st.just({"aql": 1.0})},
    )
    return sample | whole | following | classed


def _following(state: dict[str, Any], lot_size: int) -> dict[str, Any]:
    """The next lot of a series, by the plan that its state is of."""
    plan = {"aql": state["aql"], "level": state.get("level", LEVEL)}
    return {"lot_size": lot_size, "plan": plan, "history": state}


@builds(GaugeStudySchema)
def _gauge_study() -> Strategy:
    two = st.integers(2, 3)
    measurements = st.builds(_readings, two, two, two, numbers(0.0, 0.2))
    alone = walked(GaugeStudySchema, leave=["references"], given={"measurements": measurements})
    known: dict[str, Strategy] = {
        "measurements": st.builds(_readings, st.just(2), two, two, numbers(0.0, 0.2)),
        "references": st.lists(numbers(70.0, 80.0), min_size=2, max_size=2),
    }
    return alone | walked(GaugeStudySchema, take=["references"], given=known)


def _readings(parts: int, operators: int, times: int, spread: float) -> list[list[list[float]]]:
    """Readings of parts that differ, by operators who nearly agree, each time a little otherwise."""
    return [
        [
            [round(74 + part + spread * who + 0.01 * time, 4) for time in range(times)]
            for who in range(operators)
        ]
        for part in range(parts)
    ]


@st.composite
def _instrument_study(draw: Any) -> dict[str, Any]:
    names = ["durometer A", "durometer B", "durometer C"][: draw(st.integers(2, 3))]
    row = st.lists(numbers(70.0, 80.0), min_size=len(names), max_size=len(names))
    given: dict[str, Strategy] = {
        "instruments": st.just(names),
        "measurements": st.lists(row, min_size=2, max_size=5),
        "reference": st.sampled_from(names),
    }
    return dict(draw(walked(InstrumentStudySchema, given=given)))


builds(InstrumentStudySchema)(_instrument_study)


@builds(UncertaintiesSchema)
def _uncertainties() -> Strategy:
    known = members_of(UncertaintiesSchema)
    narrow = {name: (0.0, field.maximum / 1000.0) for name, field in known.items()}  # type: ignore[attr-defined]
    return walked(UncertaintiesSchema, narrow=narrow, leave=set(QUANTITIES) - set(_COLUMNS))


@builds(LotFileSchema)
def _file() -> Strategy:
    """A CSV file as `lot_text` writes it: what it is read as is not left to chance."""
    cut = [
        "separator",
        "decimal",
        "encoding",
        "sheet",
        "mapping",
        "rows_ignored",
        "rows_judged",
        "header_row",
    ]
    return walked(LotFileSchema, leave=cut, given={"format": st.just("csv")})


@builds(LotIdentitySchema)
def _identity() -> Strategy:
    """Days in their order: of manufacture from 2020, of inspection from 2023."""
    days = {"made_on": 2020, "made_until": 2021, "inspected_on": 2023}
    given: dict[str, Strategy] = {
        name: st.dates(date(year, 1, 1), date(year, 12, 31)).map(str) for name, year in days.items()
    }
    return walked(LotIdentitySchema, leave=["made_until"], given=given) | walked(
        LotIdentitySchema, take=["made_on", "made_until"], given=given
    )


@builds(LotRequestSchema)
def lot_options() -> Strategy:
    """Options of ``POST /v1/lots``, for a file as `lot_rows` and `lot_text` make it."""
    # An uncertainty comes from one source: a stated one, or a study.
    draw = walked(DrawSchema, narrow={"sample_size": (1.0, 3.0)}, take=["sample_size"])
    shared: dict[str, Any] = {
        "narrow": {"confidence": (0.8, 0.99), "coverage": (0.8, 0.99), "worst_balls": (0.0, 20.0)},
        "given": {"draw": draw},
    }
    one = walked(LotRequestSchema, leave=["gauge_studies"], **shared)
    shared["given"] = {"draw": draw, "gauge_studies": st.lists(of_schema(GaugeStudySchema), max_size=1)}
    return one | walked(LotRequestSchema, leave=["uncertainties"], **shared)


@st.composite
def lot_rows(draw: Any, *, least: int = 3, most: int = 20) -> list[dict[str, Any]]:
    """Rows of a lot's file: a serial, and the same measured quantities in every row, in trade units."""
    columns = ["weight", *draw(st.lists(st.sampled_from(sorted(_COLUMNS)), unique=True))]
    inertia = draw(st.booleans())
    rows = []
    for number in range(draw(st.integers(least, most))):
        row: dict[str, Any] = {"serial": f"OW{number + 1:05d}"}
        row |= {name: draw(numbers(*_COLUMNS[name])) for name in dict.fromkeys(columns)}
        if inertia:
            row["differential"] = draw(numbers(*_DIFFERENTIAL, example=0.048))
            row["intermediate_differential"] = round(row["differential"] / 4, 6)
        rows.append(row)
    return rows


def lot_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """Write rows as the text of a CSV file, with a comma between cells and a point as decimal mark.

    Headings name the trade unit: numbers alone may be of another, and a file that leaves it open is refused.
    """
    sink = io.StringIO()
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(sink, names, lineterminator="\n")
    writer.writerow({name: _heading(name) for name in names})
    writer.writerows(rows)
    return sink.getvalue()


def _heading(name: str) -> str:
    field = members_of(BallSchema).get(name)
    unit = KINDS[field.kind].unit if isinstance(field, QuantityField) else ""
    return f"{name} [{unit}]" if unit else name


def lots() -> Strategy:
    """Options and rows of a lot, as a pair."""
    return st.tuples(lot_options(), lot_rows())
