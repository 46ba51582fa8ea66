"""Designs: what is asked of them, with their meshes, and what the service says."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from ballgauge import _encoding
from ballgauge._check import Finding
from ballgauge._failures import foreign, told
from ballgauge._http import JSON, Http, Request, document_of
from ballgauge._values import Record, Result, each, member

if TYPE_CHECKING:
    from requests import Response

Progress = Callable[[float, str], object]
"""Called with the share done (0 to 1) and what is being done."""

PATIENCE = 300.0
"""Seconds between two pieces of the answer (ours): the engine compiles its kernels at its first design."""

_LINES = "application/x-ndjson"
_DOING = b'{"doing"'


class DesignResult(Result, init=False):
    """The numbers of a design, and whatever else was asked about it.

    `properties` has the mass properties, `ball` the same under the names of a check's ball, `outcome` and
    `findings` what the rules of approval say of the design as made. `drilled`, `comparison`, `solved`,
    `family`, `set`, `layout_map` and `production` are None where they were not asked for.
    """

    properties: Record
    ball: Record
    outcome: str
    findings: tuple[Finding, ...] = member(each(Finding))
    missing: tuple[Record, ...]
    rules: Record
    drilled: Record | None
    comparison: Record | None
    solved: Record | None
    family: Record | None
    set: Record | None
    layout_map: Record | None
    production: Record | None
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    units: Record


def document(
    http: Http,
    request: Mapping[str, Any],
    folder: str | os.PathLike[str] | None,
    progress: Progress | None,
) -> dict[str, Any]:
    """Ask about a design; give the service's own document."""
    body, content_type = _body(request, folder)
    streamed = progress is not None
    accept = _LINES if streamed else JSON
    asked = Request("POST", "/v1/designs", body, content_type, accept, PATIENCE, streamed)
    if progress is None:
        return document_of(http.send(asked).content)
    response = http.stream(asked)
    with response, http.reaching("broke its answer off"):
        try:
            return _followed(response, progress)
        except ValueError:
            raise foreign(response) from None


def _followed(response: Response, progress: Progress) -> dict[str, Any]:
    """Tell the progress as it comes, and give the result. Leaving early ends the work."""
    for event in map(json.loads, _lines(response.raw)):
        if "progress" in event:
            progress(event["progress"], event["doing"])
        elif "result" in event:
            found: dict[str, Any] = event["result"]
            return found
        else:
            raise told(event.get("problem"), response)
    raise foreign(response)


def _lines(raw: Any) -> Iterator[bytes]:
    """The lines of an answer as they come; the last, which does not begin as progress does, in one piece."""
    while (start := raw.read(len(_DOING))) == _DOING:
        line = bytearray(start)
        while not line.endswith(b"\n"):
            line += raw.read(1) or b"\n"
        yield bytes(line)
    yield start + raw.read()


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
