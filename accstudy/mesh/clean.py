"""Corners merged, useless triangles dropped and counted, oddities noted."""

from __future__ import annotations

import hashlib

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import Finding, MeshError
from accstudy.mesh.model import Mesh
from accstudy.mesh.raw import RawMesh, note

__all__ = ["clean", "triangle_digest"]

_SMALL_MM, _LARGE_MM = 5.0, 300.0
_SPACING_MM = 2e-3


def clean(raw: RawMesh, *, unit_mm: float, name: str) -> Mesh:
    """Merge equal corners, drop what has no area or stands there twice, look at the rest.

    Parameters
    ----------
    raw : RawMesh
        As the file states it.
    unit_mm : float
        The file's length unit in mm.
    name : str
        How messages call the file.

    Returns
    -------
    Mesh
        Corners equal in single precision are one. Findings say what was
        dropped, and what looks odd: extent (another unit?), a place far from
        the origin where single precision is coarse, many pieces, inside out.

    Raises
    ------
    MeshError
        If no triangle with an area is left.
    """
    findings = list(raw.findings)
    corners = raw.corners
    magnitude = float(np.abs(corners).max()) * unit_mm
    if not np.isfinite(magnitude) or magnitude > 1e9:
        raise MeshError("its coordinates are too large", where=name, hint="check the length unit")
    first, index = _merge(corners)
    vertices = corners[first] * unit_mm
    faces = index.reshape(-1, 3) if raw.faces is None else index[raw.faces]
    faces = _drop_degenerate(vertices, faces, findings)
    faces = _drop_repeated(faces, findings)
    if not len(faces):
        raise MeshError("no triangle has an area", where=name, hint="export the scan again")
    used, faces = _drop_unused(len(vertices), faces)
    vertices = vertices[used]
    extent = float(np.ptp(vertices, axis=0).max())
    _look_at_size(extent, magnitude, findings)
    _look_at_shape(vertices, faces, findings)
    return Mesh(np.ascontiguousarray(vertices), faces.astype(np.int32), tuple(findings))


def _merge(corners: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First place of every distinct corner, and for every corner which one it is.

    Corners are compared by a 64-bit mix of their single-precision bits; that
    two distinct ones share it is excluded by comparing them.
    """
    single = corners.astype(np.float32) + np.float32(0.0)  # -0 becomes 0
    bits = single.view(np.uint32).astype(np.uint64)
    with np.errstate(over="ignore"):
        key = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
        key = (key + bits[:, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        key ^= key >> np.uint64(32)
        key = (key + bits[:, 2]) * np.uint64(0x94D049BB133111EB)
        key ^= key >> np.uint64(31)
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    new = np.empty(len(ranked), bool)
    new[0] = True
    np.not_equal(ranked[1:], ranked[:-1], out=new[1:])
    group = np.cumsum(new) - 1
    firsts = order[new]
    index = np.empty(len(key), np.intp)
    index[order] = group
    if not np.array_equal(single[firsts][index], single):  # two corners share a key
        _, firsts, index = np.unique(single, axis=0, return_index=True, return_inverse=True)
        index = index.reshape(-1)
    by_place = np.argsort(firsts, kind="stable")
    rank = np.empty_like(by_place)
    rank[by_place] = np.arange(len(by_place))
    return firsts[by_place], rank[index]


def _drop_degenerate(
    vertices: NDArray[np.float64], faces: NDArray[np.intp], findings: list[Finding]
) -> NDArray[np.intp]:
    a, b, c = faces.T
    distinct = (a != b) & (b != c) & (c != a)
    p, q, r = vertices[a], vertices[b], vertices[c]
    u, v = q - p, r - p
    normal = np.cross(u, v)
    squares = np.einsum("ij,ij->i", u, u) + np.einsum("ij,ij->i", v, v)
    has_area = np.einsum("ij,ij->i", normal, normal) > 1e-18 * squares**2
    good = distinct & has_area
    dropped = int(len(faces) - good.sum())
    if dropped:
        findings.append(
            note("no-area", f"{dropped} of {len(faces)} triangles without area were left out")
        )
    kept: NDArray[np.intp] = faces[good]
    return kept


def _drop_repeated(faces: NDArray[np.intp], findings: list[Finding]) -> NDArray[np.intp]:
    """Keep one of several triangles with the same corners, whatever their turn."""
    low, high = faces.min(axis=1), faces.max(axis=1)
    middle = faces.sum(axis=1) - low - high
    count = np.uint64(faces.max() + 1) if len(faces) else np.uint64(1)
    if int(count) ** 3 < 2**64:
        key = (low.astype(np.uint64) * count + middle.astype(np.uint64)) * count
        key += high.astype(np.uint64)
        order = np.argsort(key, kind="stable")
        same = key[order][1:] == key[order][:-1]
    else:
        order = np.lexsort((high, middle, low))
        stacked = np.column_stack([low, middle, high])[order]
        same = (stacked[1:] == stacked[:-1]).all(axis=1)
    if not same.any():
        return faces
    keep = np.ones(len(faces), bool)
    keep[order[1:][same]] = False
    findings.append(note("repeated", f"{int(same.sum())} repeated triangles were left out"))
    return faces[keep]


def _drop_unused(count: int, faces: NDArray[np.intp]) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    used = np.zeros(count, bool)
    used[faces] = True
    rank = np.cumsum(used) - 1
    return used, rank[faces]


def _look_at_size(extent: float, magnitude: float, findings: list[Finding]) -> None:
    if extent < _SMALL_MM:
        what = f"it is only {extent:.3g} mm wide; is it in metres or inches?"
        findings.append(note("unit-suspect", what, "set scans.length_unit", warning=True))
    elif extent > _LARGE_MM:
        what = f"it is {extent:.4g} mm wide; is its unit smaller than stated?"
        findings.append(note("unit-suspect", what, "set scans.length_unit", warning=True))
    spacing = float(np.spacing(np.float32(magnitude)))
    if spacing > _SPACING_MM:
        what = (
            f"it lies {magnitude:.0f} mm from the origin, where single precision steps by "
            f"{spacing * 1000:.1f} µm"
        )
        findings.append(
            note("far-away", what, "move the scan near the origin before export", warning=True)
        )


def _look_at_shape(
    vertices: NDArray[np.float64], faces: NDArray[np.intp], findings: list[Finding]
) -> None:
    """Note many pieces and a closed surface whose volume is negative."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n = len(vertices)
    start, end = faces[:, :2].T
    links = coo_array(
        (np.ones(2 * len(faces), np.int8), (np.r_[start, end], np.r_[end, faces[:, 2]])), (n, n)
    )
    pieces, label = connected_components(links, directed=False)
    if pieces > 1:
        sizes = np.bincount(label[faces[:, 0]], minlength=pieces)
        findings.append(
            note(
                "pieces",
                f"it has {pieces} separate pieces, the largest with "
                f"{100 * sizes.max() / len(faces):.0f} % of the triangles",
            )
        )
    centred = vertices - vertices.mean(axis=0)
    p, q, r = centred[faces[:, 0]], centred[faces[:, 1]], centred[faces[:, 2]]
    volume = float(np.einsum("ij,ij->", p, np.cross(q, r))) / 6.0
    if volume < 0 and _is_closed(faces):
        findings.append(
            note(
                "inside-out",
                "its surface is closed and its normals point inwards",
                "export it with the normals outwards",
                warning=True,
            )
        )


def _is_closed(faces: NDArray[np.intp]) -> bool:
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    key = edges[:, 0].astype(np.int64) * (int(edges.max()) + 1) + edges[:, 1]
    _, counts = np.unique(key, return_counts=True)
    return bool((counts == 2).all())


def triangle_digest(mesh: Mesh) -> str:
    """Digest of the triangles, whatever their order and the file's format.

    Parameters
    ----------
    mesh : Mesh
        As read; corners are compared in single precision.

    Returns
    -------
    str
        SHA-256 of the sorted triangles: the same for the same scan under
        another name, header, or order.
    """
    corners = mesh.vertices_mm.astype(np.float32) + np.float32(0.0)
    key = corners.view(np.uint32).astype(np.uint64)
    with np.errstate(over="ignore"):
        mixed = (key[:, 0] * np.uint64(0x9E3779B97F4A7C15)) ^ (
            key[:, 1] * np.uint64(0xBF58476D1CE4E5B9)
        )
        mixed ^= key[:, 2] * np.uint64(0x94D049BB133111EB)
    triangles = np.sort(mixed[mesh.faces], axis=1)
    order = np.lexsort(triangles.T[::-1])
    return hashlib.sha256(triangles[order].tobytes()).hexdigest()
