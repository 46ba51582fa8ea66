"""Switching rules against ISO 2859-1:1999, 9.3 and 9.4, from memory."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ballgauge_service.lot.sampling.tables import (
    SwitchingState,
    SwitchingStep,
    next_state,
    single_sampling_plan,
    switching_step,
)


def run_switching(
    sizes: list[int], counts: list[int], aql: float, *, level: str = "II", start: SwitchingState | None = None
) -> list[SwitchingStep]:
    """A series of lots in time order; it ends where acceptance is discontinued."""
    state = start or SwitchingState()
    steps: list[SwitchingStep] = []
    for lot, (size, count) in enumerate(zip(sizes, counts, strict=True)):
        if not state.discontinued:
            steps.append(switching_step(lot, state, size, count, aql, level))
            state = steps[-1].next
    return steps


def inspections(counts: list[int], aql: float = 1.5) -> list[str]:
    """Return the inspection in force after each lot of 1000."""
    return [step.next.inspection for step in run_switching([1000] * len(counts), counts, aql)]


def test_two_of_five_rejected_tightens() -> None:
    """9.3.1: two of five or fewer consecutive lots not accepted. AQL 1.5, letter J: accept on 3."""
    assert inspections([4, 0, 0, 0, 4]) == ["normal"] * 4 + ["tightened"]
    assert inspections([4, 4]) == ["normal", "tightened"]
    assert inspections([4, 0, 0, 0, 0, 4]) == ["normal"] * 6


def test_five_accepted_relaxes() -> None:
    """9.3.2: five consecutive lots accepted on tightened inspection (accept on 2) return to normal."""
    assert inspections([4, 4, 2, 2, 2, 2, 2])[-2:] == ["tightened", "normal"]
    assert inspections([4, 4, 2, 2, 3, 2, 2, 2, 2, 2])[-2:] == ["tightened", "normal"]
    assert inspections([4, 4, 2, 2, 3, 2, 2, 2, 2])[-1] == "tightened"


def test_five_rejections_on_tightened_discontinue() -> None:
    """9.4: five lots not accepted in one spell of tightened inspection; later lots are not judged."""
    steps = run_switching([1000] * 12, [4, 4, 3, 3, 0, 3, 3, 3, 0, 0, 0, 0], 1.5)
    assert len(steps) == 8
    assert steps[-1].next.discontinued
    assert "discontinued" in steps[-1].message
    with pytest.raises(ValueError, match=r"^state "):
        next_state(steps[-1].next, single_sampling_plan(1000, 1.5, inspection="tightened"), 0)


def test_switching_score_reaches_reduced() -> None:
    """9.3.3.2: 3 points for a lot that an AQL one step tighter (accept on 2) would accept too: ten lots."""
    assert inspections([2] * 10) == ["normal"] * 9 + ["reduced"]
    assert inspections([1] * 10, 1.0)[-1] == "reduced"
    assert inspections([2] * 10, 1.0)[-1] == "normal"
    assert inspections([2] * 9 + [3] + [2] * 10) == ["normal"] * 19 + ["reduced"]


def test_switching_score_of_small_acceptance_numbers() -> None:
    """9.3.3.2: 2 points a lot where the acceptance number is 0 or 1: fifteen lots. AQL 0.65: accept on 1."""
    assert inspections([1] * 15, 0.65) == ["normal"] * 14 + ["reduced"]
    assert inspections([1] * 14 + [2] + [0] * 15, 0.65) == ["normal"] * 29 + ["reduced"]


def test_one_rejection_on_reduced_returns_to_normal() -> None:
    """9.3.4: a lot not accepted on reduced inspection."""
    assert inspections([0] * 10 + [0, 3])[-2:] == ["reduced", "normal"]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 6), min_size=1, max_size=40), st.integers(1, 39))
def test_a_series_can_be_resumed(counts: list[int], cut: int) -> None:
    """Invariant: judging a series in two parts, the state handed on, is judging it at once."""
    sizes = [1000] * len(counts)
    whole = run_switching(sizes, counts, 1.5)
    cut = min(cut, len(whole))
    first = run_switching(sizes[:cut], counts[:cut], 1.5)
    rest = run_switching(sizes[cut:], counts[cut:], 1.5, start=first[-1].next)
    assert [step.outcome for step in first + rest] == [step.outcome for step in whole]
    assert (first + rest)[-1].next == whole[-1].next


def test_bad_arguments_are_named() -> None:
    """Our own contract: ValueError begins with the argument's name."""
    with pytest.raises(ValueError, match=r"^count "):
        run_switching([1000], [-1], 1.5)
    with pytest.raises(ValueError, match=r"^plan "):
        next_state(SwitchingState("tightened"), single_sampling_plan(1000, 1.5), 0)
