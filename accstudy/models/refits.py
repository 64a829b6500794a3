"""Every model fitted again: by another program, for the operators alone, to simulated data.

References
----------
Halekoh, Højsgaard: A Kenward-Roger approximation and parametric bootstrap methods
for tests in linear mixed models, J. Stat. Softw. 59 (2014) no. 9, section 5. Davison,
Hinkley: Bootstrap Methods and their Application (1997), eq. 4.11 (p value).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import linalg

from accstudy.errors import AccstudyError
from accstudy.models.checks import far_residuals
from accstudy.models.crossproducts import Floats, Problem, restricted
from accstudy.models.decisions import DIFFERS, determined
from accstudy.models.grouping import expand_random
from accstudy.models.inference import r_squared, term_rows
from accstudy.models.likelihood import Evaluation
from accstudy.models.means import contrasts
from accstudy.models.mixed import MixedFit, fit_mixed
from accstudy.models.optimum import highest
from accstudy.models.responses import plain_response
from accstudy.models.specs import ModelSpec

if TYPE_CHECKING:
    from statsmodels.regression.mixed_linear_model import MixedLMParams

FEW_OPERATORS = 6
"""Operators below which results are also stated for those of the study alone."""

# columns of Z, without components at zero, beyond which statsmodels takes long
_COLUMNS, _SEARCHED = 1500, 200


def fit_summary(fit: MixedFit, spec: ModelSpec) -> pd.DataFrame:
    """One row of table ``model_fits``: what was fitted, how much it explains, what statsmodels
    finds.

    The difference of the engines is the largest relative one between the coefficients (against
    their standard errors where those are larger) and between the restricted log likelihoods that
    the two programs find at the same components; empty where statsmodels cannot express the model.
    In models of up to 200 columns of random effects statsmodels also searches for itself, from two
    starts: ``engine_gain`` is by how much its best log likelihood is higher than that of the fit
    (below zero where its search stops early).
    """
    r2 = r_squared(fit)
    difference, gain = _once_more(fit)
    beyond, _, heavy = far_residuals(fit)
    row = {
        "n_rows": fit.n,
        "n_coefficients": fit.problem.p,
        "fixed": fit.formula,
        "random": " + ".join(fit.random),
        "r2_marginal": r2["marginal"],
        "r2_conditional": r2["conditional"],
        "engine": "" if np.isnan(difference) else "statsmodels MixedLM",
        "engine_difference": difference,
        "engine_gain": gain,
        "engine_higher": None if np.isnan(gain) else gain > DIFFERS,
        "n_beyond_3sd": beyond,
        "largest_scaled": fit.fitted()["residual_scaled"].abs().max(),
        "heavy_tails": heavy,
        "residual_sd_by": fit.residual_sd_by or "",
        "method": fit.method,
        "adjust": spec.adjust,
        "simultaneous": spec.simultaneous,
        "equivalence_margin": spec.equivalence_margin,
        "non_inferiority": spec.non_inferiority,
    }
    return pd.DataFrame([row])


def _once_more(fit: MixedFit) -> tuple[float, float]:
    """Relative difference at the same components; what statsmodels' own search gains. NaN: none."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec  # slow to import

    zero = set(fit.zero)
    kept = [g for g in fit.groups if g.name not in zero]
    columns = sum(len(g.labels) for g in kept)
    if fit.residual_levels or not kept or columns > _COLUMNS:
        return np.nan, np.nan
    names = [g.name for g in kept]
    specs = VCSpec(names, [[list(g.labels)] for g in kept], [[g.z.toarray()] for g in kept])
    ratios = (fit.sds[names] / fit.sds["residual"]).to_numpy(float) ** 2
    scale, p = fit.problem.scale, fit.problem.p
    gain = np.nan
    with warnings.catch_warnings():  # it warns of components near zero
        warnings.simplefilter("ignore")
        other = MixedLM(fit.design.y / scale, fit.table.orthonormal, np.ones(fit.n), exog_vc=specs)
        other.cov_pen = other.fe_pen = None  # set by its own fit
        other.reml = True
        inner, _ = other.get_fe_params(np.zeros((0, 0)), ratios)
        likelihood = float(other.loglike(_params(inner, ratios)))
        if columns <= _SEARCHED:  # its search may stop early: from afar, then from near
            found = [
                other.fit(_params(np.zeros(p), at), method="lbfgs", factr=10.0, pgtol=1e-9)
                for at in (np.ones(len(names)), 1.5 * ratios)
            ]
            gain = max(float(one.llf) for one in found) - likelihood
    theirs = np.linalg.solve(fit.upper, inner * scale)
    se = fit.coefficients()["se"].to_numpy(float)
    apart = np.abs(theirs - fit.beta) / np.maximum(np.abs(fit.beta), se)
    mine = -0.5 * (fit.optimum.at.criterion - 2 * fit.table.log_det_r)
    likelihood -= (fit.n - p) * np.log(scale)
    return float(max(apart.max(), abs(likelihood - mine) / max(abs(mine), 1.0))), gain


def _params(coefficients: Floats, ratios: Floats) -> MixedLMParams:
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    return MixedLMParams.from_components(
        fe_params=coefficients, cov_re=np.zeros((0, 0)), vcomp=ratios
    )


def for_these_operators(
    spec: ModelSpec, fit: MixedFit, held: Mapping[str, float], *, confidence: float
) -> pd.DataFrame:
    """Differences of levels with fixed operators, valid for these operators only.

    As `accstudy.models.means.contrasts`, with ``holds_for``; empty where operators are many,
    absent, or not random in the model.
    """
    factor = next(
        (f for f, n in fit.design.levels.items() if len(n) > 1 and f != spec.absorbed), ""
    )
    own = {"operator", "condition", factor}
    terms = expand_random(spec.random)
    kept = [t for t in terms if not _of_operators(t, own)]
    if not factor or len(kept) == len(terms) or "operator" not in fit.design.data:
        return pd.DataFrame()
    if not 1 < fit.design.data["operator"].nunique() < FEW_OPERATORS:
        return pd.DataFrame()
    fixed = plain_response(spec.fixed)
    own_levels = f" + {spec.absorbed}" if spec.absorbed else ""
    try:
        other = fit_mixed(
            f"{fit.design.response} ~ operator * ({fixed}){own_levels}", kept, fit.design.data,
            residual_sd_by=spec.residual_sd_by or None, method=spec.method, near=fit,
        )  # fmt: skip
        table = contrasts(
            other, factor, at=held, confidence=confidence, margin=spec.equivalence_margin,
            one_sided=spec.non_inferiority, adjust=spec.adjust,
        )  # fmt: skip
    except AccstudyError:  # an operator who did not use every level: nothing to average
        return pd.DataFrame()
    known = determined(table, confidence=confidence, adjust=spec.adjust)
    return known.assign(holds_for="these operators only")


def _of_operators(term: str, own: set[str]) -> bool:
    """Whether a random term is that of the operators, alone or with what is compared."""
    columns = set(term.partition(" by ")[0].rpartition(" | ")[2].split(":"))
    return "operator" in columns and columns <= own


def bootstrap_tests(fit: MixedFit, draws: int) -> pd.DataFrame:
    """Rows of table ``model_bootstrap``: every term that the data determine, if requested.

    A term is tested by data simulated under the model without it, each fitted anew: ``F`` is
    Wald's, without small-sample adjustment, ``p`` the share of simulated ones that are as large,
    ``(1 + count) / (1 + draws)``, with its standard error ``p_se``.
    """
    values = fit.design.held_for_tests(True)
    out = []
    for term in fit.design.terms if draws else ():
        if term.name == "1":
            continue
        full = fit.determined(term_rows(fit.design, term, values))
        if len(full):
            F, p = _bootstrap_test(fit, fit.rows(full), draws)
            out.append((term.name, F, p, float(np.sqrt(p * (1 - p) / draws)), draws))
    return pd.DataFrame(out, columns=["term", "F", "p", "p_se", "draws"])


def _bootstrap_test(fit: MixedFit, rows: Floats, draws: int) -> tuple[float, float]:
    """F and p of combinations of the orthonormal coefficients, (rows, p).

    The null model holds them at zero and is fitted by REML.
    """
    free = linalg.null_space(rows)
    taken_off = fit.upper @ fit.offset / fit.problem.scale
    shift = taken_off - free @ (free.T @ taken_off)
    at = highest(restricted(fit.problem, free, shift))
    observed = _wald(fit.optimum.at, rows, taken_off)
    rng = np.random.default_rng(0)
    larger = 0
    for _ in range(draws):
        drawn, fitted = _drawn(fit, at, rng)
        found = highest(drawn, start=at.parameters)
        larger += _wald(found, rows, fitted) >= observed
    return observed, (1 + larger) / (1 + draws)


def _wald(at: Evaluation, rows: Floats, taken_off: Floats) -> float:
    """Wald statistic over its rank; the response's scale cancels."""
    phi = at.coefficient_covariance
    e = rows @ (at.solution[at.problem.q :] + taken_off)
    return float(e @ np.linalg.solve(rows @ phi @ rows.T, e)) / len(rows)


def _drawn(fit: MixedFit, at: Evaluation, rng: np.random.Generator) -> tuple[Problem, Floats]:
    """Cross-products of a simulated response, and its fit on X that was taken off.

    Fixed effects under the null hypothesis change neither the variances nor the tested
    combinations, so they are left at zero.
    """
    y = rng.normal(size=fit.n) / np.sqrt(at.weights[fit.residual_codes])
    for grouping, theta in zip(fit.groups, at.theta, strict=True):
        y += theta * (grouping.z @ rng.normal(size=len(grouping.labels)))
    drawn, fitted = fit.table.problem(y)
    return drawn, fitted / drawn.scale
