"""Classes of defects: critical, major and minor, each with rules and a quality limit of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ballgauge_schemas.shared.words import DEFECT_CLASSES
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.lot.sampling.choice import (
    ChosenPlan,
    ClassWanted,
    Sampling,
    choose_plan,
    plan_for_every_ball,
    plan_without,
)
from ballgauge_service.rulebooks import Edition

CRITICAL = frozenset(("identity", "construction", "max_density", "plug_density"))
"""Rules of which a ball that breaks one is illegal for good, whatever is done to it (ours)."""

MINOR = frozenset(("pin_to_low_rg_axis", "mark_to_high_rg_axis"))
"""Rules on the marks, which can be mended (ours). All others are major."""


def default_class(rule: str) -> str:
    """The class of a rule that the caller puts in none.

    Parameters
    ----------
    rule : str, its id

    Returns
    -------
    str: critical, major or minor
    """
    return "critical" if rule in CRITICAL else "minor" if rule in MINOR else "major"


def rules_by_class(wanted: Sequence[ClassWanted], edition: Edition) -> dict[str, tuple[str, ...]]:
    """The rules that decide, by their class.

    Parameters
    ----------
    wanted : sequence of ClassWanted
    edition : Edition

    Returns
    -------
    dict of class to rule ids, also of classes that were not asked for

    Raises
    ------
    InvalidInput naming a rule that the edition has not
    """
    if not wanted:
        return {}
    known = {rule.id for rule in edition.rules}
    faults = [
        Fault(f"/sampling/classes/{index}/rules/{place}", "no rule of the rulebook at this stage")
        for index, each in enumerate(wanted)
        for place, rule in enumerate(each.rules)
        if rule not in known
    ]
    if faults:
        raise InvalidInput(faults)
    chosen = {rule: each.name for each in wanted for rule in each.rules}
    names = [each.name for each in wanted]
    found: dict[str, list[str]] = {name: [] for name in names}
    for rule in edition.rules:
        name = chosen.get(rule.id, default_class(rule.id))
        if not rule.advisory:
            found.setdefault(name, []).append(rule.id)
    return {name: tuple(rules) for name, rules in found.items()}


def plan_of_class(aql: float | None, sampling: Sampling, main: ChosenPlan, balls: int) -> ChosenPlan:
    """The plan of a class of defects.

    Parameters
    ----------
    aql : float or None, percent
    sampling : Sampling
    main : ChosenPlan, of the lot, whose sample a class without a limit takes
    balls : int

    Returns
    -------
    ChosenPlan, by the tables at the class's own limit, or without one a plan that accepts on none
    """
    if sampling.rows == "every_ball":
        return plan_for_every_ball(balls, aql)
    if aql is None or sampling.plan is None:
        bare = plan_without(main.sample_size, sampling.lot_size)
        return replace(bare, source="none is accepted that breaks one of these rules")
    found = choose_plan(replace(sampling, plan=replace(sampling.plan, aql=aql)))
    assert found is not None
    return found


def limits_by_class(
    wanted: Sequence[ClassWanted], rules: Mapping[str, tuple[str, ...]]
) -> dict[str, float | None]:
    """The acceptable quality limit of each class.

    Parameters
    ----------
    wanted : sequence of ClassWanted
    rules : mapping, see `rules_by_class`

    Returns
    -------
    dict of class to AQL, percent, the worst class first; None: none is accepted
    """
    stated = {each.name: each.aql for each in wanted}
    return {name: stated.get(name) for name in DEFECT_CLASSES if name in rules}
