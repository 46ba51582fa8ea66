"""A loaded lot request as values, made once: the engine takes nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, TypeVar

from ballgauge_schemas.shared import limits
from ballgauge_schemas.shared.approved_list import ApprovedList
from ballgauge_schemas.shared.words import SEPARATORS
from ballgauge_service.check.request import Rules
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.lot.reading.headings import QUANTITIES
from ballgauge_service.lot.reading.options import ReadingOptions
from ballgauge_service.lot.sampling.choice import (
    ChosenPlan,
    ClassWanted,
    PlanWanted,
    Sampling,
    VariablesTest,
    VariablesWanted,
    choose_plan,
    choose_variables_plans,
)
from ballgauge_service.lot.sampling.classes import rules_by_class
from ballgauge_service.lot.sampling.tables import SwitchingState
from ballgauge_service.lot.statistics.gauge_study import (
    GaugeStudy,
    InstrumentOffsets,
    gauge_study,
    instrument_offsets,
)
from ballgauge_service.rulebooks import Decision, Edition, approved_list

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True)
class Draw:
    """A sample to draw from the file's serials; `sample_size` None: the plan's."""

    seed: int
    sample_size: int | None


@dataclass(frozen=True, slots=True)
class DriftChart:
    """How several lots are charted: `baseline` lots set the limits (None: all); `weight` of the newest."""

    baseline: int | None
    weight: float


@dataclass(frozen=True, slots=True)
class GaugeUsed:
    """A gauge: `uncertainty` standard, of a reading, in the quantity's trade unit; None: not told."""

    name: str
    quantity: str
    calibration_due: date | None = None
    uncertainty: float | None = None

    def calibration(self, on: date | None) -> str:
        """Whether its calibration held on a day, in the contract's words."""
        if on is None or self.calibration_due is None:
            return "not_told"
        return "in_date" if on <= self.calibration_due else "expired"


@dataclass(frozen=True, slots=True)
class Identity:
    """What a lot is and who inspected it; None is not told."""

    supplier: str | None = None
    maker: str | None = None
    model: str | None = None
    lot: str | None = None
    order: str | None = None
    made_on: date | None = None
    made_until: date | None = None
    inspected_on: date | None = None
    place: str | None = None
    inspector: str | None = None
    gauges: tuple[GaugeUsed, ...] = ()
    remarks: str | None = None
    disposition: str | None = None


@dataclass(frozen=True, slots=True)
class ReportWanted:
    """How a report is written, in the contract's words."""

    language: str
    units: str
    paper: str


@dataclass(frozen=True, slots=True)
class LotRequest:
    """How a lot is to be judged.

    `plan` is None where it depends on the file. `classes`: the rules of each class of defects. `gauges` and
    `instruments` are the measurement studies by
    quantity. `uncertainties` are standard, of readings that state none, in trade units.
    """

    edition: Edition
    decision: Decision
    identity: Identity
    file: ReadingOptions
    sampling: Sampling
    plan: ChosenPlan | None
    classes: Mapping[str, tuple[str, ...]]
    variables: tuple[VariablesTest, ...]
    gauges: tuple[tuple[str, GaugeStudy], ...]
    instruments: tuple[tuple[str, InstrumentOffsets], ...]
    uncertainties: Mapping[str, float]
    scope: str
    confidence: float
    coverage: float
    draw: Draw | None
    drift: DriftChart
    report: ReportWanted
    worst_balls: int
    approved_list: ApprovedList | None = None
    list_given_by: str = "service"


def request_of_lot(request: LotRequest, place: int) -> LotRequest:
    """The request for one of several lots, by its place: with its own size. Raises InvalidInput."""
    sizes = request.sampling.lot_sizes
    if not sizes:
        return request
    if place >= len(sizes):
        raise InvalidInput([Fault("/sampling/lot_sizes", f"must be one a file; got {len(sizes)}")])
    sampling = replace(request.sampling, lot_size=sizes[place])
    return replace(request, sampling=sampling, plan=choose_plan(sampling))


def read_request(loaded: Mapping[str, Any]) -> LotRequest:
    """The values of a loaded `LOT_REQUEST`. Raises InvalidInput naming every field that is impossible."""
    rules, decision, draw, drift = loaded["rules"], loaded["decision"], loaded.get("draw"), loaded["drift"]
    sampling = _sampling(loaded["sampling"])
    faults: list[Fault] = []

    def tried(make: Callable[[], Made]) -> Made | None:
        try:
            return make()
        except InvalidInput as refused:
            faults.extend(refused.faults)
        return None

    book = tried(lambda: Rules.of(rules).edition())
    sized = replace(sampling, lot_size=sampling.lot_sizes[0]) if sampling.lot_sizes else sampling
    plan = tried(lambda: choose_plan(sized))
    variables = tried(lambda: choose_variables_plans(sampling))
    classes = {} if book is None else tried(lambda: rules_by_class(sampling.classes, book))
    for index, each in enumerate(sampling.classes):
        wanted = sized.plan
        if each.aql is not None and wanted is not None and sized.rows != "every_ball":
            asked = replace(sized, plan=replace(wanted, aql=each.aql))
            tried(lambda asked=asked, index=index: _class_plan(asked, index))  # type: ignore[misc]
    gauges = tried(lambda: tuple(_gauges(loaded)))
    instruments = tried(lambda: tuple(_instruments(loaded)))
    if draw is not None and "sample_size" not in draw and sampling.plan is None:
        faults.append(Fault("/draw/sample_size", "missing; without a plan the sample size must be given"))
    if (
        faults
        or book is None
        or variables is None
        or classes is None
        or gauges is None
        or instruments is None
    ):
        raise InvalidInput(faults)
    stated = {name: quantity.value for name, quantity in loaded["uncertainties"].items()}
    identity = _identity(loaded["lot"])
    used = [gauge for gauge in identity.gauges if gauge.uncertainty is not None]
    used.sort(key=lambda gauge: gauge.uncertainty or 0.0)
    by_gauge = {gauge.quantity: gauge.uncertainty for gauge in used}
    return LotRequest(
        book,
        Decision(decision["rule"], decision["risk"]),
        identity,
        replace(_file(loaded["file"]), whole=loaded["scope"] == "all"),
        sampling,
        plan,
        classes,
        variables,
        gauges,
        instruments,
        {**by_gauge, **stated} | {name: study.standard_uncertainty for name, study in gauges},
        loaded["scope"],
        loaded["confidence"],
        loaded["coverage"],
        None if draw is None else Draw(draw["seed"], draw.get("sample_size")),
        DriftChart(drift.get("baseline"), drift["weight"]),
        ReportWanted(**loaded["report"]),
        loaded.get("worst_balls", limits.WORST_BALLS),
        rules.get("approved_list", approved_list()),
        "request" if "approved_list" in rules else "service",
    )


def _class_plan(sampling: Sampling, index: int) -> ChosenPlan | None:
    """The plan of a class. Raises InvalidInput naming its own limit."""
    try:
        return choose_plan(sampling)
    except InvalidInput as refused:
        pointer = f"/sampling/classes/{index}/aql"
        raise InvalidInput([replace(fault, pointer=pointer) for fault in refused.faults]) from None


def _sampling(loaded: Mapping[str, Any]) -> Sampling:
    plan, history = loaded.get("plan"), loaded.get("history")
    if history is not None:
        known = {name: value for name, value in history.items() if name not in ("aql", "level")}
        history = {**known, "recent": tuple(known["recent"])}
    return Sampling(
        loaded.get("rows"),
        loaded.get("lot_size"),
        None if plan is None else PlanWanted(**plan),
        tuple(VariablesWanted(**each) for each in loaded["variables"]),
        loaded.get("seed", limits.DEFAULT_SEED),
        None if history is None else SwitchingState(**history),
        tuple(loaded.get("lot_sizes", ())),
        tuple(ClassWanted(**{**each, "rules": tuple(each["rules"])}) for each in loaded["classes"]),
    )


def _identity(loaded: Mapping[str, Any]) -> Identity:
    gauges = tuple(GaugeUsed(**gauge) for gauge in loaded["gauges"])
    return Identity(**{**loaded, "gauges": gauges})


def _file(loaded: Mapping[str, Any]) -> ReadingOptions:
    given = {**loaded, **{name: tuple(loaded[name]) for name in ("missing", "rows_ignored", "rows_judged")}}
    if given.get("separator") == SEPARATORS[-1]:
        given["separator"] = "\t"
    return ReadingOptions(**given)


def _gauges(loaded: Mapping[str, Any]) -> Iterator[tuple[str, GaugeStudy]]:
    for index, asked in enumerate(loaded["gauge_studies"]):
        name, pointer = asked["quantity"], f"/gauge_studies/{index}/measurements"
        try:
            study = gauge_study(
                asked["measurements"],
                readings_averaged=asked.get("readings_averaged", limits.READINGS_AVERAGED),
                references=asked.get("references"),
                confidence=loaded["confidence"],
            )
        except ValueError as error:
            raise InvalidInput([Fault(pointer, str(error))]) from None
        widest = QUANTITIES[name].maximum - QUANTITIES[name].minimum
        if study.standard_uncertainty > widest:
            text = (
                f"the standard uncertainty comes out as {study.standard_uncertainty:.3g}; at most {widest:g}"
            )
            raise InvalidInput([Fault(pointer, text)])
        yield name, study


def _instruments(loaded: Mapping[str, Any]) -> Iterator[tuple[str, InstrumentOffsets]]:
    for index, asked in enumerate(loaded["instrument_studies"]):
        try:
            offsets = instrument_offsets(
                asked["measurements"],
                asked["instruments"],
                reference=asked.get("reference"),
                confidence=loaded["confidence"],
            )
        except ValueError as error:
            raise InvalidInput([Fault(f"/instrument_studies/{index}/measurements", str(error))]) from None
        yield asked["quantity"], offsets
