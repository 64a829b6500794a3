"""Monte Carlo over the uncertainty of the poses (JCGM 101)."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import scipy  # scipy.stats loads when it is first used
from numpy.typing import NDArray
from scipy import special

from accstudy.seating.gaps import Seats

__all__ = ["PoseUncertainty", "draw_seats", "normal_deviations"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PoseUncertainty:
    """Standard uncertainties of one scan's poses.

    Parameters
    ----------
    position_um : (n, 3) ndarray
        Of x, y, z in the scan frame.
    axis_deg : (n,) ndarray
        Of each of the two tilt components of the axis.
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
    """Draw frameworks that the scan could have been.

    Parameters
    ----------
    seats : Seats
        One framework in the scan frame, (n, 3).
    uncertainty : PoseUncertainty
        Of its poses.
    draws : int
        How many.
    seed : int
        With `name` it starts the generator, so that a scan's draws depend
        neither on other scans nor on their order.
    name : str
        Name of the scan.

    Returns
    -------
    drawn : Seats
        (draws, n, 3), scan frame.
    turns : (draws, n, 3) ndarray
        Rotation vectors of the axes, rad, for directions that turn with them.

    Notes
    -----
    Normal deviations, independent between implants and coordinates: the poses
    of one scan are located one by one, and the table carries no correlations.

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
