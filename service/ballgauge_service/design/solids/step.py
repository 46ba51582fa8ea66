"""STEP files (ISO 10303-21) read and written by Open CASCADE, which is the extra `cad`.

Both run in a process with limits: see `core.confined`.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import asdict
from importlib.util import find_spec
from typing import Any

import numpy as np

from ballgauge_service.core import confined
from ballgauge_service.core.refusal import Fault, InvalidInput
from ballgauge_service.core.units import MM_PER_INCH
from ballgauge_service.design.solids.shells import MOST_FACES
from ballgauge_service.design.solids.solids import Cone, Cylinder, Design, Frustum, Mesh, Profile
from ballgauge_service.design.solids.tessellation import outline, tessellated

DEVIATION, TURN = 0.02, 0.35
"""Millimeters that a facet of a read surface may lie off it, and radians between two of its facets (ours)."""

SECONDS, SEWN, FAR = 60.0, 20_000, 50_800.0
"""Seconds that a file may take, most faces of a mesh that is written as a body of its own, and millimeters
across that bodies may have (ours)."""

_NEEDED = "STEP needs Open CASCADE, which is not installed: pip install 'ballgauge[cad]'"
_HERE = "design.solids.step"


def read_step(data: bytes) -> tuple[np.ndarray, np.ndarray, float, str]:
    """Facets of the bodies in a STEP file.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    vertices : (v, 3) array [in]
    faces : (f, 3) array
    missed : float, the share of the bodies' volume that the facets miss
    unit : str, that the file states

    Raises
    ------
    InvalidInput for what is no STEP file, holds no body, takes too long, or where the extra lacks
    """
    with np.load(io.BytesIO(_confined("facets", data))) as found:
        missed = float(found["missed"])
        return found["vertices"] / MM_PER_INCH, found["faces"], missed, str(found["unit"])


def write_step(design: Design) -> bytes:
    """A design's solids as STEP.

    Parameters
    ----------
    design : Design

    Returns
    -------
    bytes: a body each with its name, in millimeters, round ones exact

    Raises
    ------
    InvalidInput for a mesh of more than `SEWN` faces, and where the extra lacks
    """
    solids: list[dict[str, Any]] = []
    for at, solid in enumerate(design.solids):
        group: dict[str, Any] = {"name": solid.name, "kind": solid.shape.kind, "position": solid.position}
        group["rotation"] = [list(map(float, row)) for row in solid.rotation]
        if isinstance(solid.shape, Mesh):
            if len(solid.shape.faces) > SEWN:
                words = f"has {len(solid.shape.faces)} faces; at most {SEWN} are written as STEP"
                raise InvalidInput([Fault(f"/design/solids/{at}/mesh", words)])
            own = tessellated(solid)
            group |= {"vertices": own.vertices.tolist(), "faces": own.faces.tolist()}
        elif isinstance(solid.shape, (Cylinder, Cone, Frustum, Profile)):
            group["outline"] = outline(solid.shape)
        else:
            group |= asdict(solid.shape)
        solids.append(group)
    return _confined("written", json.dumps(solids).encode())


def _confined(function: str, data: bytes) -> bytes:
    if find_spec("OCP") is None:
        raise InvalidInput([Fault("", _NEEDED)])
    try:
        return confined.run(f"{_HERE}:{function}", data, SECONDS)
    except confined.Refused as refused:
        raise InvalidInput([Fault("", str(refused))]) from None
    except confined.Ended as ended:
        raise InvalidInput([Fault("", f"the STEP file could not be read: {ended}")]) from None


def facets(data: bytes) -> bytes:
    """The bodies of a STEP file as facets.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    bytes, facets [mm] in numpy's format

    Raises
    ------
    ValueError for what is no STEP file
    """
    from OCP.Bnd import Bnd_Box
    from OCP.BRep import BRep_Tool
    from OCP.BRepBndLib import BRepBndLib
    from OCP.BRepGProp import BRepGProp
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools
    from OCP.GProp import GProp_GProps
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopLoc import TopLoc_Location
    from OCP.TopoDS import TopoDS

    reader = STEPControl_Reader()
    if reader.ReadStream("core.step", io.BytesIO(data)) != IFSelect_ReturnStatus.IFSelect_RetDone:
        raise ValueError("not a STEP file")
    reader.TransferRoots()
    shape = reader.OneShape()
    if shape.IsNull() or not TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_SOLID).More():
        raise ValueError("the STEP file holds no solid body")
    bounds = Bnd_Box()
    BRepBndLib.Add_s(shape, bounds)
    across = bounds.CornerMin().Distance(bounds.CornerMax())
    if across > FAR:
        raise ValueError(f"the bodies are {across / MM_PER_INCH:.3g} in across: is the unit right?")
    exact = GProp_GProps()
    vertices, faces, count, cut = [], [], 0, 0
    solids = TopExp_Explorer(shape, TopAbs_ShapeEnum.TopAbs_SOLID)
    while solids.More():
        one = GProp_GProps()
        BRepGProp.VolumeProperties_s(solids.Current(), one, 1e-6)
        exact.Add(one)
        BRepMesh_IncrementalMesh(solids.Current(), DEVIATION, False, TURN, False)
        each = TopExp_Explorer(solids.Current(), TopAbs_ShapeEnum.TopAbs_FACE)
        while each.More():
            face, place = TopoDS.Face(each.Current()), TopLoc_Location()
            found = BRep_Tool.Triangulation_s(face, place)
            if found is None:
                raise ValueError("a face of the STEP file could not be cut in facets")
            cut += found.NbTriangles()
            if cut > MOST_FACES:
                raise ValueError(f"the bodies take more than {MOST_FACES} facets; so many are read at most")
            move = place.Transformation()
            nodes = [found.Node(n).Transformed(move).Coord() for n in range(1, found.NbNodes() + 1)]
            corners = np.array([found.Triangle(n).Get() for n in range(1, found.NbTriangles() + 1)])
            turned = face.Orientation().name == "TopAbs_REVERSED"
            faces.append(corners[:, (0, 2, 1) if turned else (0, 1, 2)] + (count - 1))
            vertices.append(np.array(nodes))
            count += len(nodes)
            each.Next()
        BRepTools.Clean_s(solids.Current())
        solids.Next()
    merged, corners = _merged(np.concatenate(vertices), np.concatenate(faces))
    a, b, c = (merged[corners[:, n]] for n in range(3))
    volume = float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0
    sink = io.BytesIO()
    missed = 1.0 - volume / exact.Mass()
    np.savez(sink, vertices=merged, faces=corners, missed=missed, unit=_unit(data))
    return sink.getvalue()


def _merged(vertices: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Facets that meet share their corners: those of two faces at one edge differ by rounding alone."""
    import trimesh

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    mesh.merge_vertices(digits_vertex=5)
    mesh.update_faces(mesh.nondegenerate_faces())
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


_UNITS = {
    "": "meter", "MICRO": "micron", "MILLI": "millimeter", "CENTI": "centimeter", "INCH": "inch",
    "FOOT": "foot",
}  # fmt: skip
"""Names of units in `archives.UNITS` by the prefix of the meter, or their own name, in a STEP file."""


def _unit(data: bytes) -> str:
    """The unit that the file's lengths are written in; Open CASCADE gives millimeters whatever it is."""
    text = re.sub(rb"\s", b"", data).decode("ascii", "replace").upper()
    entities = dict(re.findall(r"(?:^|;)(#\d+)=([^;]*LENGTH_UNIT\(\)[^;]*)", text))
    found = set()
    for listed in re.findall(r"GLOBAL_UNIT_ASSIGNED_CONTEXT\(\(([#\d,]+)\)\)", text):
        for reference in listed.split(","):
            unit = entities.get(reference, "")
            named = re.search(r"CONVERSION_BASED_UNIT\('(\w+)'|SI_UNIT\((?:\.(\w+)\.|\$),\.METRE", unit)
            if named:
                name = named[1] or named[2] or ""
                found.add(_UNITS.get(name, name.lower()))
    return " and ".join(sorted(found)) or "millimeter"


def written(data: bytes) -> bytes:
    """Solids as STEP.

    Parameters
    ----------
    data : bytes, their description as JSON

    Returns
    -------
    bytes
    """
    from OCP.Interface import Interface_Static
    from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer

    writer = STEPControl_Writer()
    for solid in json.loads(data):
        name = "".join(each if " " <= each <= "~" else "_" for each in solid["name"])
        Interface_Static.SetCVal_s("write.step.product.name", name)
        writer.Transfer(_body(solid), STEPControl_StepModelType.STEPControl_AsIs)
    sink = io.BytesIO()
    writer.WriteStream(sink)
    # A number behind each name, and the time of day: the same design gives the same bytes.
    text = re.sub(rb"(PRODUCT\('.*?) \d+','(.*?) \d+'", rb"\1','\2'", sink.getvalue())
    return re.sub(rb"'\d{4}-\d\d-\d\dT[\d:]+'", b"'2026-01-01T00:00:00'", text, count=1)


def _body(solid: dict[str, Any]) -> Any:
    """One solid in the design's frame [mm]."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Trsf

    if solid["kind"] == "mesh":
        return _sewn(solid)
    move = gp_Trsf()
    rows = zip(solid["rotation"], solid["position"], strict=True)
    move.SetValues(*(value for row, at in rows for value in (*row, at * MM_PER_INCH)))
    return BRepBuilderAPI_Transform(_own(solid), move, True).Shape()


def _own(solid: dict[str, Any]) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_GTransform
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.gp import gp_GTrsf

    kind = solid["kind"]
    size = {name: MM_PER_INCH * value for name, value in solid.items() if isinstance(value, float)}
    if kind == "sphere":
        return BRepPrimAPI_MakeSphere(0.5 * size["diameter"]).Shape()
    if kind == "ellipsoid":
        stretch = gp_GTrsf()
        for axis, name in enumerate("xyz", 1):
            stretch.SetValue(axis, axis, 0.5 * size[f"length_{name}"])
        return BRepBuilderAPI_GTransform(BRepPrimAPI_MakeSphere(1.0).Shape(), stretch, True).Shape()
    if kind == "rounded_box":
        return _rounded_box([size[f"length_{name}"] for name in "xyz"], size["rounding"])
    return _turned(solid["outline"])


def _rounded_box(lengths: list[float], rounding: float) -> Any:
    from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    half = [0.5 * each for each in lengths]
    box = BRepPrimAPI_MakeBox(gp_Pnt(*(-each for each in half)), gp_Pnt(*half)).Shape()
    if rounding <= 0.0:
        return box
    # Nothing is left of a flat face at half the length, which a fillet does not reach.
    fillet = BRepFilletAPI_MakeFillet(box)
    edges = TopExp_Explorer(box, TopAbs_ShapeEnum.TopAbs_EDGE)
    while edges.More():
        fillet.Add(min(rounding, 0.4999 * min(lengths)), TopoDS.Edge(edges.Current()))
        edges.Next()
    return fillet.Shape()


def _turned(outline: list[list[float]]) -> Any:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeRevol
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt

    polygon = BRepBuilderAPI_MakePolygon()
    for height, radius in outline:
        polygon.Add(gp_Pnt(MM_PER_INCH * radius, 0.0, MM_PER_INCH * height))
    polygon.Close()
    face = BRepBuilderAPI_MakeFace(polygon.Wire()).Face()
    return BRepPrimAPI_MakeRevol(face, gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))).Shape()


def _sewn(solid: dict[str, Any]) -> Any:
    """A mesh as a body of flat faces."""
    from OCP.BRepBuilderAPI import (
        BRepBuilderAPI_MakeFace,
        BRepBuilderAPI_MakePolygon,
        BRepBuilderAPI_MakeSolid,
        BRepBuilderAPI_Sewing,
    )
    from OCP.gp import gp_Pnt
    from OCP.TopoDS import TopoDS

    points = [gp_Pnt(*(MM_PER_INCH * each for each in vertex)) for vertex in solid["vertices"]]
    sewing = BRepBuilderAPI_Sewing(1e-6)
    for a, b, c in solid["faces"]:
        wire = BRepBuilderAPI_MakePolygon(points[a], points[b], points[c], True).Wire()
        sewing.Add(BRepBuilderAPI_MakeFace(wire, True).Face())
    sewing.Perform()
    return BRepBuilderAPI_MakeSolid(TopoDS.Shell(sewing.SewedShape())).Solid()
