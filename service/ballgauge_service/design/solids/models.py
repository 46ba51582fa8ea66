"""A design's solids as files that other programs read: 3MF and STL in millimeters, STEP by the extra `cad`.

Each solid is a body of its own, whole and in order: a later one displaces what lies beneath it. Round ones of
3MF and STL are cut in facets with their corners on the solid.
"""

from __future__ import annotations

import io
import zipfile
from xml.sax.saxutils import quoteattr

import numpy as np

from ballgauge_service.core.units import MM_PER_INCH
from ballgauge_service.design.solids.solids import Design, Solid
from ballgauge_service.design.solids.tessellation import sections_within, tessellated

FACET, COARSE = 0.001, 12
"""Inches that a facet may lie within a round solid; sides of one to find its size by (ours)."""

ORDER = "Whole bodies in order: each later one displaces what lies beneath it."

_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/'
    'content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
    'relationships+xml"/><Default Extension="model" ContentType="application/vnd.ms-package.'
    '3dmanufacturing-3dmodel+xml"/></Types>'
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/'
    '2006/relationships"><Relationship Target="/3D/3dmodel.model" Id="model" Type="http://schemas.microsoft.'
    'com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def write_model(design: Design, kind: str) -> bytes:
    """The solids as a file.

    Parameters
    ----------
    design : Design
    kind : str, 3mf, stl or step

    Returns
    -------
    bytes

    Raises
    ------
    InvalidInput where STEP cannot be written
    """
    if kind == "step":
        # Deferred: it needs an extra of its own.
        from ballgauge_service.design.solids.step import write_step

        return write_step(design)
    return _as_3mf(design) if kind == "3mf" else _as_stl(design)


def _facets(solid: Solid) -> tuple[np.ndarray, np.ndarray]:
    """Vertices [mm] and faces."""
    radius = 0.5 * float(tessellated(solid, COARSE).extents.max())
    mesh = tessellated(solid, sections_within(radius, FACET))
    return mesh.vertices * MM_PER_INCH, mesh.faces


def _as_3mf(design: Design) -> bytes:
    """3MF core specification 1.3 (2023, from memory): an object each, named, and its unit."""
    objects, items = [], []
    for at, solid in enumerate(design.solids, 1):
        vertices, faces = _facets(solid)
        points = "".join(f'<vertex x="{x:.6g}" y="{y:.6g}" z="{z:.6g}"/>' for x, y, z in vertices)
        corners = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in faces)
        objects.append(
            f'<object id="{at}" type="model" name={quoteattr(solid.name)}><mesh><vertices>{points}</vertices>'
            f"<triangles>{corners}</triangles></mesh></object>"
        )
        items.append(f'<item objectid="{at}"/>')
    model = (
        '<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xml:lang="en" '
        'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"><metadata name="Title">'
        f'{_text(design.name)}</metadata><metadata name="Description">{ORDER}</metadata><resources>'
        f"{''.join(objects)}</resources>"
        f"<build>{''.join(items)}</build></model>"
    )
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name, text in (
            ("[Content_Types].xml", _TYPES), ("_rels/.rels", _RELATIONS), ("3D/3dmodel.model", model),
        ):  # fmt: skip
            archive.writestr(zipfile.ZipInfo(name), text, zipfile.ZIP_DEFLATED)
    return sink.getvalue()


def _as_stl(design: Design) -> bytes:
    """An STL as text: a named solid each; the format has no unit, so that the names say mm."""
    lines = []
    for solid in design.solids:
        name = f"{_text(solid.name)} [mm]"
        vertices, faces = _facets(solid)
        corners = vertices[faces]
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
        lines.append(f"solid {name}")
        for normal, corner in zip(normals.tolist(), corners.tolist(), strict=True):
            points = "".join(f"vertex {x:.6g} {y:.6g} {z:.6g}\n" for x, y, z in corner)
            lines.append(
                "facet normal {:.5g} {:.5g} {:.5g}\nouter loop\n".format(*normal)
                + points
                + "endloop\nendfacet"
            )
        lines.append(f"endsolid {name}")
    return "\n".join([*lines, ""]).encode()


def _text(text: str) -> str:
    """A name with what no text of a file may hold left out."""
    return "".join(letter for letter in text if letter.isprintable() and letter not in "<>&")
