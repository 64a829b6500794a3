"""The misfit that locating alone would give: that of a perfect framework."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from accstudy.geometry.rigid import fit_rigid
from accstudy.seating.contributions import worst_misfit
from accstudy.seating.gaps import Seats
from accstudy.seating.quick import DRAWN_TOLERANCE_UM
from accstudy.seating.stacks import Stack, stacks, two_points
from accstudy.seating.summary import TERMINAL_SCREW
from accstudy.seating.table import BEST_SEAT

__all__ = ["locating_misfits"]

Floats = NDArray[np.float64]

_COLUMNS = ["scan", "seated", "locating_median_um", "locating_p95_um"]


def locating_misfits(
    poses: pd.DataFrame,
    implants: pd.DataFrame,
    *,
    platform_radius_mm: float = 2.0,
    draws: int = 2000,
    seed: int = 40_000,
) -> pd.DataFrame:
    """Misfit that each scan would show if its framework were perfect.

    Parameters
    ----------
    poses, implants : DataFrame
        Tables ``poses`` and ``implants``, as for `seating_table`.
    platform_radius_mm : float
        Radius of the rim.
    draws : int
        Frameworks drawn for all scans with the same seats together.
    seed : int
        Of the draws.

    Returns
    -------
    DataFrame
        ``scan``, ``seated``, ``locating_median_um``, ``locating_p95_um``; no
        row where an uncertainty is unknown.

    Notes
    -----
    Each draw moves the seats of a perfect framework by normal deviations with
    the standard uncertainties of one of the scans (JCGM 101:2008). The misfit
    grows in proportion to these, so the quantiles of the ratio over all draws,
    times the scan's own root mean square uncertainty, are those of the scan.
    A largest gap never falls below zero, so errors of locating do not average
    out: a misfit below the 95 % value cannot be distinguished from none. It is not
    subtracted, as the misfit of an imperfect framework and that of locating do
    not add up.
    """
    rows = []
    for number, stack in enumerate(stacks(poses, implants)):
        known = [k for k, f in enumerate(stack.frameworks) if f.uncertainty.known]
        if not known:
            continue
        which = np.array(known)[np.arange(draws) % len(known)]
        seats = _drawn(stack, known, which, np.random.default_rng([seed, number]))
        size = {k: _size_um(stack, k, platform_radius_mm) for k in known}
        n = len(stack.platforms.implants)
        ends = [worst_misfit(seats, stack.platforms, platform_radius_mm, k)[0] for k in (0, n - 1)]
        best = worst_misfit(
            seats, stack.platforms, platform_radius_mm, None, tolerance_um=DRAWN_TOLERANCE_UM
        )[0]
        drawn_size = np.array([size[k] for k in which])
        for seated, misfit in ((TERMINAL_SCREW, np.maximum(*ends)), (BEST_SEAT, best)):
            median, high = np.quantile(misfit / drawn_size, [0.5, 0.95])
            for k in known:
                rows.append((stack.frameworks[k].scan, seated, median * size[k], high * size[k]))
    return pd.DataFrame(rows, columns=_COLUMNS)


def _size_um(stack: Stack, k: int, radius_mm: float) -> float:
    """Root mean square uncertainty of a scan's seats, the tilt as seen at the rim."""
    u = stack.frameworks[k].uncertainty
    rim = 1000 * radius_mm * np.radians(u.axis_deg)
    return max(float(np.sqrt(np.mean(u.position_um**2) + np.mean(rim**2))), 1e-9)


def _drawn(
    stack: Stack, known: list[int], which: NDArray[np.intp], rng: np.random.Generator
) -> Seats:
    """Perfect frameworks in the mouth's frame, moved as locating would."""
    centres, axes = stack.platforms.centres_mm, stack.platforms.axes
    n = len(centres)
    shift, turn = np.empty((len(which), n, 3)), np.empty((len(which), n, 3))
    for k in known:
        mine = np.flatnonzero(which == k)
        framework = stack.frameworks[k]
        turned = fit_rigid(two_points(framework.seats), two_points(Seats(centres, axes))).rotation
        u = framework.uncertainty
        normal = rng.standard_normal((2, len(mine), n, 3))
        shift[mine] = (normal[0] * u.position_um / 1000) @ turned.T
        turn[mine] = normal[1] * np.radians(u.axis_deg)[:, None]
    turn -= np.sum(turn * axes, axis=-1, keepdims=True) * axes
    moved = axes + np.cross(turn, axes)
    return Seats(centres + shift, moved / np.linalg.norm(moved, axis=-1, keepdims=True))
