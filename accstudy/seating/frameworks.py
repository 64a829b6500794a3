"""Platforms of a model and frameworks of scans as arrays, stacked; draws over their uncertainty."""

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
from accstudy.seating.gaps import Platforms, Seats
from accstudy.tables import shape

__all__ = [
    "Framework",
    "PoseUncertainty",
    "Stack",
    "aligned_seats",
    "bare_arch",
    "draw_seats",
    "frameworks",
    "models",
    "normal_deviations",
    "stacked",
    "stacks",
    "two_points",
]

Floats = NDArray[np.float64]


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

    @property
    def terminal(self) -> tuple[str, ...]:
        """First and last implant along the arch that the framework has."""
        names = self.platforms.implants
        return (names[0], names[-1]) if len(names) > 1 else names


def models(poses: pd.DataFrame, implants: pd.DataFrame) -> list[str]:
    """Models that have poses, in their order.

    Raises
    ------
    InputError
        If a model has no reference.
    """
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
