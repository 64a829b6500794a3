"""Position of the platform in a scan body of which a scan shows several copies."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.geometry.rigid import Rigid, frame_from_axis, rotation_vector
from accstudy.locate.uncertainty import Refined
from accstudy.mesh.model import Mesh, area_vectors, border_sides
from accstudy.mesh.scene import Scene

Floats = NDArray[np.float64]

_FRAME_MM, _FRAME_RAD = 0.5, np.radians(1.0)
_MOST_WAYS, _AS_LIKELY = 256, 9.0
_TURNS_DEG = (180.0, 120.0, 90.0, 60.0, 100.0)
_SYMMETRY_POINTS, _SYMMETRY_ROUNDS, _LEAST_SEEN = 4000, 8, 0.2
_SYMMETRIC, _SYMMETRY_NOISE, _SYMMETRY_MM = 0.5, 3.0, 2e-3
_MATCHED_MM, _FEW = 0.15, 50


@dataclass(frozen=True, slots=True)
class Place:
    """Where platform and axis lie in a body, and how well that is known."""

    origin_mm: Floats  # (3,): in the frame of the body
    axis: Floats  # (3,)
    covariance: Floats  # (5, 5): of the origin (mm) and of the tilts of the axis (rad)
    # root mean square misfit of the platforms in each coordinate; NaN with too few to tell
    off_mm: float
    chi2: float  # sum of squares of all misfits over their uncertainties
    widened: float  # factor by which that is more than their number allows, at least 1


def platform(
    reference: pd.DataFrame, fitted: Sequence[Rigid], refined: Sequence[Refined], *, on_z: bool
) -> Place:
    """Solve for the place of the platform in the body and for the frame of the scan at once.

    Parameters
    ----------
    reference : DataFrame
        Rows of table ``implants``.
    fitted : sequence of Rigid
        Scan from body, of each.
    refined : sequence of Refined
        The fits with their covariances, of each.
    on_z : bool
        Whether z is the axis of the implant, so that the height alone is free.

    Returns
    -------
    Place
    """
    p = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    a = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
    a = a / np.linalg.norm(a, axis=1, keepdims=True)
    known = reference.reindex(columns=["u_position_um", "u_axis_deg"]).astype(float)
    u_p = known["u_position_um"].fillna(2.0).to_numpy() * 1e-3
    u_a = np.radians(known["u_axis_deg"].fillna(0.02).to_numpy())
    middle = p.mean(axis=0)
    motion = Rigid.identity()  # scan from reference
    origin = np.mean([t.inverse().points(q) for t, q in zip(fitted, p, strict=True)], axis=0)
    axis = np.mean([t.rotation.T @ b for t, b in zip(fitted, a, strict=True)], axis=0)
    if on_z:
        origin, axis = np.array([0.0, 0.0, origin[2]]), np.array([0.0, 0.0, 1.0])
    free = np.array([True] * 6 + ([False, False, True, False, False] if on_z else [True] * 5))
    prior = np.diag(np.r_[np.full(3, _FRAME_MM), np.full(3, _FRAME_RAD), np.full(5, 50.0)] ** -2.0)
    moved = np.zeros(6)
    for _ in range(4):
        axis = axis / np.linalg.norm(axis)
        tilt = frame_from_axis(axis)[:, :2]
        normal, right = prior.copy(), -prior[:, :6] @ moved
        chi2, squares = float(moved @ prior[:6, :6] @ moved), 0.0
        for k, (pose, one) in enumerate(zip(fitted, refined, strict=True)):
            r = pose.rotation
            platform, direction = motion.points(p[k]), motion.vectors(a[k])
            rows = np.zeros((6, 11))
            rows[:3, :3] = np.eye(3)
            rows[:3, 3:6] = -_cross_matrix(platform - motion.points(middle))
            rows[:3, 6:9] = -r
            rows[3:, 3:6] = -_cross_matrix(direction)
            rows[3:, 9:] = -r @ tilt
            off = np.r_[platform - pose.points(origin), direction - r @ axis]
            # errors of the fit in the body's frame, of platform and tilt
            cov = np.array(one.covariance[:6, :6])
            cov[~np.isfinite(cov)] = 0.0
            lever = np.zeros((6, 6))
            lever[:3, :3] = r
            lever[:3, 3:] = -r @ _cross_matrix(origin)
            lever[3:, 3:] = -r @ _cross_matrix(axis)
            cov = lever @ cov @ lever.T
            cov[:3, :3] += u_p[k] ** 2 * np.eye(3)
            cov[3:, 3:] += u_a[k] ** 2 * np.eye(3)
            weight = np.linalg.inv(cov)
            normal += rows.T @ weight @ rows
            right -= rows.T @ weight @ off
            chi2 += float(off @ weight @ off)
            squares += float(off[:3] @ off[:3])
        covariance = np.zeros((11, 11))
        covariance[np.ix_(free, free)] = np.linalg.inv(normal[np.ix_(free, free)])
        change = covariance @ right
        moved += change[:6]
        turn = rotation_vector(change[3:6])
        pivot = motion.points(middle)
        motion = Rigid(turn, pivot + change[:3] - turn @ pivot).after(motion)
        origin = origin + change[6:9]
        axis = axis + tilt @ change[9:]
    freedom = 5 * len(p) - int(free.sum())
    widen = max(1.0, chi2 / freedom) if freedom > 0 else 1.0
    off_mm = float(np.sqrt(squares / (3 * len(p)))) if freedom > 0 else float("nan")
    return Place(
        origin, axis / np.linalg.norm(axis), covariance[6:, 6:] * widen, off_mm, chi2, widen
    )


def _cross_matrix(v: Floats) -> Floats:
    """Matrix of ``v x``."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def consistent(
    reference: pd.DataFrame, ways: Sequence[Sequence[Refined]]
) -> tuple[list[Refined], Floats]:
    """Of fits that a copy alone cannot tell apart choose those that agree on one platform.

    A body that is not quite symmetric about its axis, a rectangle beside it, say, fits after half a
    turn as well, but moved aside: each copy alone cannot tell, all together can. `ways` has the
    fits of every copy, the best first. Also the doubt, (5, 5), to be added to the covariance of the
    place: what other choices that are about as likely make of it.
    """
    count = int(np.prod([len(w) for w in ways], dtype=float))
    if count <= _MOST_WAYS:
        choices = list(itertools.product(*(range(len(w)) for w in ways)))
    else:  # the best of each, and every other one alone
        best = [0] * len(ways)
        choices = [tuple(best)]
        choices += [
            tuple(k if i == copy else 0 for i in range(len(ways)))
            for copy, own in enumerate(ways)
            for k in range(1, len(own))
        ]

    def place(choice: Sequence[int]) -> Place:
        chosen = [own[k] for own, k in zip(ways, choice, strict=True)]
        return platform(reference, [c.scan_from_body for c in chosen], chosen, on_z=False)

    places = [place(choice) for choice in choices]
    first = int(np.argmin([p.chi2 for p in places]))
    doubt = np.zeros((5, 5))
    for other in places:
        if other.chi2 < places[first].chi2 + _AS_LIKELY:
            off = np.r_[other.origin_mm - places[first].origin_mm, 0.0, 0.0]
            doubt = np.maximum(doubt, np.diag(off**2))
    return [own[k] for own, k in zip(ways, choices[first], strict=True)], doubt


def symmetry_axis(surface: Mesh, place: Place, noise_mm: float) -> Rigid | None:
    """Frame in that of the body whose z is an axis about which a turn maps it onto itself, or None.

    For every turn that comes into question the surface and the turned surface are brought together
    by robust least squares of their distances, with shift and tilt of the axis unknown. Flats and
    notches that break the symmetry are passed over, but what is left must be most of the surface
    and match within its noise. Of 100 degrees only cylinders, cones and what else is turned know
    the axis.
    """
    samples = _samples(surface)
    if samples is None:
        return None
    found: list[tuple[float, Rigid]] = []
    for turn in np.radians(_TURNS_DEG):
        origin, axis, share, scale = _axis_of_turn(samples, turn, place)
        if share > _SYMMETRIC and scale < _SYMMETRY_NOISE * noise_mm + _SYMMETRY_MM:
            frame = Rigid(frame_from_axis(axis), origin - (origin @ axis) * axis)
            found.append((share / scale, frame))
    return max(found, key=lambda one: one[0])[1] if found else None


@dataclass(frozen=True, slots=True)
class _Samples:
    """Middles of facets with their areas; normals, and which facets lie inside, of all facets."""

    scene: Scene
    middle_mm: Floats
    area: Floats
    normal: Floats
    inner: NDArray[np.bool_]


def _samples(surface: Mesh) -> _Samples | None:
    """At most some thousand facets away from the border; None where that are too few."""
    inner, across = np.asarray(~border_sides(surface).any(axis=1)), area_vectors(surface)
    area = np.linalg.norm(across, axis=1)
    use = np.flatnonzero(inner & (area > 0))
    if len(use) < _FEW:
        return None
    use = use[np.linspace(0, len(use) - 1, min(len(use), _SYMMETRY_POINTS)).astype(np.int64)]
    middle = surface.vertices_mm[surface.faces[use]].mean(axis=1)
    normal = across / np.maximum(area, 1e-12)[:, None]
    return _Samples(Scene(surface), middle, area[use], normal, inner)


def _axis_of_turn(
    samples: _Samples, turn: float, place: Place
) -> tuple[Floats, Floats, float, float]:
    """Origin and axis about which a turn maps the surface best, the share that matches, the scale.

    The share is 0 where too little of the turned surface is near the surface from the start.
    """
    middle, axis = samples.middle_mm, place.axis
    origin = place.origin_mm + axis * float((middle.mean(axis=0) - place.origin_mm) @ axis)
    scale, share = np.inf, 0.0
    for _ in range(_SYMMETRY_ROUNDS):
        rotation, arm = rotation_vector(axis * turn), middle - origin
        swung = arm @ rotation.T
        off, triangle, _ = samples.scene.closest(origin + swung)
        n = samples.normal[triangle]
        seen = np.asarray(samples.inner[triangle] & (np.abs(off) < _MATCHED_MM))
        if seen.sum() < _LEAST_SEEN * len(middle):
            break
        scale = max(1.4826 * float(np.median(np.abs(off[seen]))), 1e-4)
        alike = np.asarray(seen & (np.abs(off) < 4 * scale))
        share = float(samples.area[alike].sum() / samples.area.sum())
        across_axis = frame_from_axis(axis)[:, :2]
        tilting = [
            np.sum(n * (np.cross(e, swung) - np.cross(e, arm) @ rotation.T), axis=1)
            for e in across_axis.T
        ]
        rows = np.column_stack([n @ (np.eye(3) - rotation) @ across_axis, *tilting])
        weight = np.sqrt(samples.area * seen / (1 + (off / (2 * scale)) ** 2))
        step, *_ = np.linalg.lstsq(rows * weight[:, None], -off * weight, rcond=None)
        origin = origin + across_axis @ step[:2]
        axis = axis + np.cross(across_axis @ step[2:], axis)
        axis = axis / np.linalg.norm(axis)
    return origin, axis, share, scale
