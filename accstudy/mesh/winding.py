"""Which way the triangles face: against each other, or inwards."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding
from accstudy.mesh.raw import note

__all__ = ["look_at_winding"]

_MANY = 0.001
_HOLLOW = -0.01


def look_at_winding(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], area_vectors: NDArray[np.float64]
) -> list[Finding]:
    """Find triangles wound against their neighbours, and surfaces turned inside out.

    Parameters
    ----------
    vertices : (n, 3) ndarray
        Corners, mm.
    faces : (m, 3) ndarray of int
        Triangles, no two with the same corners.
    area_vectors : (m, 3) ndarray
        Their normals, as long as their areas, mm2.

    Returns
    -------
    list of Finding

    Notes
    -----
    A closed surface is inside out if its volume is negative. An open one is
    closed in thought by a fan from the centre of its border: teeth and scan
    bodies stand out of it, so that this volume is positive on a scan. It is
    called inside out below -0.01 of the area to the power 1.5; a half sphere's
    inside has -0.13, a whole jaw's scan turned inside out -0.03. Where three
    triangles meet in an edge two are wound alike; a few such edges are usual.
    """
    n = len(vertices)
    corner = [faces[:, k].astype(np.int64) for k in range(3)]
    sides = zip(corner, [*corner[1:], corner[0]], strict=True)
    side = np.concatenate(
        [(np.minimum(a, b) * n + np.maximum(a, b)) * 2 + (a > b) for a, b in sides]
    )
    side.sort()
    against = int(np.count_nonzero(side[1:] == side[:-1]))
    edge = side >> 1
    first = np.r_[True, edge[1:] != edge[:-1]]
    single = first & np.r_[first[1:], True]
    shared = int(np.count_nonzero(first)) - int(np.count_nonzero(single))
    findings = []
    if against > _MANY * shared:
        what = (
            f"at {against} of {shared} inner edges the triangles are wound in opposite directions"
        )
        findings.append(note("winding", what, "correct the normals before export", warning=True))
    border = edge[single]
    ends = np.concatenate([border // n, border % n]) if len(border) else slice(None)
    apex = vertices[ends].mean(axis=0)
    volume = sum(
        float((vertices[:, k].take(corner[0]) - apex[k]) @ area_vectors[:, k]) for k in range(3)
    )
    volume /= 3.0
    area = float(np.sqrt(sum(area_vectors[:, k] ** 2 for k in range(3))).sum())
    nothing = 1e-9 * float(np.ptp(vertices)) * area
    if not len(border) and volume < -nothing:
        what = "its surface is closed and its normals point inwards"
    elif len(border) and volume < _HOLLOW * area**1.5:
        what = "its normals seem to point into the material"
    else:
        return findings
    mend = "export it with the normals pointing outwards"
    return [*findings, note("inside-out", what, mend, warning=True)]
