"""Published mixed models, control charts, run lengths and trends, computed by this program."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from accstudy.drift.charts import constants, cusum, ewma, individuals, rule_run_lengths
from accstudy.drift.runlength import cusum_run_length, ewma_run_length, shewhart_run_length
from accstudy.drift.trend import mann_kendall, theil_sen
from accstudy.models import fit_mixed
from accstudy.models.inference import component_tests, r_squared, sd_limits, shares
from accstudy.models.means import contrasts, marginal_means
from accstudy.models.mixed import MixedFit
from accstudy.selftest.published import Case, Row, case, cases, table

METHODS = {"satt": "satterthwaite", "kr": "kenward-roger"}

_LIKELIHOODS = ("reml_criterion", "loglik", "ranova_lrt")
_PROGRAMS = "R 4.2.2: lme4, lmerTest, pbkrtest, emmeans, nlme; data: "

Numbers = dict[str, dict[str, float]]


def case_data(c: Case) -> pd.DataFrame:
    """Rows of an example as its model wants them: factors as text, rows left out."""
    frame = c.frame
    for column in c.params["factors"]:
        frame[column] = frame[column].astype(str)
    frame = frame.drop(index=[i - 1 for i in c.params.get("drop_rows", [])])
    for column, levels in c.params.get("keep_levels", {}).items():
        frame = frame[frame[column].isin(levels)]
    return frame


@cache
def fitted(name: str) -> MixedFit:
    """Fit the model of an example."""
    c = case("mixed", name)
    return fit_mixed(
        c.params["formula"],
        c.params["random"],
        case_data(c),
        residual_sd_by=c.params.get("residual_sd_by"),
    )


def tolerance_of(quantity: str) -> tuple[float, float]:
    """Tolerance of a quantity, absolute and relative.

    Likelihoods are compared to 1e-6 and degrees of freedom to 1e-3, both
    absolute; p values to a part in 1000, everything else to one in 10000.
    """
    if quantity.startswith(_LIKELIHOODS) and not quantity.endswith(("_df", "_p")):
        return 1e-6, 0.0
    if quantity.endswith("_p") or "_p_" in quantity:
        return 0.0, 1e-3
    if "df" in quantity:
        return 1e-3, 0.0
    return 1e-8, 1e-4


def mixed_rows() -> Iterator[Row]:
    """Every number of the reference and every number that is printed elsewhere."""
    expected = table("mixed", "expected")
    for (name, quantity), rows in expected.groupby(["case", "quantity"], sort=False):
        found = numbers_of(str(name), group_of(str(quantity)))[str(quantity)]
        absolute, relative = tolerance_of(str(quantity))
        source = _PROGRAMS + case("mixed", str(name)).source
        for term, told in zip(rows["term"], rows["value"].astype(float), strict=True):
            here = float(found[term]) if term in found else "missing"
            tolerance = max(absolute, relative * abs(told))
            said = f"{quantity} {term}".strip()
            yield Row("mixed", str(name), said, "program", source, told, here, tolerance)
    for c in cases("mixed"):
        found_here = printed_elsewhere(c)
        for quantity, told in c.published.items():
            yield Row("mixed", c.id, quantity, c.origin, f"{c.source}; {c.obtained}", float(told),
                      found_here[quantity], c.tolerance[quantity], c.from_memory)  # fmt: skip


def printed_elsewhere(c: Case) -> dict[str, float]:
    """Numbers of an example as ``cases.toml`` names them."""
    fit = fitted(c.id)
    sds = {str(k).lower().replace(":", "_"): float(v) for k, v in fit.sds.items()}
    found = {"reml_criterion": fit.criterion, "ratio": float(fit.optimum.at.theta[0])}
    found |= {f"sd_{k}": v for k, v in sds.items()}
    return found | {f"variance_{k}": v**2 for k, v in sds.items()}


def group_of(quantity: str) -> str:
    """Group of quantities that are computed together."""
    if quantity.startswith(("satt", "kr", "F", "beta_se")):
        return "tests"
    for group in ("ranova", "sd_profile"):
        if quantity.startswith(group):
            return group
    return "means" if quantity.startswith(("emm", "contrast")) else "fit"


@cache
def numbers_of(name: str, group: str) -> Numbers:
    """One group of numbers (see `group_of`) of an example, by quantity and term as in
    ``expected.csv``.
    """
    computed: dict[str, Callable[[MixedFit], Numbers]] = {
        "fit": _fit,
        "tests": _tests,
        "ranova": _component_tests,
        "sd_profile": _sd_limits,
        "means": lambda fit: _means(fit, case("mixed", name).params.get("means", [])),
    }
    return computed[group](fitted(name))


def _by(frame: pd.DataFrame, key: str, value: str) -> dict[str, float]:
    return dict(zip(frame[key], frame[value], strict=True))


def _renamed(values: Any) -> dict[str, float]:
    return {str(k).replace("residual", "Residual"): v for k, v in values.items()}


def _fit(fit: MixedFit) -> Numbers:
    sds, r2, icc = _renamed(fit.sds), r_squared(fit), shares(fit)
    effects = fit.effects()
    labels = effects["factor"] + "[" + effects["level"] + "]"
    return {
        "n_obs": {"": fit.n},
        "n_groups": {g.name: len(g.labels) for g in fit.groups},
        "singular": {"": float(bool(fit.zero))},
        "reml_criterion": {"": fit.criterion},
        "loglik_reml": {"": -0.5 * fit.criterion},
        "sd": sds,
        "variance": {k: v**2 for k, v in sds.items()},
        "beta": dict(zip(fit.design.names, fit.beta, strict=True)),
        "sigma_group": {
            str(k).replace("residual", str(fit.residual_sd_by)): v for k, v in fit.sds.items()
        },
        "icc": {str(k): v for k, v in icc.items()},
        "icc_total": {"": icc.sum()},
        "var_fixed": {"": r2["var_fixed"]},
        "r2_marginal": {"": r2["marginal"]},
        "r2_conditional": {"": r2["conditional"]},
        "blup": dict(zip(labels, effects["effect"], strict=True)),
    }


def _component_tests(fit: MixedFit) -> Numbers:
    tests = component_tests(fit)
    return {
        "ranova_lrt": _by(tests, "component", "statistic"),
        "ranova_p": _by(tests, "component", "p_naive"),
    }


def _sd_limits(fit: MixedFit) -> Numbers:
    limits = sd_limits(fit)
    return {
        "sd_profile_reml_lo": _renamed(_by(limits, "component", "low")),
        "sd_profile_reml_hi": _renamed(_by(limits, "component", "high")),
    }


def _tests(fit: MixedFit) -> Numbers:
    out: Numbers = {}
    for short, method in METHODS.items():
        terms = fit.coefficients(method=method)
        out["beta_se" if short == "satt" else "kr_se"] = _by(terms, "term", "se")
        for column in ("df", "t", "p"):
            out[f"{short}_{column}"] = _by(terms, "term", column)
        tests = fit.tests(method=method, centred=False)
        out["F3_numdf"] = _by(tests, "term", "num_df")
        for quantity, column in (("dendf", "den_df"), ("F", "F"), ("p", "p")):
            out[f"F3_{short}_{quantity}"] = _by(tests, "term", column)
    for quantity, column in (("F_exact_dendf", "den_df"), ("F_exact", "F"), ("F_exact_p", "p")):
        out[quantity] = _by(tests, "term", column)  # Kenward-Roger is exact when balanced
    return out


def _means(fit: MixedFit, factors: list[str]) -> Numbers:
    out: Numbers = {}
    for factor in factors:
        for short, method in METHODS.items():
            means = marginal_means(fit, factor, method=method)
            means["level"] = f"{factor}[" + means["level"] + "]"
            out["emm"] = _by(means, "level", "estimate")
            for quantity, column in (("se", "se"), ("df", "df"), ("lo", "low"), ("hi", "high")):
                out[f"emm_{quantity}_{short}"] = _by(means, "level", column)
            pairs = contrasts(fit, factor, method=method)
            pairs["contrast"] = f"{factor}{{" + pairs["contrast"] + "}"
            out["contrast"] = _by(pairs, "contrast", "estimate")
            for column in ("se", "df", "t", "p", "p_holm"):
                out[f"contrast_{column}_{short}"] = _by(pairs, "contrast", column)
    return out


def _individuals(c: Case) -> dict[str, Any]:
    found = individuals(c.frame["value"], d2=1.128)
    return {
        "mean": found.centre,
        "mr_bar": found.mean_range,
        "ucl": found.upper,
        "lcl": found.lower,
        "ucl_exact_d2": individuals(c.frame["value"]).upper,
    }


def _ewma_steady(c: Case) -> dict[str, Any]:
    p = c.params
    found = ewma(
        c.frame["value"], start=p["start"], sigma=p["sigma"], lambda_=p["lambda_"], L=p["L"]
    )
    return {
        "ewma": found.average,
        "ucl": found.upper[-1],
        "lcl": found.lower[-1],
        "signals": np.flatnonzero(found.signals) + 1,
    }


def _ewma_from_the_start(c: Case) -> dict[str, Any]:
    p = c.params
    found = ewma(
        c.frame.iloc[:, -1],
        start=p["start"],
        sigma=p["sigma"],
        lambda_=p["lambda_"],
        L=p["L"],
        from_the_start=True,
    )
    return {
        "z": found.average[np.array(c.published["z_index"]) - 1],
        "ucl_30": found.upper[-1],
        "lcl_30": found.lower[-1],
        "ucl_1": found.upper[0],
        "ucl_2": found.upper[1],
        "signals": np.flatnonzero(found.signals) + 1,
    }


def _cusum(c: Case) -> dict[str, Any]:
    p = c.params
    found = cusum(c.frame.iloc[:, -1], target=p["target"], sigma=p["sigma"], k=p["k"], h=p["h"])
    first = int(np.argmax(found.signals))
    return {
        "first_signal": first + 1,
        "signals": np.flatnonzero(found.signals) + 1,
        "c_plus_29": found.high[28],
        "c_plus_30": found.high[29],
        "n_plus_29": found.since_high[28],
        "shifted_mean_estimate": p["target"] + p["sigma"] * found.shift(first),
        "c_plus_1_to_6": found.high[:6],
        "c_minus_1_to_3": found.low[:3],
    }


def _great_lakes(c: Case) -> dict[str, Any]:
    found = mann_kendall(c.frame["inches"])
    slope = theil_sen(c.frame["inches"], c.frame["year"])
    return {
        **{name: getattr(found, name) for name in ("S", "var_S", "z", "p", "tau")},
        "slope": slope.slope,
        "slope_ci95": [slope.low, slope.high],
    }


def _tuna(c: Case) -> dict[str, Any]:
    found = mann_kendall(c.params["y"], c.params["x"])
    n = len(c.params["x"])
    return {"tau": found.tau, "concordant": (found.S + n * (n - 1) / 2) / 2}


ANSWERS: dict[str, Callable[[Case], dict[str, Any]]] = {
    "nist_imr_flowrate": _individuals,
    "nist_ewma": _ewma_steady,
    "montgomery_ewma": _ewma_from_the_start,
    "montgomery_cusum": _cusum,
    "trend_precipgl": _great_lakes,
    "kendall_tuna": _tuna,
}
"""Example of the topic ``iso5725`` to what computes its numbers."""


def _run_rules(c: Case) -> dict[str, Any]:
    found = rule_run_lengths(c.params["L"])
    return {"none": found["none"], "one_side_run": found["one-side-run"]}


def _eight_in_a_row(c: Case) -> dict[str, Any]:
    # limits so far out that only the run can signal; the search ends at a billionth
    return {"run_length": round(rule_run_lengths(8.0)["one-side-run"], 4)}


RUN_RULES: dict[str, Callable[[Case], dict[str, Any]]] = {
    "champ_woodall_run_rules": _run_rules,
    "eight_in_a_row_alone": _eight_in_a_row,
}
"""Example of the topic ``drift`` to what computes its numbers."""


def table_rows() -> list[Row]:
    """Factors of charts, and run lengths."""
    return [*_chart_factors(), *_run_lengths()]


def _chart_factors() -> list[Row]:
    rows = []
    source = "Montgomery, Introduction to Statistical Quality Control, Appendix VI"
    for row in table("iso5725", "chart_constants").to_dict("records"):
        n = int(row["n"])
        found = constants(n)
        exact = {"d2_exact": found.d2, "d3_exact": found.d3, "c4_exact": found.c4}
        # printed factors are rounded or cut in the last digit
        printed = {
            "A2": (3 / (found.d2 * math.sqrt(n)), 6e-4),
            "D3": (max(0.0, 1 - 3 * found.d3 / found.d2), 6e-4),
            "D4": (1 + 3 * found.d3 / found.d2, 7e-4),
        }
        for name, here in exact.items():
            rows.append(
                Row("iso5725", "chart_constants", f"{name.removesuffix('_exact')}, n = {n}",
                    "program", "defining integrals", float(row[name]), here, 6e-6)
            )  # fmt: skip
        for name, (here, tolerance) in printed.items():
            rows.append(
                Row("iso5725", "chart_constants", f"{name}, n = {n}", "printed", source,
                    float(row[name]), here, tolerance)
            )  # fmt: skip
    return rows


def _run_lengths() -> list[Row]:
    rows = []
    for row in table("iso5725", "arl").to_dict("records"):
        numbers = [float(n) for n in re.findall(r"[\d.]+", row["design"])]
        shift = float(row["shift_sigma"])
        if row["chart"].startswith("ewma"):
            here = ewma_run_length(*numbers, shift)
        elif row["chart"].startswith("cusum"):
            here = cusum_run_length(*numbers, shift)
        else:
            here = shewhart_run_length(numbers[0], shift)
        printed, computed = float(row["published"]), float(row["computed"])
        unit = 10.0 ** -len(f"{printed:g}".partition(".")[2])
        # half of the last digit; a number from memory (15.9 for 15.85) a little more
        share = 0.6 if "memory" in row["source"] else 0.5
        quantity = f"{row['chart']}, {row['design']}, shift {shift:g}"
        rows += [
            Row("iso5725", "arl", quantity, "printed", row["source"], printed, here,
                share * unit, "memory" in row["source"]),
            Row("iso5725", "arl", quantity, "program", row["source"], computed, here,
                max(6e-5, 2e-6 * computed)),
        ]  # fmt: skip
    return rows
