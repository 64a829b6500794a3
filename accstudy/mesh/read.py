"""A mesh file to a clean mesh; a fault is an error that names its place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.errors import Finding, MeshError
from accstudy.mesh.model import (
    MAX_BYTES,
    MAX_TRIANGLES,
    Mesh,
    RawMesh,
    Source,
    cross_and_spread,
    note,
    source_of,
    widened,
)
from accstudy.mesh.ply import read_ply
from accstudy.mesh.stl_obj import read_obj, read_stl
from accstudy.quantities import UNIT_MM
from accstudy.study.files import Files, read_bytes
from accstudy.words.catalogue import say

_READERS: dict[str, Callable[[Source], RawMesh]] = {
    "stl": read_stl,
    "ply": read_ply,
    "obj": read_obj,
}


def read_mesh(
    path: Path, *, length_unit: str = "mm", name: str | None = None, max_bytes: int = MAX_BYTES
) -> Mesh:
    """Read a mesh file.

    Parameters
    ----------
    path : Path
        STL (binary or ASCII), PLY or OBJ, or one of these with ``.gz``.
    length_unit : {"mm", "cm", "m", "inch", "um"}
        Unit of the file, which itself states none.
    name : str, optional
        How messages call the file; its own name by default.
    max_bytes : int
        Bound on the unpacked size.

    Returns
    -------
    Mesh
        In mm; legal oddities are findings.

    Raises
    ------
    MeshError
        If the file cannot be read without guessing; never an empty mesh.
    """
    called = path.name if name is None else name
    data = read_bytes(path, file=called, max_bytes=max_bytes, fault=MeshError)
    return mesh_of(data, length_unit=length_unit, name=called, max_bytes=max_bytes)


def study_mesh(files: Files, file: str, *, length_unit: str) -> Mesh:
    """Read a mesh that a study names, as `read_mesh` does; its digest is kept."""
    data = files.read(file, max_bytes=MAX_BYTES, fault=MeshError)
    return mesh_of(data, length_unit=length_unit, name=file)


def mesh_of(data: bytes, *, length_unit: str = "mm", name: str, max_bytes: int = MAX_BYTES) -> Mesh:
    """Read the bytes of a mesh file, as `read_mesh` does."""
    source = source_of(data, name=name, max_bytes=max_bytes)
    raw = _READERS[source.kind](source)
    mesh = clean(raw, unit_mm=UNIT_MM[length_unit], name=name)
    return replace(mesh, findings=tuple(replace(f, where=name) for f in mesh.findings))


_MANY = 0.001
_HOLLOW = -0.01


def look_at_winding(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], area_vectors: NDArray[np.float64]
) -> list[Finding]:
    """Find triangles wound against their neighbours, and surfaces turned inside out (mm, mm2).

    A closed surface is inside out if its volume is negative. An open one is closed in thought by a
    fan from the centre of its border: teeth and scan bodies stand out of it, so that this volume is
    positive on a scan. It is called inside out below -0.01 of the area to the power 1.5; a half
    sphere's inside has -0.13, a whole jaw's scan turned inside out -0.03. Where three triangles
    meet in an edge two are wound alike; a few such edges are usual.
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
        what = say("mesh.wound_apart", against=against, shared=shared)
        findings.append(note("winding", what, say("mesh.correct_the_normals"), warning=True))
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
        what = say("mesh.closed_and_inwards")
    elif len(border) and volume < _HOLLOW * area**1.5:
        what = say("mesh.normals_into_material")
    else:
        return findings
    return [*findings, note("inside-out", what, say("mesh.normals_outwards"), warning=True)]


_SMALL_MM, _LARGE_MM = 5.0, 300.0
_SPACING_MM = 2e-3


def clean(raw: RawMesh, *, unit_mm: float, name: str) -> Mesh:
    """Merge equal corners, drop what has no area or is listed twice, look at the rest.

    Corners equal in single precision are one. Findings say what was dropped, and what looks odd:
    extent (another unit?), a place far from the origin where single precision is coarse, many
    pieces, inside out. `MeshError` if no triangle with an area is left.
    """
    findings = list(raw.findings)
    stated = len(raw.corners) // 3 if raw.faces is None else len(raw.faces)
    if stated > MAX_TRIANGLES:
        what = f"it has {stated} triangles, more than {MAX_TRIANGLES // 1_000_000} million"
        raise MeshError(what, where=name, hint="export fewer triangles")
    magnitude = unit_mm * max(float(raw.corners.max()), -float(raw.corners.min()))
    if not np.isfinite(magnitude) or magnitude > 1e9:
        raise MeshError("its coordinates are too large", where=name, hint="check the length unit")
    first, index = _merge(raw.corners)
    vertices = widened(raw.corners[first]) * unit_mm
    faces = (index.reshape(-1, 3) if raw.faces is None else index[raw.faces]).astype(np.int32)
    faces, normals = _drop_degenerate(vertices, faces, findings)
    faces, normals = _drop_repeated(faces, normals, findings)
    if not len(faces):
        raise MeshError("all triangles have zero area", where=name, hint="export the scan again")
    vertices, faces = _drop_unused(vertices, faces)
    extent = max(float(np.ptp(vertices[:, k])) for k in range(3))
    _look_at_size(extent, magnitude, findings)
    _look_at_shape(vertices, faces, normals, findings)
    return Mesh(np.ascontiguousarray(vertices), faces, tuple(findings))


def _merge(
    corners: NDArray[np.floating[Any]],
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First place of every distinct corner, and for every corner which one it is.

    Corners are compared by a 64-bit mix of their single-precision bits; that
    two distinct ones share it is excluded by comparing them.
    """
    single = np.ascontiguousarray(corners, np.float32)
    single = single + np.float32(0.0)  # -0 becomes 0
    index, distinct = pd.factorize(_mix(single.view(np.uint32)))  # in the order of their firsts
    firsts = np.empty(len(distinct), np.intp)
    firsts[index[::-1]] = np.arange(len(index) - 1, -1, -1)
    for k in range(3):
        column = single[:, k]
        if not np.array_equal(np.take(column[firsts], index), column):
            return _merge_by_rows(single)  # two corners share a key
    return firsts, index


def _mix(bits: NDArray[np.uint32]) -> NDArray[np.uint64]:
    """Mix three words of 32 bits into one of 64, each bit into every other."""
    key = bits[:, 0].astype(np.uint64)
    with np.errstate(over="ignore"):
        key *= np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
        key += bits[:, 1]
        key *= np.uint64(0xBF58476D1CE4E5B9)
        key ^= key >> np.uint64(32)
        key += bits[:, 2]
        key *= np.uint64(0x94D049BB133111EB)
        key ^= key >> np.uint64(31)
    return key


def _merge_by_rows(single: NDArray[np.float32]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """As `_merge`, by sorting the corners themselves: slow and beyond doubt."""
    _, firsts, index = np.unique(single, axis=0, return_index=True, return_inverse=True)
    by_place = np.argsort(firsts, kind="stable")
    rank = np.empty_like(by_place)
    rank[by_place] = np.arange(len(by_place))
    return firsts[by_place], rank[index.reshape(-1)]


def _drop_degenerate(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], findings: list[Finding]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Drop triangles without area; give the others' normals, as long as their areas."""
    a, b, c = faces.T
    normals, spread = cross_and_spread(vertices, faces)
    good = (a != b) & (b != c) & (c != a)
    good &= 4 * sum(normals[:, k] ** 2 for k in range(3)) > 1e-18 * spread**2
    dropped = int(len(faces) - np.count_nonzero(good))
    if not dropped:
        return faces, normals
    findings.append(note("no-area", say("mesh.no_area", dropped=dropped, all=len(faces))))
    return faces[good], normals[good]


def _drop_repeated(
    faces: NDArray[np.int32], normals: NDArray[np.float64], findings: list[Finding]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Keep the first of several triangles with the same corners, whatever their turn."""
    a, b, c = (faces[:, k].astype(np.uint64) for k in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    middle = a + b + c - low - high
    count = int(high.max()) + 1 if len(faces) else 1
    if count**3 < 2**64:
        key = pd.Series((low * np.uint64(count) + middle) * np.uint64(count) + high)
        again = key.duplicated().to_numpy()
    else:
        again = pd.DataFrame({"low": low, "middle": middle, "high": high}).duplicated().to_numpy()
    if not again.any():
        return faces, normals
    repeated = int(np.count_nonzero(again))
    findings.append(note("repeated", say("mesh.repeated", repeated=repeated)))
    return faces[~again], normals[~again]


def _drop_unused(
    vertices: NDArray[np.float64], faces: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    used = np.zeros(len(vertices), bool)
    used[faces.ravel()] = True
    if used.all():
        return vertices, faces
    rank = (np.cumsum(used) - 1).astype(np.int32)
    return vertices[used], rank[faces]


def _look_at_size(extent: float, magnitude: float, findings: list[Finding]) -> None:
    if extent < _SMALL_MM:
        what = say("mesh.too_small", extent=extent)
        findings.append(note("unit-suspect", what, say("mesh.set_the_unit"), warning=True))
    elif extent > _LARGE_MM:
        what = say("mesh.too_large", extent=extent)
        findings.append(note("unit-suspect", what, say("mesh.set_the_unit"), warning=True))
    spacing = float(np.spacing(np.float32(magnitude)))
    if spacing > _SPACING_MM:
        what = say("mesh.far_away", magnitude=magnitude, spacing_um=spacing * 1000)
        findings.append(note("far-away", what, say("mesh.move_near_the_origin"), warning=True))


def _look_at_shape(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int32],
    normals: NDArray[np.float64],
    findings: list[Finding],
) -> None:
    """Note many pieces and triangles that face the wrong way."""
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
                say("mesh.pieces", pieces=pieces, share=100 * sizes.max() / len(faces)),
            )
        )
    findings += look_at_winding(vertices, faces, normals)


def triangle_digest(mesh: Mesh) -> str:
    """Digest of the triangles, independent of their order and the file format.

    The same for the same scan under another name, header, or order: 128 bits of a sum over
    triangles of a mixture of their corners in single precision. It tells copies from scans, which
    are never equal by chance; it does not withstand somebody who makes a collision.
    """
    corners = mesh.vertices_mm.astype(np.float32) + np.float32(0.0)
    key = corners.view(np.uint32).astype(np.uint64)
    with np.errstate(over="ignore"):
        mixed = _mixed(key[:, 0] + _mixed(key[:, 1] + _mixed(key[:, 2])))
        triangles = mixed[mesh.faces[:, 0]] + mixed[mesh.faces[:, 1]] + mixed[mesh.faces[:, 2]]
        once = _mixed(triangles)
        sums = int(once.sum()), int((once * once).sum())
    return f"{len(mesh.faces):x}-{sums[0]:016x}{sums[1]:016x}"


def _mixed(values: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Spread 64 bits over all 64 (splitmix64: Steele, Lea, Flood, OOPSLA 2014, 453-472)."""
    z = values + np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))
