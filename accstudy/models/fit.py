"""Fit a linear mixed model with independent random effects to any table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from accstudy.errors import ComputationError, Finding, InputError, Severity
from accstudy.models.crossproducts import Problem, Rows
from accstudy.models.design import build_design, text_levels
from accstudy.models.grouping import groupings, random_columns
from accstudy.models.inference import check_method
from accstudy.models.information import pieces
from accstudy.models.mixed import MixedFit, residual_codes
from accstudy.models.optimum import SMALL, Optimum, maximise
from accstudy.models.reml import Evaluation
from accstudy.models.units import arrange
from accstudy.words.catalogue import say

__all__ = ["assumed_fit", "fit_mixed", "refit", "unequal_fit"]

Floats = npt.NDArray[np.float64]


def fit_mixed(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    *,
    reml: bool = True,
    residual_sd_by: str | None = None,
    method: str = "kenward-roger",
    near: MixedFit | None = None,
) -> MixedFit:
    """Fit a linear mixed model with independent random effects.

    Parameters
    ----------
    formula : str
        ``response ~ terms``; the response may be an expression such as
        ``log(abs(distance_um))``. Text columns are factors with treatment
        coding, the first level in sorted order being the reference.
    random : sequence of str
        Random factors, crossed; ``"a/b"`` stands for a and b within a, ``"a:b"``
        for the combinations; ``"x | a"`` for a slope of column x of its own at each
        level of a, independent of its intercept; ``implants``, ``implants:a`` for the
        implants that pairs share (columns ``implant_a, implant_b`` and, for signed
        deviations, ``direction_x, direction_y, direction_z``; see Notes); ``a by t`` gives
        the effects of a one standard deviation at each level of t.
    data : DataFrame
        One row an observation; rows with a missing value are left out.
    reml : bool
        Which likelihood `MixedFit.criterion` is; estimates and tests always
        come from REML, `MixedFit.ml` holds the other.
    residual_sd_by : str, optional
        Column whose levels get residual standard deviations of their own.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom and standard errors of tests; never z.
    near : MixedFit, optional
        A fit of a similar model to the same rows, whose standard deviations are a start; a
        small model is fitted from several starts all the same.

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

    An implant whose position is off by e changes the distance of a pair by ``-e . u`` or
    ``+e . u`` with u the direction from the first implant to the second. ``implants`` has
    three effects an implant, one along each axis, all with one variance; its standard
    deviation is that of a coordinate.

    Examples
    --------
    >>> frame = pd.DataFrame({"yield": [1.0, 2.1, 2.9, 4.2, 1.4, 2.2], "batch": list("aabbcc")})
    >>> fit = fit_mixed("yield ~ 1", ["batch"], frame)
    >>> fit.sds.round(3).to_dict()
    {'batch': 0.945, 'residual': 0.768}
    """
    return _prepared(formula, random, data, reml, residual_sd_by, method, near=near)


def assumed_fit(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    sds: Mapping[str, float],
    *,
    residual_sd_by: str | None = None,
    method: str = "kenward-roger",
) -> MixedFit:
    """The model as it would be fitted if its estimates were known already.

    What a planned study will show: standard errors and degrees of freedom of its
    contrasts do not depend on the response.

    Parameters
    ----------
    formula, random, residual_sd_by, method
        As for `fit_mixed`.
    data : DataFrame
        Rows that the study will have; the response may be any number.
    sds : mapping of str to float
        Standard deviation of each component, named as in `MixedFit.components`, or without
        the level (``scan`` for all ``scan[...]``); those that are absent are zero.

    Returns
    -------
    MixedFit
        Its coefficients mean nothing.
    """
    return _prepared(formula, random, data, True, residual_sd_by, method, sds=sds)


def _prepared(
    formula: str,
    random: Sequence[str],
    data: pd.DataFrame,
    reml: bool,
    residual_sd_by: str | None,
    method: str,
    *,
    sds: Mapping[str, float] | None = None,
    near: MixedFit | None = None,
) -> MixedFit:
    chosen = check_method(method)
    extra, numbers = random_columns(random, data)
    if residual_sd_by:
        extra.append(residual_sd_by)
    design = build_design(formula, data, extra=extra, numbers=numbers)
    if design.x.shape[0] <= design.x.shape[1]:
        raise ComputationError(
            f"{design.x.shape[0]} rows cannot determine {design.x.shape[1]} coefficients "
            f"of {design.response}",
            hint="simplify the model or add scans",
        )
    for column in numbers:
        values = design.data[column].to_numpy(float)
        if (
            min(np.ptp(values), np.ptp(design.y)) > 0
            and abs(np.corrcoef(values, design.y)[0, 1]) > 1 - 1e-12
        ):
            raise InputError(
                f'"{column}" has random slopes, but it is the response itself',
                hint="leave the term out",
            )
    orthonormal, upper = np.linalg.qr(design.x)
    found, findings = groupings(random, design.data, orthonormal)
    order, units = arrange([g.z for g in found])
    groups = tuple(found[k] for k in order)
    levels: tuple[str, ...] = ()
    if residual_sd_by:
        levels, more = _residual_levels(residual_sd_by, design.data)
        findings += more
    table = Rows(
        orthonormal,
        float(np.log(np.abs(np.diag(upper))).sum()),
        [g.z for g in groups],
        units,
        residual_codes(design.data, residual_sd_by, levels),
    )
    problem, fitted = table.problem(design.y)
    names = tuple(g.name for g in groups)
    optimum = None if sds is None else _assumed(problem, names, levels, sds)
    if optimum is not None:
        problem = optimum.at.problem
    return MixedFit(
        formula=formula,
        random=names,
        residual_sd_by=residual_sd_by or None,
        method=chosen,
        reml=reml,
        design=design,
        groups=groups,
        residual_levels=levels,
        table=table,
        problem=problem,
        upper=upper,
        offset=np.asarray(np.linalg.solve(upper, fitted)),
        optimum=optimum
        or maximise(problem, start=None if near is None else _start(problem, names, near)),
        findings=(*design.findings, *findings),
    )


def _start(problem: Problem, names: Sequence[str], near: MixedFit) -> Floats | None:
    """Ratios of a fit to start from; those of terms that it lacks are small."""
    if problem.q <= SMALL:
        return None
    ratios = near.sds / near.sds.iloc[len(near.groups)]
    own = [ratios.get(name, 0.1) for name in names]
    return np.array([*own, *[0.0] * (len(problem.n_group) - 1)], float)  # logs of residual ratios


def _assumed(
    problem: Problem, names: Sequence[str], levels: Sequence[str], sds: Mapping[str, float]
) -> Optimum:
    """The point of these standard deviations, in a problem scaled so that they are its own."""
    residual = np.array([sds[f"residual[{v}]"] for v in levels] or [sds["residual"]], float)
    own = [sds.get(n, sds.get(n.partition("[")[0], 0.0)) for n in names]
    theta = np.array(own, float) / residual[0]
    at = Evaluation(problem, theta, (residual[0] / residual) ** 2, True)
    scaled = replace(problem, scale=float(residual[0] / np.sqrt(at.variance)))
    at = replace(at, problem=scaled)
    return Optimum(at, pieces(at), 1)


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
                say("findings.column_has_a_single", column=column),
            )
        ]
    return levels, []


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
    problem, fitted = fit.table.problem(y)
    return replace(
        fit,
        design=replace(fit.design, y=y),
        problem=problem,
        offset=np.asarray(np.linalg.solve(fit.upper, fitted)),
        optimum=maximise(problem),
    )


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
    old = fit.table
    table = Rows(
        old.orthonormal,
        old.log_det_r,
        [g.z for g in fit.groups],
        old.units,
        residual_codes(fit.design.data, factor, levels),
    )
    problem, _ = table.problem(fit.design.y)
    return replace(
        fit,
        residual_sd_by=factor,
        residual_levels=levels,
        table=table,
        problem=problem,
        optimum=maximise(problem, start=_start(problem, fit.random, fit)),
    )
