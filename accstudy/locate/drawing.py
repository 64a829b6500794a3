"""The scan body that study.toml describes, and files that hold only rigid copies of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, fit_rigid, frame_from_axis
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
