"""Volume and moments of a closed surface of triangles."""

from __future__ import annotations

import numpy as np

from ballgauge_service.core.compiled import compiled
from ballgauge_service.design.solids.surfaces import Floats, Numbers


@compiled
def _add_tetrahedra(vertices: Floats, faces: Numbers, out: Floats) -> None:
    for f in range(faces.shape[0]):
        a = vertices[faces[f, 0]]
        b = vertices[faces[f, 1]]
        c = vertices[faces[f, 2]]
        six = (
            a[0] * (b[1] * c[2] - b[2] * c[1])
            - a[1] * (b[0] * c[2] - b[2] * c[0])
            + a[2] * (b[0] * c[1] - b[1] * c[0])
        )
        out[0] += six / 6.0
        slot = 7
        for i in range(3):
            total = a[i] + b[i] + c[i]
            out[1 + i] += six * total / 24.0
            out[4 + i] += six * (total * total + a[i] * a[i] + b[i] * b[i] + c[i] * c[i]) / 120.0
            for j in range(i + 1, 3):
                other = a[j] + b[j] + c[j]
                out[slot] += six * (total * other + a[i] * a[j] + b[i] * b[j] + c[i] * c[j]) / 120.0
                slot += 1


def mesh_moments(vertices: Floats, faces: Numbers) -> Floats:
    """Moments of a closed mesh: the sum over the tetrahedra between the origin and each face.

    Parameters
    ----------
    vertices : (v, 3) array [in]
    faces : (f, 3) array of vertex numbers

    Returns
    -------
    (10,) array: volume, first moments and second moments xx, yy, zz, xy, xz, yz [in^3, in^4, in^5]

    References
    ----------
    Of a tetrahedron with one corner at the origin: V (s_i s_j + sum of the corners' products) / 20, s the
    sum of the corners (Tonon, 2004, from memory).
    """
    out = np.zeros(10)
    _add_tetrahedra(
        np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.int64), out
    )
    return out
