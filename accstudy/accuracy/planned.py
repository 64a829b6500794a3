"""Layouts that have not been measured yet: what a plan would show if its assumptions hold."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from accstudy.accuracy.oneway import Layouts
from accstudy.errors import InputError

__all__ = ["planned_layouts"]


def planned_layouts(
    cells: npt.ArrayLike,
    per_cell: npt.ArrayLike,
    *,
    bias: npt.ArrayLike = 0.0,
    var_within: npt.ArrayLike,
    var_between: npt.ArrayLike = 0.0,
) -> Layouts:
    """Layouts of equal cells that show exactly the bias and variances assumed.

    Parameters
    ----------
    cells : array_like of int, shape (G,)
        Cells of each layout, at least 1.
    per_cell : array_like, shape (G,)
        Results a cell, at least 1; a mean cell size may be a fraction.
    bias : array_like, optional
        Mean shown.
    var_within, var_between : array_like
        Variances shown, within cells and between them.

    Returns
    -------
    Layouts
        Without single cells: sums only. Whatever is worked out from it is what a
        study of that size is to be expected to show, about half of the time better.
    """
    p, m, mean, w, b = (
        np.atleast_1d(a)
        for a in np.broadcast_arrays(
            np.asarray(cells, dtype=np.int64),
            np.asarray(per_cell, dtype=float),
            np.asarray(bias, dtype=float),
            np.asarray(var_within, dtype=float),
            np.asarray(var_between, dtype=float),
        )
    )
    if (p < 1).any() or (m < 1).any() or (w < 0).any() or (b < 0).any():
        raise InputError("a plan needs cells and scans, and variances of zero or more")
    n = np.maximum(p, np.rint(p * m)).astype(np.int64)
    of_means = b + w / m
    none = np.zeros(0)
    return Layouts(
        n=n,
        cells=p,
        mean=mean.astype(float),
        mean_of_cells=mean.astype(float),
        ss_within=w * (n - p),
        ss_between=(p - 1) * m * of_means,
        ss_cell_means=(p - 1) * of_means,
        sum_n2=n.astype(float) ** 2 / p,
        harmonic_n=m.astype(float),
        cell_layout=none.astype(np.int64),
        cell_label=none.astype(np.int64),
        cell_n=none.astype(np.int64),
        cell_mean=none,
        cell_ss=none,
    )
