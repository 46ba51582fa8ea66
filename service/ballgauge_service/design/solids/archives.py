"""A 3MF archive before its reader sees it: unpacked by bytes that are counted, its instances counted too.

An archive may claim a size and unpack to a thousand times as much, and a model may place an object that
places another twice, and so on, until a few lines stand for billions of faces. The reader trusts both, so it
is given an archive that does neither: the same members, stored as they are.

A 3MF file is a ZIP archive of stored or deflated parts (ISO/IEC 29500-2:2021, annex B, from memory). A model
has objects, each a mesh or `component` elements that place other objects, and a `build` whose `item` elements
place objects (3MF core specification 1.3, 2023, from memory); `path` names another part with the object.
"""

from __future__ import annotations

import graphlib
import io
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from typing import Any
from xml.parsers import expat

from ballgauge_service.core.units import MM_PER_INCH

MOST_BYTES = 256 * 1024 * 1024
MOST_UNPACKED = 64 * 1024 * 1024
MOST_ELEMENTS = 1_000_000
MOST_RATIO = 200
MOST_PARTS = 1000
MOST_PLACED = 10_000
"""Limits of ours: bytes of a file, and of an archive unpacked; elements of a model, each of which the reader
keeps as an object; how far an archive may unpack; its parts; how often the objects of a model are placed in
all."""

_PIECE = 1 << 20
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, OSError, EOFError, ValueError,
)  # fmt: skip
UNITS = {
    "micron": 1e-3 / MM_PER_INCH, "millimeter": 1.0 / MM_PER_INCH, "centimeter": 10.0 / MM_PER_INCH,
    "inch": 1.0, "foot": 12.0, "meter": 1e3 / MM_PER_INCH,
}  # fmt: skip
"""Inches per unit of a model (3MF core specification 1.3, 2023, 3.4, from memory)."""

_WORLD = ""
_ROOT = "3d/3dmodel.model"


class BadArchive(ValueError):
    """An archive that is not read; the text says why."""


def checked_archive(data: bytes, most_faces: int) -> tuple[bytes, str | None]:
    """Check a 3MF archive.

    Parameters
    ----------
    data : bytes
    most_faces : int

    Returns
    -------
    data : bytes, the same 3MF archive, its parts stored unpacked
    unit : str or None, that its model states, a key of UNITS

    Raises
    ------
    BadArchive for what is no such archive, passes a limit, declares entities, or whose objects place each
        other in a circle
    """
    try:
        parts = _parts(data)
    except BadArchive:
        raise
    except _UNREADABLE as error:
        raise BadArchive(f"not a 3MF archive: {error}") from None
    models = {name: _Model(text) for name, text in parts.items() if name.lower().endswith(".model")}
    if not models:
        raise BadArchive("the 3MF archive holds no model")
    for name, model in models.items():
        if _ROOT in name.lower():
            _check_faces(model.placed_faces(models), most_faces)
    _check_faces(sum(sum(model.faces.values()) for model in models.values()), most_faces)
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for name, text in parts.items():
            archive.writestr(zipfile.ZipInfo(name), text)
    return sink.getvalue(), _unit(models.values())


def _unit(models: Iterable[_Model]) -> str | None:
    stated = sorted({model.unit for model in models if model.unit is not None})
    if len(stated) > 1 or not UNITS.keys() >= set(stated):
        raise BadArchive(
            f"the 3MF models state the units {', '.join(stated)}; one of {', '.join(UNITS)} is read"
        )
    return stated[0] if stated else None


def _check_faces(faces: int, most: int) -> None:
    if faces > most:
        raise BadArchive(f"the file claims {faces} faces; at most {most} are read")


def _parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        total = sum(member.file_size for member in members)
        if total > MOST_UNPACKED or total > MOST_RATIO * len(data):
            raise BadArchive(
                f"the 3MF archive unpacks to {total} bytes; at most {MOST_UNPACKED} "
                f"and {MOST_RATIO} times its own length are read"
            )
        if len(members) > MOST_PARTS:
            raise BadArchive(f"the 3MF archive has {len(members)} parts; at most {MOST_PARTS} are read")
        if any(member.compress_type not in _METHODS for member in members):
            raise BadArchive("not a 3MF archive: a part is neither stored nor deflated")
        return {member.filename: _unpacked(archive, member) for member in members}


def _unpacked(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> bytes:
    # Read by pieces: a whole read unpacks all there is before it is cut to the size that is claimed.
    pieces = []
    with archive.open(member) as stream:
        while piece := stream.read(_PIECE):
            pieces.append(piece)
    return b"".join(pieces)


class _Model:
    """What a model's text places: faces by object, objects by object, and the parts that components name."""

    def __init__(self, text: bytes) -> None:
        self.faces: Counter[str] = Counter()
        self.placed: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self.paths: Counter[tuple[str, str]] = Counter()
        self.unit: str | None = None
        self._object = _WORLD
        self._open = 0
        self.elements = 0
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.StartDoctypeDeclHandler = _refuse_doctype
        try:
            parser.Parse(text, True)
        except (expat.ExpatError, LookupError, ValueError) as error:
            if isinstance(error, BadArchive):
                raise
            raise BadArchive(f"the 3MF model is not XML: {error}") from None

    def _start(self, name: str, attributes: Mapping[str, str]) -> None:
        kind = name.rpartition(":")[2]
        self.elements += 1
        if self.elements > MOST_ELEMENTS:
            raise BadArchive(f"the 3MF model has more than {MOST_ELEMENTS} elements")
        if kind == "triangle":
            self.faces[self._object] += 1
        elif kind == "model":
            self.unit = attributes.get("unit")
        elif kind == "object":
            self._open += 1
            if self._open > 1:
                raise BadArchive("an object of the 3MF model lies within another")
            self._object = attributes.get("id", _WORLD)
        elif kind == "component":
            self._place(self._object, attributes)
        elif kind == "item":
            self._place(_WORLD, attributes)

    def _end(self, name: str) -> None:
        if name.rpartition(":")[2] == "object":
            self._open -= 1

    def _place(self, where: str, attributes: Mapping[str, str]) -> None:
        placed = attributes.get("objectid", _WORLD)
        self.placed[where][placed] += 1
        for name, value in attributes.items():
            if name.endswith("path"):
                self.paths[value.strip("/"), placed] += 1

    def placed_faces(self, models: Mapping[str, _Model]) -> int:
        """Faces once every object is placed where it is asked for. Raises BadArchive."""
        times = self._times()
        faces = Counter(self.faces)
        for (path, placed), count in self.paths.items():
            if path in models:
                faces[placed] += count * sum(models[path].faces.values())
        read, built = sum(faces.values()), sum(faces[name] * count for name, count in times.items())
        return max(read, built)

    def _times(self) -> dict[str, int]:
        """How often each object is placed, by the ways that lead to it."""
        before: dict[str, set[Any]] = {name: set() for name in self.placed}
        for name, others in self.placed.items():
            for other in others:
                before.setdefault(other, set()).add(name)
        try:
            order = list(graphlib.TopologicalSorter(before).static_order())
        except graphlib.CycleError:
            raise BadArchive("objects of the 3MF model place each other in a circle") from None
        times: Counter[str] = Counter({_WORLD: 1})
        for name in order:
            for other, count in self.placed[name].items() if name in self.placed else ():
                times[other] += count * times[name]
        if sum(times.values()) > MOST_PLACED:
            raise BadArchive(f"the 3MF model places objects more than {MOST_PLACED} times")
        return times


def _refuse_doctype(*_: Any) -> None:
    raise BadArchive("the 3MF model declares a document type or entities, which are not read")
