"""A scan thinned to points with normals, and a grid that finds the nearest of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from accstudy.mesh.model import Mesh
from accstudy.mesh.normals import area_vectors

__all__ = ["OrientedCloud", "oriented_cloud"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BLOCK = 8
_REACH_MM = 160.0


@dataclass(frozen=True, slots=True)
class OrientedCloud:
    """Points with outward normals, about one for every cell of a cubic grid.

    Parameters
    ----------
    points_mm : (n, 3) ndarray
        Mean of the surface in each cell.
    normals : (n, 3) ndarray
        Unit normals.
    cell_mm : float
        Edge of a cell.
    low_mm : (3,) ndarray
        Corner of the grid.
    blocks : (a, b, c) ndarray
        Row of `table` for every block of 8 x 8 x 8 cells; row 0 is empty.
    table : (k, 512) ndarray
        Index of the point that stands for a cell; -1 where none is near.
    """

    points_mm: Floats
    normals: Floats
    cell_mm: float
    low_mm: Floats
    blocks: NDArray[np.int32]
    table: NDArray[np.int32]

    def nearest(self, points_mm: Floats) -> NDArray[np.int32]:
        """Index of a scan point within about a cell and a half; -1 without one.

        Parameters
        ----------
        points_mm : (..., 3) ndarray
            Where to look.

        Returns
        -------
        (...) ndarray of int32
        """
        row: Ints | int = 0
        place: Ints | int = 0
        inside: NDArray[np.bool_] | bool = True
        for k, blocks in enumerate(self.blocks.shape):  # columns: three times quicker than rows
            scaled = (points_mm[..., k] - self.low_mm[k]) * (1.0 / self.cell_mm)
            cell = np.clip(scaled, 0.0, blocks * _BLOCK - 1).astype(np.int64)
            inside &= (scaled >= 0.0) & (scaled < blocks * _BLOCK)
            row = row * blocks + (cell >> 3)
            place = (place << 3) | (cell & 7)
        found = self.table[self.blocks.reshape(-1)[row], place]
        return np.where(inside, found, np.int32(-1))


def oriented_cloud(mesh: Mesh, *, cell_mm: float = 0.6, max_faces: int = 60_000) -> OrientedCloud:
    """Thin a scan to points with normals.

    Parameters
    ----------
    mesh : Mesh
        The scan.
    cell_mm : float
        Edge of the cells over which the surface is averaged.
    max_faces : int
        A scan of twice as many or more is thinned towards this number first.

    Returns
    -------
    OrientedCloud
        Cells in which the surface turns too much for one normal are left out.
    """
    step = max(1, len(mesh.faces) // max_faces)
    faces = mesh.faces[::step]
    area = area_vectors(Mesh(mesh.vertices_mm, faces))
    first, second, third = (mesh.vertices_mm.take(faces[:, k], axis=0) for k in range(3))
    centre = (first + second + third) / 3.0
    middle = np.median(centre[:: max(1, len(centre) // 5000)], axis=0)
    near = np.all(np.abs(centre - middle) < _REACH_MM, axis=1)
    if not near.all():
        centre, area = centre[near], area[near]
    low = centre.min(axis=0) - 2 * cell_mm
    cell = np.floor((centre - low) / cell_mm).astype(np.int64)
    size = cell.max(axis=0) + 3
    key = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    start = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    weight = np.linalg.norm(area, axis=1)
    sums = np.add.reduceat(
        np.column_stack([centre * weight[:, None], area, weight])[order], start, axis=0
    )
    total = np.maximum(sums[:, 6], 1e-300)
    points = sums[:, :3] / total[:, None]
    length = np.linalg.norm(sums[:, 3:6], axis=1)
    normals = sums[:, 3:6] / np.maximum(length, 1e-300)[:, None]
    clean = length > 0.85 * total
    points, normals = points[clean], normals[clean]
    occupied = cell[order[start]][clean]
    blocks, table = _grid(points, occupied, low, size, cell_mm)
    return OrientedCloud(points, normals, cell_mm, low, blocks, table)


def _grid(
    points: Floats, occupied: Ints, low: Floats, size: Ints, cell_mm: float
) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Give every cell, and the cells around, the point nearest to its centre."""
    shape = tuple(int(s) // _BLOCK + 1 for s in size)
    blocks = np.zeros(shape, np.int32)
    shifts = np.array(np.meshgrid(*[[-1, 0, 1]] * 3, indexing="ij")).reshape(3, -1).T
    # a cell's own point is written last and stays; before it those beside, before them the corners
    shifts = shifts[np.argsort(-np.sum(shifts**2, axis=1), kind="stable")]
    cells = (occupied[None] + shifts[:, None]).reshape(-1, 3)
    owner = np.tile(np.arange(len(points), dtype=np.int32), len(shifts))
    block = cells >> 3
    flat = (block[:, 0] * shape[1] + block[:, 1]) * shape[2] + block[:, 2]
    used = np.zeros(blocks.size, bool)
    used[flat] = True
    blocks.reshape(-1)[used] = np.arange(1, int(used.sum()) + 1, dtype=np.int32)
    table = np.full((int(used.sum()) + 1, _BLOCK**3), -1, np.int32)
    place = ((cells[:, 0] & 7) << 6) | ((cells[:, 1] & 7) << 3) | (cells[:, 2] & 7)
    slot = blocks.reshape(-1)[flat].astype(np.int64) * _BLOCK**3 + place
    table.reshape(-1)[slot] = owner
    return blocks, table
