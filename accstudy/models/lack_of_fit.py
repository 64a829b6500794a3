"""Lack of fit of the fixed part: observed against fitted means, and tests.

Residual plots cannot show it: a random pair takes up what a straight line misses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.models.crossproducts import Floats
from accstudy.models.decisions import below, holm
from accstudy.models.inference import FTest, Inference
from accstudy.models.information import pieces
from accstudy.models.reml import Evaluation
from accstudy.models.sentences import number, p_words
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = ["LackOfFit", "lack_findings", "lack_of_fit"]

_MOST_CLASSES = 5
_ALIKE = 0.01  # distance of two values, relative to the range, up to which they are one
_MEAN = "mean_of_response"
_SHOWN = 0.05
_LEAST_DF = 1e-6  # below it the random terms take up all that the added columns could explain


@dataclass(frozen=True)
class LackOfFit:
    """Observed and fitted means, and the tests of added term.

    Parameters
    ----------
    classes : DataFrame
        Rows of table ``model_classes``.
    tests : DataFrame
        Rows of table ``model_lack_of_fit``.
    """

    classes: pd.DataFrame
    tests: pd.DataFrame


def lack_of_fit(fit: MixedFit) -> LackOfFit:
    """Compare observed means with the fixed part, by condition and class of every covariate.

    Parameters
    ----------
    fit : MixedFit
        A model whose data have ``condition``, ``site`` and ``model``.

    Returns
    -------
    LackOfFit
        Empty without these columns or without covariates.

    Notes
    -----
    Observed and fitted means are those of pairs (implants, models) over scans, by
    condition; covariates that vary between scans of one pair have tests only. A test adds
    columns to the fixed part and asks, with the degrees of freedom of the fit's method,
    whether they are zero: classes of the covariate in every condition; its square; its
    slope in every condition where the model has none. The ratios of the standard deviations
    are held at those of the fit, so all its random terms stand behind the test, and what
    is missing counts as scatter of pairs at first: the test errs on the safe side.
    """
    data = fit.design.data
    if not {"condition", "site", "model"} <= set(data):
        return LackOfFit(pd.DataFrame(), pd.DataFrame())
    means = _means(fit)
    columns = [c for c in fit.design.centres if np.ptp(data[c].astype(float)) > 0]
    if len(means) < 4 or not columns:
        return LackOfFit(pd.DataFrame(), pd.DataFrame())
    classes, tests = [], []
    for column in columns:
        values = data[column].astype(float)
        limits = _limits(values)
        tests += _tests(fit, column, _cut(values, limits))
        if column in means:
            classes.append(_observed(means, column, _cut(means[column], limits)))
    table = pd.DataFrame(tests, columns=["covariate", "missing", "num_df", "den_df", "F", "p"])
    table["p_holm"], table["method"] = holm(table["p"]), fit.method
    table["shown"] = below(table["p_holm"].to_numpy(float), _SHOWN)
    stacked = pd.concat(classes, ignore_index=True) if classes else pd.DataFrame()
    return LackOfFit(stacked, table)


def _means(fit: MixedFit) -> pd.DataFrame:
    """Means over scans of response and fixed part, with what does not vary over them."""
    data = fit.design.data
    factors = [f for f in fit.design.levels if f in data]
    keys = list(dict.fromkeys([*factors, "condition", "model", "site"]))
    frame = data[keys].astype(str)
    frame[_MEAN] = fit.design.y
    frame["fitted_fixed"] = fit.design.x @ fit.beta
    columns = [c for c in fit.design.centres if c not in keys]
    frame[columns] = data[columns].astype(float)
    grouped = frame.groupby(keys, sort=True, observed=True)
    spread = (grouped[columns].max() - grouped[columns].min()).max()
    scale = frame[columns].std().clip(lower=1e-300)
    varying = [c for c in columns if spread[c] > 1e-6 * scale[c]]
    means = grouped[[_MEAN, "fitted_fixed", *columns]].mean().reset_index()
    fixed = [c for c in columns if c not in varying]
    return means[[*keys, _MEAN, "fitted_fixed", *fixed]]


def _limits(values: pd.Series) -> Floats:
    """Upper limits of the classes: every value where there are few, else quantiles."""
    known = np.unique(values.to_numpy(float).round(6))
    apart = np.diff(known) > _ALIKE * (known[-1] - known[0])
    ends = known[np.append(apart, True)]
    if len(ends) <= _MOST_CLASSES:
        return np.asarray(ends, float)
    shares = np.linspace(0.0, 1.0, _MOST_CLASSES)[1:]
    return np.unique(np.quantile(known, shares, method="inverted_cdf"))


def _cut(values: pd.Series, limits: Floats) -> pd.Series:
    """Number of the class of every value."""
    place = np.searchsorted(limits, values.to_numpy(float).round(6))
    return pd.Series(np.minimum(place, len(limits) - 1), index=values.index)


def _observed(means: pd.DataFrame, column: str, cut: pd.Series) -> pd.DataFrame:
    grouped = means.assign(_class=cut).groupby(["condition", "_class"], sort=True)
    limits = means[column].groupby(cut).agg(["min", "max"])
    out = grouped.agg(
        value=(column, "mean"), n_means=(column, "size"),
        observed=(_MEAN, "mean"), fitted=("fitted_fixed", "mean"),
    ).reset_index()  # fmt: skip
    out["class_low"] = out["_class"].map(limits["min"])
    out["class_high"] = out["_class"].map(limits["max"])
    out["difference"] = out["observed"] - out["fitted"]
    return out.drop(columns="_class").assign(covariate=column)


def _tests(
    fit: MixedFit, column: str, cut: pd.Series
) -> list[tuple[str, str, float, float, float, float]]:
    """What may be missing along one covariate, each tried by itself."""
    design = fit.design
    values = design.data[column].astype(float).to_numpy()
    factor = next((f for f, v in design.levels.items() if len(v) > 1 and f in design.data), "")
    crossed = any(design.of_column(t, column) and factor in t.factors for t in design.terms)
    levels = np.ones((len(values), 1))
    if factor:
        levels = _dummies(design.data[factor].astype(str))
    classes = _dummies(cut)
    centred = (values - values.mean()) / max(float(values.std()), 1e-300)
    tried = [("classes by condition", _products(classes, levels))]
    if len(_limits(design.data[column].astype(float))) > 2:
        tried.append(("curvature", centred[:, None] ** 2))
    if factor and not crossed:
        tried.append((f"interaction with {factor}", levels * centred[:, None]))
    out = []
    for missing, columns in tried:
        test = _added(fit, columns)
        if test is not None:
            out.append((column, missing, test.num_df, test.den_df, test.F, test.p))
    return out


def _dummies(labels: pd.Series) -> Floats:
    return pd.get_dummies(labels.to_numpy(), dtype=float).to_numpy(float)


def _products(one: Floats, other: Floats) -> Floats:
    return np.asarray(np.einsum("ni,nj->nij", one, other).reshape(len(one), -1))


def _added(fit: MixedFit, columns: Floats) -> FTest | None:
    """F test of columns added to the fixed part, the ratios of its SDs held."""
    table = fit.table
    q = table.orthonormal
    rest = columns - q @ (q.T @ columns)
    rest -= q @ (q.T @ rest)
    u, size, _ = np.linalg.svd(rest, full_matrices=False)
    extra = u[:, size > 1e-7 * max(float(np.linalg.norm(columns, axis=0).max()), 1e-300)]
    if not extra.shape[1] or len(q) <= q.shape[1] + extra.shape[1]:
        return None
    try:
        problem, taken = table.widened(extra).problem(fit.design.y)
        at = fit.optimum.at
        there = Evaluation(problem, at.theta, at.weights, True)
        inference = Inference(pieces(there), problem.scale)
        rows = np.eye(q.shape[1] + extra.shape[1])[q.shape[1] :]
        found = there.solution[problem.q + q.shape[1] :] * problem.scale
        estimates = found + taken[q.shape[1] :]
        test = inference.joint(rows, estimates, fit.method)
        return test if test.den_df > _LEAST_DF else None
    except (AccstudyError, np.linalg.LinAlgError):  # too few rows for the added columns
        return None


def lack_findings(found: LackOfFit, *, unit: str, where: str) -> list[Finding]:
    """Warn of covariates whose fitted means miss what was seen, with what to add.

    Parameters
    ----------
    found : LackOfFit
        Of one model.
    unit : str
        Of the response; empty for logarithms.
    where : str
        Place to name.
    """
    out = []
    for column in dict.fromkeys(found.tests["covariate"]) if len(found.tests) else ():
        mine = found.tests[(found.tests["covariate"] == column)]
        shown = mine[mine["shown"].fillna(False)].sort_values("p")
        if not len(shown):
            continue
        first = shown.iloc[0]
        where_missed = _largest_miss(found.classes, column, unit)
        mend = {
            "curvature": say("findings.add_i_2_to", column=column),
            "classes by condition": (say("findings.allow_conditions_a_separate", column=column)),
        }.get(
            first["missing"],
            say(
                "findings.add_to_fixed",
                missing=str(first["missing"]).removeprefix("interaction with "),
                column=column,
            ),
        )
        out.append(
            Finding(
                Severity.WARNING,
                "lack-of-fit",
                say(
                    "findings.the_fitted_means_depart",
                    column=column,
                    missing=first["missing"],
                    p_holm=p_words(first["p_holm"]),
                    where_missed=where_missed,
                ),
                where,
                mend,
            )
        )
    return out


def _largest_miss(classes: pd.DataFrame, column: str, unit: str) -> str:
    """Where fitted and observed means are farthest apart; empty where pairs have no class."""
    of = classes[classes["covariate"] == column] if len(classes) else classes
    if not len(of):
        return ""
    worst = of.sort_values("difference", key=np.abs, kind="stable").iloc[-1]
    named = f'"{worst["condition"]}" at ' if worst["condition"] else ""
    ends = f"{number(worst['class_low'])} to {number(worst['class_high'])} of {column}"
    return (
        f": {named}{ends} the observed mean is {number(worst['observed'])}{unit and ' ' + unit}, "
        f"the fitted mean {number(worst['fitted'])}"
    )
