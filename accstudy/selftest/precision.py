"""Published examples of precision, outliers, uncertainty, tolerance, equivalence, computed here."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy import outliers
from accstudy.accuracy.anova import layouts, nested_anova, one_way_table
from accstudy.accuracy.bounds import Grouping, nonparametric_n, normal_bounds
from accstudy.accuracy.budget import Part, propagate
from accstudy.accuracy.outliers import cell_tests, extremes
from accstudy.accuracy.summary import algorithm_a, made
from accstudy.models import fit_mixed
from accstudy.models.decisions import equivalence
from accstudy.models.means import contrasts
from accstudy.selftest.published import Case, Row, table


def _sum_of_four(c: Case) -> dict[str, Any]:
    normal = [Part(str(i), 1.0, shape="normal") for i in range(4)]
    flat = [Part(str(i), 1.0, shape="rectangular") for i in range(4)]
    return {
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


def tolerance_rows() -> list[Row]:
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


_OF_LABORATORIES = {
    "s_I": "s_R", "s_I_low": "s_R_low", "s_I_high": "s_R_high", "I_limit": "R_limit",
}  # fmt: skip


def one_way(
    values: npt.ArrayLike,
    cells: npt.ArrayLike,
    *,
    confidence: float = 0.95,
    u_reference: float = 0.0,
) -> SimpleNamespace:
    """Statistics of one layout: its row of `one_way_table`, and its analysis of variance.

    ISO 5725-2:1994, 7.4 (means and variances); ISO 5725-6:1994, 4.1 (limits). Cells are
    laboratories, hence ``s_R`` and ``R_limit``.

    Examples
    --------
    >>> found = one_way([10.0, 12.0, 15.0, 17.0], ["a", "a", "b", "b"])
    >>> found.bias, round(found.s_r, 3), round(found.s_cell2_raw, 3)
    (13.5, 1.414, 11.5)
    """
    codes, _ = pd.factorize(np.asarray(cells), use_na_sentinel=False)
    sums = layouts(values, np.zeros(len(codes), dtype=np.int64), codes)
    row = one_way_table(sums, confidence=confidence, u_reference=u_reference).iloc[0]
    found = SimpleNamespace(**{str(k): float(v) for k, v in row.rename(_OF_LABORATORIES).items()})
    found.df_between, found.df_within = int(sums.df_between[0]), int(sums.df_within[0])
    found.ss_between, found.ss_within = float(sums.ss_between[0]), float(sums.ss_within[0])
    found.ms_between, found.ms_within = float(sums.ms_between[0]), float(sums.var_within[0])
    found.n_bar = float(sums.n_bar[0])
    told = found.df_between > 0 and found.df_within > 0 and found.ms_within > 0
    found.F = found.ms_between / found.ms_within if told else math.nan
    found.p = float(special.fdtrc(found.df_between, found.df_within, found.F))
    return found


def _coal(c: Case) -> dict[str, Any]:
    levels = [c.frame[c.frame["level"] == k] for k in (1, 2, 3, 4)]
    one = [one_way(d["value"], d["lab"]) for d in levels]
    sums = [layouts(d["value"], np.zeros(len(d), int), d["lab"]) for d in levels]
    tests = [cell_tests(s) for s in sums]
    found: dict[str, Any] = {
        "m": [o.bias for o in one],
        "s_r": [o.s_r for o in one],
        "s_R": [o.s_R for o in one],
        "s_L2": [o.s_cell2_raw for o in one],
        "n_bar": [o.n_bar for o in one],
        "cochran_C": [t.cochran[0] for t in tests],
        "cochran_lab": [s.cell_label[t.cochran_at[0]] for s, t in zip(sums, tests, strict=True)],
        "grubbs_high": [t.means.high[0] for t in tests],
        "grubbs_low": [t.means.low[0] for t in tests],
        "double_high": [t.means.double_high[0] for t in tests],
        "double_low": [t.means.double_low[0] for t in tests],
    }
    for level, t in enumerate(tests, start=1):
        found[f"h_level{level}"], found[f"k_level{level}"] = t.h, t.k
    return found | _coal_by_hand(levels[0])


def _coal_by_hand(level: pd.DataFrame) -> dict[str, Any]:
    """Sums of the worked example, from cell means and deviations rounded as printed there."""
    values: list[float] = []
    labs: list[Any] = []
    for lab, own in level.groupby("lab"):
        pattern = np.arange(len(own)) - (len(own) - 1) / 2
        spread = round(float(own["value"].std(ddof=1)), 3)
        middle = round(float(own["value"].mean()), 3)
        values += list(middle + spread * pattern / pattern.std(ddof=1))
        labs += [lab] * len(own)
    sums = layouts(values, np.zeros(len(values), int), labs)
    n, mean = sums.cell_n, sums.cell_mean
    one = one_way(values, labs)
    return {
        "T_level1": [(n * mean).sum(), (n * mean**2).sum(), n.sum(), (n**2).sum(),
                     sums.ss_within[0]],
        "s_r2_level1": one.s_r**2,
        "s_R2_level1": one.s_R**2,
    }  # fmt: skip


def _pentosans(c: Case) -> dict[str, Any]:
    data = c.frame
    sums = layouts(data["value"], data["material"].map(ord) - ord("A"), data["lab"])
    found, tests = one_way_table(sums), cell_tests(sums)
    names = {
        "mean": "bias",
        "s_r": "s_r",
        "s_R": "s_I",
        "repeatability_limit_r": "r_limit",
        "reproducibility_limit_R": "I_limit",
    }
    out: dict[str, Any] = {theirs: found[ours] for theirs, ours in names.items()}
    out["cochran_C"] = tests.cochran
    for i, letter in enumerate(c.computed["material"]):
        own = sums.cell_layout == i
        out[f"h_{letter}"], out[f"k_{letter}"] = tests.h[own], tests.k[own]
    out["h_critical_half_percent"] = outliers.mandel_h_critical(0.005, 7)
    out["k_critical_half_percent"] = outliers.mandel_k_critical(0.005, 7, 3)
    return out


def _anova(c: Case) -> dict[str, Any]:
    one = one_way(c.frame["value"], c.frame["group"])
    return {
        "df_between": one.df_between,
        "df_within": one.df_within,
        "ss_between": one.ss_between,
        "ms_between": one.ms_between,
        "ss_within": one.ss_within,
        "ms_within": one.ms_within,
        "F": one.F,
        "residual_sd": one.s_r,
        "r_squared": one.ss_between / (one.ss_between + one.ss_within),
    }


def _machines(c: Case) -> dict[str, Any]:
    found = nested_anova(c.frame, "value", ["machine", "operator"]).table
    ss, ms, F, variance = (found[k] for k in ("ss", "ms", "F", "variance_raw"))
    return {
        "ss_machine": ss[0],
        "ss_operator": ss[1],
        "ss_residual": ss[2],
        "ss_total": ss.sum(),
        "F_machine_fixed": ms[0] / ms[2],
        "F_operator": F[1],
        "F_machine_random": F[0],
        "var_residual": variance[2],
        "var_operator_raw": variance[1],
        "var_machine": variance[0],
    }


def _whole_and_without(c: Case) -> tuple[tuple[str, pd.DataFrame], ...]:
    kept = ~c.frame["row"].isin(c.params["drop_rows"])
    return ("balanced", c.frame), ("unbalanced", c.frame[kept])


def _runs(c: Case) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, data in _whole_and_without(c):
        found = nested_anova(data, "value", ["day", "run"])
        out[f"variance_{name}"] = [found.total, *found.table["variance_raw"]]
        out[f"df_{name}"] = found.table["df"]
        out[f"ss_{name}"] = found.table["ss"]
        e = found.expected
        out[f"ems_coefficients_{name}"] = [e[1, 1], e[0, 1], e[0, 0]]
    return out


def _days(c: Case) -> dict[str, Any]:
    out = {}
    for name, data in _whole_and_without(c):
        one = one_way(data["value"], data["day"])
        out[f"variance_{name}"] = [one.s_R**2, one.s_cell2_raw, one.s_r**2]
    return out


def _voltage(c: Case) -> dict[str, Any]:
    """Five readings a day, rebuilt with the printed mean and spread of each day."""
    rows = c.frame
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / math.sqrt(2.5)
    values = np.add(
        ((rows["mean_V"] - 10.0) * 1e6).to_numpy()[:, None],
        rows["sd_uV"].to_numpy()[:, None] * pattern,
    )
    one = one_way(values.ravel(), np.repeat(rows["day"].to_numpy(), 5))
    return {
        "mean": 10 + one.bias * 1e-6,
        "s_of_daily_means_uV": math.sqrt(one.ms_between / 5),
        "s_a_uV": math.sqrt(one.ms_between),
        "s_b_uV": one.s_r,
        "F": one.F,
        "u_uV": one.u_bias,
        "df": one.bias_df,
        "u_pooled_uV": math.sqrt((one.ss_between + one.ss_within) / 49 / 50),
        "df_pooled": one.df_between + one.df_within,
        "s_B_uV": one.s_cell,
        "p": one.p,
    }


def _homogeneity(c: Case) -> dict[str, Any]:
    one = one_way(c.frame["value"], c.frame["item"])
    return {
        "mean": one.bias,
        "s_x": math.sqrt(one.ms_between / 2),
        "s_w": one.s_r,
        "s_s": one.s_cell,
    }


def _atrazine(c: Case) -> dict[str, Any]:
    x = c.frame["value"].to_numpy(float)
    a = algorithm_a(x)
    sd = x.std(ddof=1)
    return {
        "mean": x.mean(),
        "sd": sd,
        "u_mean": sd / math.sqrt(x.size),
        "median": np.median(x),
        "MADe": made(x),
        "x_star": a.mean,
        "s_star": a.sd,
        "u_x_star": a.u_mean,
    }


def _uranium(c: Case) -> dict[str, Any]:
    n = len(c.frame)
    one_sided = float(outliers.grubbs_critical(0.05, n, sides=1))
    return {
        "G": extremes(c.frame["value"], np.zeros(n, int)).high[0],
        "critical_one_sided_5pct": one_sided,
        "critical_two_sided_5pct": float(outliers.grubbs_critical(0.05, n)),
    }


def _gauge(c: Case) -> dict[str, Any]:
    data = c.frame.assign(part=c.frame["part"].astype(str))
    sds = fit_mixed("value ~ 1", ["part", "operator"], data).sds
    ev, av, pv = (float(sds[k]) for k in ("residual", "operator", "part"))
    both = math.hypot(ev, av)
    return {
        "var_repeatability": ev**2,
        "var_operator": av**2,
        "var_part": pv**2,
        "EV": ev,
        "AV": av,
        "GRR": both,
        "PV": pv,
        "TV": math.hypot(both, pv),
        "ndc": int(1.41 * pv / both),
    }


ANSWERS: dict[str, Callable[[Case], dict[str, Any]]] = {
    "iso5725_2_coal": _coal,
    "e691_pentosans": _pentosans,
    "nist_SiRstv": _anova,
    "nist_SmLs01": _anova,
    "nist_SmLs07": _anova,
    "nist_nested_machines": _machines,
    "vca_EP05A2_1": _runs,
    "vca_days_1": _days,
    "gum_h5_voltage": _voltage,
    "iso13528_e3_atrazine": _atrazine,
    "iso13528_e2_homogeneity": _homogeneity,
    "nist_grubbs_uranium": _uranium,
    "msa_grr": _gauge,
    "jcgm101_additive_equal": _sum_of_four,
    "tost_one_sample": _one_sample,
    "tost_yields": _yields,
}


def critical_rows() -> list[Row]:
    """Critical values of ISO 5725, as printed in its tables."""
    rows = []
    for row in table("iso5725", "critical_values").to_dict("records"):
        test, p, n = str(row["test"]), int(row["p"]), float(row["n"])
        here = _critical_value(test, float(row["alpha"]), p, n)
        cells = f"p = {p}" + (f", n = {int(n)}" if not math.isnan(n) else "")
        quantity = f"{test}, {cells}, {row['alpha']:g}"
        # printed to three decimals, Mandel's h to two, two extremes to four
        unit = {"mandel_h": 5.1e-3, "grubbs_double": 1.2e-4}.get(test, 1e-3)
        # the simulated numbers carry an error of their own, up to 6e-4
        near = 1e-3 if row["how"] == "simulated" else 5.1e-6
        source = "ISO 5725-2:1994, Tables 4 to 7"
        rows += _printed_and_recomputed("critical_values", quantity, source, row, here, unit, near)
    return rows


def _critical_value(test: str, alpha: float, p: int, n: float) -> float:
    if test == "cochran":
        return float(outliers.cochran_critical(alpha, p, n))
    if test == "grubbs_single":
        return float(outliers.grubbs_critical(alpha, p))
    if test == "grubbs_double":
        return float(outliers.grubbs_double_critical(alpha, p))
    if test == "mandel_h":
        return float(outliers.mandel_h_critical(alpha, p))
    return float(outliers.mandel_k_critical(alpha, p, n))


def _printed_and_recomputed(
    case: str,
    quantity: str,
    source: str,
    row: Mapping[Hashable, Any],
    here: float,
    unit: float,
    near: float,
) -> list[Row]:
    """One row of a printed table: as printed, quoted from memory, if it is, and to more digits."""
    both = (("printed", row["published"], unit), ("program", row["computed"], near))
    return [
        Row(
            "iso5725", case, quantity, kind, source, float(told), here, tolerance, kind == "printed"
        )
        for kind, told, tolerance in both
        if not math.isnan(told)
    ]
