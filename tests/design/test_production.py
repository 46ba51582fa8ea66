"""Tolerance studies against exact laws, binomial tables and the linear law."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, qmc
from tests.design.changed import with_solid, with_value

from ballgauge_schemas.shared.words import NUMBERS
from ballgauge_service.core.budget import Canceled, Run
from ballgauge_service.core.compiled import run_compiled
from ballgauge_service.core.refusal import InvalidInput
from ballgauge_service.design.cautions import of_production
from ballgauge_service.design.mass import properties, visible_moments
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.production import Production, Tolerance, clopper_pearson, study
from ballgauge_service.design.solids.packing import pack
from ballgauge_service.design.solids.rotations import about
from ballgauge_service.design.solids.solids import Cylinder, Design, Solid, Sphere

from .balls import TERN_BLOCK, product
from .balls import TERN_WEIGHTED as TERN

MOVED = ("filler", "core", "disc", "pin")
CORE = Tolerance(("core",), "density", standard_deviation=0.03)
FILLER = Tolerance(("filler",), "density", half_width=0.02)


def test_weight_is_linear_in_the_densities() -> None:
    """The weight is linear in the densities, so its deviation is the root of the sum of squares, exactly;
    that of a uniform distribution is its half width over sqrt(3) (JCGM 100, 4.3.7)."""
    found = study(TERN, Production((CORE, FILLER), 4096, 1))
    volumes = visible_moments(pack(TERN)).moments[:, 0] * 16.387064 / 453.59237
    exact = math.hypot(volumes[2] * 0.03, volumes[1] * 0.02 / math.sqrt(3))
    weight = found.spreads[0]
    assert weight.number == "weight"
    assert weight.linear_standard_deviation == pytest.approx(exact, rel=1e-9)
    assert weight.standard_deviation == pytest.approx(exact, rel=2e-3)
    assert weight.mean == pytest.approx(weight.nominal, abs=1e-4)
    shares = [(volumes[2] * 0.03 / exact) ** 2, (volumes[1] * 0.02 / math.sqrt(3) / exact) ** 2]
    assert list(weight.shares.values()) == pytest.approx(shares, abs=2e-3)
    assert weight.explained == pytest.approx(1.0, abs=1e-2)


def test_nonconforming_fraction_of_a_normal_number() -> None:
    """A limit one deviation above the nominal weight: the normal tail of 15.87 %, inside its own interval."""
    weight = study(TERN, Production((CORE,), 1024, 1)).spreads[0]
    limit = weight.nominal + weight.linear_standard_deviation
    found = study(TERN, Production((CORE,), 8192, 1), {"weight": (None, limit)})
    one = found.nonconforming[0]
    assert one.linear == pytest.approx(norm.sf(1.0), rel=1e-9)
    assert one.interval[0] <= norm.sf(1.0) <= one.interval[1]
    assert one.fraction == pytest.approx(norm.sf(1.0), abs=1e-3)
    assert found.nonconforming[-1].number == "any"
    assert found.nonconforming[-1].fraction == one.fraction


def test_clopper_pearson_against_tables() -> None:
    """Exact 95 % limits: 0 of 10 gives 0 to 0.3085, 1 of 10 gives 0.0025 to 0.4450 (tables, from memory),
    and the rule of three for 0 of n: 1 - 0.025^(1/n)."""
    assert clopper_pearson(0, 10, 0.95) == pytest.approx((0.0, 0.3085), abs=5e-5)
    assert clopper_pearson(1, 10, 0.95) == pytest.approx((0.0025, 0.4450), abs=5e-5)
    assert clopper_pearson(10, 10, 0.95) == pytest.approx((0.6915, 1.0), abs=5e-5)
    assert clopper_pearson(0, 500, 0.95)[1] == pytest.approx(1 - 0.025 ** (1 / 500), rel=1e-12)


@pytest.mark.parametrize(
    ("field", "value"), [("density", 0.05), ("length_x", 0.08), ("offset_z", -0.06), ("tilt_x", 3.0)]
)
def test_samples_are_the_designs_they_stand_for(field: str, value: float) -> None:
    """One extreme sample of each kind against the design built anew."""
    solids = ("core",) if field in ("density", "length_x") else MOVED[:3]
    tolerance = Tolerance(solids, field, half_width=abs(value))
    found = {each.number: each for each in study(TERN, Production((tolerance,), 1024, 3)).spreads}
    ends = [_built(TERN, solids, field, sign * value) for sign in (-1.0, 0.0, 1.0)]
    least = min(properties(each, contributions=False).rg_high for each in ends)
    most = max(properties(each, contributions=False).rg_high for each in ends)
    quantiles = found["rg_high"].quantiles
    room = 0.01 * (most - least) + 1e-9
    assert least - room <= quantiles["0.00135"]
    assert quantiles["0.99865"] <= most + room
    assert quantiles["0.99865"] - quantiles["0.00135"] > 0.9 * (most - least)


def _built(design: Design, solids: tuple[str, ...], field: str, value: float) -> Design:
    for name in solids:
        solid = design.solids[design.index(name)]
        if field == "offset_z":
            slot = Parameter((name,), "position_z", 0.0, 0.0)
            design = with_value(design, slot, solid.position[2] + value)
        elif field == "tilt_x":
            turn = about((1.0, 0.0, 0.0), value)
            x, y, z = (np.array(turn) @ np.array(solid.position)).tolist()
            design = with_solid(
                design, name, replace(solid, position=(x, y, z), rotation=product(turn, solid.rotation))
            )
        else:
            slot = Parameter((name,), field, 0.0, 0.0)
            design = with_value(design, slot, slot.value(design) + value)
    return design


def test_tilt_of_a_core_moves_its_axis_by_the_tilt() -> None:
    """A tilt of t degrees of all that is inside moves the low RG axis by the arc R t (closed form)."""
    tilt = Tolerance(MOVED, "tilt_x", half_width=2.0)
    spreads = {each.number: each for each in study(TERN, Production((tilt,), 512, 1)).spreads}
    arc = 4.29 * math.radians(2.0)
    assert spreads["pin_to_low_rg_axis"].quantiles["0.99865"] == pytest.approx(arc, rel=0.02)


def test_advice_names_the_largest_share_and_halving_it_helps() -> None:
    """The wide tolerance first, and fewer balls fail with it halved."""
    nominal = properties(TERN, contributions=False).differential
    tolerances = (
        Tolerance(("core",), "density", standard_deviation=0.05),
        Tolerance(("cover",), "density", standard_deviation=0.001),
    )
    found = study(TERN, Production(tolerances, 2048, 1), {"differential": (None, nominal + 0.0004)})
    assert found.tighten_first is not None
    assert found.tighten_first.tolerance == "density of core"
    assert found.tighten_first.fraction_now is not None
    assert found.tighten_first.fraction_halved is not None
    assert found.tighten_first.fraction_halved < found.tighten_first.fraction_now


def test_the_seed_repeats_and_another_does_not() -> None:
    """Byte for byte."""
    one, two, other = (study(TERN, Production((CORE, FILLER), 256, seed)) for seed in (4, 4, 5))
    assert one == two
    assert one.spreads != other.spreads


def test_limit_on_a_number_that_is_not_there_is_not_assessed() -> None:
    """A ball of one axis of symmetry has no high RG axis: never counted as a pass."""
    plain = Design((Solid(Sphere(8.6), 1.2), Solid(Cylinder(3.0, 4.0), 2.0, "inner_core", "core")))
    found = study(plain, Production((CORE,), 64), {"mark_to_high_rg_axis": (None, 1.5), "rg": (2.46, 2.8)})
    assert found.not_assessed == ("mark_to_high_rg_axis",)
    assert [each.number for each in found.nonconforming] == ["rg", "any"]


INSIDE = (*MOVED[:2], "pin", "block")
VARIED = (
    Tolerance(("core",), "density", half_width=0.05),
    Tolerance(("block",), "length_y", half_width=0.1),
    Tolerance(("block",), "offset_z", half_width=0.1),
    Tolerance(INSIDE, "tilt_x", half_width=2.0),
)


def test_off_axis_cuts_are_sampled_as_the_cubature_does() -> None:
    """The same draws, each built anew and integrated by itself, against the fitted samples."""
    run_compiled("design")
    found = study(TERN_BLOCK, Production(VARIED, 16, 3))
    drawn = qmc.Sobol(len(VARIED), rng=np.random.default_rng(3)).random_base2(4)
    balls = []
    for row in 2.0 * drawn - 1.0:
        design = TERN_BLOCK
        for each, score in zip(VARIED, row, strict=True):
            design = _built(design, each.solids, each.field, score * each.half_width)
        balls.append(properties(design, contributions=False, cells=3000))
    assert [each.number for each in found.spreads] == list(NUMBERS)
    for spread in found.spreads:
        values = np.array([getattr(ball, spread.number) for ball in balls])
        deviation = values.std(ddof=1)
        assert spread.standard_deviation == pytest.approx(deviation, rel=0.02), spread.number
        for point, value in spread.quantiles.items():
            assert value == pytest.approx(np.quantile(values, float(point)), abs=0.1 * deviation)
        assert spread.fit_error is not None
        assert 0.0 < spread.fit_error < 0.05 * deviation


def test_a_fit_that_misses_tells_by_how_much() -> None:
    """A disc that tilts far out of a core and back: no quadratic; a caution names what is missed."""
    run_compiled("design")
    cut = Design((
        Solid(Sphere(8.6), 1.2), Solid(Sphere(4.0), 2.0, "inner_core", "core"),
        Solid(Cylinder(2.0, 0.5), 3.0, "disc", "disc", (0.0, 0.0, -1.9)),
    ))  # fmt: skip
    found = study(cut, Production((Tolerance(("disc",), "tilt_x", standard_deviation=30.0),), 64, 1))
    assert [each.code for each in of_production(found)] == ["fit_error"]
    closed = study(TERN, Production((Tolerance(("core",), "length_z", half_width=0.05),), 64, 1))
    assert {each.fit_error for each in closed.spreads} == {None}
    assert not list(of_production(closed))


def test_solids_that_begin_to_cut_in_some_samples() -> None:
    """A plug beside a core, which moves into it in a third of the samples."""
    run_compiled("design")
    plug = Solid(Cylinder(1.0, 1.0), 2.0, "plug", "plug", (2.0, 0.0, 0.0))
    apart = Design((Solid(Sphere(8.6), 1.2), Solid(Sphere(2.9), 2.0, "inner_core", "core"), plug))
    found = study(apart, Production((Tolerance(("plug",), "offset_x", half_width=0.15),), 128, 1))
    spread = {each.number: each for each in found.spreads}
    moved = [with_solid(apart, "plug", replace(plug, position=(x, 0.0, 0.0))) for x in (1.85, 2.15)]
    ends = [properties(each, contributions=False).weight for each in moved]
    low, high = spread["weight"].quantiles["0.00135"], spread["weight"].quantiles["0.99865"]
    assert spread["weight"].fit_error is not None
    assert (low, high) == pytest.approx(sorted(ends), abs=0.1 * abs(ends[1] - ends[0]))


def test_what_is_pushed_out_or_to_nothing_is_refused() -> None:
    """A filler that leaves the ball in some samples, and a density that reaches zero, by pointer."""
    pushed, wide = (
        Tolerance(("filler",), "offset_z", half_width=1.0),
        Tolerance(("core",), "density", standard_deviation=2.0),
    )
    for tolerances, pointer in (((pushed,), "/tolerances"), ((CORE, wide), "/tolerances/1")):
        with pytest.raises(InvalidInput) as caught:
            study(TERN, Production(tolerances, 64))
        assert [fault.pointer for fault in caught.value.faults] == [pointer]


def test_study_can_be_cancelled() -> None:
    """Between blocks of samples."""
    asked: list[int] = []

    def canceled() -> bool:
        asked.append(1)
        return len(asked) > 2

    with pytest.raises(Canceled):
        study(TERN, Production((CORE,)), run=Run(canceled=canceled))


def test_densities_of_solids_that_cut_each_other_are_sampled_from_one_cubature() -> None:
    """10,000 samples with their limits, against designs asked one by one."""
    wide = Tolerance(("block", "core"), "density", half_width=0.3)
    job = Production((wide,), 10_000)
    limits = {"rg": (2.0, 2.46)}
    found = study(TERN_BLOCK, job, limits)
    spread = {each.number: each for each in found.spreads}
    ends = []
    for by in (-0.3, 0.0, 0.3):
        made = TERN_BLOCK
        for name in wide.solids:
            solid = made.solids[made.index(name)]
            made = with_solid(made, name, replace(solid, density=solid.density + by))
        ends.append(properties(made, contributions=False))
    assert spread["rg"].nominal == pytest.approx(ends[1].rg, abs=1e-6)
    slope = (ends[2].weight - ends[0].weight) / 0.6
    assert spread["weight"].standard_deviation == pytest.approx(slope * 0.3 / math.sqrt(3.0), rel=1e-3)
    low, high = spread["rg"].quantiles["0.00135"], spread["rg"].quantiles["0.99865"]
    assert (low, high) == pytest.approx((ends[2].rg, ends[0].rg), abs=2e-4)
