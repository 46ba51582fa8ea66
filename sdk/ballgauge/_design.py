"""Designs: what is asked of them, with their meshes, and what the service says."""

from __future__ import annotations

import copy
import io
import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from ballgauge import _drawn as drawn
from ballgauge import _encoding, _files
from ballgauge._check import Finding
from ballgauge._failures import Answer, foreign, told
from ballgauge._http import JSON, Request, Steps, document_in, document_of, request_id
from ballgauge._values import Result, Table, each, member
from ballgauge_schemas.shared.words import DESIGN_FILES

if TYPE_CHECKING:
    from ballgauge import types

Progress = Callable[[float, str], object]
"""Called with the share done (0 to 1) and what is being done."""

PATIENCE = 300.0
"""Seconds between two pieces of the answer (ours): the engine compiles its kernels at its first design."""

LINES = "application/x-ndjson"
_DOING = b'{"doing"'


class DesignResult(Result, init=False, rows="findings"):
    """The numbers of a design, and whatever else was asked about it.

    `properties` has the mass properties, `ball` the same under the names of a check's ball, `outcome` and
    `findings` what the rules of approval say of the design as made. `drilled`, `comparison`, `solved`,
    `family`, `set`, `layout_map` and `production` are None where they were not asked for.
    """

    properties: types.Properties
    ball: types.BoxNumbers
    outcome: types.Outcome
    findings: tuple[Finding, ...] = member(each(Finding))
    missing: tuple[types.Missing, ...]
    rules: types.UsedRules
    drilled: types.DrilledDesign | None
    comparison: types.Comparison | None
    solved: types.Solved | None
    family: types.FamilyResult | None
    set: types.SetResult | None
    layout_map: types.LayoutMapResult | None
    production: types.ProductionResult | None
    cautions: tuple[types.Caution, ...]
    assumptions: tuple[str, ...]
    units: Table[str]

    def _picture(self) -> str:
        return drawn.section(self.__dict__.get("_design"))


def ask(
    request: Mapping[str, Any],
    folder: str | os.PathLike[str] | None,
    progress: Progress | None,
    files: Mapping[str, str | os.PathLike[str] | None] | None = None,
) -> Steps[DesignResult]:
    """See `Client.design`; files: where to write what `DESIGN_FILES` names."""
    body, content_type = _body(request, folder)
    targets = {name: Path(target) for name, target in (files or {}).items() if target is not None}
    if targets:
        return (yield from _with_files(body, content_type, targets))
    if progress is None:
        answer = yield Request("POST", "/v1/designs", body, content_type, JSON, PATIENCE)
        return _result(document_in(answer), answer, request)
    events = Events(progress)
    answer = yield Request("POST", "/v1/designs", body, content_type, LINES, PATIENCE, taken=events.take)
    return _result(events.result(answer), answer, request)


def _result(document: dict[str, Any], answer: Answer, request: Mapping[str, Any]) -> DesignResult:
    """The result, which keeps the design for its picture: the answer has no shapes."""
    result = DesignResult(document, request_id(answer))
    result.__dict__["_design"] = copy.deepcopy(request.get("design"))
    return result


def _with_files(body: bytes, content_type: str, targets: Mapping[str, Path]) -> Steps[DesignResult]:
    # Deferred: importing the client must stay quick, and few ask for files.
    import zipfile

    asked = []
    for name, target in targets.items():
        kind = {".htm": "html", ".stp": "step"}.get(
            target.suffix.lower(), target.suffix.lower().removeprefix(".")
        )
        if kind not in DESIGN_FILES[name]:
            kinds = " or ".join(f".{each}" for each in DESIGN_FILES[name])
            raise ValueError(f"a {name} is written as {kinds}; got {target.name!r}")
        _files.require_place(target)
        asked.append(f"{name}={kind}")
    address = f"/v1/designs?{'&'.join(asked)}"
    answer = yield Request("POST", address, body, content_type, "application/zip", PATIENCE)
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        for name, target in targets.items():
            members = [each for each in archive.namelist() if each.startswith(name)]
            for member in members:
                ending = PurePath(member).stem.removeprefix(name) if len(members) > 1 else ""
                with archive.open(member) as source:
                    _files.write(target.with_stem(target.stem + ending), source)
        return DesignResult(document_of(archive.read("design.json")), request_id(answer))


class Events:
    """Takes an answer of lines as it comes, and tells the progress. What progress raises ends the work."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._line = bytearray()
        self._last = b""

    def take(self, piece: bytes) -> None:
        """Take the next bytes."""
        self._line += piece
        while (end := self._line.find(b"\n", len(self._line) - len(piece))) >= 0:
            line, self._line = bytes(self._line[:end]), self._line[end + 1 :]
            piece = bytes(self._line)
            if line.startswith(_DOING):
                try:
                    event = json.loads(line)
                    share, doing = event["progress"], event["doing"]
                except (ValueError, KeyError):
                    raise foreign() from None
                self._progress(share, doing)
            else:
                self._last = line

    def result(self, answer: Answer) -> dict[str, Any]:
        """The result, which the last line has, or the problem there."""
        try:
            event = json.loads(self._last or bytes(self._line))
            if "result" not in event:
                raise told(event.get("problem"), answer)
            found: dict[str, Any] = event["result"]
        except (ValueError, TypeError, AttributeError):
            raise foreign(answer) from None
        return found


def _body(request: Mapping[str, Any], folder: str | os.PathLike[str] | None) -> tuple[bytes, str]:
    """The request as JSON, or with its meshes as a form."""
    names = list(dict.fromkeys(mesh_files(request)))
    if not names:
        return _encoding.encode(request), JSON
    if folder is None:
        raise ValueError("the design names mesh files; say in which folder they are")
    form = _encoding.Form(request)
    meshes = ((name, [mesh_path(Path(folder), name).read_bytes()]) for name in names)
    return b"".join(form.pieces(meshes)), form.content_type


def mesh_files(request: Any) -> Iterator[str]:
    """The mesh files that a request names; what is not as the contract has it is left to the service."""
    if not isinstance(request, Mapping):
        return
    compare = request.get("compare")
    for holder in (request, compare):
        design = holder.get("design") if isinstance(holder, Mapping) else None
        meshes = design.get("meshes") if isinstance(design, Mapping) else None
        for mesh in meshes if isinstance(meshes, (list, tuple)) else ():
            if isinstance(mesh, Mapping) and isinstance(mesh.get("file"), str):
                yield mesh["file"]


def mesh_path(folder: Path, name: str) -> Path:
    """Where a mesh file is: in the folder or below it, since a design may come from anyone.

    Raises ValueError for any other place, and for a name that a form cannot carry.
    """
    path, found = PurePath(name), folder / name
    inside = not path.is_absolute() and ".." not in path.parts and name.isprintable() and name != ""
    if not inside or set(name) & set('"\\%') or not found.resolve().is_relative_to(folder.resolve()):
        raise ValueError(f"a mesh file lies beside the design or in a folder below it, unlike {name!r}")
    return found
