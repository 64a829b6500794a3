"""Fit a linear mixed model with random intercepts to any table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.errors import ComputationError, Finding, InputError, Severity
from accstudy.models.crossproducts import problem
from accstudy.models.design import Design, build_design, text_levels
from accstudy.models.grouping import Grouping, groupings, random_columns
from accstudy.models.inference import Method, check_method
from accstudy.models.mixed import MixedFit
from accstudy.models.optimum import maximise

__all__ = ["fit_mixed", "refit", "unequal_fit"]

Floats = npt.NDArray[np.float64]


def fit_mixed(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    *,
    reml: bool = True,
    residual_sd_by: str | None = None,
    method: str = "kenward-roger",
) -> MixedFit:
    """Fit a linear mixed model with random intercepts.

    Parameters
    ----------
    formula : str
        ``response ~ terms``; the response may be an expression such as
        ``log(abs(distance_um))``. Text columns are factors with treatment
        coding, the first level in sorted order being the reference.
    random : sequence of str
        Random factors, crossed; ``"a/b"`` stands for a and b within a, ``"a:b"``
        for the combinations; ``"x | a"`` for a slope of column x of its own at each
        level of a, independent of its intercept.
    data : DataFrame
        One row an observation; rows with a missing value are left out.
    reml : bool
        Which likelihood `MixedFit.criterion` is; estimates and tests always
        come from REML, `MixedFit.ml` holds the other.
    residual_sd_by : str, optional
        Column whose levels get residual standard deviations of their own.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom and standard errors of tests; never z.

    Returns
    -------
    MixedFit

    Raises
    ------
    InputError
        If a column is unknown or the formula cannot be read.
    ComputationError
        If the data leave no residual degrees of freedom.

    Notes
    -----
    Profiled restricted likelihood in the ratios of standard deviations (Bates,
    Mächler, Bolker, Walker, J. Stat. Softw. 67 (2015) no. 1). Random terms
    without information (one level, one row a level, same grouping as another)
    are left out, each with a finding. The standard deviation of random slopes is
    that of the response at one standard deviation of x from its mean.

    Examples
    --------
    >>> frame = pd.DataFrame({"yield": [1.0, 2.1, 2.9, 4.2, 1.4, 2.2], "batch": list("aabbcc")})
    >>> fit = fit_mixed("yield ~ 1", ["batch"], frame)
    >>> fit.sds.round(3).to_dict()
    {'batch': 0.945, 'residual': 0.768}
    """
    chosen = check_method(method)
    extra, slopes = random_columns(random)
    if residual_sd_by:
        extra.append(residual_sd_by)
    design = build_design(formula, data, extra=extra, numbers=slopes)
    if design.x.shape[0] <= design.x.shape[1]:
        raise ComputationError(
            f"{design.x.shape[0]} rows cannot determine {design.x.shape[1]} coefficients "
            f"of {design.response}",
            hint="simplify the model or add scans",
        )
    orthonormal, _ = np.linalg.qr(design.x)
    groups, findings = groupings(random, design.data, orthonormal)
    levels: tuple[str, ...] = ()
    if residual_sd_by:
        levels, more = _residual_levels(residual_sd_by, design.data)
        findings += more
    return _fit(
        design, tuple(groups), formula, residual_sd_by or None, levels, chosen, reml,
        (*design.findings, *findings),
    )  # fmt: skip


def _residual_levels(column: str, data: pd.DataFrame) -> tuple[tuple[str, ...], list[Finding]]:
    levels = text_levels(data[column])
    counts = data[column].astype(str).value_counts()
    small = [level for level in levels if counts[level] < 3]
    if small:
        raise InputError(
            f'level "{small[0]}" of column "{column}" has fewer than three rows, so it has no '
            "residual standard deviation of its own",
            hint="leave residual_sd_by out",
        )
    if len(levels) == 1:
        return (), [
            Finding(
                Severity.NOTE,
                "one-level",
                f'column "{column}" has a single level, so there is one residual standard '
                "deviation",
            )
        ]
    return levels, []


def _fit(
    design: Design,
    groups: tuple[Grouping, ...],
    formula: str,
    residual_sd_by: str | None,
    residual_levels: tuple[str, ...],
    method: Method,
    reml: bool,
    findings: tuple[Finding, ...],
) -> MixedFit:
    orthonormal, upper = np.linalg.qr(design.x)
    offset = np.asarray(np.linalg.solve(upper, orthonormal.T @ design.y))
    left = design.y - design.x @ offset
    if np.linalg.norm(left) <= 1e-12 * max(float(np.linalg.norm(design.y)), 1e-300):
        raise ComputationError(f"the fixed effects fit {design.response} exactly")
    codes = None
    if residual_levels and residual_sd_by:
        column = design.data[residual_sd_by].astype(str)
        codes = np.asarray(pd.Categorical(column, categories=list(residual_levels)).codes, np.int64)
    log_det = float(np.log(np.abs(np.diag(upper))).sum())
    pr = problem(left, orthonormal, log_det, [(g.codes, g.loadings) for g in groups], codes)
    return MixedFit(
        formula=formula,
        random=tuple(g.name for g in groups),
        residual_sd_by=residual_sd_by,
        method=method,
        reml=reml,
        design=design,
        groups=groups,
        residual_levels=residual_levels,
        problem=pr,
        upper=upper,
        offset=offset,
        optimum=maximise(pr),
        findings=findings,
    )


def refit(fit: MixedFit, y: Floats) -> MixedFit:
    """Fit the same model to another response of the same rows.

    Parameters
    ----------
    fit : MixedFit
        The model.
    y : (n,) ndarray
        The other response.

    Returns
    -------
    MixedFit
    """
    return _fit(
        replace(fit.design, y=y), fit.groups, fit.formula, fit.residual_sd_by,
        fit.residual_levels, fit.method, fit.reml, fit.findings,
    )  # fmt: skip


def unequal_fit(fit: MixedFit, factor: str) -> MixedFit:
    """Fit the same model with a residual standard deviation for every level of a factor.

    Parameters
    ----------
    fit : MixedFit
        The model with one residual standard deviation.
    factor : str
        Column of its data.

    Returns
    -------
    MixedFit

    Raises
    ------
    InputError
        If a level has fewer than three rows.
    ComputationError
        If the equations cannot be solved: a level may have no scatter of its own.
    """
    levels, _ = _residual_levels(factor, fit.design.data)
    return _fit(
        fit.design, fit.groups, fit.formula, factor, levels, fit.method, fit.reml, fit.findings
    )
