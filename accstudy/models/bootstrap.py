"""Parametric bootstrap of a test, as a check where there are few levels.

References
----------
Halekoh, Højsgaard: A Kenward-Roger approximation and parametric bootstrap methods
for tests in linear mixed models, J. Stat. Softw. 59 (2014) no. 9, section 5. Davison,
Hinkley: Bootstrap Methods and their Application (1997), eq. 4.11 (p value).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg

from accstudy.errors import InputError, nearest
from accstudy.models.crossproducts import Floats, Problem, restricted
from accstudy.models.hypotheses import term_rows
from accstudy.models.optimum import Optimum, maximise
from accstudy.models.reml import Evaluation

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["BootstrapTest", "bootstrap_test"]


@dataclass(frozen=True, slots=True)
class BootstrapTest:
    """Result of a parametric bootstrap.

    Parameters
    ----------
    term : str
        Term tested.
    F : float
        Statistic of the data (Wald, without small-sample adjustment).
    p : float
        Share of simulated statistics that are as large, ``(1 + count) / (1 + draws)``.
    p_se : float
        Standard error of `p` from the number of draws.
    draws : int
        Simulated data sets.
    """

    term: str
    F: float
    p: float
    p_se: float
    draws: int


def bootstrap_test(
    fit: MixedFit, term: str, *, draws: int = 499, seed: int = 0, centred: bool = True
) -> BootstrapTest:
    """Test a term by data simulated under the model without it.

    Parameters
    ----------
    fit : MixedFit
        The model.
    term : str
        Term of its formula.
    draws : int
        Data sets to simulate; each is fitted anew.
    seed : int
        Seed of the random numbers.
    centred : bool
        Where other covariates are held, as in `MixedFit.tests`.

    Returns
    -------
    BootstrapTest

    Raises
    ------
    InputError
        If the model has no such term or the data do not determine its effect.

    Notes
    -----
    Takes about as long as `draws` fits. The null model holds the type III
    hypothesis at zero and is fitted by REML.
    """
    known = {t.name: t for t in fit.design.terms if t.name != "1"}
    if term not in known:
        raise InputError(
            f'"{term}" is not a term of the model {fit.formula}',
            hint=nearest(term, list(known)) if known else "the model has no terms",
        )
    values = fit.design.held_for_tests(centred)
    full = fit.determined(term_rows(fit.design, known[term], values))
    if not len(full):
        raise InputError(f'the data do not determine the effect of "{term}"')
    rows = fit.rows(full)
    free = linalg.null_space(rows)
    taken_off = fit.upper @ fit.offset / fit.problem.scale
    shift = taken_off - free @ (free.T @ taken_off)
    at = maximise(restricted(fit.problem, free, shift), inform=False).at
    simulate = _Simulator(fit, at)
    observed = _wald(fit.optimum, rows, taken_off)
    rng = np.random.default_rng(seed)
    start = at.parameters
    larger = 0
    for _ in range(draws):
        drawn, fitted = simulate.draw(rng)
        optimum = maximise(drawn, start=start, inform=False)
        larger += _wald(optimum, rows, fitted) >= observed
    p = (1 + larger) / (1 + draws)
    return BootstrapTest(term, observed, p, float(np.sqrt(p * (1 - p) / draws)), draws)


def _wald(optimum: Optimum, rows: Floats, taken_off: Floats) -> float:
    """Wald statistic over its rank; the response's scale cancels."""
    at = optimum.at
    phi = at.coefficient_covariance
    e = rows @ (at.solution[at.problem.q :] + taken_off)
    return float(e @ np.linalg.solve(rows @ phi @ rows.T, e)) / len(rows)


class _Simulator:
    """Draws responses without fixed effects and hands out their cross-products.

    Fixed effects under the null hypothesis change neither the variances nor the
    tested combinations, so they are left at zero.
    """

    def __init__(self, fit: MixedFit, at: Evaluation) -> None:
        self.fit, self.at = fit, at
        self.labels = fit.residual_codes

    def draw(self, rng: np.random.Generator) -> tuple[Problem, Floats]:
        """Cross-products of a new response, and the fit on X that was taken off."""
        at = self.at
        y = rng.normal(size=self.fit.n) / np.sqrt(at.weights[self.labels])
        for grouping, theta in zip(self.fit.groups, at.theta, strict=True):
            y += theta * (grouping.z @ rng.normal(size=len(grouping.labels)))
        drawn, fitted = self.fit.table.problem(y)
        return drawn, fitted / drawn.scale
