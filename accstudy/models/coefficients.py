"""Profile likelihood limits of coefficients."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import optimize, stats

from accstudy.models.crossproducts import Problem, restricted
from accstudy.models.optimum import maximise

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["coefficient_limits"]


def coefficient_limits(fit: MixedFit, *, confidence: float = 0.95) -> pd.DataFrame:
    """Profile likelihood limits of every coefficient, by full likelihood.

    They take the variances as large-sample theory does and are narrower than the t
    limits of `MixedFit.coefficients`, which are to be preferred.

    Parameters
    ----------
    fit : MixedFit
        The model.
    confidence : float
        Of the two limits together.

    Returns
    -------
    DataFrame
        ``term, estimate, low, high``; the estimate is that of full likelihood.
    """
    best = fit.ml.at
    goal = float(np.sqrt(stats.chi2.ppf(confidence, 1)))
    start = best.parameters
    rows = []
    table = fit.coefficients(confidence=confidence)
    for j, (name, estimate) in enumerate(zip(fit.design.names, fit.beta_ml, strict=True)):
        step = float(table["se"].iloc[j])
        limits = []
        for side in (-1, 1):

            def excess(b: float, j: int = j) -> float:
                at = maximise(_fixed(fit, j, b), reml=False, start=start, inform=False).at
                return float(np.sqrt(max(at.criterion - best.criterion, 0.0))) - goal

            outer = estimate + side * 2.5 * step
            while excess(outer) < 0:
                outer += side * 2 * step
            limits.append(optimize.brentq(excess, estimate, outer, xtol=1e-9 * step, rtol=1e-12))
        rows.append((name, estimate, *limits))
    return pd.DataFrame(rows, columns=["term", "estimate", "low", "high"])


def _fixed(fit: MixedFit, j: int, value: float) -> Problem:
    """The model with one coefficient held: its column leaves X, its part leaves y."""
    pr = fit.problem
    others = np.delete(fit.upper, j, axis=1)
    basis, _ = np.linalg.qr(others, mode="complete")
    inside, normal = basis[:, : pr.p - 1], basis[:, -1]
    held = fit.offset.copy()
    held[j] -= value
    shift = normal @ (fit.upper @ held) / pr.scale
    return restricted(pr, inside, normal * shift)
