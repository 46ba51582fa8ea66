"""Requests about a design: its numbers, its drilling, the rules, comparisons, searches and studies."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from ballgauge_schemas.shared import limits
from ballgauge_service.check.request import arrays, plain, points_of
from ballgauge_service.core.budget import CancelToken, Progress
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.refusal import InvalidInput, below
from ballgauge_service.design.answer import (
    UNITS,
    ball_of,
    comparison_group,
    drilled_group,
    family_group,
    properties_group,
    solved_group,
    study_group,
    trade_off_group,
)
from ballgauge_service.design.comparison import compare_designs, compare_drillings
from ballgauge_service.design.drilling import DrilledDesign, drill_design
from ballgauge_service.design.mass import MassProperties, properties
from ballgauge_service.design.prices import Allowance, cells_for, evaluation_price, hole_cells_for, kernels_of
from ballgauge_service.design.production import Tolerance, study
from ballgauge_service.design.request import Files, Group, build_pair, slot
from ballgauge_service.design.rules import Judged, judge_design, judge_drilled
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solving import Parameter, Target, family, solve, trade_off

Request = Mapping[str, Any]

_JOBS = {"drilling": "drilling", "solve": "solving", "family": "family", "production": "production"}


def evaluate_design(
    request: Request,
    files: Files | None = None,
    progress: Progress | None = None,
    cancelled: CancelToken | None = None,
    bulk: Bulk | None = None,
) -> Group:
    """Answer a loaded request about a design, as a JSON-ready dict.

    Parameters
    ----------
    request : as `ballgauge_schemas.designs.DESIGN_REQUEST` loads it
    files : the meshes that came beside it, by file name
    progress, cancelled : see `designs.running`
    bulk : who samples; threads of this process unless given

    Raises InvalidInput naming every impossible field, Cancelled by the token, and BulkUnavailable.
    """
    first, second = build_pair(request, files or {})
    return _Evaluation(request, first, second, _allowance(request, progress, cancelled), bulk).answer()


def _allowance(request: Request, progress: Progress | None, cancelled: CancelToken | None) -> Allowance:
    compare = request.get("compare", {})
    jobs = 1 + ("design" in compare) + sum(name in request for name in _JOBS)
    jobs += ("drilling" in request and bool(compare)) + ("trade_off" in request.get("solve", {}))
    return Allowance(jobs, progress, cancelled)


class _Evaluation:
    """One request, job by job."""

    def __init__(
        self, request: Request, first: Design, second: Design | None, run: Allowance, bulk: Bulk | None
    ) -> None:
        self.request, self.first, self.second, self.run, self.bulk = request, first, second, run, bulk
        self.spec = request["design"]
        self.kernels = kernels_of(first)
        self.cautions: list[Group] = []

    def answer(self) -> Group:
        made = self._properties(self.first, "properties", "/design")
        judged = judge_design(self.request["rules"], made)
        drilled = self._drilled()
        answer = {
            "properties": properties_group(made),
            "ball": ball_of(made, self.spec.get("name")),
            "outcome": judged.outcome,
            "findings": judged.findings,
            "missing": judged.missing,
            "rules": judged.rules,
            "drilled": None if drilled is None else self._drilled_group(drilled, made),
            "comparison": self._comparison(made, drilled),
            "solved": self._solved(),
            "family": self._family(),
            "production": self._production(judged),
            "assumptions": self._assumptions(judged),
            "units": UNITS,
        }
        self.run.end()
        answer["cautions"] = [*_made_cautions(made), *self.cautions, _advice()]
        return answer

    def _arm(self, drilling: Request | None) -> float:
        given = (drilling or {}).get("balance_arm") or self.request.get("balance_arm")
        given = given or self.request.get("drilling", {}).get("balance_arm")
        return limits.BALANCE_ARM if given is None else float(given.value)

    def _properties(self, design: Design, doing: str, place: str) -> MassProperties:
        self.run.begin(doing, f"properties {kernels_of(design)}")
        with below(("", place)):
            cells, each = cells_for(design)
            found = properties(design, self._arm(None), contributions=each, cells=cells, run=self.run)
        if not each:
            words = "What each solid adds is left out: too many solids cut each other off a common axis."
            self.cautions.append(_caution("contributions_left_out", words, f"{place}/solids"))
        return found

    def _drill(self, design: Design, drilling: Request, place: str, *, second: bool = False) -> DrilledDesign:
        """Drill a design; the side reading is the check's, positive towards the positive axis point."""
        doing = "the second drilling" if second else "drilling"
        self.run.begin(doing, f"drilling {kernels_of(design)}")
        _, layouts, holes, _ = arrays([{"ball": {}, "drilling": drilling}])
        with below(("", place)):
            cells = hole_cells_for(design, len(drilling["holes"]))
            found = drill_design(design, layouts[0], holes[0], self._arm(drilling), cells=cells, run=self.run)
        hand = 1.0 if drilling["hand"] == "right" else -1.0
        self._caution_drilling(found, drilling, place, "In the second ball, h" if second else "H")
        return replace(found, side=hand * found.side)

    def _caution_drilling(self, found: DrilledDesign, drilling: Request, place: str, start: str) -> None:
        for text in found.cautions:
            hole = next(cost.index for cost in found.costs if text.startswith(f"hole {cost.index} "))
            words = f"{start}{text[1:]}: a matter of warranty and of cracking."
            self.cautions.append(_caution("core_drilled", words, f"{place}/holes/{hole}"))
        for pointer in points_of(drilling):
            words = "This uncertainty is not carried into the numbers of a drilled design."
            self.cautions.append(_caution("uncertainty_left_out", words, f"{place}{pointer}"))
        if found.costs and not any(each["code"] == "drilling_safety" for each in self.cautions):
            words = (
                "Drilling machines, dust and solvents can injure: guard the machine, wear eye and breathing "
                "protection, and follow local codes and licensed practice."
            )
            self.cautions.append(_caution("drilling_safety", words, place))

    def _drilled(self) -> DrilledDesign | None:
        if "drilling" not in self.request:
            return None
        return self._drill(self.first, self.request["drilling"], "/drilling")

    def _drilled_group(self, found: DrilledDesign, made: MassProperties) -> Group:
        drilling = self.request["drilling"]
        arm, given = self._arm(drilling), "balance_arm" in self.request or "balance_arm" in drilling
        judged = judge_drilled(self.request["rules"], made, found, drilling, arm, arm_given=given)
        group = drilled_group(found, 0.5 * made.diameter, arm)
        return {**group, "outcome": judged.outcome, "findings": judged.findings}

    def _comparison(self, made: MassProperties, drilled: DrilledDesign | None) -> Group | None:
        compare = self.request.get("compare")
        if compare is None:
            return None
        designs = drillings = None
        if self.second is not None:
            other = self._properties(self.second, "properties of the second design", "/compare/design")
            designs = compare_designs(made, other)
        if drilled is not None:
            place = "/compare/drilling" if "drilling" in compare else "/drilling"
            drilling = compare.get("drilling", self.request["drilling"])
            again = self._drill(self.second or self.first, drilling, place, second=True)
            drillings = compare_drillings(drilled, again)
        return comparison_group(designs, drillings)

    def _parameters(self, job: str) -> list[Parameter]:
        asked = self.request[job]["parameters"]
        return [Parameter(slot(each), each["lower"].value, each["upper"].value) for each in asked]

    def _solved(self) -> Group | None:
        asked = self.request.get("solve")
        if asked is None:
            return None
        self.run.begin("solving", f"solving {self.kernels}", evaluation_price(self.first))
        targets = [
            Target(
                name, each["value"].value, each["tolerance"].value, each.get("weight", limits.TARGET_WEIGHT)
            )
            for name, each in asked["targets"].items()
        ]
        parameters, seed = self._parameters("solve"), asked.get("seed", limits.DEFAULT_SEED)
        starts, keep = asked.get("starts", limits.STARTS), asked.get("keep", limits.SOLUTIONS)
        arm = self._arm(None)
        with below(("", "/solve")):
            found = solve(
                self.first,
                parameters,
                targets,
                seed=seed,
                starts=starts,
                keep=keep,
                balance_arm=arm,
                run=self.run,
            )
        group = solved_group(found, parameters, self.spec, seed, starts)
        front = asked.get("trade_off")
        return {
            **group,
            "trade_off": None if front is None else self._front(front, parameters, targets, seed),
        }

    def _front(
        self, asked: Request, parameters: list[Parameter], targets: list[Target], seed: int
    ) -> Group | None:
        self.run.begin("trade-off", f"solving {self.kernels}", evaluation_price(self.first))
        points = asked.get("points", limits.FRONT)
        try:
            with below(("", "/solve")):
                found = trade_off(
                    self.first, parameters, targets, asked["first"], asked["second"],
                    points=points, seed=seed, balance_arm=self._arm(None), run=self.run,
                )  # fmt: skip
        except InvalidInput as refused:
            if any(pointer != "/solve/targets" for _, pointer, _ in refused.errors):
                raise
            words = f"There is no front of {asked['first']} and {asked['second']}: {refused.errors[0][2]}."
            self.cautions.append(_caution("no_trade_off", words, "/solve/trade_off"))
            return None
        return trade_off_group(found, parameters, self.spec)

    def _family(self) -> Group | None:
        asked = self.request.get("family")
        if asked is None:
            return None
        self.run.begin("family", f"solving {self.kernels}", evaluation_price(self.first))
        parameters, seed = self._parameters("family"), asked.get("seed", limits.DEFAULT_SEED)
        weights = plain(asked.get("weights")) or limits.FAMILY_WEIGHTS
        with below(("", "/family")):
            found = family(
                self.first, parameters, weights, seed=seed, balance_arm=self._arm(None), run=self.run
            )
        return family_group(found, parameters, self.spec, seed)

    def _production(self, judged: Judged) -> Group | None:
        asked = self.request.get("production")
        if asked is None:
            return None
        price = evaluation_price(self.first, sampled=True)
        self.run.begin("production", f"production {self.kernels}", price)
        samples = asked.get("samples", limits.DESIGN_SAMPLES)
        passes = 2 if judged.limits else 1
        if not self.run.affords(passes * samples):
            text = f"too much to compute for this design: at most {self.run.left() // passes} samples"
            raise InvalidInput([(0, "/production/samples", text)])
        self.run.spend(passes * samples)
        tolerances = [
            Tolerance(tuple(each["solids"]), each["field"], **_width(each)) for each in asked["tolerances"]
        ]
        with below(("", "/production")):
            found = study(
                self.first, tolerances, judged.limits, samples=samples,
                seed=asked.get("seed", limits.DEFAULT_SEED),
                confidence=asked.get("confidence", limits.CONFIDENCE),
                balance_arm=self._arm(None), run=self.run, bulk=self.bulk,
            )  # fmt: skip
        return study_group(found, judged)

    def _assumptions(self, judged: Judged) -> list[str]:
        taken = ["Every solid has one density throughout, and the numbers of the design are met exactly."]
        if not any("balance_arm" in part for part in (self.request, self.request.get("drilling", {}))):
            taken.append(
                f"The balance shows the moment divided by an arm of {limits.BALANCE_ARM:g} in (from memory, "
                "no source)."
            )
        if not judged.on_given:
            day = judged.rules["on"]
            taken.append(
                f"No date is given: the rules are those in force on {day}, the day the rulebook was compiled."
            )
        if "drilling" in self.request:
            taken.append("The holes are drilled in the order given; a slug fills its hole to the surface.")
        if "production" in self.request:
            taken.append(
                "The tolerances are independent of each other, and what has none stays nominal; the limits "
                "are those in force at approval."
            )
        return taken


def _width(asked: Request) -> dict[str, float]:
    return {name: asked[name].value for name in ("standard_deviation", "half_width") if name in asked}


def _made_cautions(made: MassProperties) -> Iterator[Group]:
    for text in made.cautions:
        yield _caution("covered_solid", f"{text[0].upper()}{text[1:]}: it is not there.", "/design/solids")
    if made.method != "exact":
        parts = ", ".join(
            f"{name} {bound:.1e}" for name, bound in made.error_bound.items() if math.isfinite(bound)
        )
        words = f"Solids cut each other off a common axis: the numbers have the error bounds {parts}."
        yield _caution("error_bound", words, "/design/solids")


def _caution(code: str, message: str, pointer: str | None) -> Group:
    return {"code": code, "message": message, "pointer": pointer}


def _advice() -> Group:
    words = (
        "This is advice from the numbers of a design: only the governing body decides and approves, by "
        "measuring balls."
    )
    return _caution("advice_only", words, None)
