"""Switching between normal, tightened and reduced inspection over consecutive lots (ISO 2859-1:1999, 9.3)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ballgauge_service.lot.sampling.tables import (
    SingleSamplingPlan,
    acceptance_number_one_step_tighter,
    single_sampling_plan,
)
from ballgauge_service.lot.statistics.basics import whole_number
from ballgauge_service.lot.statistics.statements import Statement

# ISO 2859-1:1999, 9.3 and 9.4, from memory.
WINDOW = 5
REJECTIONS_TO_TIGHTEN = 2
ACCEPTANCES_TO_RELAX = 5
SCORE_FOR_REDUCED = 30
SCORE_SMALL_ACCEPTANCE_NUMBER = 2
SCORE_TIGHTER_ACCEPTED = 3
REJECTIONS_TO_DISCONTINUE = 5


@dataclass(frozen=True)
class SwitchingState(Statement):
    """Where a series of lots stands before its next lot.

    `recent` holds the outcomes of the last lots under the present inspection (True: accepted), at most five.
    `score` is the switching score. `tightened_rejections` counts the lots not accepted since tightened
    inspection began. `discontinued`: acceptance under this scheme has stopped.
    """

    inspection: str = "normal"
    score: int = 0
    recent: tuple[bool, ...] = ()
    tightened_rejections: int = 0
    discontinued: bool = False


@dataclass(frozen=True)
class SwitchingStep(Statement):
    """One lot of a series: its plan, what was found, its outcome, and what the series does next."""

    lot: int
    plan: SingleSamplingPlan
    count: int
    outcome: str
    next: SwitchingState
    message: str


def next_state(
    state: SwitchingState, plan: SingleSamplingPlan, count: int, *, reduced_permitted: bool = True
) -> tuple[SwitchingState, str]:
    """Return the state after a lot on original inspection, and a sentence on any switch.

    Parameters
    ----------
    state : the state before the lot; its inspection must be the plan's
    plan : the plan the lot was judged by
    count : nonconforming balls (or nonconformities) found in the sample
    reduced_permitted : production is steady and the parties want reduced inspection

    Rules (ISO 2859-1:1999, 9.3, from memory). Normal to tightened: two of the last five or fewer lots not
    accepted. Tightened to normal: five lots accepted one after another. Normal to reduced: a switching score
    of 30; a lot adds 3 if it would have been accepted at an AQL one step tighter (acceptance number 2 or
    more), or 2 if it was accepted (acceptance number 0 or 1), and anything else sets the score to 0. Reduced
    to normal: a lot not accepted, or reduced inspection no longer permitted. Five lots not accepted in one
    spell of tightened inspection: acceptance is discontinued.

    Raises ValueError naming `state`, `plan` or `count`.
    """
    found = whole_number("count", count, 0)
    if state.discontinued:
        raise ValueError("state must not be discontinued: acceptance has stopped until the maker has acted")
    if plan.inspection != state.inspection:
        raise ValueError(f"plan must be a {state.inspection} plan; got {plan.inspection}")
    accepted = found <= plan.acceptance_number
    recent = (*state.recent, accepted)[-WINDOW:]
    if state.inspection == "tightened":
        return _after_tightened(state, recent)
    if state.inspection == "reduced":
        return _after_reduced(state, recent, reduced_permitted)
    score = state.score + _points(plan, found) if _points(plan, found) else 0
    return _after_normal(replace(state, score=score, recent=recent), reduced_permitted)


def run_switching(
    lot_sizes: Sequence[int],
    counts: Sequence[int],
    aql: float,
    *,
    level: str = "II",
    reduced_permitted: bool = True,
    start: SwitchingState | None = None,
) -> tuple[SwitchingStep, ...]:
    """Judge a series of lots in time order, switching inspection by the rules of `next_state`.

    Parameters
    ----------
    lot_sizes : (k,) balls in each lot
    counts : (k,) nonconforming balls found in each lot's sample, drawn to the plan in force for that lot
    aql, level : see `single_sampling_plan`

    Returns one step a lot; the series ends early at the lot after which acceptance is discontinued.
    Raises ValueError naming `lot_sizes`, `counts`, `aql` or `level`.
    """
    if len(lot_sizes) != len(counts):
        raise ValueError(f"counts must be one a lot: {len(lot_sizes)} lots; got {len(counts)}")
    state = start or SwitchingState()
    steps: list[SwitchingStep] = []
    for lot, (lot_size, count) in enumerate(zip(lot_sizes, counts, strict=True)):
        if state.discontinued:
            break
        plan = single_sampling_plan(lot_size, aql, level=level, inspection=state.inspection)
        state, message = next_state(state, plan, count, reduced_permitted=reduced_permitted)
        steps.append(SwitchingStep(lot, plan, int(count), plan.outcome(count), state, message))
    return tuple(steps)


def _points(plan: SingleSamplingPlan, found: int) -> int:
    if plan.acceptance_number < 2:
        return SCORE_SMALL_ACCEPTANCE_NUMBER if found <= plan.acceptance_number else 0
    return SCORE_TIGHTER_ACCEPTED if found <= acceptance_number_one_step_tighter(plan) else 0


def _after_normal(state: SwitchingState, reduced_permitted: bool) -> tuple[SwitchingState, str]:
    if state.recent.count(False) >= REJECTIONS_TO_TIGHTEN:
        return SwitchingState("tightened"), "two of the last five lots were not accepted: tightened from now"
    if state.score >= SCORE_FOR_REDUCED and reduced_permitted:
        return SwitchingState("reduced"), f"the switching score is {state.score}: reduced from now"
    return state, ""


def _after_tightened(state: SwitchingState, recent: tuple[bool, ...]) -> tuple[SwitchingState, str]:
    rejections = state.tightened_rejections + (not recent[-1])
    if rejections >= REJECTIONS_TO_DISCONTINUE:
        stopped = replace(state, recent=recent, tightened_rejections=rejections, discontinued=True)
        return stopped, "five lots were not accepted under tightened inspection: acceptance is discontinued"
    if len(recent) >= ACCEPTANCES_TO_RELAX and all(recent):
        return SwitchingState("normal"), "five lots were accepted one after another: normal from now"
    return replace(state, recent=recent, tightened_rejections=rejections), ""


def _after_reduced(
    state: SwitchingState, recent: tuple[bool, ...], reduced_permitted: bool
) -> tuple[SwitchingState, str]:
    if not recent[-1]:
        return SwitchingState("normal"), "a lot was not accepted under reduced inspection: normal from now"
    if not reduced_permitted:
        return SwitchingState("normal"), "reduced inspection is no longer permitted: normal from now"
    return replace(state, recent=recent), ""
