"""The scan body that study.toml describes, its rigid copies in a file, and its axis and flats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, fit_rigid, frame_from_axis, unit
from accstudy.locate.surface import clean_mesh, connected
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.study.files import Files
from accstudy.study.settings import Cylinder, ScanBodySettings

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

_SEGMENTS = 180  # around


@dataclass(frozen=True, slots=True)
class ScanBody:
    """Drawing geometry of a scan body in the implant frame.

    The implant frame has its origin at the platform centre, z along the axis
    out of the bone and x towards the flat.

    Parameters
    ----------
    name : str
        Key of ``[scan_body.*]`` in study.toml.
    mesh : Mesh
        Drawing in the implant frame, mm.
    has_flat : bool
        Whether the drawing fixes the rotation about the axis.
    use_above_mm : float
        Surface lower than this over the platform is not used.
    learned : bool
        Whether it was derived from a scan, so that its size is that of the bodies there.
    """

    name: str
    mesh: Mesh
    has_flat: bool
    use_above_mm: float
    learned: bool = False


def scan_body_from_settings(name: str, settings: ScanBodySettings, files: Files) -> ScanBody:
    """Read a scan body's drawing and place it in the implant frame.

    Parameters
    ----------
    name : str
        Key of ``[scan_body.*]``.
    settings : ScanBodySettings
        What study.toml says of it.
    files : Files
        Of the study.

    Returns
    -------
    ScanBody

    Raises
    ------
    MeshError
        If the drawing cannot be read.
    InputError
        If nothing of it lies above ``use_above_mm``.
    """
    if settings.cylinder is not None:
        mesh = _cylinder_mesh(settings.cylinder)
        has_flat = settings.cylinder.flat_offset_mm is not None
    else:
        drawing = study_mesh(files, settings.mesh, length_unit=settings.length_unit)
        frame = frame_from_axis(np.array(settings.axis), settings.flat)
        vertices = (drawing.vertices_mm - np.array(settings.origin_mm)) @ frame
        mesh = Mesh(vertices, drawing.faces, drawing.findings)
        has_flat = settings.flat is not None
    if mesh.vertices_mm[:, 2].max() <= settings.use_above_mm:
        raise InputError(
            f'scan body "{name}" ends {mesh.vertices_mm[:, 2].max():.2f} mm above the platform, '
            f"below use_above_mm = {settings.use_above_mm:g}",
            where=f"study.toml::scan_body.{name}",
            hint="check origin_mm, axis and length_unit of the scan body",
        )
    learned = settings.learned is not None
    return ScanBody(name, mesh, has_flat, settings.use_above_mm, learned)


def _cylinder_mesh(cylinder: Cylinder) -> Mesh:
    """Closed mesh of a cylinder whose upper part may have a flat, which faces +x.

    180 edges around keep the chords within 1 µm of a 5 mm cylinder.
    """
    r, top = cylinder.radius_mm, cylinder.height_mm
    if cylinder.flat_offset_mm is None:
        angles = np.arange(_SEGMENTS) * (2 * np.pi / _SEGMENTS)
        ring = r * np.column_stack([np.cos(angles), np.sin(angles)])
        return _stack([ring, ring], [0.0, top])
    half = np.arccos(cylinder.flat_offset_mm / r)
    around = np.linspace(half, 2 * np.pi - half, _SEGMENTS)
    on_flat = np.linspace(-half, half, 9)[1:-1]
    angles = np.concatenate([around, on_flat])
    full = r * np.column_stack([np.cos(angles), np.sin(angles)])
    cut = full.copy()
    chord = np.linspace(-1, 1, 9)[1:-1] * r * np.sin(half)
    cut[_SEGMENTS:] = np.column_stack([np.full(7, cylinder.flat_offset_mm), chord])
    base = cylinder.flat_from_mm
    if base <= 0:
        return _stack([cut, cut], [0.0, top])
    return _stack([full, full, cut, cut], [0.0, base, base, top])


def _stack(rings: list[NDArray[np.float64]], heights: list[float]) -> Mesh:
    """Join closed rings of equal length by walls and close both ends."""
    n = len(rings[0])
    vertices = [np.column_stack([r, np.full(n, z)]) for r, z in zip(rings, heights, strict=True)]
    i = np.arange(n)
    j = (i + 1) % n
    faces = []
    for level in range(len(rings) - 1):
        a, b = level * n, (level + 1) * n
        faces.append(np.column_stack([a + i, a + j, b + j]))
        faces.append(np.column_stack([a + i, b + j, b + i]))
    bottom, top = len(rings) * n, len(rings) * n + 1
    last = (len(rings) - 1) * n
    faces.append(np.column_stack([np.full(n, bottom), j, i]))
    faces.append(np.column_stack([np.full(n, top), last + i, last + j]))
    centre = rings[-1].mean(axis=0)
    ends = np.array([[0.0, 0.0, heights[0]], [centre[0], centre[1], heights[-1]]])
    all_vertices = np.concatenate([*vertices, ends])
    corners = np.concatenate(faces)
    p = all_vertices[corners]
    area = np.linalg.norm(np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0]), axis=1)
    return Mesh(all_vertices, corners[area > 1e-12].astype(np.int32))


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SIDES_MM = 2e-4
_LOOKED_AT = 300
_TRIED = 250
_MATCHED = 0.98
_NEAR_MM = 0.02


@dataclass(frozen=True, slots=True)
class PlacedBody:
    """A rigid copy of a drawing."""

    piece: int  # which piece of the file
    kind: int  # which drawing
    scan_from_body: Rigid  # where it lies
    rms_mm: float  # root mean square distance of corresponding vertices


def find_placed(mesh: Mesh, drawings: Sequence[Mesh]) -> list[PlacedBody] | None:
    """Recognise a file of placed drawings; None if it is a scan, or a piece is no rigid copy.

    The drawings are clean and in their implant frames. One that looks the same upside down gives
    two poses for a piece. The triangles' side lengths tell: in a scan none recurs. A triangle
    without equal sides and its counterpart in the drawing give a pose; that in which the vertices
    meet is the right one.
    """
    tables = [_sides(d) for d in drawings]
    if not _made_of(mesh, tables):
        return None
    found: list[PlacedBody] = []
    for number, piece in enumerate(_pieces(clean_mesh(mesh))):
        placed = [
            PlacedBody(number, k, pose, rms)
            for k, (drawing, table) in enumerate(zip(drawings, tables, strict=True))
            for pose, rms in _place(piece, drawing, table)
        ]
        if not placed:
            return None
        least = min(p.rms_mm for p in placed)
        found += [
            p
            for p in placed
            if p.rms_mm < 2 * least + _SIDES_MM and not any(_same(p, other) for other in found)
        ]
    return found


def _sides(mesh: Mesh) -> Floats:
    """Side lengths of every triangle, ascending, (m, 3)."""
    p = mesh.vertices_mm[mesh.faces]
    return np.sort(np.linalg.norm(p - np.roll(p, 1, axis=1), axis=2), axis=1)


def _made_of(mesh: Mesh, tables: Sequence[Floats]) -> bool:
    """Whether nearly all triangles have the sides of one in a drawing."""
    from scipy.spatial import cKDTree

    few = mesh.faces[:: max(1, len(mesh.faces) // _LOOKED_AT)]
    mine = _sides(Mesh(mesh.vertices_mm, few))
    tree = cKDTree(np.concatenate(tables))
    away, _ = tree.query(mine, distance_upper_bound=_tolerance(mesh))
    return bool(np.mean(np.isfinite(away)) > _MATCHED)


def _tolerance(mesh: Mesh) -> float:
    """Allowance for coordinates stored in single precision, mm."""
    return max(_SIDES_MM, 8 * float(np.spacing(np.float32(np.abs(mesh.vertices_mm).max()))))


def _pieces(mesh: Mesh) -> list[Mesh]:
    """Connected pieces, largest first."""
    label = connected(mesh.faces, len(mesh.vertices_mm))[mesh.faces[:, 0]]
    out = [mesh.part(mesh.faces[label == k]) for k in np.unique(label)]
    return sorted(out, key=lambda piece: -len(piece.faces))


def _place(piece: Mesh, drawing: Mesh, table: Floats) -> list[tuple[Rigid, float]]:
    """Poses of a drawing that bring its vertices onto a piece's, and how well."""
    from scipy.spatial import cKDTree

    tolerance = _tolerance(piece)
    tree = cKDTree(drawing.vertices_mm)
    start, alike = _rare_triangle(_sides(piece), table, tolerance)
    probe = piece.vertices_mm[:: max(1, len(piece.vertices_mm) // 40)]
    tries: list[tuple[float, Rigid]] = []
    for other in alike[:: max(1, len(alike) // _TRIED)].tolist():
        pose = _from_triangle(drawing, other, piece, start)
        away, _ = tree.query(pose.inverse().points(probe))
        if np.median(away) < _NEAR_MM:
            tries.append((float(np.median(away)), pose))
    out: list[tuple[Rigid, float]] = []
    for _, pose in sorted(tries, key=lambda t: t[0]):
        if any(_alike(pose, known) for known, _ in out):
            continue
        exact = _onto_vertices(piece, drawing.vertices_mm, tree, pose)
        if exact is not None and exact[1] < 5 * tolerance:
            out.append(exact)
    return out


def _onto_vertices(
    piece: Mesh, vertices: Floats, tree: cKDTree, pose: Rigid
) -> tuple[Rigid, float] | None:
    """Least squares over corresponding vertices."""
    for _ in range(3):
        found = tree.query(pose.inverse().points(piece.vertices_mm))
        away, index = np.asarray(found[0], float), np.asarray(found[1], np.int64)
        near = away < _NEAR_MM
        if np.mean(near) < _MATCHED:
            return None
        pose = fit_rigid(vertices[index[near]], piece.vertices_mm[near])
    left = pose.points(vertices[index[near]]) - piece.vertices_mm[near]
    return pose, float(np.sqrt(np.mean(np.sum(left**2, axis=1))))


def _alike(a: Rigid, b: Rigid) -> bool:
    """Whether two poses differ by no more than a turn about the axis."""
    shift = np.linalg.norm(a.translation_mm - b.translation_mm)
    return bool(shift < 0.05 and a.rotation[:, 2] @ b.rotation[:, 2] > 0.999)


def _rare_triangle(mine: Floats, table: Floats, tolerance: float) -> tuple[int, Ints]:
    """A triangle of unequal sides with few counterparts, and those."""
    gaps = np.minimum(mine[:, 1] - mine[:, 0], mine[:, 2] - mine[:, 1])
    uneven = np.argsort(-gaps, kind="stable")
    best: tuple[int, Ints] = (0, np.zeros(0, np.int64))
    for t in uneven[:: max(1, len(uneven) // 2 // 60)][:60].tolist():
        alike = np.flatnonzero(np.abs(table - mine[t]).max(axis=1) < tolerance)
        if len(alike) and (not len(best[1]) or len(alike) < len(best[1])):
            best = (t, alike)
    return best


def _from_triangle(drawing: Mesh, a: int, piece: Mesh, b: int) -> Rigid:
    """Motion of one triangle onto another with the same sides."""
    p, q = drawing.vertices_mm[drawing.faces[a]], piece.vertices_mm[piece.faces[b]]
    # a corner is known by the side that faces it
    order = np.argsort(np.linalg.norm(np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0), axis=1))
    other = np.argsort(np.linalg.norm(np.roll(q, -1, axis=0) - np.roll(q, 1, axis=0), axis=1))
    return fit_rigid(p[order], q[other])


def _same(a: PlacedBody, b: PlacedBody) -> bool:
    """Whether two pieces are parts of one body."""
    return a.kind == b.kind and _alike(a.scan_from_body, b.scan_from_body)


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
