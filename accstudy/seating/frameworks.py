"""Tables to arrays: the platforms of a model and the framework of every scan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.compare.align import PoseArrays, align_all, pose_arrays
from accstudy.compare.arch import Arch, arch_of
from accstudy.errors import InputError
from accstudy.seating.draws import PoseUncertainty
from accstudy.seating.gaps import Platforms, Seats
from accstudy.tables import shape

__all__ = ["Framework", "aligned_seats", "bare_arch", "frameworks", "models"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Framework:
    """The framework that one scan would yield, and the platforms it is for.

    Parameters
    ----------
    scan, model : str
        Where it comes from.
    platforms : Platforms
        Only those that the framework has a seat for, in arch order.
    index : (k,) ndarray of int
        Their places in the whole arch.
    seats : Seats
        (k, 3), scan frame.
    flats : (k, 3) ndarray
        Directions towards the flats, scan frame; NaN where unknown.
    uncertainty : PoseUncertainty
        Of its poses.
    note : str
        What the user should know.
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

    Parameters
    ----------
    poses : DataFrame
        Table ``poses``; rows without a position count as missing.
    implants : DataFrame
        Table ``implants``: one row a model and implant (where the reference
        was measured again, the rows that held for these scans).

    Yields
    ------
    Framework
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
