"""Both ways of running a kernel against each other, for every kernel there is, and when each is taken."""

from __future__ import annotations

import importlib
import math
import pkgutil
import time
from collections.abc import Callable
from concurrent import futures
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from tests.motion.shots import LANE, RELEASE
from tests.motion.test_independent import WOBBLING

import ballgauge_service
from ballgauge_schemas import example, example_names, load_check_body, load_drilling_body
from ballgauge_schemas.design.request import DESIGN_REQUEST
from ballgauge_schemas.motion.request import MOTION_REQUEST
from ballgauge_schemas.shared.documents import design_example, motion_example
from ballgauge_service.check.evaluate import evaluate_checks, evaluate_drillings
from ballgauge_service.core import budget, compiled
from ballgauge_service.core.compiled import COMPILED, INTERPRETED, KERNELS, Kernel, Way
from ballgauge_service.design.evaluate import evaluate_design
from ballgauge_service.design.mass import properties
from ballgauge_service.design.solids.meshes import checked_mesh
from ballgauge_service.design.solids.solids import Cone, Cylinder, Design, Profile, RoundedBox, Solid, Sphere
from ballgauge_service.motion.bowlers import release_row
from ballgauge_service.motion.delivery import deliver
from ballgauge_service.motion.evaluate import evaluate_motion
from ballgauge_service.motion.starts import USUAL, first_states, setup_row
from ballgauge_service.motion.surfaces import OilOnBall
from ballgauge_service.physics import sphere
from ballgauge_service.physics.drilling import BALANCE, HOLE, drill, empty_balls
from ballgauge_service.physics.motion.delivery import pass_rows
from ballgauge_service.physics.motion.sampled import deliver_sampled, deliver_taking
from ballgauge_service.rulebooks import editions
from ballgauge_service.rulebooks.assessor import as_arrays
from ballgauge_service.rulebooks.editions import Tables
from ballgauge_service.rulebooks.judge import Values, Verdicts
from ballgauge_service.web.http.settings import Settings
from ballgauge_service.web.server.application import create_app

EACH = 12
"""Calls of a kernel that are kept and repeated."""

CLOSE = 1e-12

ROOM = {"new_ride"}
"""Kernels that give room which others fill: what it holds before is nobody's."""

for _module in pkgutil.walk_packages(ballgauge_service.__path__, "ballgauge_service."):
    importlib.import_module(_module.name)


def copied(value: Any) -> Any:
    """An argument that a kernel may write into; structured arrays and rows as the plain ones."""
    if isinstance(value, np.ndarray):
        plain = value.view(np.ndarray)
        names = plain.dtype.names
        return (plain.view(np.dtype(plain.dtype.descr)) if names else plain).copy()
    if isinstance(value, np.void):
        return np.array([value.tolist()], np.dtype(value.dtype.descr)).view(np.recarray)[0]
    if isinstance(value, list):
        return [copied(part) for part in value]
    if isinstance(value, tuple):
        parts = [copied(part) for part in value]
        return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)
    return value


def in_arrays(value: Any) -> Any:
    """An argument as compiled code takes it, where the interpreter was given lists."""
    if isinstance(value, Tables):
        return editions.in_arrays(value)
    if isinstance(value, Values) and isinstance(value.values, list):
        return as_arrays(value, len(value.values[0]))
    if isinstance(value, Verdicts) and isinstance(value.overall, list):
        kinds = {"margin": np.float64, "nearness": np.float64, "level": np.bool_}
        return Verdicts(
            **{name: np.array(part, kinds.get(name, np.int64)) for name, part in value._asdict().items()}
        )
    return np.array(value) if isinstance(value, list) else value


def assert_same(one: Any, other: Any, where: str) -> None:
    """Numbers to CLOSE of the greatest beside them, NaN where NaN; everything else exactly."""
    if isinstance(one, np.void) or (isinstance(one, np.ndarray) and one.dtype.names):
        for name in one.dtype.names or ():
            assert_same(np.asarray(one[name]), np.asarray(other[name]), f"{where}.{name}")
    elif isinstance(one, tuple):
        assert len(one) == len(other), where
        for k, (left, right) in enumerate(zip(one, other, strict=True)):
            assert_same(left, right, f"{where}[{k}]")
    elif one is None:
        assert other is None, where
    else:
        np.testing.assert_allclose(one, other, rtol=CLOSE, atol=1e-15, err_msg=where)


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> dict[Kernel[..., Any], list[tuple[Any, ...]]]:
    """Arguments of the kernels' calls while everything is interpreted, from outside and from each other."""
    kept: dict[Kernel[..., Any], list[tuple[Any, ...]]] = {}
    counts: dict[Kernel[..., Any], int] = {}

    def bind(kernel: Kernel[..., Any], function: Callable[..., Any]) -> Callable[..., Any]:
        calls = kept.setdefault(kernel, [])

        def call(*arguments: Any) -> Any:
            number = counts[kernel] = counts.get(kernel, 0) + 1
            # The first calls, then ever rarer ones, so that late and early ones are among them.
            if len(calls) < EACH and (number < 5 or number % (7 ** (len(calls) - 3)) == 0):
                calls.append(tuple(copied(argument) for argument in arguments))
            return function(*arguments)

        return call

    monkeypatch.setattr(compiled, "INTERPRETED", Way(bind, math=compiled._MATH))
    monkeypatch.setattr(compiled, "available", lambda: False)
    for kernel in KERNELS:
        monkeypatch.setattr(kernel, "_machine", None)
    return kept


def work_of_checks() -> None:
    for name in example_names(drillings=False):
        evaluate_checks(load_check_body(example(name))[0])
    for name in example_names(drillings=True):
        evaluate_drillings(load_drilling_body(example(name))[0])
    balls, layouts = empty_balls(1)
    balls["weight"], balls["radius"], balls["cover_thickness"], balls["cover_density"] = 15, 4.3, 0.75, 1.2
    holes = np.array(
        [[(BALANCE, 0.4 * k, 0.3 * (k % 2), 1.0, 2.5, 0.1 * k, 0, np.nan) for k in range(4)]], HOLE
    )
    drill(balls, layouts, holes, np.array([4]))
    pin, pap = sphere.place(1.0, 0.5, 4.3), sphere.place(5.0, -0.5, 4.3)
    sphere.layout_from_marks(1.0, 5.0, -0.5, pin, sphere.unit(sphere.cross(pin, pap)), 4.3)
    sphere.turned(pin, pap, 0.3)


def work_of_motions() -> None:
    asked = MOTION_REQUEST.load(motion_example("motion"))
    few = {**asked, "spread": {**asked["spread"], "deliveries": 2}}
    evaluate_motion(few)
    deliver(WOBBLING, RELEASE, LANE)
    carrying = replace(USUAL, oil_on_ball=OilOnBall(absorption_time=135.0))
    state, film = first_states(WOBBLING, release_row(RELEASE)[None])[0], LANE.grid()
    setup, change = setup_row(WOBBLING, carrying), np.zeros_like(film)
    deliver_sampled(state, setup, film, np.empty(0), USUAL.path_error, USUAL.largest_step, change)
    deliver_taking(state, setup, film, USUAL.path_error, USUAL.largest_step)
    pass_rows(state[None], setup[None], film, np.array([240.0, 700.0]), 1e-5, 0.015, np.empty((1, 2, 4)))


def work_of_designs() -> None:
    for name in ("skarn", "drawn_core"):
        evaluate_design(DESIGN_REQUEST.load(design_example(name)), {})
    one_layout = {"pin_to_pap": [4], "drilling_angle": [50]}
    evaluate_design(DESIGN_REQUEST.load({**design_example("skarn"), "layout_map": one_layout}), {})
    asked = DESIGN_REQUEST.load(design_example("skarn_production"))
    few = {**asked["production"], "samples": 16}
    evaluate_design({**asked, "production": few}, {})
    densities = [each for each in few["tolerances"] if each["field"] == "density"]
    evaluate_design({**asked, "production": {**few, "tolerances": densities}}, {})
    cube = trimesh.creation.box((1.5, 1.7, 1.9))
    solids = (
        Solid(Sphere(8.6), 1.2),
        Solid(RoundedBox(2.0, 2.4, 3.0, 0.3), 2.0, position=(0.3, 0.2, 0.1)),
        Solid(checked_mesh(cube.vertices, cube.faces), 2.5, position=(-1.0, 0.4, 0.2)),
        Solid(Cone(1.5, 1.5), 1.7, position=(0.0, -2.0, 0.5)),
        Solid(Profile(((-0.5, 0.4), (0.0, 0.7), (0.5, 0.3))), 1.6, position=(0.2, 1.9, -1.0)),
        Solid(Cylinder(1.0, 1.0), 1.4, position=(0.4, 0.4, 1.8)),
    )
    properties(Design(solids), cells=16, contributions=False)
    apart = (
        Solid(Sphere(8.6), 1.2),
        Solid(checked_mesh(cube.vertices, cube.faces), 2.5, position=(-1.0, 0.4, 0.2)),
        Solid(Sphere(0.5), 2.0, position=(-1.0, 0.4, 0.3)),
        Solid(RoundedBox(0.8, 0.7, 0.6, 0.1), 2.0, position=(2.2, 0.1, 0.1)),
    )
    properties(Design(apart), contributions=False)


def work_of_lots() -> None:
    lot = files("ballgauge_schemas").joinpath("example_lots", "ostrel_tarn_48.csv").read_bytes()
    client = create_app(json_logs=False, warm_up=False, settings=Settings()).test_client()
    assert client.post("/v1/lots", data=lot, content_type="text/csv").status_code == 200


def replay(kernel: Kernel[..., Any], arguments: tuple[Any, ...]) -> None:
    """Run one call both ways; results and everything written must agree."""
    where = f"{kernel.part}.{kernel.function.__qualname__}"
    slow, fast = ([copied(argument) for argument in arguments] for _ in range(2))
    fast = [in_arrays(argument) for argument in fast]
    with np.errstate(all="ignore"):
        one = INTERPRETED.of(kernel)(*(compiled.as_record(argument) for argument in slow))
    other = COMPILED.of(kernel)(*fast)
    if kernel.function.__qualname__ not in ROOM:
        assert_same(one, other, where)
    assert_same(tuple(in_arrays(each) for each in slow), tuple(fast), f"{where} writes")


def test_every_kernel_gives_the_same_numbers_both_ways(watched: Any) -> None:
    """Against each other: the interpreter's IEEE arithmetic and the compiler's, on the calls of real work."""
    for work in (work_of_checks, work_of_motions, work_of_designs, work_of_lots):
        work()
    unused = sorted(f"{k.part}.{k.function.__qualname__}" for k in KERNELS if not watched.get(k))
    assert not unused, "no work above calls these kernels: add some that does"
    for kernel, calls in list(watched.items()):
        for arguments in calls:
            replay(kernel, arguments)


def test_the_interpreter_s_numbers_follow_ieee_754(monkeypatch: pytest.MonkeyPatch) -> None:
    """IEEE 754, 7.2 and 7.3: invalid operations give NaN and divisions by zero infinity, without an error."""
    monkeypatch.setattr(sphere.unit, "_machine", None)
    with np.errstate(all="raise"):
        assert np.isnan(sphere.unit.interpreted((0.0, 0.0, 0.0))).all()
        assert sphere.angle_between.interpreted((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)) == 0.0
        assert np.isnan(sphere.place.interpreted(math.inf, 0.0, 4.3)).any()


def test_a_kernel_stays_interpreted_until_machine_code_pays(monkeypatch: pytest.MonkeyPatch) -> None:
    kernel = Kernel(sphere.dot.function)
    monkeypatch.setattr(compiled, "_asked", set())
    monkeypatch.setattr(compiled, "_spent", [0.0])
    assert kernel.expecting(0.0) == kernel.interpreted
    assert kernel.expecting(2.0 * compiled.COMPILING) == kernel.compiled
    compiled.run_compiled("design")
    assert kernel.expecting(0.0) == kernel.interpreted
    compiled.run_compiled("physics.sphere")
    assert kernel.expecting(0.0) == kernel.compiled
    monkeypatch.setattr(compiled, "available", lambda: False)
    assert kernel.expecting(2.0 * compiled.COMPILING) == kernel.interpreted


@pytest.mark.parametrize("way", ["interpreted", "compiled"])
def test_a_kernel_s_first_call_may_name_its_arguments(
    way: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Against the same call by places; a structured array is one by its name too."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(compiled, "COMPILED", Way(compiled._compile))
    kernel = Kernel(weights)
    rows = np.zeros(2, [("weight", float)])
    rows["weight"] = 15.0, 16.0
    run = getattr(kernel, way)
    assert run(rows, least=15.5) == run(least=15.5, rows=rows) == run(rows, 15.5) == 16.0
    with pytest.raises(TypeError, match="takes rows, least"):
        run(rows, most=15.5)


def weights(rows: Any, least: float) -> float:
    """The sum of what weighs more."""
    total = 0.0
    for k in range(len(rows)):
        if rows[k].weight > least:
            total += rows[k].weight
    return total


def test_a_kernel_has_no_arguments_that_need_not_be_given() -> None:
    """Against the three kinds: code would be made for other arguments than those it is run with."""
    for function in (lambda one=1.0: one, lambda *more: more, lambda *, one: one, lambda **named: named):
        with pytest.raises(TypeError, match="not be given"):
            Kernel(function)


def test_the_working_clock_stands_still_while_code_is_made(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A request's time is for its work: of the time that compiling takes at first, next to none counts."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    fresh = Way(compiled._compile)
    # The compiler itself is loaded by now.
    fresh.of(sphere.dot)((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    began, worked = time.monotonic(), compiled.working_clock()
    function = fresh.of(sphere.angle_between)
    function((1.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    took = time.monotonic() - began
    counted = compiled.working_clock() - worked
    assert counted < 0.5 * took
    again = compiled.working_clock()
    time.sleep(0.05)
    assert compiled.working_clock() - again >= 0.05


def test_a_request_that_ends_leaves_its_code_to_be_made(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Against a compiler that another has: who left waits no longer, and the code is there for the next."""
    from numba.core.compiler_lock import global_compiler_lock

    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    kernel = Kernel(sphere.angle_between.function)
    monkeypatch.setattr(compiled, "COMPILED", Way(compiled._compile))
    asked = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0)
    deadline = budget.Deadline(60.0)

    def run() -> float:
        with budget.within(deadline):
            return kernel.compiled(*asked)

    with ThreadPoolExecutor(1) as pool:
        with global_compiler_lock:
            waiting = pool.submit(run)
            assert not futures.wait((waiting,), timeout=0.3).done
            deadline.give_up()
            with pytest.raises(budget.NobodyWaits):
                waiting.result(60)
        deadline = budget.Deadline(60.0)
        assert pool.submit(run).result(60) == kernel.interpreted(*asked)
