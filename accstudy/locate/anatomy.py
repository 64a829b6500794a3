"""Properties of CAD geometry: axis, flats, levels, possible origins."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import unit
from accstudy.mesh.model import Mesh

Floats = NDArray[np.float64]

_ALONG, _SQUARE = 0.9995, 0.02
_LEVEL_MM, _MISS_MM, _MISS = 0.02, 0.05, 0.15
_MOST_FLATS, _OFF = 8, 0.06
_LEAST_AREA = 0.002

_Plane = tuple[Floats, Floats, float, Floats]
"""Normal, corners, area and middle."""


@dataclass(frozen=True, slots=True)
class Flat:
    """A plane beside the axis."""

    direction: Floats  # (3,): from the axis to the plane, square to both, drawing frame
    distance_mm: float  # from the axis
    from_mm: float  # heights between which it lies, above the lowest point
    to_mm: float
    area_mm2: float  # its area


@dataclass(frozen=True, slots=True)
class Level:
    """A height at which an origin may be: a plane square to the axis, or an end.

    Parameters
    ----------
    point_mm : (3,) ndarray
        Where the axis meets it, drawing frame.
    height_mm : float
        Above the lowest point.
    faces : str
        ``up``, ``down``, or ``end`` where no plane ends the body.
    inner_mm, outer_mm : float
        Distances from the axis between which the plane lies.
    area_mm2 : float
        Its area; 0 for an end.
    """

    point_mm: Floats
    height_mm: float
    faces: str
    inner_mm: float
    outer_mm: float
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Anatomy:
    """What was found in a drawing.

    Parameters
    ----------
    low_mm, high_mm : (3,) ndarray
        Its extent in its own frame.
    axis : (3,) ndarray
        Unit vector; its sense is a guess, see `sense`.
    point_mm : (3,) ndarray
        Point of the axis at the lowest height.
    turned : float
        Share of the surface that is turned about the axis.
    length_mm : float
        Height of the highest point above the lowest, along the axis.
    flats : tuple of Flat
        The largest first.
    levels : tuple of Level
        From below.
    sense : str
        Why the axis points as it does.
    """

    low_mm: Floats
    high_mm: Floats
    axis: Floats
    point_mm: Floats
    turned: float
    length_mm: float
    flats: tuple[Flat, ...]
    levels: tuple[Level, ...]
    sense: str


@dataclass(frozen=True, slots=True)
class _Faces:
    normal: Floats
    area: Floats
    middle: Floats


def anatomy(mesh: Mesh) -> Anatomy:
    """Find axis, flats and levels of a scan body's drawing.

    Parameters
    ----------
    mesh : Mesh
        The drawing in its own frame, mm.

    Returns
    -------
    Anatomy

    Raises
    ------
    InputError
        If it has no surface.

    Notes
    -----
    The axis is the direction about which most of the surface is turned: there the line
    along the normal of a face meets the axis. Candidates are the principal axes of
    inertia and the normals of large planes (`trimesh`), each made better by least
    squares over the faces beside it; as a prism has several, the share counts by the
    length along the axis. Which end is up cannot be known from a shape: a
    flat is taken to be nearer to the top.
    """
    import trimesh

    body = trimesh.Trimesh(mesh.vertices_mm, mesh.faces, process=True)
    if not len(body.faces) or not body.area > 0:
        raise InputError("the CAD geometry has no surface")
    planes = _planes(body)
    faces = _Faces(
        *(np.array(part) for part in zip(*((p[0], p[2], p[3]) for p in planes), strict=True))
    )
    found = [_about(body, faces, start) for start in _starts(body, faces)]
    axis, centre, turned = max(  # a prism has several, of which the long one is meant
        found, key=lambda one: one[2] * float(np.ptp(mesh.vertices_mm @ one[0]))
    )
    along = mesh.vertices_mm @ axis
    flats = _flats(planes, axis, centre, along.min())
    middle = along.min() + np.ptp(along) / 2
    sense = "no flat shows which end is up: the larger part of the axis is positive"
    turn = axis[int(np.abs(axis).argmax())] < 0
    if flats:
        height = along.min() + (flats[0].from_mm + flats[0].to_mm) / 2
        turn, sense = height < middle, "the flat is taken to be nearer to the top"
    if turn:
        axis = -axis
        along = -along
        flats = _flats(planes, axis, centre, along.min())
    axis = axis + 0.0
    foot = centre + (along.min() - centre @ axis) * axis
    levels = _levels(planes, axis, foot, float(np.ptp(along)), float(faces.area.sum()))
    low, high = mesh.vertices_mm.min(axis=0), mesh.vertices_mm.max(axis=0)
    return Anatomy(low, high, axis, foot, turned, float(np.ptp(along)), flats, levels, sense)


def _starts(body: Any, faces: _Faces) -> list[Floats]:
    """Directions that may be the axis."""
    order = np.argsort(-faces.area)[:3]
    scatter = np.einsum("i,ij,ik->jk", faces.area, faces.normal, faces.normal)
    inertia = np.asarray(body.principal_inertia_vectors, float)
    return [*inertia, *np.linalg.eigh(scatter)[1].T, *faces.normal[order]]


def _about(body: Any, faces: _Faces, start: Floats) -> tuple[Floats, Floats, float]:
    """Axis, a point of it, and the share of the surface that is turned about it."""
    axis = unit(start)
    for limit in (0.5, 0.5, 0.3, 0.3, 0.3, 0.3, 0.3, 0.3):
        # the normals of a cylinder or cone lie on a plane square to its axis
        side = np.abs(faces.normal @ axis) < limit
        if faces.area[side].sum() < 0.05 * faces.area.sum():
            break
        n, weight = faces.normal[side], faces.area[side]
        height = n @ axis
        off = height - _weighted_median(height, weight)
        weight = weight / (1 + (off / max(_weighted_median(np.abs(off), weight), 0.002)) ** 2) ** 2
        mean = np.average(n, axis=0, weights=weight)
        spread = np.einsum("i,ij,ik->jk", weight, n - mean, n - mean)
        better = np.linalg.eigh(spread)[1][:, 0]
        axis = better if better @ axis >= 0 else -better
    centre = np.average(faces.middle, axis=0, weights=faces.area)
    weight = faces.area.copy()
    across = np.linalg.svd(axis[None])[2][1:]
    for _ in range(20):
        # ((p - c) x n) . a is linear in c: 0 where the normal's line meets the axis
        rows = np.cross(faces.normal, axis) @ across.T
        miss = np.sum(np.cross(faces.middle - centre, faces.normal) * axis, axis=1)
        step, *_ = np.linalg.lstsq(
            rows * np.sqrt(weight)[:, None], miss * np.sqrt(weight), rcond=None
        )
        centre = centre + across.T @ step
        miss = np.sum(np.cross(faces.middle - centre, faces.normal) * axis, axis=1)
        scale = max(float(np.median(np.abs(miss))), 0.01)
        weight = faces.area / (1 + (miss / (2 * scale)) ** 2) ** 2
    return axis, centre, _turned(body, axis, centre)


def _turned(body: Any, axis: Floats, centre: Floats) -> float:
    """Share of the surface whose normals meet the axis, or that lies square to it."""
    normal, area = np.asarray(body.face_normals), np.asarray(body.area_faces)
    local = np.asarray(body.triangles_center) - centre
    away = np.linalg.norm(local - np.outer(local @ axis, axis), axis=1)
    miss = np.abs(np.sum(np.cross(local, normal) * axis, axis=1))
    square = np.abs(normal @ axis) > _ALONG
    meets = miss < np.maximum(_MISS_MM, _OFF * away)  # a facet's middle lies beside its normal
    return float(area[square | meets].sum() / area.sum())


def _weighted_median(values: Floats, weights: Floats) -> float:
    order = np.argsort(values)
    below = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(below, below[-1] / 2)])


def _planes(body: Any) -> list[_Plane]:
    """Planes of several faces, and single faces."""
    groups = [np.asarray(group) for group in body.facets]
    alone = np.setdiff1d(np.arange(len(body.faces)), np.concatenate([*groups, []]).astype(int))
    groups += [np.array([k]) for k in alone if body.area_faces[k] > 0]
    return [
        (
            np.asarray(body.face_normals[group[0]], float),
            np.asarray(body.vertices[np.unique(body.faces[group])], float),
            float(body.area_faces[group].sum()),
            np.average(body.triangles_center[group], axis=0, weights=body.area_faces[group]),
        )
        for group in groups
    ]


def _flats(planes: list[_Plane], axis: Floats, centre: Floats, low: float) -> tuple[Flat, ...]:
    found = []
    for normal, corners, area, _ in planes:
        if abs(normal @ axis) > _SQUARE:
            continue
        local = corners - centre
        miss = np.abs(np.sum(np.cross(local, normal) * axis, axis=1)).max()
        distance = float((local @ normal).mean())
        if miss < max(_MISS_MM, _MISS * abs(distance)) or distance <= 0:
            continue
        heights = corners @ axis - low
        direction = unit(normal - (normal @ axis) * axis) + 0.0
        found.append(Flat(direction, distance, float(heights.min()), float(heights.max()), area))
    found.sort(key=lambda flat: -flat.area_mm2)
    large = [flat for flat in found if flat.area_mm2 > 0.2 * found[0].area_mm2]
    return tuple(large) if len(large) <= _MOST_FLATS else ()


def _levels(
    planes: list[_Plane], axis: Floats, foot: Floats, length: float,
    whole: float,
) -> tuple[Level, ...]:  # fmt: skip
    """Planes square to the axis, joined where they lie at one height and face one way."""
    groups: dict[tuple[int, bool], list[tuple[float, Floats, float]]] = {}
    for normal, corners, area, _ in planes:
        if abs(normal @ axis) < _ALONG:
            continue
        height = float(((corners - foot) @ axis).mean())
        key = (round(height / _LEVEL_MM), bool(normal @ axis > 0))
        groups.setdefault(key, []).append((height, corners, area))
    found = []
    for (_, up), parts in groups.items():
        area = sum(part[2] for part in parts)
        if area < _LEAST_AREA * whole:
            continue
        height = float(np.average([p[0] for p in parts], weights=[p[2] for p in parts]))
        local = np.concatenate([p[1] for p in parts]) - foot
        radii = np.linalg.norm(local - np.outer(local @ axis, axis), axis=1)
        inner = 0.0 if _covers(parts, foot, axis) else float(radii.min())
        faces = "up" if up else "down"
        found.append(
            Level(foot + height * axis + 0.0, height, faces, inner, float(radii.max()), area)
        )
    for height in (0.0, length):
        if not any(abs(level.height_mm - height) < _LEVEL_MM for level in found):
            found.append(Level(foot + height * axis + 0.0, height, "end", 0.0, 0.0, 0.0))
    return tuple(sorted(found, key=lambda level: level.height_mm))


def _covers(parts: list[tuple[float, Floats, float]], foot: Floats, axis: Floats) -> bool:
    """Whether a plane is a disc rather than a ring: as large as the circle round it."""
    local = np.concatenate([p[1] for p in parts]) - foot
    radius = np.linalg.norm(local - np.outer(local @ axis, axis), axis=1).max()
    return bool(sum(p[2] for p in parts) > 0.75 * np.pi * radius**2)
