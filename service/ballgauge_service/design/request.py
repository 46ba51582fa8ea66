"""A loaded request about a design, made into the values that the engine takes, once."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

from ballgauge_schemas import Quantity
from ballgauge_schemas.design.request import target_kind
from ballgauge_schemas.shared.limits import (
    BALANCE_ARM,
    MAP_DRILLING_ANGLE,
    MAP_PIN_TO_PAP,
    TARGET_TOLERANCES,
)
from ballgauge_schemas.shared.words import OFFSETS, POINT_FIELDS, POSITIONS, TURNS
from ballgauge_service.check.drill import arrays
from ballgauge_service.check.layouts import layout_faults
from ballgauge_service.check.request import Ball, Drilling, Rules, pointer_of, uncertain
from ballgauge_service.core.refusal import Fault, InvalidInput, below
from ballgauge_service.design.drilling import Drill
from ballgauge_service.design.family import Family
from ballgauge_service.design.layout_map import LayoutMap
from ballgauge_service.design.mass import pack_inside
from ballgauge_service.design.model import Slot
from ballgauge_service.design.parameters import Parameter
from ballgauge_service.design.production import Production, Tolerance
from ballgauge_service.design.solids.meshes import read_mesh
from ballgauge_service.design.solids.packing import COLUMNS
from ballgauge_service.design.solids.rotations import UNTURNED, Rotation, about, pointing
from ballgauge_service.design.solids.shells import MOST_FACES
from ballgauge_service.design.solids.solids import SHAPES, Design, Mesh, Profile, Shape, Solid, Sphere
from ballgauge_service.design.solving import Front, Set
from ballgauge_service.design.targets import Across, Held, Target, Variant

Loaded = Mapping[str, Any]
"""An object as `ballgauge_schemas` loads it: quantities in trade units, every range held."""

Files = Mapping[str, bytes]
"""The files of a form, by name."""


@dataclass(frozen=True, slots=True)
class MeshFile:
    """Where a mesh came from; `unit` is None where the file alone states it, `file` within the JSON."""

    name: str
    unit: str | None
    format: str
    file: str | None


@dataclass(frozen=True, slots=True)
class Compare:
    """What is set beside the design: another design, another drilling (or the same one in it), or both."""

    design: Design | None
    drill: Drill | None


@dataclass(frozen=True, slots=True)
class DesignRequest:
    """A design and what is asked of it.

    arm: of the balance [in], the default where none is given; whole: not the numbers alone.
    """

    design: Design
    meshes: tuple[MeshFile, ...]
    arm: float
    arm_given: bool
    rules: Rules
    drill: Drill | None
    compare: Compare | None
    solve: Set | None
    family: Family | None
    set: Set | None
    layout_map: LayoutMap | None
    production: Production | None
    whole: bool

    @property
    def jobs(self) -> int:
        """How many jobs it is made of, for the progress."""
        solve, compare = self.solve, self.compare
        asked = (
            self.drill, solve, solve and solve.front, self.family, self.set, self.layout_map, self.production,
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

    Returns
    -------
    DesignRequest
    """
    compare = loaded.get("compare", {})
    specs = {"/design": loaded["design"]}
    if "design" in compare:
        specs["/compare/design"] = compare["design"]
    faults: list[Fault] = []
    designs: list[Design] = []
    meshes = Meshes(files)
    for place, spec in specs.items():
        try:
            with below(place):
                designs.append(read_design(spec, meshes))
        except InvalidInput as refused:
            faults += refused.faults
    named = {mesh.get("file") for spec in specs.values() for mesh in spec["meshes"]}
    faults += [
        Fault("/design/meshes", f"no mesh names the file {name!r}") for name in files if name not in named
    ]
    arms = [
        part["balance_arm"].value for part in (loaded, loaded.get("drilling", {})) if "balance_arm" in part
    ]
    arm = arms[0] if arms else BALANCE_ARM
    diameter = loaded["design"]["diameter"].value
    drill = read_drill(loaded["drilling"], arm, "/drilling", diameter) if "drilling" in loaded else None
    production = _production(loaded["production"]) if "production" in loaded else None
    if len(designs) != len(specs):
        raise InvalidInput(faults)
    asked = _Searches(loaded, designs[0], meshes, arm, drill)
    faults += dict.fromkeys(asked.faults)
    faults += _misnamed("/production/tolerances", production.tolerances if production else (), designs[0])
    if faults:
        raise InvalidInput(faults)
    return DesignRequest(
        design=designs[0],
        meshes=tuple(
            MeshFile(mesh["name"], mesh.get("unit"), mesh["format"], mesh.get("file"))
            for mesh in specs["/design"]["meshes"]
        ),
        arm=arm,
        arm_given=bool(arms),
        rules=Rules.of(loaded["rules"]),
        drill=drill,
        compare=_compare(compare, designs, drill, arm) if compare else None,
        solve=asked.solve,
        family=asked.family,
        set=asked.set,
        layout_map=_layout_map(loaded["layout_map"]) if "layout_map" in loaded else None,
        production=production,
        whole=loaded["detail"] == "full",
    )


class Meshes:
    """The meshes of a request, each read once however many of its designs have it.

    Parameters
    ----------
    files : mapping of str to bytes
        Those that came beside it, by file name.
    """

    def __init__(self, files: Files) -> None:
        self._files = files
        self._known: dict[tuple[str, ...], Mesh] = {}
        self._faces = 0

    def read(self, spec: Loaded) -> Mesh:
        """The mesh of a design's entry.

        Parameters
        ----------
        spec : mapping, an entry of the design's meshes

        Returns
        -------
        Mesh

        Raises
        ------
        InvalidInput, relative to the entry
        """
        key = tuple(str(spec.get(name)) for name in ("file", "data", "format", "unit"))
        if key not in self._known:
            found = read_mesh(_bytes(spec, self._files), spec["format"], spec.get("unit"))
            self._faces += len(found.faces)
            if self._faces > MOST_FACES:
                words = f"the meshes have {self._faces} faces up to here; at most {MOST_FACES} are taken"
                raise InvalidInput([Fault("", words)])
            self._known[key] = found
        return replace(self._known[key], name=spec["name"])


def _check_faces(spec: Loaded, meshes: Mapping[str, Mesh]) -> Iterator[Fault]:
    """Each solid takes memory for the faces of its mesh, whoever else has the same."""
    used = [meshes[solid["mesh"]] for solid in spec["solids"] if solid.get("mesh") in meshes]
    faces = sum(len(mesh.faces) for mesh in used)
    if faces > MOST_FACES:
        words = f"have {faces} faces together, once for each solid; at most {MOST_FACES} are taken"
        yield Fault("/meshes", words)


def read_design(spec: Loaded, read: Meshes) -> Design:
    """Make one loaded design into a value.

    Parameters
    ----------
    spec : mapping, as `ballgauge_schemas` loads a design
    read : Meshes

    Returns
    -------
    Design

    Raises
    ------
    InvalidInput with every bad field, relative to it
    """
    faults: list[Fault] = []
    meshes: dict[str, Mesh] = {}
    for at, mesh in enumerate(spec["meshes"]):
        with _gathered(faults, f"/meshes/{at}"):
            meshes[mesh["name"]] = read.read(mesh)
    faults += _check_faces(spec, meshes)
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


def _given(asked: Loaded, *names: str) -> dict[str, Any]:
    return {name: asked[name] for name in names if name in asked}


def _layout_map(asked: Loaded) -> LayoutMap:
    arcs, angles = (
        tuple(map(_plain, asked.get(name, usual)))
        for name, usual in (("pin_to_pap", MAP_PIN_TO_PAP), ("drilling_angle", MAP_DRILLING_ANGLE))
    )
    return LayoutMap(arcs, angles)


def _targets(asked: Loaded) -> tuple[Target, ...]:
    found = []
    for name, each in asked.items():
        given = {member: _plain(value) for member, value in each.items()}
        tolerance = given.pop("tolerance", TARGET_TOLERANCES[target_kind(name)])
        found.append(Target(name, given.pop("value", None), tolerance, **given))
    return tuple(found)


_HELD = ("take", "over", "clear_of")


class _Searches:
    """The searches of a loaded request, and the faults of what does not fit the designs."""

    def __init__(self, loaded: Loaded, design: Design, read: Meshes, arm: float, drill: Drill | None) -> None:
        self._spec, self._design, self._meshes, self._arm = loaded["design"], design, read, arm
        self._drills: tuple[Drill, ...] = () if drill is None else (drill,)
        self.faults: list[Fault] = []
        self.solve = self._solve(loaded["solve"]) if "solve" in loaded else None
        self.family = self._family(loaded["family"]) if "family" in loaded else None
        self.set = self._set(loaded["set"]) if "set" in loaded else None

    def _solve(self, asked: Loaded) -> Set:
        front = Front(**asked["trade_off"]) if "trade_off" in asked else None
        held = self._held(asked, "/solve", "/solve", [self._design])
        parameters = self._parameters(asked, "/solve", [("", self._design)])
        more = _given(asked, "seed", "starts", "keep")
        one = Variant("", self._design, _targets(asked["targets"]), held)
        return Set((one,), parameters, front=front, **more)

    def _family(self, asked: Loaded) -> Family:
        designs = {}
        for at, change in enumerate(asked["changes"]):
            changed = self._changed(change, f"/family/changes/{at}")
            if changed is not None:
                designs[change["up_to"].value] = changed
        every = [self._design, *designs.values()]
        more = _given(asked, "seed")
        if "weights" in asked:
            more["weights"] = tuple(each.value for each in asked["weights"])
        if "hold" in asked:
            more["hold"] = _targets(asked["hold"])
        held = self._held(asked, "/family", "/family", every)
        parameters = self._parameters(asked, "/family", [("", each) for each in every])
        return Family(parameters, held=held, designs=designs, **more)

    def _set(self, asked: Loaded) -> Set:
        variants = []
        for at, each in enumerate(asked["variants"]):
            place = f"/set/variants/{at}"
            design = self._changed(each, place)
            if design is not None:
                own = {**_given(asked, *_HELD), **_given(each, *_HELD[1:])}
                own["take"] = (each if "over" in each else asked)["take"]
                over, clear = (place if name in each else "/set" for name in _HELD[1:])
                held = self._held(own, over, clear, [design])
                variants.append(Variant(each["name"], design, _targets(each.get("targets", {})), held))
        places = {each["name"]: at for at, each in enumerate(asked["variants"])}
        across = tuple(
            Across(
                each["number"],
                tuple(sorted({places[name] for name in each.get("variants", places)})),
                each["within"].value,
                **_given(each, "weight"),
            )
            for each in asked["across"]
        )
        for at, one in enumerate(across):
            if len(one.balls) < 2:
                self.faults.append(Fault(f"/set/across/{at}/variants", "must name two variants at least"))
        named = [(each.name, each.design) for each in variants]
        whole = len(variants) == len(asked["variants"])
        parameters = self._parameters(asked, "/set", named) if whole else ()
        return Set(tuple(variants), parameters, across, **_given(asked, "seed", "starts", "keep"))

    def _held(self, asked: Loaded, over: str, clear: str, designs: Sequence[Design]) -> Held:
        drills = self._drills
        if "over" in asked:
            drills = tuple(
                read_drill(each, self._arm, f"{over}/over/{at}", self._design.diameter)
                for at, each in enumerate(asked["over"])
            )
        clear_of = tuple(asked.get("clear_of", ()))
        known = {solid.name for design in designs for solid in design.solids}
        known |= {solid.name for solid in self._design.solids}
        for at, name in enumerate(clear_of):
            if name not in known:
                self.faults.append(Fault(f"{clear}/clear_of/{at}", f"no solid is named {name!r}"))
        return Held(drills, asked["take"] == "mean", clear_of)

    def _changed(self, change: Loaded, place: str) -> Design | None:
        """The shared design with a change made; None, and its faults kept, where there is no such design."""
        before = len(self.faults)
        shared = self._spec["solids"]
        known = ", ".join(repr(solid["name"]) for solid in shared)
        rows = {solid["name"]: (solid, f"/design/solids/{at}") for at, solid in enumerate(shared)}
        for at, name in enumerate(change["leave_out"]):
            if name == shared[0]["name"] or rows.pop(name, None) is None:
                self._fault(f"{place}/leave_out/{at}", f"is no solid that can be left out of {known}")
        for at, solid in enumerate(change["replace"]):
            if solid["name"] not in rows:
                self._fault(f"{place}/replace/{at}/name", f"stands for none of {known}")
            rows[solid["name"]] = (solid, f"{place}/replace/{at}")
        for at, solid in enumerate(change["add"]):
            if solid["name"] in rows:
                self._fault(f"{place}/add/{at}/name", "another solid has this name")
            rows[solid["name"]] = (solid, f"{place}/add/{at}")
        if len(self.faults) > before:
            return None
        name = ", ".join(filter(None, (self._spec.get("name"), change.get("name"))))
        spec = {**self._spec, "solids": [solid for solid, _ in rows.values()]}
        return self._read({**spec, "name": name} if name else spec, place, [at for _, at in rows.values()])

    def _read(self, spec: Loaded, place: str, pointers: Sequence[str]) -> Design | None:
        """The design of a changed spec, whose solids came from the given places of the request."""
        try:
            return read_design(spec, self._meshes)
        except InvalidInput as refused:
            for fault in refused.faults:
                _, member, *rest = fault.pointer.split("/")
                own = place + fault.pointer
                if member == "solids" and rest:
                    own = "/".join([pointers[int(rest[0])], *rest[1:]])
                self._fault(own, fault.words)
        return None

    def _fault(self, pointer: str, words: str) -> None:
        self.faults.append(Fault(pointer, words))

    def _parameters(
        self, asked: Loaded, place: str, designs: Sequence[tuple[str, Design]]
    ) -> tuple[Parameter, ...]:
        """The parameters, each held to the designs that have its solids, of which there must be one."""
        found = []
        for at, each in enumerate(asked["parameters"]):
            here = f"{place}/parameters/{at}"
            parameter = Parameter(
                tuple(each["solids"]),
                each["field"],
                each["lower"].value if "lower" in each else 0.0,
                each["upper"].value if "upper" in each else 0.0,
                each.get("point", 0),
                each.get("length", ""),
                each.get("over", ""),
                tuple(each.get("variants", ())),
            )
            those = [
                design
                for name, design in designs
                if (not parameter.variants or name in parameter.variants)
                and {solid.name for solid in design.solids}.issuperset(parameter.solids)
            ]
            if "within" in each and those and not any(parameter.faults(those[0])):
                own, width = parameter.value(those[0]), each["within"].value
                parameter = replace(parameter, lower=own - width, upper=own + width)
                if not _allows(parameter.field, own - width):
                    self.faults.append(Fault(f"{here}/within", f"reaches zero from {own:g}"))
            for design in those or [design for _, design in designs[:1]]:
                self.faults += [replace(f, pointer=here + f.pointer) for f in parameter.faults(design)]
            found.append(parameter)
        return tuple(found)


def _allows(field: str, low: float) -> bool:
    signed = (*POSITIONS, *OFFSETS, *TURNS, POINT_FIELDS[0])
    return field in signed or low > 0.0 or (field == "rounding" and low >= 0.0)


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


def read_drill(loaded: Loaded, arm: float, place: str, diameter: float) -> Drill:
    """Make a loaded drilling into values.

    Parameters
    ----------
    loaded : mapping, as `ballgauge_schemas` loads a drilling
    arm : float, of the balance where it has none of its own [in]
    place : str, its pointer
    diameter : float, of the ball [in]

    Returns
    -------
    Drill

    Raises
    ------
    InvalidInput with every impossible field
    """
    drilling, ball = Drilling.of(loaded), Ball(diameter=Quantity(diameter))
    faults = [
        replace(fault, pointer=place + fault.pointer.removeprefix("/drilling"))
        for fault in layout_faults(ball, drilling)
    ]
    if faults:
        raise InvalidInput(faults)
    _, layouts, holes, _ = arrays([ball], [drilling])
    own = arm if drilling.balance_arm is None else drilling.balance_arm.value
    left_out = tuple(pointer_of(path) for path, _ in uncertain(drilling))
    return Drill(layouts[0], holes[0], own, left_out, drilling, place)


def _compare(asked: Loaded, designs: Sequence[Design], drill: Drill | None, arm: float) -> Compare:
    if "drilling" in asked:
        drill = read_drill(asked["drilling"], arm, "/compare/drilling", designs[-1].diameter)
    return Compare(designs[1] if designs[1:] else None, drill)
