"""Every number that a report prints in a table is a cell of a result table, in its place.

Cells are written here a second time, by Python's own formatting, from the columns that the
printed columns stand for.
"""

import math

import numpy as np
import pandas as pd
import pytest

from accstudy.reports.document import plain


def written(value, how):
    """A number with so many decimals, signed where asked; ``p`` for p values, ``%`` for shares."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return "–"
    x = float(value)
    if how == "p":
        return "< 0.001" if x < 0.001 else "> 0.999" if x > 0.9994 else f"{x:.3f}"
    if how.endswith("%"):
        return f"{100 * x:.{how[0]}f} %"
    text = f"{x:.{how[-1]}f}"
    text = f"{0:.{how[-1]}f}" if float(text) == 0 else text
    return ("+" if how[0] == "+" and float(text) > 0 else "") + text.replace("-", "−")


def cells(rows, columns, how):
    """What a printed column holds: one column, ``a to b``, ``a ± b``, ``a (b to c)`` or text."""
    if how == "pair":
        return [str(v).replace("-", "–") for v in rows[columns]]
    if how == "text":
        return [str(v) for v in rows[columns]]
    if how == "day":
        return [f"{pd.Timestamp(v):%Y-%m-%d}" for v in rows[columns]]
    joint, *names = (
        ("{} to {}", *columns.split(" to ")) if " to " in columns and "(" not in columns
        else ("{} ± {}", *columns.split(" ± ")) if " ± " in columns
        else ("{} ({} to {})", *columns.replace(" to ", " (").rstrip(")").split(" ("))
        if "(" in columns else ("{}", columns)
    )  # fmt: skip
    made = [[written(v, how) for v in rows[n.strip()]] for n in names]
    out = [joint.format(*parts) for parts in zip(*made, strict=True)]
    return ["–" if "– to –" in one else one for one in out]


def accuracy_of(measurand):
    def rows(content):
        table = content.tables["accuracy"]
        return table[table["measurand"] == measurand]

    return rows


def whole(name):
    return lambda content: content.tables[name]


def leading(name):
    """Rows of the models that page 1 shows."""
    return lambda c: c.tables[name][c.tables[name]["model_name"].isin(["distance", "size"])]


def contrasts(content):
    table = content.tables["model_contrasts"]
    return table[(table["covariate"] == "") & (table["model_name"] == "distance")]


def sizes(content):
    table = content.tables["model_contrasts"]
    return table[(table["covariate"] == "") & (table["model_name"] == "size")]


def of_all(content):
    """Rows of every alignment over all implants."""
    table = content.tables["alignments"]
    return table[table["implant"] == ""]


def field(measurand):
    return lambda c: c.tables["field_figures"][c.tables["field_figures"]["measurand"] == measurand]


def best(content):
    table = content.tables["precision_vs_span"]
    return table[(table["measurand"] == "distance_um") & table["best"]]


def slopes(content):
    table = content.tables["model_contrasts"]
    mine = table["covariate"].eq("path_mm") & table["level_b"].eq("")
    return table[mine & table["model_name"].eq("distance")]


def plain_means(content):
    table = content.tables["model_means"]
    return table[table["model_name"] == "distance"]


def of_device(name, device, **more):
    def rows(content):
        table = content.tables[name]
        mine = table["device"].eq(device)
        for column, value in more.items():
            mine &= table[column].eq(value)
        return table[mine]

    return rows


def periods(content):
    table = of_device("drift_periods", "device A", measurand="cross-arch distance")(content)
    return pd.concat([table[table["kind"] == "year"], table[table["kind"] == "month"].tail(12)])


def side_by_side(content):
    table = content.tables["drift_devices"]
    return table[table["measurand"] == "cross-arch distance"]


def in_um(rows):
    return lambda content: (t := rows(content))[t["unit"] == "um"]


_DISTANCE = {
    "pair": ("subject", "pair"), "span / mm": ("span_mm", "1"), "scans": ("n_scans", "0"),
    "cells": ("n_cells", "0"), "bias": ("bias", "+1"), "interval": ("bias_low to bias_high", "+1"),
    "sr": ("s_r", "1"), "sI": ("s_I", "1"), "2.8 sr": ("r_limit", "1"), "2.8 sI": ("I_limit", "1"),
}  # fmt: skip
_ANGLE = {
    t: (c, h.replace("1", "3") if t not in ("pair", "span / mm") else h)
    for t, (c, h) in _DISTANCE.items()
}
_FIELD = {
    "“trueness”": ("trueness_mean ± trueness_sd", "1"), "r.m.s.": ("rms", "1"),
    "“precision”": ("precision_mean ± precision_sd", "1"), "r.m.s. bias": ("bias_rms", "1"),
    "sr": ("s_r_rms", "1"), "sI": ("s_I_rms", "1"), "scans": ("n_scans", "0"),
}  # fmt: skip
TABLES = [
    ("validation", "Inter-implant distance, in", accuracy_of("distance_um"), _DISTANCE),
    ("validation", "Angle between implant axes", accuracy_of("angle_deg"), _ANGLE),
    ("validation", "Root mean square of the 3D", of_all, {"r.m.s.": ("rms_um", "1")}),
    ("validation", "Standard deviation of the distance in", best,
     {"pairs": ("n_points", "0")}),
    ("comparison", "Contrasts of every model", contrasts,
     {"df": ("df", "1"), "p": ("p_holm", "p"), "p equiv.": ("p_equivalence", "p"),
      "interval": ("low to high", "+1")}),
    ("comparison", "Distances of all pairs", whole("condition_summary"),
     {"bias": ("bias_lowest_um to bias_highest_um", "+1"), "median": ("median_size_um", "1"),
      "largest": ("largest_size_um", "1"), "sr": ("s_r_median_um", "1"),
      "sI": ("s_I_median_um", "1")}),
    ("comparison", "Reference models on", whole("models"),
     {"implants": ("n_implants", "0"), "largest angulation / °": ("angulation_deg", "1"),
      "largest span / mm": ("span_mm", "1"), "largest arch length / mm": ("path_mm", "1"),
      "scans": ("n_scans", "0")}),
    ("comparison", "Slopes against arch length", slopes,
     {"interval": ("low to high", "+2"), "p": ("p_holm", "p")}),
    ("comparison", "Estimated marginal means", plain_means,
     {"mean": ("mean", "1"), "interval": ("mean_low to mean_high", "1"), "df": ("df", "1")}),
    ("comparison", "Fit of each model", whole("model_fits"),
     {"rows": ("n_rows", "0"), "coefficients": ("n_coefficients", "0"),
      "R² fixed": ("r2_marginal", "2"), "R² all": ("r2_conditional", "2")}),
    ("comparison", "Lack of fit", leading("model_lack_of_fit"),
     {"F": ("F", "2"), "df": ("num_df", "0"), "df, den.": ("den_df", "1"), "p": ("p_holm", "p")}),
    ("comparison", "Root mean square of the 3D", of_all,
     {"r.m.s.": ("rms_um", "1")}),
    ("comparison", "F tests", whole("model_tests"),
     {"F": ("F", "2"), "df": ("num_df", "0"), "df, den.": ("den_df", "1"), "p": ("p", "p")}),
    ("comparison", "Trueness and precision as commonly", field("distance_um"), _FIELD),
    ("drift", "Centre and spread of every baseline", whole("drift_baselines"),
     {"until": ("until", "day"), "sessions": ("n_sessions", "0")}),
    ("drift", "Difference of the session means", side_by_side,
     {"difference": ("difference", "+1"), "interval": ("low to high", "+1"), "p": ("p", "p")}),
    ("drift", "Every pair: present slope", of_device("drift_pairs", "device A"),
     {"slope per month / µm": ("slope_um_per_month (slope_low_um to slope_high_um)", "+1"),
      "p, adjusted": ("p_adjusted", "p"), "tolerance bound / µm": ("bound_um", "1")}),
    ("drift", "Mean of the session means", periods,
     {"sessions": ("n_sessions", "0"), "mean": ("mean", "+1"), "interval": ("low to high", "+1"),
      "with signals": ("n_signals", "0"), "events": ("n_events", "0")}),
    ("drift", "First session of every series",
     of_device("drift_signals", "device A", kind="signal"),
     {"date": ("at", "day"), "session": ("session", "text")}),
    ("drift", "Slope at the last session", of_device("drift_trends", "device A"),
     {"sessions since": ("since", "day"), "p": ("p", "p"),
      "autocorrelation": ("autocorrelation", "1")}),
]  # fmt: skip


def printed(report, start):
    """Columns of the first printed table whose caption begins so, by their titles."""
    blocks = [*report.data["first"], *report.data["blocks"]]
    table = next(
        b for b in blocks if b["type"] == "table" and plain(b["caption"]).startswith(start)
    )
    found = {}
    for k, column in enumerate(table["columns"]):
        found.setdefault(plain(column["title"]), []).extend(plain(row[k]) for row in table["rows"])
    return {t: [c.replace("\u00a0", " ") for c in own] for t, own in found.items()}


def number_part(text):
    """Cell without the unit behind its number."""
    for unit in (" µm", " mm", " ppm", "°", " µm/mm"):
        text = text.removesuffix(unit)
    return text


@pytest.mark.parametrize(("kind", "start", "rows", "columns"), TABLES, ids=[t[1] for t in TABLES])
def test_printed_cells_are_cells_of_the_table(kind, start, rows, columns, reports, contents):
    seen, table = printed(reports[kind], start), rows(contents[kind])
    assert len(table) > 0
    for title, (column, how) in columns.items():
        expected = [c.replace("\u00a0", " ") for c in cells(table, column, how)]
        own = [number_part(c) if how not in ("text", "pair") else c for c in seen[title]]
        assert own[: len(expected)] == expected, title


def test_ratios_come_with_their_own_limits(reports, contents):
    seen, table = (
        printed(reports["comparison"], "Contrasts of every model"),
        sizes(contents["comparison"]),
    )
    n = seen["response"].index("geometric mean of |deviation of the distance|")
    value = [f"× {written(v, '2')}" for v in table["ratio"]]
    assert seen["estimate"][n : n + len(table)] == value
    ends = cells(table, "ratio_low to ratio_high", "2")
    assert seen["interval"][n : n + len(table)] == ends


POWER = str.maketrans("−⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "--0123456789")


def test_the_most_extreme_outliers_are_printed_with_their_numbers(reports, contents):
    seen, table = printed(reports["validation"], "Results beyond"), contents["validation"].tables
    beyond = table["outliers"][table["outliers"]["verdict"] != "nothing"]
    rows = {
        (r.verdict, r.scan or r.cell, *(f"{v:.4g}" for v in (r.statistic, r.critical_5)))
        for r in beyond.itertuples()
    }
    columns = ("verdict", "cell or scan", "statistic", "5\u00a0%")
    found = [
        (v, who, *(f"{float(n.translate(POWER).replace(' × 10', 'e')):.4g}" for n in numbers))
        for v, who, *numbers in zip(*(seen[c] for c in columns), strict=True)
    ]
    assert len(found) == min(20, len(beyond)) > 0
    assert set(found) <= rows


def test_drift_baselines_print_every_column_in_its_unit(reports, contents):
    seen, table = (
        printed(reports["drift"], "Centre and spread"),
        contents["drift"].tables["drift_baselines"],
    )
    digits = table["unit"].map({"um": "1", "deg": "3", "ppm": "0"})
    for title, column in (("centre", "centre"), ("SD of means", "sd_of_means"),
                          ("within", "sd_within"), ("between", "sd_between")):  # fmt: skip
        own = [written(v, d) for v, d in zip(table[column], digits, strict=True)]
        assert seen[title] == own, title


def test_budget_bars_and_their_words_are_those_of_the_longest_pair(reports, contents):
    table = contents["validation"].tables["uncertainty_budget"]
    mine = table[table["span_mm"] == table["span_mm"].max()]
    parts = mine[
        ~mine["part"].isin(["combined", "expanded"]) & mine["counted"].fillna(True).astype(bool)
    ]
    top = parts.loc[parts["u_um"].idxmax()]
    lead = next(
        b for b in reports["validation"].data["blocks"]
        if b["type"] == "lead" and b["heading"] == "Budget"
    )  # fmt: skip
    said = plain(lead["paragraphs"][0]).replace("\u00a0", " ")
    first = f"contribution to its uncertainty is {top['part']} ({top['how']}), with "
    assert first + written(top["share"], "0%") in said
    expanded = mine[mine["part"] == "expanded"].iloc[0]
    two_digits = float(f"{expanded['u_um']:.2g}")
    assert f"expanded uncertainty is {two_digits:g} µm" in said
    assert f"{written(expanded['k'], '2')} times the combined" in said


def test_the_formatter_of_this_test_can_fail():
    rows = pd.DataFrame({"a": [1.26, -0.04, np.nan], "b": [2.0, 3.0, np.nan]})
    assert cells(rows, "a", "+1") == ["+1.3", "0.0", "–"]
    assert cells(rows, "a to b", "1") == ["1.3 to 2.0", "0.0 to 3.0", "–"]
