"""Fields in space: noise with a stated correlation, and the surface of a solid by its distance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = ["Solid", "coarse", "cosine_of_turns", "net", "random_field", "triangulate"]

Floats = NDArray[np.float64]


def random_field(
    points_mm: Floats,
    rng: np.random.Generator,
    *,
    correlation_mm: float,
    kernel: str = "gaussian",
    n_waves: int = 400,
) -> Floats:
    """Draw a stationary random field of variance 1 at points in space, (n, 3).

    The correlation is exp(-(d/L)**2) (``gaussian``, smooth) or exp(-d/L) (``exponential``, rough);
    `correlation_mm` 0 draws every point by itself. Mean, variance and correlation are exact over
    draws. Within one draw distant points have chance correlations of order ``1 / sqrt(n_waves)``.

    References
    ----------
    Rahimi and Recht, Random features for large-scale kernel machines, NIPS
    2007: the kernel's spectral density gives the waves.
    """
    if correlation_mm == 0:
        return rng.standard_normal(len(points_mm))
    waves = rng.standard_normal((n_waves, 3)) / (2 * np.pi * correlation_mm)
    if kernel == "gaussian":
        waves *= np.sqrt(2.0)
    else:
        waves /= np.abs(rng.standard_normal((n_waves, 1)))
    phases = rng.uniform(0.0, 1.0, n_waves)
    scale = np.sqrt(2.0 / n_waves)
    out = np.empty(len(points_mm))
    for begin in range(0, len(out), 256):  # small enough for the cache
        turns = points_mm[begin : begin + 256] @ waves.T
        turns += phases
        out[begin : begin + 256] = cosine_of_turns(turns).sum(axis=1) * scale
    return out


def cosine_of_turns(turns: Floats) -> Floats:
    """Cosine of angles in turns within 2e-8, several times faster than the exact one.

    The same on every processor, which library cosines are not.
    """
    square = turns - np.rint(turns)
    square *= square
    out = np.full_like(square, _COSINE[-1])
    for factor in _COSINE[-2::-1]:
        out *= square
        out += factor
    return out


def _cosine_factors(degree: int) -> tuple[float, ...]:
    """Polynomial in the squared turns through Chebyshev nodes of half a turn."""
    nodes = np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    square = (nodes + 1) / 8
    powers = np.vander(square, increasing=True)
    factors = np.linalg.solve(powers, np.cos(2 * np.pi * np.sqrt(square)))
    return tuple(float(f) for f in factors)


_COSINE = _cosine_factors(6)


Ints = NDArray[np.int64]

Solid = Callable[[Floats], tuple[Floats, Floats]]
"""Maps points (n, 3) to signed distances (n,), negative inside, and gradients (n, 3)."""

_BLOCK = 4
_OFFSET = 1 << 20
_COARSE_MM = 2.0**-14  # some 0.06 um: far more than rounding, far less than noise


def coarse(points_mm: Floats) -> Floats:
    """Bring points to a grid of some 0.06 um, for decisions that every machine makes alike."""
    return np.asarray(np.rint(points_mm / _COARSE_MM) * _COARSE_MM)


def triangulate(
    solid: Solid,
    low_mm: Floats,
    high_mm: Floats,
    *,
    step_mm: float,
    wanted: Callable[[Floats], NDArray[np.bool_]] | None = None,
) -> tuple[Floats, NDArray[np.int32]]:
    """Triangulate the zero level of a distance function, all vertices on it, counter-clockwise.

    The gradient of `solid` should be near 1 near the surface; the box from `low_mm` to `high_mm`
    holds it; edges are about `step_mm` long. `wanted` tells for points whether a block of cells
    round them is of use.

    Notes
    -----
    Surface nets: a vertex in every lattice cell that the surface passes, and a
    quadrangle round every lattice edge that it crosses (Gibson, Constrained
    elastic surface nets, MICCAI 1998). Only blocks of cells near the surface
    are looked at. Newton steps along the gradient put the vertices on the
    surface.
    """
    centres, quads = net(solid, low_mm, high_mm, step_mm=step_mm, wanted=wanted)
    vertices = _project(solid, centres, rounds=4)
    edges = np.concatenate([quads[:, [0, 1]], quads[:, [1, 2]], quads[:, [2, 3]], quads[:, [3, 0]]])
    n = len(vertices)
    ones = np.ones(2 * len(edges))
    joined = sparse.csr_matrix(
        (ones, (np.r_[edges[:, 0], edges[:, 1]], np.r_[edges[:, 1], edges[:, 0]])), shape=(n, n)
    )
    degree = np.maximum(np.asarray(joined.sum(axis=1)).ravel(), 1.0)
    for _ in range(2):  # to the middle of the neighbours and back: well-shaped triangles
        middle = (joined @ vertices) / degree[:, None]
        vertices = _project(solid, 0.4 * vertices + 0.6 * middle, rounds=2)
    vertices = _project(solid, vertices, rounds=40)
    vertices = _project(solid, vertices, rounds=4, grid=None)
    return vertices, _split(vertices, quads)


def net(
    solid: Solid,
    low_mm: Floats,
    high_mm: Floats,
    *,
    step_mm: float,
    wanted: Callable[[Floats], NDArray[np.bool_]] | None = None,
) -> tuple[Floats, NDArray[np.int32]]:
    """Find the lattice cells that the surface passes, and quadrangles between them.

    Centres of the cells, (n, 3), within a step of the surface, and corners, (m, 4),
    counter-clockwise seen from outside; arguments as of `triangulate`.
    """
    blocks = _blocks(solid, low_mm, high_mm, step_mm)
    if wanted is not None:
        blocks = blocks[wanted(low_mm + (blocks + 0.5) * _BLOCK * step_mm)]
    keys, quads = _net(solid, blocks, low_mm, step_mm)
    return low_mm + (_unpack(keys) + 0.5) * step_mm, quads


def _net(solid: Solid, blocks: Ints, low: Floats, step: float) -> tuple[Ints, NDArray[np.int32]]:
    """Keys of the cells that the surface passes, and quadrangles between them."""
    local = np.stack(np.meshgrid(*[np.arange(_BLOCK + 1)] * 3, indexing="ij"), axis=-1)
    cell_keys, quad_keys = [], []
    for chunk in np.array_split(blocks, max(1, len(blocks) // 150)):
        corner = chunk[:, None, None, None, :] * _BLOCK + local
        value, _ = solid(low + corner.reshape(-1, 3) * step)
        inside = (value < 0).reshape(corner.shape[:-1])
        count = sum(
            inside[:, i : i + _BLOCK, j : j + _BLOCK, k : k + _BLOCK].astype(np.int8)
            for i in (0, 1)
            for j in (0, 1)
            for k in (0, 1)
        )
        mixed = (count > 0) & (count < 8)
        cell_keys.append(_pack(corner[:, :_BLOCK, :_BLOCK, :_BLOCK][mixed]))
        near = inside[:, :_BLOCK, :_BLOCK, :_BLOCK]
        for axis in range(3):
            start = [slice(0, _BLOCK)] * 3
            start[axis] = slice(1, _BLOCK + 1)
            far = inside[(slice(None), *start)]
            crossing = near != far
            at = corner[:, :_BLOCK, :_BLOCK, :_BLOCK][crossing]
            u, v = np.eye(3, dtype=np.int64)[[(axis + 1) % 3, (axis + 2) % 3]]
            round_it = np.stack([at - u - v, at - v, at, at - u], axis=1)
            outwards = near[crossing]
            round_it[~outwards] = round_it[~outwards][:, ::-1]
            quad_keys.append(_pack(round_it))
    keys = np.unique(np.concatenate(cell_keys))
    quads = np.concatenate(quad_keys)
    place = np.minimum(np.searchsorted(keys, quads), len(keys) - 1)
    whole = np.all(keys[place] == quads, axis=1)
    order = np.lexsort(place[whole].T[::-1])
    return keys, place[whole][order].astype(np.int32)


def _blocks(solid: Solid, low: Floats, high: Floats, step: float) -> Ints:
    """Blocks of cells that the surface may pass."""
    size = np.maximum(np.ceil((high - low) / (step * _BLOCK)).astype(int), 1)
    index = np.stack(np.meshgrid(*[np.arange(s) for s in size], indexing="ij"), axis=-1)
    index = index.reshape(-1, 3)
    value, gradient = solid(low + (index + 0.5) * _BLOCK * step)
    steep = np.maximum(np.linalg.norm(gradient, axis=1), 1.0)
    reach = 0.5 * np.sqrt(3.0) * _BLOCK * step
    return np.asarray(index[np.abs(value) < steep * reach + 0.1], np.int64)


def _pack(cells: Ints) -> Ints:
    c = cells + _OFFSET
    return np.asarray((c[..., 0] << 42) | (c[..., 1] << 21) | c[..., 2])


def _unpack(keys: Ints) -> Floats:
    mask = (1 << 21) - 1
    cells = np.column_stack([keys >> 42, (keys >> 21) & mask, keys & mask]) - _OFFSET
    return cells.astype(float)


def _project(
    solid: Solid,
    points: Floats,
    *,
    rounds: int,
    grid: Callable[[Floats], Floats] | None = coarse,
) -> Floats:
    """Newton steps onto the zero level, ever fewer points.

    At creases the steps may jump from side to side, and each jump makes more of
    a last bit: on a grid the steps are the same on every machine.
    """
    out = points.copy() if grid is None else grid(points)
    near = 1e-12 if grid is None else _COARSE_MM
    for part in np.array_split(out, max(1, len(out) // 20_000)):  # views; small for the cache
        open_ = np.arange(len(part))
        for _ in range(rounds):
            value, gradient = solid(part[open_])
            slope = np.maximum(np.sum(gradient**2, axis=1), 0.05)
            moved = part[open_] - (value / slope)[:, None] * gradient
            part[open_] = moved if grid is None else grid(moved)
            open_ = open_[np.abs(value) > near]
            if not len(open_):
                break
    return out


def _split(vertices: Floats, quads: NDArray[np.int32]) -> NDArray[np.int32]:
    """Cut every quadrangle along its shorter diagonal."""
    a = np.linalg.norm(vertices[quads[:, 0]] - vertices[quads[:, 2]], axis=1)
    b = np.linalg.norm(vertices[quads[:, 1]] - vertices[quads[:, 3]], axis=1)
    first = np.where((a <= b)[:, None], quads[:, [0, 1, 2]], quads[:, [0, 1, 3]])
    second = np.where((a <= b)[:, None], quads[:, [0, 2, 3]], quads[:, [1, 2, 3]])
    return np.stack([first, second], axis=1).reshape(-1, 3)
