"""Published examples of uncertainty, tolerance and equivalence, computed by this program."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from accstudy.accuracy.bounds import Grouping, normal_bounds
from accstudy.accuracy.budget import Part, combine, propagate, usable_df
from accstudy.accuracy.ranks import nonparametric_n
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
    "tost_one_sample": _one_sample,
    "tost_yields": _yields,
}
"""Example to what computes its numbers."""


def table_rows() -> list[Row]:
    """One-sided tolerance factors as bounds of one cell, and samples that need no distribution."""
    rows = []
    source = "tables of tolerance factors in the manner of Odeh and Owen 1980 (from memory)"
    for row in table("iso5725", "tolerance_k").to_dict("records"):
        n, coverage, confidence = int(row["n"]), float(row["coverage"]), float(row["confidence"])
        x = np.arange(n) - (n - 1) / 2  # mean 0, so that the bound is the factor
        bound, _ = normal_bounds(
            (x / x.std(ddof=1))[:, None], Grouping(np.zeros(n, np.int64)), kind="upper",
            coverage=coverage, confidence=confidence, log2_draws=16,
        )  # fmt: skip
        said = f"one-sided factor, n = {n}, coverage {coverage:g}, confidence {confidence:g}"
        for kind, told in (("printed", row["published"]), ("program", row["exact"])):
            if not math.isnan(told):
                rows.append(
                    Row("iso5725", "tolerance_k", said, kind, source, float(told),
                        float(bound[0]), 1e-3 * told, kind == "printed")
                )  # fmt: skip
    source = "Wilks, Ann. Math. Statist. 12 (1941) 91-96; recomputed"
    for row in table("iso5725", "tolerance_nonparametric_n").to_dict("records"):
        coverage, confidence = float(row["coverage"]), float(row["confidence"])
        said = f"n, coverage {coverage:g}, confidence {confidence:g}"
        rows.append(
            Row("iso5725", "tolerance_nonparametric_n", said, "closed form", source,
                float(row["n_one_sided"]), float(nonparametric_n(coverage, confidence)))
        )  # fmt: skip
    return rows
