"""Single sampling tables against ISO 2859-1:1999, from memory, and their own design."""

from __future__ import annotations

import itertools

import pytest
from scipy import stats

from ballgauge_service.lot.sampling.tables import (
    _table,
    acceptable_quality_limits,
    code_letter,
    plan_for_letter,
    single_sampling_plan,
)

LETTERS = "ABCDEFGHJKLMNPQR"


@pytest.mark.parametrize(
    ("lot_size", "level", "letter"),
    [
        (2, "II", "A"),
        (8, "III", "B"),
        (90, "II", "E"),
        (91, "II", "F"),
        (150, "I", "D"),
        (500, "II", "H"),
        (501, "II", "J"),
        (1200, "II", "J"),
        (1201, "II", "K"),
        (3200, "III", "L"),
        (10_000, "II", "L"),
        (35_000, "S-4", "H"),
        (35_000, "S-1", "C"),
        (150_000, "S-2", "E"),
        (500_000, "S-4", "J"),
        (500_001, "II", "Q"),
        (10_000_000, "III", "R"),
    ],
)
def test_code_letters_of_table_1(lot_size: int, level: str, letter: str) -> None:
    """ISO 2859-1:1999, Table 1, from memory."""
    assert code_letter(lot_size, level) == letter


@pytest.mark.parametrize(("letter", "size"), [("H", 50), ("J", 80), ("K", 125), ("L", 200)])
def test_normal_sample_sizes(letter: str, size: int) -> None:
    """ISO 2859-1:1999, Table 2-A, from memory."""
    plan = plan_for_letter(letter, 1.0)
    assert (plan.sample_size, plan.plan_letter, plan.basis) == (size, letter, "secondary")


@pytest.mark.parametrize(
    ("inspection", "size", "accept"),
    [
        ("normal", 80, {0.65: 1, 1.0: 2, 1.5: 3, 2.5: 5, 4.0: 7, 6.5: 10, 10: 14, 15: 21}),
        ("tightened", 80, {1.0: 1, 1.5: 2, 2.5: 3, 4.0: 5, 6.5: 8, 10: 12, 15: 18}),
        ("reduced", 32, {1.0: 1, 1.5: 2, 2.5: 3}),
    ],
)
def test_acceptance_numbers_of_letter_j(inspection: str, size: int, accept: dict[float, int]) -> None:
    """ISO 2859-1:1999, Tables 2-A, 2-B and 2-C, letter J, from memory."""
    for aql, number in accept.items():
        plan = single_sampling_plan(1000, aql, inspection=inspection)
        assert (plan.sample_size, plan.acceptance_number, plan.rejection_number) == (size, number, number + 1)


@pytest.mark.parametrize(
    ("letter", "aql", "inspection", "size", "accept"),
    [
        ("J", 0.15, "normal", 80, 0),
        ("J", 0.25, "normal", 50, 0),
        ("J", 0.40, "normal", 125, 1),
        ("F", 1.0, "normal", 13, 0),
        ("G", 1.0, "normal", 50, 1),
        ("A", 0.010, "normal", 1250, 0),
        ("A", 4.0, "normal", 3, 0),
        ("A", 10, "normal", 5, 1),
        ("R", 0.010, "normal", 1250, 0),
        ("R", 1000, "normal", 3, 44),
        ("J", 25, "normal", 50, 21),
        ("E", 1.0, "tightened", 20, 0),
        ("R", 0.025, "tightened", 3150, 1),
        ("A", 0.010, "tightened", 2000, 0),
        ("J", 0.15, "reduced", 32, 0),
        ("A", 0.010, "reduced", 500, 0),
    ],
)
def test_arrows_lead_to_the_first_plan(
    letter: str, aql: float, inspection: str, size: int, accept: int
) -> None:
    """The arrow rule of ISO 2859-1:1999, Tables 2-A to 2-C, from memory: the plan's own size goes with it."""
    plan = plan_for_letter(letter, aql, inspection)
    assert (plan.sample_size, plan.acceptance_number) == (size, accept)


def test_a_sample_as_large_as_the_lot_means_every_ball() -> None:
    """ISO 2859-1:1999, Table 2-A note, from memory: n at or over the lot is 100 % inspection."""
    plan = single_sampling_plan(30, 0.10)
    assert (plan.sample_size, plan.full_inspection) == (30, True)
    exact = single_sampling_plan(50, 0.25)
    assert (exact.sample_size, exact.full_inspection) == (50, True)
    assert not single_sampling_plan(51, 0.25).full_inspection


@pytest.mark.parametrize("inspection", ["normal", "tightened", "reduced"])
def test_numbers_stand_on_diagonals(inspection: str) -> None:
    """Design of the tables: one letter down and one AQL to the left has the same acceptance number (n x AQL
    stays), but for reduced letters A to C, which share a sample of two.
    """
    limits = acceptable_quality_limits()
    letters = LETTERS[2:] if inspection == "reduced" else LETTERS
    for upper, lower in itertools.pairwise(letters):
        for column in range(1, len(limits)):
            here = plan_for_letter(upper, limits[column], inspection)
            there = plan_for_letter(lower, limits[column - 1], inspection)
            if here.plan_letter == upper and there.plan_letter == lower:
                assert here.acceptance_number == there.acceptance_number


@pytest.mark.parametrize("inspection", ["normal", "tightened", "reduced"])
@pytest.mark.parametrize("letter", LETTERS)
def test_acceptance_numbers_grow_along_a_row(inspection: str, letter: str) -> None:
    """Design of the tables: a larger AQL never asks more of the sample at the same letter."""
    rows = [plan_for_letter(letter, aql, inspection) for aql in acceptable_quality_limits()]
    own = [plan.acceptance_number for plan in rows if plan.plan_letter == letter]
    assert own == sorted(set(own))


def test_lots_at_the_limit_are_mostly_accepted_and_tightened_is_stricter() -> None:
    """Poisson law (scipy): at the AQL normal plans accept at least 0.87 of lots (from memory), and tightened
    inspection accepts no oftener than normal.
    """
    for letter in LETTERS:
        for aql in acceptable_quality_limits():
            chances = {}
            for inspection in ("normal", "tightened"):
                plan = plan_for_letter(letter, aql, inspection)
                chances[inspection] = stats.poisson.cdf(plan.acceptance_number, plan.sample_size * aql / 100)
            assert chances["normal"] > 0.87
            assert chances["tightened"] <= chances["normal"]


def test_every_cell_is_sure() -> None:
    """Against the cells as data: a number, an arrow or nothing, and every plan of one basis."""
    for name in ("normal", "tightened", "reduced"):
        cells = " ".join(_table(f"single_{name}")["acceptance"].values()).split()
        assert all(cell.isdigit() or cell in "v^-" for cell in cells)
        assert {plan_for_letter(letter, 1.0, name).basis for letter in LETTERS} == {"secondary"}


def test_what_is_counted_changes_above_ten_percent() -> None:
    """ISO 2859-1:1999, 3.1 (from memory): AQLs over 10 count nonconformities per 100 items."""
    assert single_sampling_plan(1000, 10).counts == "nonconforming_balls"
    assert single_sampling_plan(1000, 15).counts == "nonconformities"


@pytest.mark.parametrize(
    ("arguments", "name"),
    [
        ({"lot_size": 1, "aql": 1.0}, "lot_size"),
        ({"lot_size": 100.0, "aql": 1.0}, "lot_size"),
        ({"lot_size": True, "aql": 1.0}, "lot_size"),
        ({"lot_size": 100, "aql": 1.1}, "aql"),
        ({"lot_size": 100, "aql": float("nan")}, "aql"),
        ({"lot_size": 100, "aql": 1.0, "level": "IV"}, "level"),
        ({"lot_size": 100, "aql": 1.0, "inspection": "loose"}, "inspection"),
    ],
)
def test_bad_arguments_are_named(arguments: dict[str, object], name: str) -> None:
    """Our own contract: ValueError begins with the argument's name."""
    with pytest.raises(ValueError, match=rf"^{name}\b"):
        single_sampling_plan(**arguments)  # type: ignore[arg-type]
