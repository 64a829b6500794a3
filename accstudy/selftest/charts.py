"""Published examples of control charts, run lengths and trends, computed by this program."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np

from accstudy.drift.charts import constants, cusum, ewma, individuals, rule_run_lengths
from accstudy.drift.runlength import cusum_run_length, ewma_run_length, shewhart_run_length
from accstudy.drift.trend import mann_kendall, theil_sen
from accstudy.selftest.published import Case, Row, table


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
