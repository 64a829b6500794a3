"""Published examples of uncertainty, lines, tolerance and equivalence, computed by this program."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from accstudy.accuracy import factors
from accstudy.accuracy.budget import Part, combine, propagate, usable_df
from accstudy.accuracy.line import fit_line
from accstudy.models import fit_mixed
from accstudy.models.decisions import equivalence
from accstudy.models.means import contrasts
from accstudy.selftest.published import Case, Row, table

__all__ = ["ANSWERS", "table_rows"]


def _end_gauge(c: Case) -> dict[str, Any]:
    q = c.params
    parts = [
        Part(name, u, df) for name, u, df in zip(q["component"], q["u_nm"], q["df"], strict=True)
    ]
    found = combine(parts, confidence=0.99)
    difference = math.sqrt(sum(p.u**2 for p in parts[1:4]))
    return {
        "components_nm": [parts[0].u, difference, parts[4].u, parts[5].u],
        "u_c_nm": found.u,
        "nu_eff": found.df,
        "nu_used": usable_df(found.df),
        "k99": found.k,
        "U99_nm": found.U,
    }


def _product(c: Case) -> dict[str, Any]:
    q = c.params
    found = combine(
        [Part(str(n), u, n - 1) for u, n in zip(q["u_rel_percent"], q["n"], strict=True)]
    )
    return {
        "u_c_rel_percent": found.u,
        "nu_eff": found.df,
        "t95": found.k,
        "t95_nu19": found.k,
        "U95_rel_percent": found.U,
    }


def _sum_of_four(c: Case) -> dict[str, Any]:
    normal = [Part(str(i), 1.0, shape="normal") for i in range(4)]
    flat = [Part(str(i), 1.0, shape="rectangular") for i in range(4)]
    return {
        "u": combine(normal).u,
        "half_width95_gaussian": propagate(normal)[1],
        "half_width95_rectangular": propagate(flat)[1],
    }


def _thermometer(c: Case) -> dict[str, Any]:
    data, q = c.frame, c.params
    line = fit_line(data["reading_degC"], data["correction_degC"], x0=q["t0"])
    value, u = line.predict(q["predict_at"])
    return {
        "intercept": line.intercept,
        "u_intercept": line.u_intercept,
        "slope": line.slope,
        "u_slope": line.u_slope,
        "correlation": line.correlation,
        "s": line.s,
        "prediction": value,
        "u_prediction": u,
    }


def _linearity(c: Case) -> dict[str, Any]:
    data = c.frame
    deviation = data["value"] - data["reference"]
    line = fit_line(data["reference"], deviation)
    names = ("slope", "intercept", "r_squared", "t_slope", "t_intercept", "df", "s")
    return {
        "bias": deviation.groupby(data["reference"]).mean(),
        **{name: getattr(line, name) for name in names},
    }


def _tolerance(c: Case) -> dict[str, Any]:
    q = c.params
    args = q["n"], q["coverage"], q["confidence"]
    k2, k1 = factors.howe_factor(*args), factors.natrella_factor(*args)
    return {
        "k2_approx": k2,
        "k1_approx": k1,
        "two_sided": [q["mean"] - k2 * q["sd"], q["mean"] + k2 * q["sd"]],
        "upper_one_sided": q["mean"] + k1 * q["sd"],
        "lower_one_sided": q["mean"] - k1 * q["sd"],
        "k2_exact": factors.two_sided_factor(*args),
        "k1_exact": factors.one_sided_factor(*args),
    }


def _one_sample(c: Case) -> dict[str, Any]:
    q = c.params
    n = np.array(q["n"], float)
    se = np.array(q["sd"]) / np.sqrt(n)
    difference = np.array(q["mean"]) - np.array(q["mu"])
    out: dict[str, Any] = {"p_low": [], "p_high": []}
    for i, (low, high) in enumerate(zip(q["low"], q["high"], strict=True)):
        one = slice(i, i + 1)
        for side, bounds in (("low", (low, math.inf)), ("high", (-math.inf, high))):
            p = equivalence(difference[one], se[one], n[one] - 1.0, *bounds)
            out[f"p_{side}"].append(float(p[0]))
    return out


def _yields(c: Case) -> dict[str, Any]:
    row = contrasts(fit_mixed("value ~ group", [], c.frame), "group", margin=c.params["high"]).iloc[
        0
    ]
    return {
        "difference": row["estimate"],
        "df_equal": round(float(row["df"]), 6),
        "se_equal": row["se"],
        # the larger of the two one-sided p values decides
        "p_low_equal": row["p_equivalence"],
        "ci95_equal": [row["low"], row["high"]],
    }


ANSWERS: dict[str, Callable[[Case], dict[str, Any]]] = {
    "gum_h1_end_gauge": _end_gauge,
    "gum_g4_product": _product,
    "jcgm101_additive_equal": _sum_of_four,
    "gum_h3_thermometer": _thermometer,
    "msa_linearity": _linearity,
    "nist_tolerance_n43": _tolerance,
    "tost_one_sample": _one_sample,
    "tost_yields": _yields,
}
"""Example to what computes its numbers."""


def table_rows() -> list[Row]:
    """Tolerance factors, and sample sizes that need no distribution."""
    rows = []
    source = "tables of tolerance factors in the manner of Odeh and Owen 1980 (from memory)"
    for row in table("iso5725", "tolerance_k").to_dict("records"):
        n, coverage, confidence = int(row["n"]), float(row["coverage"]), float(row["confidence"])
        args = n, coverage, confidence
        two = row["sides"] == "two"
        exact = float((factors.two_sided_factor if two else factors.one_sided_factor)(*args))
        approx = float((factors.howe_factor if two else factors.natrella_factor)(*args))
        said = f"{row['sides']}-sided, n = {n}, coverage {coverage:g}, confidence {confidence:g}"
        for name, kind, told, here, tolerance in (
            ("factor", "printed", row["published"], exact, 6e-4),
            ("factor", "program", row["k_exact"], exact, 6e-7),
            ("approximate factor", "program", row["k_approx"], approx, 6e-7),
        ):
            if not math.isnan(told):
                rows.append(
                    Row("iso5725", "tolerance_k", f"{name}, {said}", kind, source, float(told),
                        here, tolerance, kind == "printed")
                )  # fmt: skip
    source = "Wilks, Ann. Math. Statist. 12 (1941) 91-96; recomputed"
    for row in table("iso5725", "tolerance_nonparametric_n").to_dict("records"):
        coverage, confidence = float(row["coverage"]), float(row["confidence"])
        for sides, told in ((1, row["n_one_sided"]), (2, row["n_two_sided"])):
            here = float(factors.nonparametric_n(coverage, confidence, sides=sides))
            said = f"n, {sides}-sided, coverage {coverage:g}, confidence {confidence:g}"
            rows.append(
                Row("iso5725", "tolerance_nonparametric_n", said, "closed form", source,
                    float(told), here)
            )  # fmt: skip
    return rows
