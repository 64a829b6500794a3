"""The scan body that study.toml describes: CAD geometry, or a cylinder with a flat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError
from accstudy.geometry.rigid import frame_from_axis
from accstudy.mesh.model import Mesh
from accstudy.mesh.read import study_mesh
from accstudy.study.files import Files
from accstudy.study.settings import Cylinder, ScanBodySettings

__all__ = ["ScanBody", "cylinder_mesh", "scan_body_from_settings"]


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
        mesh = cylinder_mesh(settings.cylinder)
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


def cylinder_mesh(cylinder: Cylinder, *, segments: int = 180) -> Mesh:
    """Make the closed mesh of a cylinder whose upper part may have a flat.

    Parameters
    ----------
    cylinder : Cylinder
        Radius, height and, for the flat, its distance from the axis and the
        height at which it begins; it reaches to the top.
    segments : int
        Edges around; 180 keep the chords within 1 µm of a 5 mm cylinder.

    Returns
    -------
    Mesh
        In the implant frame, the flat towards +x.
    """
    r, top = cylinder.radius_mm, cylinder.height_mm
    if cylinder.flat_offset_mm is None:
        angles = np.arange(segments) * (2 * np.pi / segments)
        ring = r * np.column_stack([np.cos(angles), np.sin(angles)])
        return _stack([ring, ring], [0.0, top])
    half = np.arccos(cylinder.flat_offset_mm / r)
    around = np.linspace(half, 2 * np.pi - half, segments)
    on_flat = np.linspace(-half, half, 9)[1:-1]
    angles = np.concatenate([around, on_flat])
    full = r * np.column_stack([np.cos(angles), np.sin(angles)])
    cut = full.copy()
    chord = np.linspace(-1, 1, 9)[1:-1] * r * np.sin(half)
    cut[segments:] = np.column_stack([np.full(7, cylinder.flat_offset_mm), chord])
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
