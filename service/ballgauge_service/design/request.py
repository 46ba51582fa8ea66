"""A loaded request about a design, made into the values that the engine takes, once."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from ballgauge_schemas import Quantity
from ballgauge_schemas.shared.limits import BALANCE_ARM, FAMILY_WEIGHTS
from ballgauge_service.check.drill import arrays
from ballgauge_service.check.request import Ball, Drilling, Rules, pointer_of, uncertain
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.design.mass import pack_inside
from ballgauge_service.design.model import Slot
from ballgauge_service.design.production import Production, Tolerance
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.packing import COLUMNS
from ballgauge_service.design.solids.rotations import UNTURNED, Rotation, about, pointing
from ballgauge_service.design.solids.solids import SHAPES, Design, Mesh, Profile, Shape, Solid, Sphere
from ballgauge_service.design.solving import Family, Front, Parameter, Solve, Target
from ballgauge_service.physics.drilling import Records

Loaded = Mapping[str, Any]
"""An object as `ballgauge_schemas` loads it: quantities in trade units, every range held."""

Files = Mapping[str, bytes]
"""The files of a form, by name."""


@dataclass(frozen=True, slots=True)
class MeshFile:
    """Where a mesh of a design came from; `file` is None for one within the JSON."""

    name: str
    unit: str
    format: str
    file: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Drill:
    """A drilling through a design.

    layout: record of `physics.drilling.LAYOUT`; holes (h,) HOLE in the order of drilling; arm: of the balance
    [in]; uncertain: pointers to quantities whose uncertainty is not carried on; drilling: as a check takes
    it; place: its pointer in the request.
    """

    layout: Records
    holes: Records
    arm: float
    uncertain: tuple[str, ...]
    drilling: Drilling
    place: str


@dataclass(frozen=True, slots=True)
class Compare:
    """What is set beside the design: another design, another drilling (or the same one in it), or both."""

    design: Design | None
    drill: Drill | None


@dataclass(frozen=True, slots=True)
class DesignRequest:
    """A design and what is asked of it. arm: of the balance [in], the default where none is given."""

    design: Design
    meshes: tuple[MeshFile, ...]
    arm: float
    arm_given: bool
    rules: Rules
    drill: Drill | None
    compare: Compare | None
    solve: Solve | None
    family: Family | None
    production: Production | None

    @property
    def jobs(self) -> int:
        """How many jobs it is made of, for the progress."""
        solve, compare = self.solve, self.compare
        asked = (
            self.drill, solve, solve and solve.front, self.family, self.production,
            compare and compare.design, compare and compare.drill,
        )  # fmt: skip
        return 1 + sum(each is not None for each in asked)


def read_request(loaded: Loaded, files: Files) -> DesignRequest:
    """Make a loaded request into values.

    Parameters
    ----------
    loaded : as `DESIGN_REQUEST` loads it
    files : the meshes that came beside it, by file name

    Raises
    ------
    InvalidInput
        Naming every impossible field of both designs, and of what is asked about their solids.
    """
    compare = loaded.get("compare", {})
    specs = {"/design": loaded["design"]}
    if "design" in compare:
        specs["/compare/design"] = compare["design"]
    faults: list[Fault] = []
    designs: list[Design] = []
    for place, spec in specs.items():
        try:
            with below(place):
                designs.append(read_design(spec, files))
        except InvalidInput as refused:
            faults += refused.faults
    named = {mesh.get("file") for spec in specs.values() for mesh in spec["meshes"]}
    faults += [
        Fault("/design/meshes", f"no mesh names the file {name!r}") for name in files if name not in named
    ]
    solve = _solve(loaded["solve"]) if "solve" in loaded else None
    family = _family(loaded["family"]) if "family" in loaded else None
    production = _production(loaded["production"]) if "production" in loaded else None
    if len(designs) == len(specs):
        faults += _misnamed("/solve/parameters", solve.parameters if solve else (), designs[0])
        faults += _misnamed("/family/parameters", family.parameters if family else (), designs[0])
        faults += _misnamed("/production/tolerances", production.tolerances if production else (), designs[0])
    if faults:
        raise InvalidInput(faults)
    arms = [
        part["balance_arm"].value for part in (loaded, loaded.get("drilling", {})) if "balance_arm" in part
    ]
    arm = arms[0] if arms else BALANCE_ARM
    drill = _drill(loaded["drilling"], arm, "/drilling") if "drilling" in loaded else None
    return DesignRequest(
        design=designs[0],
        meshes=tuple(
            MeshFile(mesh["name"], mesh["unit"], mesh["format"], mesh.get("file"))
            for mesh in specs["/design"]["meshes"]
        ),
        arm=arm,
        arm_given=bool(arms),
        rules=Rules.of(loaded["rules"]),
        drill=drill,
        compare=_compare(compare, designs[1:], drill, arm) if compare else None,
        solve=solve,
        family=family,
        production=production,
    )


def read_design(spec: Loaded, files: Files) -> Design:
    """Make one loaded design into a value. Raises InvalidInput with every bad field, relative to it."""
    faults: list[Fault] = []
    meshes: dict[str, Mesh] = {}
    for at, mesh in enumerate(spec["meshes"]):
        with _gathered(faults, f"/meshes/{at}"):
            found = read_mesh(_bytes(mesh, files), mesh["format"], mesh["unit"])
            meshes[mesh["name"]] = replace(found, name=mesh["name"])
    rotations: list[Rotation] = [UNTURNED] * len(spec["solids"])
    for at, solid in enumerate(spec["solids"]):
        try:
            rotations[at] = _rotation(solid.get("rotation"))
        except ValueError as error:
            faults.append(Fault(f"/solids/{at}/rotation", str(error)))
    diameter = spec["diameter"].value
    with _gathered(faults, ""):
        design = Design(
            tuple(
                Solid(
                    _shape({"diameter": diameter, **solid} if at == 0 else solid, meshes),
                    _plain(solid["density"]),
                    solid["role"],
                    solid["name"],
                    _three(solid.get("position", (0.0, 0.0, 0.0))),
                    rotations[at],
                )
                for at, solid in enumerate(spec["solids"])
            ),
            spec.get("name", ""),
        )
        if design.diameter != diameter:
            words = f"is {design.diameter:g}, but the design's is {diameter:g}"
            faults.append(Fault("/solids/0/diameter", words))
        if not faults:
            pack_inside(design)
    if faults:
        raise InvalidInput(faults)
    return design


@contextmanager
def _gathered(faults: list[Fault], place: str) -> Iterator[None]:
    try:
        yield
    except InvalidInput as refused:
        faults += [replace(fault, pointer=place + fault.pointer) for fault in refused.faults]


def _plain(value: Any) -> float:
    return float(value.value if isinstance(value, Quantity) else value)


def _three(values: Sequence[Any]) -> tuple[float, float, float]:
    x, y, z = map(_plain, values)
    return (x, y, z)


def _shape(solid: Loaded, meshes: Mapping[str, Mesh]) -> Shape:
    kind = SHAPES[solid["shape"]]
    if kind is Mesh:
        mesh = meshes.get(solid["mesh"])
        # A sphere stands in for a mesh that was refused, so that the other solids are judged as well.
        return Sphere(1.0) if mesh is None else replace(mesh, scale=solid.get("scale", 1.0))
    given: dict[str, Any] = {name: _plain(solid[name]) for name in COLUMNS[kind] if name in solid}
    if kind is Profile:
        given["points"] = tuple((_plain(height), _plain(radius)) for height, radius in solid["points"])
    make: Callable[..., Shape] = kind
    return make(**given)


def _rotation(spec: Loaded | None) -> Rotation:
    if spec is None:
        return UNTURNED
    if "axis" in spec:
        return about(spec["axis"], spec["angle"].value)
    return pointing(spec["z"], spec.get("x"))


def _bytes(mesh: Loaded, files: Files) -> bytes:
    if "file" in mesh:
        if mesh["file"] not in files:
            raise InvalidInput([Fault("/file", "no file of this name came with the request")])
        return files[mesh["file"]]
    try:
        return base64.b64decode(mesh["data"], validate=True)
    except binascii.Error as error:
        raise InvalidInput([Fault("/data", f"is not base64: {error}")]) from None


def _misnamed(place: str, slots: Sequence[Slot], design: Design) -> Iterator[Fault]:
    for at, slot in enumerate(slots):
        for fault in slot.faults(design):
            yield replace(fault, pointer=f"{place}/{at}{fault.pointer}")


def _parameters(asked: Loaded) -> tuple[Parameter, ...]:
    return tuple(
        Parameter(
            tuple(each["solids"]), each.get("field", "density"), each["lower"].value, each["upper"].value
        )
        for each in asked["parameters"]
    )


def _given(asked: Loaded, *names: str) -> dict[str, Any]:
    return {name: asked[name] for name in names if name in asked}


def _solve(asked: Loaded) -> Solve:
    targets = tuple(
        Target(name, each["value"].value, each["tolerance"].value, **_given(each, "weight"))
        for name, each in asked["targets"].items()
    )
    front = Front(**asked["trade_off"]) if "trade_off" in asked else None
    return Solve(_parameters(asked), targets, front=front, **_given(asked, "seed", "starts", "keep"))


def _family(asked: Loaded) -> Family:
    weights = tuple(each.value for each in asked["weights"]) if "weights" in asked else FAMILY_WEIGHTS
    return Family(_parameters(asked), weights, **_given(asked, "seed"))


def _production(asked: Loaded) -> Production:
    tolerances = tuple(
        Tolerance(
            tuple(each["solids"]),
            each["field"],
            **{name: width.value for name, width in _given(each, "standard_deviation", "half_width").items()},
        )
        for each in asked["tolerances"]
    )
    return Production(tolerances, **_given(asked, "samples", "seed", "confidence"))


def _drill(loaded: Loaded, arm: float, place: str) -> Drill:
    drilling = Drilling.of(loaded)
    _, layouts, holes, _ = arrays([Ball()], [drilling])
    own = arm if drilling.balance_arm is None else drilling.balance_arm.value
    left_out = tuple(pointer_of(path) for path, _ in uncertain(drilling))
    return Drill(layouts[0], holes[0], own, left_out, drilling, place)


def _compare(asked: Loaded, designs: Sequence[Design], drill: Drill | None, arm: float) -> Compare:
    again = _drill(asked["drilling"], arm, "/compare/drilling") if "drilling" in asked else drill
    return Compare(designs[0] if designs else None, again)
