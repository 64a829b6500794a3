"""Platforms and frameworks as arrays; gaps between a seat and its platform; one-screw test."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray
from scipy import special

from accstudy.compare.align import LEVER_MM, PoseArrays, align_all, pose_arrays
from accstudy.compare.arch import Arch, arch_of
from accstudy.errors import InputError
from accstudy.tables import shape

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

TIE_UM = 0.01
"""Misfits that differ by no more than this count as equal."""


@dataclass(frozen=True, slots=True)
class Platforms:
    """True platforms of one model, in the mouth's (reference) frame.

    Parameters
    ----------
    implants : tuple of str
        In the order along the arch.
    centres_mm, axes, flats : (n, 3) ndarray
        Platform centres, unit axes out of the bone, directions towards the
        flat (NaN where unknown).
    common_axis : (3,) ndarray
        Mean direction of the axes.
    """

    implants: tuple[str, ...]
    centres_mm: Floats
    axes: Floats
    flats: Floats
    common_axis: Floats


@dataclass(frozen=True, slots=True)
class Seats:
    """Seats of frameworks, already brought into the mouth's frame.

    Parameters
    ----------
    centres_mm, axes : (..., n, 3) ndarray
        Seat centres and unit axes; NaN where the framework has no seat.
    """

    centres_mm: Floats
    axes: Floats


@dataclass(frozen=True, slots=True)
class Gaps:
    """Gaps of seats over their platforms, each (..., n).

    Parameters
    ----------
    largest_um, smallest_um : ndarray
        Extremes around the rim along the platform's axis; negative is
        interference.
    mean_um : ndarray
        Mean around the rim, that is the height of the seat's centre.
    lateral_um : ndarray
        Distance of the seat's centre from the platform's axis.
    tilt_deg : ndarray
        Angle between the axes of seat and platform.
    """

    largest_um: Floats
    smallest_um: Floats
    mean_um: Floats
    lateral_um: Floats
    tilt_deg: Floats


def rim_gaps(seats: Seats, platforms: Platforms, *, platform_radius_mm: float) -> Gaps:
    """Gaps around the rims, between seats in the mouth's frame and their platforms.

    The rim is the circle of the seat; the gap of a rim point is its height over the platform's
    plane. Over the whole circle this height is the mean height plus a sine of amplitude radius x
    sin(tilt), so both extremes are exact; no set of rim points can show more. Sideways offset
    changes no gap by itself: the platform counts as a plane.
    """
    delta = seats.centres_mm - platforms.centres_mm
    height = np.sum(delta * platforms.axes, axis=-1)
    sideways = delta - height[..., None] * platforms.axes
    sine = np.linalg.norm(np.cross(seats.axes, platforms.axes), axis=-1)
    cosine = np.sum(seats.axes * platforms.axes, axis=-1)
    swing = platform_radius_mm * sine
    return Gaps(
        largest_um=1000 * (height + swing),
        smallest_um=1000 * (height - swing),
        mean_um=1000 * height,
        lateral_um=1000 * np.linalg.norm(sideways, axis=-1),
        tilt_deg=np.degrees(np.arctan2(sine, cosine)),
    )


def worst_seat(size_um: Floats) -> tuple[Floats, Ints, Ints]:
    """Largest misfit of each framework, at which seat it is seen, and how many seats share it.

    Of misfits (..., n), NaN where there is none. The seat is the first whose misfit is the largest
    to within 0.01 um: at a best seat two or more share it as a rule, and which of them is the
    largest by a last bit means nothing.

    Examples
    --------
    >>> largest, where, shared = worst_seat(np.array([12.0, 30.0, 30.004]))
    >>> float(largest), int(where), int(shared)
    (30.004, 1, 2)
    """
    known = np.isfinite(size_um)
    filled = np.where(known, size_um, -np.inf)
    largest = filled.max(axis=-1)
    tied = known & (filled >= largest[..., None] - TIE_UM)
    nowhere = ~known.any(axis=-1)
    return np.where(nowhere, np.nan, largest), np.argmax(tied, axis=-1), tied.sum(axis=-1)


_MOST_ROUNDS, _RESTS_RAD = 50, 1e-11  # a turn of 1e-11 moves a seat 100 mm away by a picometre


def one_screw(
    seats: Seats, platforms: Platforms, tightened: int, *, flats: Floats | None = None
) -> Seats:
    """Place frameworks, (b, n, 3), so that seat and platform coincide at the tightened implant.

    NaN for frameworks without a seat there or with no other seat. `flats`, (b, n, 3), are given for
    connections that engage: they fix the rotation about the axis; `InputError` where the reference
    has no flat there.

    Notes
    -----
    What is left is a rotation about the axis of the tightened implant: without engagement
    the one that minimises the sum of the squared sideways offsets at the other implants,
    each seen along its own platform's axis. It starts from the largest overlap in the plane
    across the axis (closed form) and is mended by Newton steps.
    """
    axis, origin = platforms.axes[tightened], platforms.centres_mm[tightened]
    others = np.asarray(np.isfinite(seats.centres_mm).all(axis=-1))
    others[:, tightened] = False
    nobody = ~others.any(axis=1)
    if flats is not None:
        turn = _onto_frame(seats.axes[:, tightened], flats[:, tightened], platforms, tightened)
    else:
        turn = _swing(seats.axes[:, tightened], axis)
    centres = np.einsum(
        "bij,bnj->bni", turn, seats.centres_mm - seats.centres_mm[:, tightened, None]
    )
    axes = np.einsum("bij,bnj->bni", turn, seats.axes)
    centres[nobody] = np.nan
    axes[nobody] = np.nan
    if flats is None:
        wanted = platforms.centres_mm - origin
        across = np.cross(axis, np.eye(3))  # rows of vectors times it: the axis crossed with each
        angle = _overlap_turn(centres, wanted, axis, others)
        for _ in range(_MOST_ROUNDS):
            placed = _twist(across, angle, centres)
            step = _offset_turn(placed, wanted, across, platforms.axes, others)
            angle = angle + step
            if not np.nanmax(np.abs(step), initial=0.0) > _RESTS_RAD:
                break
        centres, axes = _twist(across, angle, centres), _twist(across, angle, axes)
    return Seats(centres + origin, axes)


def _swing(start: Floats, end: Floats) -> Floats:
    """Smallest rotations, (b, 3, 3), of unit vectors (b, 3) onto one unit vector."""
    both = start + end
    size = np.sum(both * both, axis=1)[:, None, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        half_turn = 2 * both[:, :, None] * both[:, None, :] / size - np.eye(3)
    # a half turn about the bisector brings start to end; one more about the end keeps it there
    rotation: Floats = (2 * np.outer(end, end) - np.eye(3)) @ half_turn
    return rotation


def _onto_frame(axes: Floats, flats: Floats, platforms: Platforms, tightened: int) -> Floats:
    target = _frames(platforms.axes[[tightened]], platforms.flats[[tightened]])[0]
    if not np.isfinite(target).all():
        raise InputError(
            f'implant "{platforms.implants[tightened]}" has no flat in the reference, '
            "so an engaging connection cannot be oriented",
            hint="add flat_x, flat_y, flat_z to the reference, or set seating.engaging = false",
        )
    return np.asarray(target @ np.swapaxes(_frames(axes, flats), 1, 2))


def _frames(axes: Floats, flats: Floats) -> Floats:
    x = flats - np.sum(flats * axes, axis=1, keepdims=True) * axes
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    return np.stack([x, np.cross(axes, x), axes], axis=2)


def _overlap_turn(
    centres: Floats, wanted: Floats, axis: Floats, others: NDArray[np.bool_]
) -> Floats:
    across = np.where(others[:, :, None], centres, 0.0)
    sine = np.einsum("bni,ni->b", across, np.cross(wanted, axis))
    flat = wanted - (wanted @ axis)[:, None] * axis
    cosine = np.einsum("bni,ni->b", across, flat)
    return np.asarray(np.arctan2(sine, cosine))


def _offset_turn(
    centres: Floats, wanted: Floats, across: Floats, normals: Floats, others: NDArray[np.bool_]
) -> Floats:
    """Newton step of the turn that minimises the sideways offsets."""
    speed = _times(centres, across)
    speed -= np.einsum("bni,ni->bn", speed, normals)[..., None] * normals
    offset = centres - wanted
    top = np.where(others, np.einsum("bni,bni->bn", offset, speed), 0.0).sum(axis=1)
    bottom = np.where(others, np.einsum("bni,bni->bn", speed, speed), 0.0).sum(axis=1)
    return np.asarray(-top / np.where(bottom > 0, bottom, np.inf))


def _twist(across: Floats, angle: Floats, vectors: Floats) -> Floats:
    sine, versine = np.sin(angle)[:, None, None], (1 - np.cos(angle))[:, None, None]
    square = _times(vectors, across)
    return np.asarray(vectors + sine * square + versine * _times(square, across))


def _times(vectors: Floats, matrix: Floats) -> Floats:
    """Rows of vectors, (b, n, 3), times one matrix."""
    return np.asarray(vectors.reshape(-1, 3) @ matrix).reshape(vectors.shape)


@dataclass(frozen=True, slots=True)
class Framework:
    """The framework that one scan would yield, and the platforms it has a seat for, in arch order.

    ``index`` are their places in the whole arch; ``seats`` and ``flats`` (NaN where unknown) stand
    in the scan frame.
    """

    scan: str
    model: str
    platforms: Platforms
    index: NDArray[np.intp]
    seats: Seats
    flats: Floats
    uncertainty: PoseUncertainty
    note: str


def models(poses: pd.DataFrame, implants: pd.DataFrame) -> list[str]:
    """Models that have poses, in their order; InputError if one has no reference."""
    found = list(dict.fromkeys(poses["model"]))
    unknown = [m for m in found if m not in set(implants["model"])]
    if unknown:
        raise InputError(
            f'poses of model "{unknown[0]}" have no reference', hint="add it to the implants table"
        )
    return found


def frameworks(poses: pd.DataFrame, implants: pd.DataFrame) -> Iterator[Framework]:
    """Frameworks of all scans, in the order of the poses, model by model.

    Rows without a position count as missing; where the reference was measured again, `implants` are
    the rows that held for these scans.
    """
    poses = shape("poses", poses)
    for model in models(poses, implants):
        reference = shape("implants", implants[implants["model"] == model])
        if reference["implant"].duplicated().any():
            raise InputError(
                f'model "{model}" lists an implant twice',
                hint="give only the reference that was valid for these scans",
            )
        arch = arch_of(reference)
        mine = poses[(poses["model"] == model) & poses["implant"].isin(arch.implants)]
        scans = list(dict.fromkeys(mine["scan"]))
        arrays = pose_arrays(mine, arch, scans)
        wanted = pd.MultiIndex.from_product([scans, arch.implants])
        rest = mine.set_index(["scan", "implant"]).reindex(wanted)
        u_columns = ["u_x_um", "u_y_um", "u_z_um", "u_axis_deg"]
        u = rest[u_columns].to_numpy(float).reshape(len(scans), len(arch.implants), 4)
        doubtful = (rest["status"] == "doubtful").to_numpy().reshape(len(scans), -1)
        for row, scan in enumerate(scans):
            yield _framework(scan, model, arch, arrays, row, u[row], doubtful[row])


def _framework(
    scan: str,
    model: str,
    arch: Arch,
    arrays: PoseArrays,
    row: int,
    u: Floats,
    doubtful: NDArray[np.bool_],
) -> Framework:
    seen = np.flatnonzero(np.isfinite(arrays.positions_mm[row]).all(axis=1))
    notes = []
    missing = [name for i, name in enumerate(arch.implants) if i not in seen]
    if missing:
        notes.append("framework without a seat at " + ", ".join(missing))
    unsure = [arch.implants[i] for i in seen if doubtful[i]]
    if unsure:
        notes.append("pose doubtful at " + ", ".join(unsure))
    return Framework(
        scan=scan,
        model=model,
        platforms=Platforms(
            tuple(arch.implants[i] for i in seen),
            arch.positions_mm[seen],
            arch.axes[seen],
            arch.flats[seen],
            arch.common_axis,
        ),
        index=seen,
        seats=Seats(arrays.positions_mm[row][seen], arrays.axes[row][seen]),
        flats=arrays.flats[row][seen],
        uncertainty=PoseUncertainty(u[seen, :3], u[seen, 3]),
        note="; ".join(notes),
    )


def aligned_seats(seats: Seats, platforms: Platforms) -> Seats:
    """Bring frameworks, (b, n, 3), onto the mouth by least squares over all implants."""
    b = len(seats.centres_mm)
    nothing = np.full_like(seats.centres_mm, np.nan)
    placed = align_all(
        PoseArrays(("",) * b, seats.centres_mm, seats.axes, nothing), bare_arch(platforms)
    )
    return Seats(placed.points(seats.centres_mm), placed.vectors(seats.axes))


def bare_arch(platforms: Platforms) -> Arch:
    """Platforms in the form that alignments take; without a curve."""
    nothing = np.full_like(platforms.centres_mm, np.nan)
    zero = np.zeros(len(nothing))
    return Arch(
        platforms.implants,
        platforms.centres_mm,
        platforms.axes,
        platforms.flats,
        zero,
        platforms.common_axis,
        *(nothing,) * 3,
        zero,
        False,
    )


@dataclass(frozen=True, slots=True)
class Stack:
    """Frameworks with the same seats.

    Parameters
    ----------
    frameworks : tuple of Framework
        s of them.
    platforms : Platforms
        The n platforms that they share.
    seats : Seats
        (s, n, 3), each in its scan frame.
    """

    frameworks: tuple[Framework, ...]
    platforms: Platforms
    seats: Seats


def stacks(poses: pd.DataFrame, implants: pd.DataFrame) -> list[Stack]:
    """Stack the frameworks of all scans that have two seats or more."""
    return stacked(frameworks(poses, implants))


def stacked(found: Iterable[Framework]) -> list[Stack]:
    """Stack frameworks; those of fewer than two seats are left out."""
    groups: dict[tuple[str, tuple[int, ...]], list[Framework]] = {}
    for framework in found:
        if len(framework.index) >= 2:
            key = framework.model, tuple(framework.index.tolist())
            groups.setdefault(key, []).append(framework)
    return [
        Stack(
            tuple(group),
            group[0].platforms,
            Seats(
                np.array([f.seats.centres_mm for f in group]),
                np.array([f.seats.axes for f in group]),
            ),
        )
        for group in groups.values()
    ]


def two_points(seats: Seats) -> np.ndarray:
    """Seat centres and points on their axes, (2 n, 3), as the alignment takes them."""
    return np.concatenate([seats.centres_mm, seats.centres_mm + LEVER_MM * seats.axes])


@dataclass(frozen=True, slots=True)
class PoseUncertainty:
    """Standard uncertainties of one scan's poses: of x, y, z, (n, 3), and of each tilt of the axis,
    (n,).
    """

    position_um: Floats
    axis_deg: Floats

    @property
    def known(self) -> bool:
        """Whether every seat has all its uncertainties."""
        return bool(np.isfinite(self.position_um).all() and np.isfinite(self.axis_deg).all())


def draw_seats(
    seats: Seats, uncertainty: PoseUncertainty, *, draws: int, seed: int, name: str
) -> tuple[Seats, Floats]:
    """Draw frameworks that the scan could have been, (draws, n, 3), and turns of their axes, rad.

    Seed and `name` start the generator, so that a scan's draws depend neither on other scans nor on
    their order. Normal deviations, independent between implants and coordinates: the poses of one
    scan are located one by one, and the table carries no correlations.

    Notes
    -----
    The deviations are evenly spread (scrambled Sobol points). Where there are twice as
    many draws as deviations, they are also brought to mean 0 and covariance 1 exactly
    (moment matching). Whatever is linear in the deviations then has its exact spread; that
    of the mean largest gap of ten scans has a standard error of 1 to 3 % with 256 draws (600
    draws by chance, matched: 1 to 4.5 %) and of 2 to 7 % with 128.

    References
    ----------
    Owen, Ann. Statist. 25 (1997) 1541-1562, for the points; Boyle, Broadie, Glasserman,
    J Econ Dyn Control 21 (1997) 1267-1321, section 2.4, for the moments.
    """
    rng = np.random.default_rng([seed, zlib.crc32(name.encode("utf-8"))])
    n = len(seats.centres_mm)
    normal = normal_deviations(rng, draws, 6 * n).reshape(draws, 2, n, 3)
    shift = normal[:, 0] * uncertainty.position_um / 1000
    turn = normal[:, 1] * np.radians(uncertainty.axis_deg)[:, None]
    turn -= np.sum(turn * seats.axes, axis=-1, keepdims=True) * seats.axes
    axes = seats.axes + np.cross(turn, seats.axes)
    axes /= np.linalg.norm(axes, axis=-1, keepdims=True)
    return Seats(seats.centres_mm + shift, axes), turn


def normal_deviations(rng: np.random.Generator, draws: int, count: int) -> Floats:
    """Standard normal deviations, evenly spread, (draws, count); see `draw_seats`."""
    points = scipy.stats.qmc.Sobol(count, scramble=True, rng=rng)
    whole = points.random_base2(max(draws - 1, 1).bit_length())[:draws]
    normal = special.ndtri(np.clip(whole, 1e-12, 1 - 1e-12))
    if draws < 2 * count:
        return np.asarray(normal)
    centred = normal - normal.mean(axis=0)
    root = np.linalg.cholesky(centred.T @ centred / (draws - 1))
    return np.asarray(np.linalg.solve(root, centred.T).T)
