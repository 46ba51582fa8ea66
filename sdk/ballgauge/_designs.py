"""Designs: what is asked of them, with their meshes, and what the service says."""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import requests
import urllib3

from ballgauge import _encoding
from ballgauge._errors import Failure, Problem, ServiceError, ServiceUnreachable, failure
from ballgauge._results import Finding, Record, _frozen

if TYPE_CHECKING:
    from ballgauge._client import Client

DesignProgress = Callable[[float, str], object]
"""Called with the share done (0 to 1) and what is being done."""

PATIENCE = 300.0
"""Seconds between two pieces of the answer (ours): the engine compiles its kernels at its first design."""

_PROGRESS = "application/x-ndjson"
_TOLD = b'{"doing"'


@dataclass(frozen=True)
class DesignResult:
    """The numbers of a design, and whatever else was asked about it.

    `properties` has the mass properties, `ball` the same under the names of a check's ball, `outcome` and
    `findings` what the rules of approval say of the design as made. `drilled`, `comparison`, `solved`,
    `family` and `production` are None where they were not asked for.
    """

    properties: Record
    ball: Record
    outcome: str
    findings: tuple[Finding, ...]
    missing: tuple[Record, ...]
    rules: Record
    drilled: Record | None
    comparison: Record | None
    solved: Record | None
    family: Record | None
    production: Record | None
    cautions: tuple[Record, ...]
    assumptions: tuple[str, ...]
    units: Record
    raw: Mapping[str, Any] = field(repr=False, compare=False)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> DesignResult:
        """Read one answer of /v1/designs."""
        return cls(
            properties=Record(document["properties"]),
            ball=Record(document["ball"]),
            outcome=document["outcome"],
            findings=tuple(Finding.from_document(finding) for finding in document["findings"]),
            missing=_frozen(document["missing"]),
            rules=Record(document["rules"]),
            drilled=_frozen(document["drilled"]),
            comparison=_frozen(document["comparison"]),
            solved=_frozen(document["solved"]),
            family=_frozen(document["family"]),
            production=_frozen(document["production"]),
            cautions=_frozen(document["cautions"]),
            assumptions=_frozen(document["assumptions"]),
            units=Record(document["units"]),
            raw=document,
        )


def ask(
    client: Client,
    request: Mapping[str, Any],
    folder: str | os.PathLike[str] | None,
    progress: DesignProgress | None,
) -> DesignResult:
    """See `Client.design`."""
    document = document_of(client, request, folder, progress)
    try:
        return DesignResult.from_document(document)
    except (KeyError, TypeError, AttributeError):
        raise ServiceError(_not_ours(200, None)) from None


def document_of(
    client: Client,
    request: Mapping[str, Any],
    folder: str | os.PathLike[str] | None,
    progress: DesignProgress | None,
) -> dict[str, Any]:
    """Ask about a design; give the service's own document."""
    body, content_type = _body(request, folder)
    headers = {"Content-Type": content_type, "Accept": "application/json" if progress is None else _PROGRESS}
    try:
        with client._session.post(
            f"{client._url}/v1/designs",
            data=body,
            headers=headers,
            timeout=(client._timeout, max(client._timeout, PATIENCE)),
            allow_redirects=False,
            stream=progress is not None,
        ) as response:
            return _read(response, progress)
    except (requests.RequestException, urllib3.exceptions.HTTPError) as error:
        raise ServiceUnreachable(f"{client._url} gives no whole answer: {error}") from error


def _read(response: requests.Response, progress: DesignProgress | None) -> dict[str, Any]:
    request_id = response.headers.get("X-Request-Id")
    try:
        if response.status_code == 200 and progress is not None:
            return _followed(response, progress)
        told = json.loads(response.content)
    except ValueError:
        raise ServiceError(_not_ours(response.status_code, request_id)) from None
    if response.status_code != 200:
        raise _failure(told, response.status_code, request_id)
    if not isinstance(told, dict):
        raise ServiceError(_not_ours(200, request_id))
    return told


def _followed(response: requests.Response, progress: DesignProgress) -> dict[str, Any]:
    """Tell the progress as it comes, and give the result. Leaving early ends the work."""
    request_id = response.headers.get("X-Request-Id")
    for event in map(json.loads, _lines(response.raw)):
        if "progress" in event:
            progress(event["progress"], event["doing"])
        elif "result" in event:
            found: dict[str, Any] = event["result"]
            return found
        else:
            told = event.get("problem")
            raise _failure(told, told.get("status", 500) if isinstance(told, dict) else 500, request_id)
    raise ServiceError(_not_ours(200, request_id))


def _lines(raw: Any) -> Iterator[bytes]:
    """The lines of an answer as they come; the last, which does not begin as progress does, in one piece."""
    while (start := raw.read(len(_TOLD))) == _TOLD:
        line = bytearray(start)
        while not line.endswith(b"\n"):
            line += raw.read(1) or b"\n"
        yield bytes(line)
    yield start + raw.read()


def _failure(told: Any, status: int, request_id: str | None) -> Failure:
    try:
        problem = Problem.from_document(told, status, request_id)
    except (KeyError, TypeError, AttributeError):
        problem = _not_ours(status, request_id)
    return failure(problem, status)


def _not_ours(status: int, request_id: str | None) -> Problem:
    return Problem(status, "", "the answer is not one of this service's, or not whole", request_id, ())


def _body(request: Mapping[str, Any], folder: str | os.PathLike[str] | None) -> tuple[bytes, str]:
    """The request as JSON, or with its meshes as a form."""
    names = list(dict.fromkeys(mesh_files(request)))
    if not names:
        return _encoding.encode(request), "application/json"
    if folder is None:
        raise ValueError("the design names mesh files; say in which folder they are")
    boundary = uuid.uuid4().hex
    files = [(name, mesh_path(Path(folder), name).read_bytes()) for name in names]
    body = b"".join(_form(_encoding.encode(request), files, boundary))
    return body, f"multipart/form-data; boundary={boundary}"


def _form(request: bytes, files: Iterable[tuple[str, bytes]], boundary: str) -> Iterator[bytes]:
    head = f"--{boundary}\r\nContent-Disposition: form-data; name="
    yield f'{head}"options"\r\nContent-Type: application/json\r\n\r\n'.encode() + request + b"\r\n"
    for name, data in files:
        yield f'{head}"file"; filename="{name}"\r\nContent-Type: application/octet-stream\r\n\r\n'.encode()
        yield data + b"\r\n"
    yield f"--{boundary}--\r\n".encode()


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
    path = PurePath(name)
    if (
        path.is_absolute()
        or ".." in path.parts
        or not name
        or not name.isprintable()
        or set(name) & set('"\\%')
    ):
        raise ValueError(f"a mesh file lies beside the design or in a folder below it, unlike {name!r}")
    found = folder / path
    if not found.resolve().is_relative_to(folder.resolve()):
        raise ValueError(f"a mesh file lies beside the design or in a folder below it, unlike {name!r}")
    return found
