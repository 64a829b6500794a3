"""Every model fitted again: by another program, and for the operators of the study alone."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError
from accstudy.models.checks import far_residuals
from accstudy.models.crossproducts import Floats
from accstudy.models.decisions import family
from accstudy.models.fit import fit_mixed
from accstudy.models.grouping import expand_random
from accstudy.models.means import contrasts
from accstudy.models.specs import ModelSpec
from accstudy.models.variances import r_squared

if TYPE_CHECKING:
    from statsmodels.regression.mixed_linear_model import MixedLMParams

    from accstudy.models.mixed import MixedFit

__all__ = ["fit_summary", "for_these_operators"]

FEW_OPERATORS = 6
"""Operators below which results are also stated for those of the study alone."""

# columns of Z, without components at zero, beyond which statsmodels takes long
_COLUMNS, _SEARCHED = 1500, 200


def fit_summary(fit: MixedFit, spec: ModelSpec) -> pd.DataFrame:
    """What was fitted, how much it explains, and what statsmodels makes of it.

    Parameters
    ----------
    fit : MixedFit
        The model.
    spec : ModelSpec
        How it was asked for.

    Returns
    -------
    DataFrame
        One row of table ``model_fits``, without the model's name. The difference of the
        engines is the largest relative one between the coefficients (against their standard
        errors where those are larger) and between the restricted log likelihoods that the two
        programs find at the same components; empty where statsmodels cannot express the model.
        In models of up to 200 columns of random effects statsmodels also searches for itself,
        from two starts: ``engine_gain`` is by how much its best log likelihood is higher than
        that of the fit (below zero where its search stops early).

    Notes
    -----
    The marginal and conditional shares are those of Nakagawa and Schielzeth, Methods Ecol.
    Evol. 4 (2013) 133-142, with the mean variance over the rows for slopes (Johnson,
    Methods Ecol. Evol. 5 (2014) 944-946).
    """
    r2 = r_squared(fit)
    difference, gain = _once_more(fit)
    beyond, _, heavy = far_residuals(fit)
    return pd.DataFrame(
        [
            {
                "n_rows": fit.n,
                "n_coefficients": fit.problem.p,
                "fixed": fit.formula,
                "random": " + ".join(fit.random),
                "r2_marginal": r2["marginal"],
                "r2_conditional": r2["conditional"],
                "engine": "" if np.isnan(difference) else "statsmodels MixedLM",
                "engine_difference": difference,
                "engine_gain": gain,
                "n_beyond_3sd": beyond,
                "heavy_tails": heavy,
                "residual_sd_by": fit.residual_sd_by or "",
                "method": fit.method,
                "adjust": spec.adjust,
                "simultaneous": spec.simultaneous,
                "equivalence_margin": spec.equivalence_margin,
                "non_inferiority": spec.non_inferiority,
            }
        ]
    )


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

    Parameters
    ----------
    spec : ModelSpec
        The model.
    fit : MixedFit
        Its fit.
    held : mapping
        Values at which covariates are held.
    confidence : float
        Of the limits.

    Returns
    -------
    DataFrame
        As `accstudy.models.means.contrasts`, with ``holds_for``; empty where operators are
        many, absent, or not random in the model.
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
    fixed = spec.fixed.replace("pair.", "").replace("implant.", "")
    own_levels = f" + {spec.absorbed}" if spec.absorbed else ""
    try:
        other = fit_mixed(
            f"{fit.design.response} ~ operator * ({fixed}){own_levels}", kept, fit.design.data,
            residual_sd_by=spec.residual_sd_by or None, method=spec.method, near=fit,
        )  # fmt: skip
        table = contrasts(
            other, factor, at=held, confidence=confidence, margin=spec.equivalence_margin,
            one_sided=spec.non_inferiority,
        )  # fmt: skip
    except AccstudyError:  # an operator who did not use every level: nothing to average
        return pd.DataFrame()
    known = pd.DataFrame(table[np.isfinite(table["estimate"])])
    known = family(known, confidence=confidence, adjust=spec.adjust)
    return known.assign(holds_for="these operators only")


def _of_operators(term: str, own: set[str]) -> bool:
    """Whether a random term is that of the operators, alone or with what is compared."""
    columns = set(term.partition(" by ")[0].rpartition(" | ")[2].split(":"))
    return "operator" in columns and columns <= own
