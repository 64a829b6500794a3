"""Points spread evenly over a drawing, and what pairs of them look like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.mesh.model import Mesh

__all__ = ["PairTable", "pair_features", "pair_frames", "pair_table", "spread_points"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_NEAR_MM, _FAR_MM, _STEP_MM = 1.2, 6.0, 0.4
_ANGLES = 9  # steps of the cosine from -1 to 1


def spread_points(mesh: Mesh, faces: NDArray[np.int32], count: int) -> tuple[Floats, Floats]:
    """Spread points evenly over some of a mesh's triangles.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    faces : (m, 3) ndarray
        The triangles to use.
    count : int
        How many points.

    Returns
    -------
    points_mm, normals : (count, 3) ndarray
        The same for the same input: an additive recurrence takes the place of
        random numbers.
    """
    a, b, c = (mesh.vertices_mm[faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    area = np.linalg.norm(across, axis=1)
    upto = np.cumsum(area)
    n = np.arange(count)
    face = np.searchsorted(upto, (n + 0.5) / count * upto[-1])
    # plastic-number recurrence in the unit square, folded onto the triangle
    u, v = (0.5 + n * 0.7548776662466927) % 1.0, (0.5 + n * 0.5698402909980532) % 1.0
    fold = u + v > 1
    u, v = np.where(fold, 1 - u, u), np.where(fold, 1 - v, v)
    points = a[face] + u[:, None] * (b - a)[face] + v[:, None] * (c - a)[face]
    return points, across[face] / area[face][:, None]


def pair_features(p: Floats, n: Floats, q: Floats, m: Floats) -> tuple[Ints, NDArray[np.bool_]]:
    """Say how two oriented points lie to each other, as one number.

    Parameters
    ----------
    p, n : (k, 3) ndarray
        First points and normals.
    q, m : (k, 3) ndarray
        Second points and normals.

    Returns
    -------
    key : (k,) ndarray of int64
        Distance and three angles in steps; equal for pairs that a rigid motion
        brings onto each other, up to the steps' width.
    useful : (k,) ndarray of bool
        Whether the pair is neither too short, too long nor in one plane, so
        that it fixes a pose.
    """
    d = q - p
    length = np.sqrt(np.einsum("ij,ij->i", d, d))
    safe = np.maximum(length, 1e-9)
    first = np.einsum("ij,ij->i", n, d) / safe
    second = np.einsum("ij,ij->i", m, d) / safe
    between = np.einsum("ij,ij->i", n, m)
    useful = (
        (length > _NEAR_MM) & (length < _FAR_MM) & (np.abs(between) < 0.92) & (np.abs(first) < 0.95)
    )
    key = (length / _STEP_MM).astype(np.int64)
    for cosine in (first, second, between):
        step = np.clip(((cosine + 1) * (0.5 * _ANGLES)).astype(np.int64), 0, _ANGLES - 1)
        key = key * _ANGLES + step
    return key, useful


def pair_frames(p: Floats, n: Floats, q: Floats) -> Floats:
    """Frame of a pair: x from first to second, y across it on the normal's side.

    Parameters
    ----------
    p, n, q : (k, 3) ndarray
        First points, their normals, second points.

    Returns
    -------
    (k, 3, 3) ndarray
        Columns are the axes.
    """
    x = q - p
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    y = n - np.einsum("ij,ij->i", n, x)[:, None] * x
    y = y / np.linalg.norm(y, axis=1, keepdims=True)
    return np.stack([x, y, np.cross(x, y)], axis=2)


@dataclass(frozen=True, slots=True)
class PairTable:
    """All useful pairs of a drawing's points, sorted by their feature.

    Parameters
    ----------
    keys : (k,) ndarray
        Features in ascending order.
    frames : (k, 3, 3) ndarray
        Frames of the pairs.
    middles_mm : (k, 3) ndarray
        Points halfway between the two.
    """

    keys: Ints
    frames: Floats
    middles_mm: Floats


def pair_table(points_mm: Floats, normals: Floats) -> PairTable:
    """Tabulate the pairs of a drawing's points.

    Parameters
    ----------
    points_mm, normals : (n, 3) ndarray
        Points spread over the drawing.

    Returns
    -------
    PairTable
    """
    i, j = (k.ravel() for k in np.indices((len(points_mm), len(points_mm))))
    p, n, q, m = points_mm[i], normals[i], points_mm[j], normals[j]
    key, useful = pair_features(p, n, q, m)
    p, n, q, key = p[useful], n[useful], q[useful], key[useful]
    order = np.argsort(key, kind="stable")
    return PairTable(key[order], pair_frames(p, n, q)[order], (0.5 * (p + q))[order])
