"""A request about a design, in; its answer, out: numbers, drilling, the rules, searches and studies."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from ballgauge_schemas.design.request import DesignRulesSchema
from ballgauge_schemas.shared.limits import DESIGN_SAMPLES_MINIMUM
from ballgauge_schemas.shared.words import JOBS
from ballgauge_service.core import budget
from ballgauge_service.core.budget import Allowance, CancelToken, Progress
from ballgauge_service.core.bulk import Bulk
from ballgauge_service.core.caution import Caution
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.design import cautions
from ballgauge_service.design.answer import Result, answer_of
from ballgauge_service.design.comparison import Row, compare_designs, compare_drillings
from ballgauge_service.design.drilling import Bore, Drill, DrilledDesign, drill_design
from ballgauge_service.design.family import FAMILY_STARTS, Member, family, member_of
from ballgauge_service.design.layout_map import MapPoint, layout_map, map_price
from ballgauge_service.design.mass import CELLS, MassProperties, properties
from ballgauge_service.design.model import STUDY_CELLS
from ballgauge_service.design.prices import (
    BOARD_HOLE_CELLS,
    cells_for,
    check_design,
    evaluation_price,
    hole_cells_for,
)
from ballgauge_service.design.production import Production, ProductionStudy, fit_price, study
from ballgauge_service.design.request import DesignRequest, Files, Loaded, read_request
from ballgauge_service.design.rules import Judged, judge_design, judge_drilled, judge_found
from ballgauge_service.design.solids.solids import Design
from ballgauge_service.design.solving import Set, Solution, Solved, search_price, solve, trade_off


def evaluate_design(
    loaded: Loaded,
    files: Files | None = None,
    progress: Progress | None = None,
    canceled: CancelToken | None = None,
    bulk: Bulk | None = None,
) -> dict[str, Any]:
    """Answer a loaded request about a design, as a JSON-ready dict.

    Parameters
    ----------
    loaded : mapping
        As `ballgauge_schemas.design.request.DESIGN_REQUEST` loads it.
    files : mapping of str to bytes, optional
        The meshes that came beside it, by file name.
    progress, canceled : optional
        See `core.budget.Run`.
    bulk : Bulk, optional
        Who samples; threads of this process unless given.

    Raises
    ------
    InvalidInput
        Naming every impossible field.
    Canceled
        By the token.
    BulkUnavailable
        By the cluster.

    Returns
    -------
    dict
    """
    return evaluated(loaded, files, progress, canceled, bulk)[1]


def evaluated(
    loaded: Loaded,
    files: Files | None = None,
    progress: Progress | None = None,
    canceled: CancelToken | None = None,
    bulk: Bulk | None = None,
) -> tuple[Found, dict[str, Any]]:
    """What `evaluate_design` answers, and the designs that a report draws.

    Parameters
    ----------
    loaded, files, progress, canceled, bulk : as of `evaluate_design`

    Returns
    -------
    found : Found
    answer : dict
    """
    if not set(JOBS).isdisjoint(loaded):
        run_compiled("design")
    request = read_request(loaded, files or {})
    run = Allowance(request.jobs, progress, canceled)
    result = _Evaluation(request, run, bulk).result()
    balls = result.set.solutions[0].balls if result.set is not None else ()
    best = request.design if result.solved is None else result.solved.solutions[0].only.design
    variants = {ball.name: ball.design for ball in balls}
    kin = tuple(each.solution.only.design for each in result.family or ())
    found = Found(request.design, best, variants, kin, request.drill, _bores(request, result))
    return found, answer_of(request, result)


@dataclass(frozen=True, slots=True)
class Found:
    """A design, the best that was found for it, or itself, the balls of its set by name, and its family.

    drill, bores: how it is drilled, and its holes, whose places are the same in the balls of its set.
    """

    design: Design
    best: Design
    variants: Mapping[str, Design]
    family: tuple[Design, ...] = ()
    drill: Drill | None = None
    bores: tuple[Bore, ...] = ()


def _bores(request: DesignRequest, result: Result) -> tuple[Bore, ...]:
    if request.drill is None or result.drilled is None:
        return ()
    return tuple(
        Bore(cost.role, cost.mouth, cost.bottom, float(hole["diameter"]), float(hole["depth"]))
        for cost, hole in zip(result.drilled.costs, request.drill.holes, strict=True)
    )


def numbers_of_design(design: Loaded, drilling: Loaded | None) -> tuple[MassProperties, DrilledDesign | None]:
    """The mass properties of a loaded design, and of it drilled, without studies.

    Parameters
    ----------
    design, drilling : mapping, as `ballgauge_schemas` loads them

    Returns
    -------
    made : MassProperties
    drilled : DrilledDesign or None

    Raises
    ------
    InvalidInput for what cannot be, below `/design` and `/drilling`
    """
    asked: dict[str, Any] = {"design": design, "rules": DesignRulesSchema().load({}), "detail": "numbers"}
    if drilling is not None:
        asked["drilling"] = drilling
    request = read_request(asked, {})
    found = _Evaluation(request, Allowance(request.jobs), None).result()
    return found.made, found.drilled


class _Evaluation:
    """One request, job by job."""

    def __init__(self, request: DesignRequest, run: Allowance, bulk: Bulk | None) -> None:
        self.request, self.run, self.bulk = request, run, bulk
        self.design = request.design
        self.cautions: list[Caution] = []
        self._least: dict[str, float] = {}

    def result(self) -> Result:
        request = self.request
        self._check_prices()
        made = self._properties(self.design, "properties", "/design")
        judged = judge_design(request.rules, made)
        drilled = None if request.drill is None else self._drill(self.design, request.drill, "drilling")
        judged_drilled = None
        if request.drill is not None and drilled is not None:
            arm_given = request.arm_given
            judged_drilled = judge_drilled(request.rules, made, drilled, request.drill, arm_given=arm_given)
        designs, drillings = self._comparison(made, drilled)
        solved = self._searched(request.solve, "solving", "solve")
        front, members = self._front(), self._family()
        every = self._searched(request.set, "set", "set")
        return Result(
            made=made,
            judged=judged,
            drilled=drilled,
            judged_drilled=judged_drilled,
            designs=designs,
            drillings=drillings,
            solved=solved,
            front=front,
            family=members,
            set=every,
            variants=self._variants(every),
            layout_map=self._layout_map(),
            judge=partial(judge_found, request.rules),
            production=self._production(judged),
            cautions=(*cautions.of_properties(made), *self.cautions, cautions.ADVICE),
        )

    def _check_prices(self) -> None:
        """Raise InvalidInput with what would fit, before any work, where something asked is too much."""
        request = self.request
        with below("/design"):
            check_design(self.design)
        if request.compare is not None and request.compare.design is not None:
            with below("/compare/design"):
                check_design(request.compare.design)
        for design, drill in self._drillings():
            with below(drill.place):
                hole_cells_for(design, len(drill.holes))
        for job, price in self._jobs():
            with below(f"/{job.partition('/')[0]}"):
                self._least[job] = price(budget.WORK_LIMIT)
        if sum(self._least.values()) > budget.WORK_LIMIT:
            words = f"too much to compute in one request: ask for {', '.join(self._least)} one by one"
            raise InvalidInput([Fault("", words)])

    def _drillings(self) -> Iterator[tuple[Design, Drill]]:
        """What is drilled, and how; the second drilling is of the second design, where there is one."""
        request, compare = self.request, self.request.compare
        if request.drill is not None:
            yield self.design, request.drill
            if compare is not None and compare.drill is not None:
                yield compare.design or self.design, compare.drill

    def _jobs(self) -> Iterator[tuple[str, Callable[[float], float]]]:
        """The jobs in their order, each with what prices it, given the work that is allowed [µs]."""
        request, design = self.request, self.design
        if (job := request.solve) is not None:
            yield "solve", partial(search_price, job)
            if job.front is not None:
                yield "solve/trade_off", partial(search_price, job)
        if (kin := request.family) is not None:
            every = [member_of(kin, each, kin.hold) for each in (design, *kin.designs.values())]
            yield "family", lambda most: sum(search_price(each, most) for each in every)
        if (several := request.set) is not None:
            for at, variant in enumerate(several.variants):
                with below(f"/set/variants/{at}"):
                    check_design(variant.design)
            yield "set", partial(search_price, several)
        if request.layout_map is not None and request.drill is not None:
            yield "layout_map", partial(map_price, design, request.drill, request.layout_map)
        if request.production is not None:
            yield "production", partial(_production_price, design, request.production)

    def _begin(self, doing: str, job: str, price: float = 0.0) -> None:
        """Begin a job; those after it have their least work kept for them."""
        del self._least[job]
        self.run.begin(doing, price, sum(self._least.values()))

    def _properties(self, design: Design, doing: str, place: str) -> MassProperties:
        self.run.begin(doing)
        with below(place):
            cells, each = cells_for(design)
            if not self.request.whole:
                cells, each = min(cells, STUDY_CELLS), False
            made = properties(design, self.request.arm, contributions=each, cells=cells, run=self.run)
        self.cautions += cautions.of_meshes(design, place)
        if self.request.whole and not each:
            self.cautions.append(cautions.left_out(place))
        return made

    def _drill(self, design: Design, drill: Drill, doing: str, *, second: bool = False) -> DrilledDesign:
        self.run.begin(doing)
        with below(drill.place):
            cells = hole_cells_for(design, len(drill.holes))
            made_cells = CELLS
            if not self.request.whole:
                cells, made_cells = min(cells, BOARD_HOLE_CELLS), STUDY_CELLS
            drilled = drill_design(
                design, drill.layout, drill.holes, drill.arm, cells=cells, made_cells=made_cells, run=self.run
            )
        told = any(each.code == "drilling_safety" for each in self.cautions)
        self.cautions += cautions.of_drilling(drilled, drill, second=second, first_holes=not told)
        return drilled

    def _comparison(
        self, made: MassProperties, drilled: DrilledDesign | None
    ) -> tuple[tuple[Row, ...] | None, tuple[Row, ...] | None]:
        compare = self.request.compare
        designs = drillings = None
        if compare is not None and compare.design is not None:
            doing = "properties of the second design"
            designs = compare_designs(made, self._properties(compare.design, doing, "/compare/design"))
        if compare is not None and compare.drill is not None and drilled is not None:
            design = compare.design or self.design
            again = self._drill(design, compare.drill, "the second drilling", second=True)
            drillings = compare_drillings(drilled, again)
        return designs, drillings

    def _searched(self, job: Set | None, doing: str, name: str) -> Solved | None:
        if job is None:
            return None
        self._begin(doing, name, sum(evaluation_price(each.design) for each in job.variants))
        with below(f"/{name}"):
            found = solve(job, balance_arm=self.request.arm, run=self.run)
        if job.parameters and found.searched < job.starts:
            self.cautions.append(cautions.starts_left_out(found.searched, job.starts, f"/{name}/starts"))
        return found

    def _front(self) -> tuple[Solution, ...] | None:
        job = self.request.solve
        if job is None or job.front is None:
            return None
        self._begin("trade-off", "solve/trade_off", evaluation_price(self.design))
        with below("/solve"):
            along = trade_off(job, job.front, balance_arm=self.request.arm, run=self.run)
        if not along.solutions:
            self.cautions.append(cautions.no_front(job.front))
        elif along.followed < job.front.points:
            self.cautions.append(cautions.points_left_out(along.followed, job.front.points))
        return along.solutions or None

    def _family(self) -> tuple[Member, ...] | None:
        job = self.request.family
        if job is None:
            return None
        self._begin("family", "family", evaluation_price(self.design))
        with below("/family"):
            members = family(self.design, job, balance_arm=self.request.arm, run=self.run)
        least = min((each.searched for each in members), default=FAMILY_STARTS)
        if least < FAMILY_STARTS:
            self.cautions.append(cautions.starts_left_out(least, FAMILY_STARTS, "/family"))
        return members

    def _variants(self, every: Solved | None) -> tuple[tuple[MassProperties, Judged], ...]:
        """Each ball of a set at its best solution, with what each solid gives it, and the rules on it."""
        found = []
        for at, ball in enumerate(every.solutions[0].balls if every is not None else ()):
            with below(f"/set/variants/{at}"):
                cells, each = cells_for(ball.design)
                arm = self.request.arm
                made = properties(ball.design, arm, contributions=each, cells=cells, run=self.run)
            if not each:
                self.cautions.append(cautions.left_out(f"/set/variants/{at}"))
            found.append((made, judge_design(self.request.rules, made)))
        return tuple(found)

    def _layout_map(self) -> tuple[MapPoint, ...] | None:
        job, drill = self.request.layout_map, self.request.drill
        if job is None or drill is None:
            return None
        self.run.add(self._least["layout_map"])
        self._begin("layouts", "layout_map")
        return layout_map(self.design, drill, job, self.run)

    def _production(self, judged: Judged) -> ProductionStudy | None:
        job = self.request.production
        if job is None:
            return None
        self._begin("production", "production")
        arm, limits = self.request.arm, judged.limits
        with below("/production"):
            found = study(self.design, job, limits, balance_arm=arm, run=self.run, bulk=self.bulk)
        self.cautions += cautions.of_production(found)
        return found


_PASSES = 2
"""Samples are drawn once, and once more for the advice."""


def _production_price(design: Design, job: Production, unspent: float) -> float:
    """Estimated work of a study [µs]; raises InvalidInput with the samples that fit where it is too much."""
    fit = fit_price(design, job.tolerances)
    each = _PASSES * evaluation_price(design, sampled=True)
    most = int((unspent - fit) / each)
    if most < DESIGN_SAMPLES_MINIMUM:
        words = (
            "too much to compute for this design: ask for fewer tolerances of sizes, places and tilts; "
            "densities alone take little"
        )
        raise InvalidInput([Fault("/tolerances", words)])
    if job.samples > most:
        words = f"too much to compute for this design: at most {most} samples"
        raise InvalidInput([Fault("/samples", words)])
    return fit + job.samples * each
