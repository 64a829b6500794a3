"""Simulated reference models: fields in space, an arch of implants, ridge, measurement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from accstudy.errors import InputError
from accstudy.geometry.rigid import Rigid, angle_between_deg, frame_from_axis, unit
from accstudy.tables import shape

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


_HALF_WIDTH_MM = 23.0
_DEPTH_MM = 32.0
_CURVE = _DEPTH_MM / _HALF_WIDTH_MM**2


def reference_model(
    n_implants: int,
    *,
    angulation_deg: float | Sequence[float] = 15.0,
    model: str = "M1",
    scan_body: str | Sequence[str] = "default",
    reach: float | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """Invent the implants of a model on a parabolic arch.

    Parameters
    ----------
    n_implants : int
        2 to 8.
    angulation_deg : float or sequence of float
        One number: the two posterior implants lean back along the arch by that
        much, those between lean in directions of their own by up to half of
        it. A sequence: the tilt of each implant, in arch order.
    model : str
        Name of the model.
    scan_body : str or sequence of str
        Key of the scan body of all or of each implant.
    reach : float, optional
        Share of the arch's length from the midline to either end implant; these then
        stand exactly there, so that models with other counts have the same span.
    seed : int
        Of the invention; the same seed gives the same model.

    Returns
    -------
    DataFrame
        Table ``implants`` in arch order, z along the common axis out of the
        bone, rounded to 0.01 um and unit vectors to 1e-9. Scan bodies up to
        6 mm wide and 10 mm high keep 1 mm clear of each other. The arrangement
        has no symmetry.

    Raises
    ------
    InputError
        If no arrangement is found whose scan bodies keep clear of each other.
    """
    if not 2 <= n_implants <= 8:
        raise InputError(f"a model has 2 to 8 implants, not {n_implants}")
    tilts = _tilts(n_implants, angulation_deg)
    if len(tilts) != n_implants:
        raise InputError(f"{n_implants} implants but {len(tilts)} angulations")
    rng = np.random.default_rng([seed, n_implants, 11])
    for attempt in range(200):
        calm = 1.0 / (1.0 + attempt / 50.0)  # later attempts stray less
        position, axis = _invent(tilts, rng, calm=calm, reach=reach)
        if _clearance(position, axis, reach_mm=10.0) > 7.0:
            break
    else:
        raise InputError(
            f"{n_implants} scan bodies at {max(tilts):g}° touch each other",
            hint="use fewer implants or less angulation",
        )
    turn = rng.uniform(0.0, 360.0, n_implants)
    flat = np.array([_across(a, t) for a, t in zip(axis, turn, strict=True)])
    return _table(position, axis, flat, model=model, scan_body=scan_body)


def _tilts(n: int, angulation: float | Sequence[float]) -> list[float]:
    if not isinstance(angulation, int | float):
        return [float(a) for a in angulation]
    inner = [0.5 * angulation * f for f in (1.0, 0.4, 0.8, 0.2, 0.6, 0.9)]
    return [float(angulation), *inner[: n - 2], float(angulation)]


def _invent(
    tilts: Sequence[float], rng: np.random.Generator, *, calm: float, reach: float | None
) -> tuple[Floats, Floats]:
    """Positions along the arch and axes, before any check."""
    n = len(tilts)
    length, x_of = _arc_length()
    usual = {2: 0.30, 3: 0.32, 4: 0.36, 5: 0.40, 6: 0.43, 7: 0.45, 8: 0.46}[n]
    end = usual if reach is None else reach
    stray = np.ones(n)
    stray[[0, -1]] = 1.0 if reach is None else 0.0
    along = np.linspace(-end, end, n) * length
    gap = 2 * end * length / (n - 1)
    along += rng.uniform(-0.13, 0.13, n) * gap * calm * stray
    x = np.interp(along, *x_of)
    slope = -2 * _CURVE * x
    tangent = unit(np.column_stack([np.ones(n), slope, np.zeros(n)]))
    outwards = np.column_stack([-tangent[:, 1], tangent[:, 0], np.zeros(n)])
    position = np.column_stack([x, _DEPTH_MM - _CURVE * x**2, np.full(n, -1.4)])
    position += outwards * (rng.normal(0.0, 0.6, n) * stray)[:, None] * calm
    position[:, 2] += rng.uniform(-0.5, 0.5, n)
    lean = outwards * rng.choice([1.0, -0.6], n)[:, None] + tangent * rng.normal(0, 0.5, n)[:, None]
    lean[0], lean[-1] = -tangent[0], tangent[-1]  # posterior implants lean back
    lean = unit(lean + rng.normal(0, 0.05, (n, 3)) * [1, 1, 0])
    angle = np.radians(np.asarray(tilts))[:, None]
    axis = np.cos(angle) * np.array([0.0, 0.0, 1.0]) + np.sin(angle) * lean
    return position, unit(axis)


def _arc_length() -> tuple[float, tuple[Floats, Floats]]:
    """Length of the arch, and x over signed length from the midline."""
    x = np.linspace(-_HALF_WIDTH_MM, _HALF_WIDTH_MM, 2001)
    step = np.hypot(np.diff(x), np.diff(_CURVE * x**2))
    s = np.concatenate([[0.0], np.cumsum(step)])
    return float(s[-1]), (s - s[-1] / 2, x)


def _clearance(position: Floats, axis: Floats, *, reach_mm: float) -> float:
    """Smallest distance between the centre lines of any two bodies, mm."""
    t = np.linspace(0.0, reach_mm, 21)[:, None]
    lines = [p + t * a for p, a in zip(position, axis, strict=True)]
    best = np.inf
    for i, first in enumerate(lines):
        for second in lines[:i]:
            best = min(best, float(np.linalg.norm(first[:, None] - second[None], axis=2).min()))
    return best


def _across(axis: Floats, turn_deg: float) -> Floats:
    frame = frame_from_axis(axis, [1.0, 0.0, 0.0])
    a = np.radians(turn_deg)
    return np.asarray(frame @ np.array([np.cos(a), np.sin(a), 0.0]))


def _table(
    position: Floats, axis: Floats, flat: Floats, *, model: str, scan_body: str | Sequence[str]
) -> pd.DataFrame:
    n = len(position)
    columns: dict[str, object] = {"model": model, "implant": [f"I{i + 1}" for i in range(n)]}
    columns |= {f"{c}_mm": np.round(position[:, i], 5) for i, c in enumerate("xyz")}
    columns |= {f"axis_{c}": np.round(axis[:, i], 9) for i, c in enumerate("xyz")}
    columns |= {f"flat_{c}": np.round(flat[:, i], 9) for i, c in enumerate("xyz")}
    columns["angulation_deg"] = np.round(angle_between_deg(axis, [0.0, 0.0, 1.0]), 6)
    columns["scan_body"] = scan_body if isinstance(scan_body, str) else list(scan_body)
    return shape("implants", pd.DataFrame(columns, index=range(n)))


def frames(poses: pd.DataFrame) -> list[Rigid]:
    """Implant frames of table ``implants`` or ``poses``: motions into the table's frame.

    z is the axis, x towards the flat; without a flat x is arbitrary but reproducible.
    """
    found = []
    for row in poses.itertuples():
        axis = np.array([row.axis_x, row.axis_y, row.axis_z], float)
        flat = np.array([row.flat_x, row.flat_y, row.flat_z], float)
        known = bool(np.all(np.isfinite(flat)))
        rotation = frame_from_axis(axis, flat if known else None)
        found.append(Rigid(rotation, np.array([row.x_mm, row.y_mm, row.z_mm], float)))
    return found


@dataclass(frozen=True, slots=True)
class Ridge:
    """The edentulous ridge as a solid: a tube along the arch with bumps of `waves`, (k, 3),
    turns/mm.
    """

    waves: Floats
    phases: Floats
    height_mm: float

    radius_mm = 6.0
    centre_z_mm = -6.0

    @classmethod
    def invent(cls, seed: int) -> Ridge:
        """Invent the bumps of a ridge, of an rms height of 0.35 mm."""
        rng = np.random.default_rng([seed, 13])
        k = 9
        direction = unit(rng.normal(size=(k, 3)))
        length = rng.uniform(4.0, 14.0, (k, 1))
        return cls(direction / length, rng.uniform(0.0, 1.0, k), 0.35 * np.sqrt(2.0 / k))

    def distance(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Approximate signed distance to the ridge, negative inside, (n,); its gradient, (n, 3)."""
        x, y, z = points_mm.T
        q = y - _DEPTH_MM + _CURVE * x * x
        s = np.sqrt(1.0 + 4 * _CURVE**2 * x * x)
        d = q / s
        beyond = np.maximum(np.abs(x) - _HALF_WIDTH_MM, 0.0)
        stretch = np.sqrt(1.0 + 4 * _CURVE**2 * _HALF_WIDTH_MM**2)
        t = beyond * stretch
        w = z - self.centre_z_mm
        rho = np.sqrt(d * d + t * t + w * w)
        safe = np.maximum(rho, 1e-9)
        dd_dx = 2 * _CURVE * x / s - q * 4 * _CURVE**2 * x / s**3
        gradient = np.empty((len(x), 3))
        gradient[:, 0] = (d * dd_dx + t * stretch * np.sign(x)) / safe
        gradient[:, 1] = d / s / safe
        gradient[:, 2] = w / safe
        value = rho - self.radius_mm
        near = np.flatnonzero(np.abs(value) < 2.0)  # farther off the bumps decide nothing
        turns = points_mm[near] @ self.waves.T + self.phases
        value[near] += self.height_mm * np.sum(cosine_of_turns(turns), axis=1)
        slope = cosine_of_turns(turns + 0.25) @ self.waves
        gradient[near] += 2 * np.pi * self.height_mm * slope
        return value, gradient


_POSITION = ["x_mm", "y_mm", "z_mm"]
_AXIS = ["axis_x", "axis_y", "axis_z"]
_U_POSITION_UM, _U_AXIS_DEG = 0.8, 0.01  # errors of a coordinate and of a tilt of an axis


def measured_reference(implants: pd.DataFrame, *, seed: int = 0) -> pd.DataFrame:
    """Measure a model: the truth and a small error of known size, to 0.1 um and 1e-7."""
    rng = np.random.default_rng([seed, 17])
    out = implants.copy()
    out[_POSITION] += rng.normal(0.0, _U_POSITION_UM * 1e-3, (len(out), 3))
    axis = out[_AXIS].to_numpy(float)
    lean = rng.normal(0.0, np.radians(_U_AXIS_DEG), (len(out), 3))
    axis = unit(axis + lean - np.sum(lean * axis, axis=1, keepdims=True) * axis)
    out[_AXIS] = np.round(axis, 7)
    out[_POSITION] = np.round(out[_POSITION].to_numpy(float), 4)
    out[["flat_x", "flat_y", "flat_z"]] = np.round(
        out[["flat_x", "flat_y", "flat_z"]].to_numpy(float), 7
    )
    out["angulation_deg"] = np.round(angle_between_deg(axis, [0.0, 0.0, 1.0]), 2)
    out["u_position_um"], out["u_axis_deg"] = _U_POSITION_UM, _U_AXIS_DEG
    return shape("implants", out)
