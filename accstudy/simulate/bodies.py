"""Simulated scan bodies: a solid given by its distance function, and its CAD geometry.

The scans of `accstudy.simulate.scan` sample the solid itself, not the facets of
a drawing, so a coarse drawing is a little too thin, as real ones are.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from accstudy.errors import InputError, nearest
from accstudy.locate.scan_body import ScanBody
from accstudy.mesh.model import Mesh

Floats = NDArray[np.float64]


class Shape(Hashable, Protocol):
    """What a scan needs to know of a solid; `BodyShape` says what it means."""

    @property
    def height_mm(self) -> float:
        """Height over the platform."""
        ...

    @property
    def radius_mm(self) -> float:
        """Largest distance from the axis."""
        ...

    @property
    def use_above_mm(self) -> float:
        """Height below which locating ignores the surface."""
        ...

    @property
    def has_flat(self) -> bool:
        """Whether the solid fixes the rotation about its axis."""
        ...

    def distance(
        self, points_mm: Floats, *, edge_rounding_mm: float = 0.0
    ) -> tuple[Floats, Floats]:
        """Signed distance to the surface and its gradient."""
        ...

    def drawing(self, *, segment_mm: float = 0.5) -> ScanBody:
        """Draw it as a closed triangle mesh."""
        ...


@dataclass(frozen=True, slots=True)
class BodyShape:
    """A solid in the implant frame: a cylinder or cone whose top has plane cuts.

    ``taper_deg`` is the angle of the side to the axis; the radius (at the platform) shrinks
    upwards. ``cuts`` hold the azimuth of a cut's normal (deg from x, about z) and its distance from
    the axis in mm; they reach from a ledge at ``cut_from_mm`` to the top. Below ``use_above_mm``
    locating ignores the surface.
    """

    name: str
    radius_mm: float
    height_mm: float
    taper_deg: float = 0.0
    cut_from_mm: float = 0.0
    cuts: tuple[tuple[float, float], ...] = ()
    use_above_mm: float = 2.5

    @property
    def fold(self) -> int:
        """How often a full turn brings the solid onto itself; 0 for a round one."""
        if not self.cuts:
            return 0
        cuts = sorted((a % 360.0, d) for a, d in self.cuts)
        for k in range(len(cuts), 1, -1):
            if len(cuts) % k:
                continue
            turned = sorted(((a + 360.0 / k) % 360.0, d) for a, d in cuts)
            if np.allclose(cuts, turned, atol=1e-9):
                return k
        return 1

    @property
    def has_flat(self) -> bool:
        """Whether the solid fixes the rotation about its axis."""
        return self.fold == 1

    def distance(
        self, points_mm: Floats, *, edge_rounding_mm: float = 0.0
    ) -> tuple[Floats, Floats]:
        """Signed distance, (n,), of points in the implant frame; its gradient, (n, 3).

        Convex edges are rounded. Negative inside; the zero level is the surface exactly. Away from
        it, beside single faces and right-angled edges, it is the distance; elsewhere a smooth
        substitute. The gradient has unit length beside single faces.
        """
        parts, normals = self._parts(points_mm)
        top = np.argmax(parts, axis=0)
        n = np.arange(len(points_mm))
        rho = edge_rounding_mm
        over = np.maximum(parts + rho, 0.0)
        reach = np.sqrt(np.sum(over * over, axis=0))
        largest = parts[top, n]
        value = np.minimum(largest, -rho) + reach
        gradient = normals[top, n]
        blended = reach > 0
        if np.any(blended):
            w = over[:, blended] / reach[blended]
            gradient[blended] = np.einsum("kn,knd->nd", w, normals[:, blended])
        return value, gradient

    def _parts(self, p: Floats) -> tuple[Floats, Floats]:
        """Distances to side, top, bottom and cuts, and their gradients."""
        count = 3 + len(self.cuts)
        parts = np.empty((count, len(p)))
        normals = np.zeros((count, len(p), 3))
        r = np.hypot(p[:, 0], p[:, 1])
        slope = np.radians(self.taper_deg)
        parts[0] = (r - self.radius_mm + p[:, 2] * np.tan(slope)) * np.cos(slope)
        safe = np.where(r > 0, r, 1.0)
        normals[0, :, 0] = p[:, 0] / safe * np.cos(slope)
        normals[0, :, 1] = p[:, 1] / safe * np.cos(slope)
        normals[0, :, 2] = np.sin(slope)
        parts[1] = p[:, 2] - self.height_mm
        normals[1, :, 2] = 1.0
        parts[2] = -p[:, 2]
        normals[2, :, 2] = -1.0
        for i, (azimuth, offset) in enumerate(self.cuts, start=3):
            direction = _azimuth(azimuth)
            plane = p[:, :2] @ direction - offset
            ledge = p[:, 2] - self.cut_from_mm
            parts[i] = np.minimum(plane, ledge)
            on_plane = plane <= ledge
            normals[i, on_plane, :2] = direction
            normals[i, ~on_plane, 2] = 1.0
        return parts, normals

    def drawing(self, *, segment_mm: float = 0.5, edge_rounding_mm: float = 0.0) -> ScanBody:
        """Draw the solid as a closed mesh, named after the shape, with every vertex on its surface.

        `segment_mm` is the length of an edge around and along: the facets of a round side lie
        inside the solid by up to ``segment_mm**2 / (8 * radius_mm)``.
        """
        mesh = _draw(self, segment_mm, edge_rounding_mm)
        return ScanBody(self.name, mesh, self.has_flat, self.use_above_mm)


SHAPES: dict[str, BodyShape] = {
    shape.name: shape
    for shape in (
        BodyShape("cylinder-flat", 2.5, 10.0, cut_from_mm=7.4, cuts=((0.0, 1.85),)),
        BodyShape("cylinder-round", 2.4, 9.0),
        BodyShape("low-wide", 3.0, 5.2, cut_from_mm=3.2, cuts=((0.0, 2.2),)),
        BodyShape("tapered", 2.6, 9.5, taper_deg=6.0, cut_from_mm=6.8, cuts=((0.0, 1.2),)),
        BodyShape(
            "polygon-top",
            2.6,
            8.5,
            cut_from_mm=5.5,
            cuts=((0.0, 1.5), (90.0, 2.0), (180.0, 2.0), (270.0, 2.0)),
        ),
        BodyShape(
            "polygon-top-symmetric",
            2.6,
            8.5,
            cut_from_mm=5.5,
            cuts=tuple((60.0 * k, 2.1) for k in range(6)),
        ),
    )
}
"""Invented scan bodies; sizes within common practice (3.5 to 6 mm wide, 4 to 17 mm high)."""


def body_shape(name: str) -> BodyShape:
    """Look up a simulated scan body; InputError if there is none of that name."""
    if name not in SHAPES:
        raise InputError(f'no scan body shape "{name}"', hint=nearest(name, list(SHAPES)))
    return SHAPES[name]


def scan_body(shape: str, *, segment_mm: float = 0.5, edge_rounding_mm: float = 0.0) -> ScanBody:
    """Build a simulated scan body in the implant frame.

    Parameters
    ----------
    shape : str
        A key of `SHAPES`. ``polygon-top-symmetric`` leaves the rotation
        six-fold ambiguous, ``cylinder-round`` leaves it free.
    segment_mm, edge_rounding_mm : float
        As in `BodyShape.drawing`.
    """
    return body_shape(shape).drawing(segment_mm=segment_mm, edge_rounding_mm=edge_rounding_mm)


def _azimuth(deg: float) -> Floats:
    return np.array([np.cos(np.radians(deg)), np.sin(np.radians(deg))])


def _draw(shape: BodyShape, segment: float, rounding: float) -> Mesh:
    """Stack rings of equal count, close the ends, weld, round."""
    marks = _marks_deg(shape, shape.cut_from_mm)
    parts = _parts(marks, segment / shape.radius_mm)

    def ring(z: float, *, cut: bool, scale: float = 1.0, inset: float = 0.0) -> Floats:
        # where a plane cuts a cone, the corners between them move with the height
        moved = _marks_deg(shape, max(z, shape.cut_from_mm))
        angles = _ring_angles(moved if len(moved) == len(marks) else marks, parts)
        unit = np.column_stack([np.cos(angles), np.sin(angles)])
        side = _side_mm(shape, z)
        radius = np.full(len(angles), side)
        for azimuth, offset in shape.cuts if cut else ():
            cosine = unit @ _azimuth(azimuth)
            facing = cosine > 1e-9
            radius[facing] = np.minimum(radius[facing], offset / cosine[facing])
        return np.column_stack([unit * ((radius - inset) * scale)[:, None], np.full(len(unit), z)])

    top = shape.height_mm
    low_end = shape.cut_from_mm if shape.cuts else top
    wall_end = low_end if shape.cuts else top - rounding
    levels = [ring(z, cut=False) for z in _steps(0.0, wall_end, segment)]
    if shape.cuts:
        levels += [ring(z, cut=True) for z in _steps(low_end, top - rounding, segment)]
    if rounding > 0:
        for a in np.linspace(0, np.pi / 2, 6)[1:]:
            z = top - rounding * (1 - np.sin(a))
            levels.append(ring(z, cut=bool(shape.cuts), inset=rounding * (1 - np.cos(a))))
    n_caps = max(1, round(shape.radius_mm / segment))
    shrink = np.arange(n_caps - 1, 0, -1) / n_caps
    levels = [
        *[ring(0.0, cut=False, scale=s) for s in shrink[::-1]],
        *levels,
        *[ring(top, cut=bool(shape.cuts), scale=s, inset=rounding) for s in shrink],
    ]
    mesh = stack(levels, top)
    if rounding > 0:
        vertices = mesh.vertices_mm.copy()
        for _ in range(60):
            value, gradient = shape.distance(vertices, edge_rounding_mm=rounding)
            vertices -= value[:, None] * gradient / np.sum(gradient**2, axis=1)[:, None]
        mesh = Mesh(vertices, mesh.faces)
    return mesh


def _steps(start: float, end: float, segment: float) -> Floats:
    return np.linspace(start, end, max(1, round((end - start) / segment)) + 1)


def _side_mm(shape: BodyShape, z: float) -> float:
    return float(shape.radius_mm - z * np.tan(np.radians(shape.taper_deg)))


def _marks_deg(shape: BodyShape, z: float) -> Floats:
    """Directions of the corners of the cut outline at a height, ascending from 0 to 360 deg."""
    corners: list[float] = []
    side = _side_mm(shape, z)
    for azimuth, offset in shape.cuts:
        if offset < side:
            half = np.degrees(np.arccos(offset / side))
            corners += [azimuth - half, azimuth + half]
    for i, (a, da) in enumerate(shape.cuts):
        for b, db in shape.cuts[:i]:
            pair = np.array([_azimuth(a), _azimuth(b)])
            if abs(np.linalg.det(pair)) > 1e-9:
                x, y = np.linalg.solve(pair, [da, db])
                if np.hypot(x, y) < shape.radius_mm:
                    corners.append(float(np.degrees(np.arctan2(y, x))))
    return np.unique(np.round(np.mod(corners, 360.0), 9)) if corners else np.array([0.0])


def _parts(marks_deg: Floats, step_rad: float) -> list[int]:
    """Into how many chords to cut the outline between its corners."""
    gaps = np.radians(np.diff(marks_deg, append=marks_deg[0] + 360.0))
    return [max(1, int(np.ceil(gap / step_rad - 1e-9))) for gap in gaps]


def _ring_angles(marks_deg: Floats, parts: list[int]) -> Floats:
    """Angles around, rad, with every corner among them."""
    ends = np.append(marks_deg[1:], marks_deg[0] + 360.0)
    found = [
        np.linspace(a, b, count, endpoint=False)
        for a, b, count in zip(marks_deg, ends, parts, strict=True)
    ]
    return np.asarray(np.radians(np.concatenate(found)))


def stack(levels: list[Floats], top: float) -> Mesh:
    """Join rings of equal count upwards, close both ends, weld what coincides."""
    n = len(levels[0])
    i = np.arange(n)
    j = (i + 1) % n
    faces = []
    for level in range(len(levels) - 1):
        a, b = level * n, (level + 1) * n
        faces += [
            np.column_stack([a + i, a + j, b + j]),
            np.column_stack([a + i, b + j, b + i]),
        ]
    bottom = len(levels) * n
    last = (len(levels) - 1) * n
    faces.append(np.column_stack([np.full(n, bottom), j, i]))
    faces.append(np.column_stack([np.full(n, bottom + 1), last + i, last + j]))
    vertices = np.concatenate([*levels, [[0.0, 0.0, 0.0], [0.0, 0.0, top]]])
    _, first, index = np.unique(
        np.round(vertices, 7), axis=0, return_index=True, return_inverse=True
    )
    welded = index.reshape(-1)[np.concatenate(faces)]
    proper = (
        (welded[:, 0] != welded[:, 1])
        & (welded[:, 1] != welded[:, 2])
        & (welded[:, 2] != welded[:, 0])
    )
    return Mesh(vertices[first], welded[proper].astype(np.int32))
