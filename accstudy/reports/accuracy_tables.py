"""Trueness, precision and outlier tests as tables."""

from __future__ import annotations

from typing import Any

import pandas as pd

from accstudy.accuracy.outliers import BEYOND
from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.document import Document, Heading, Text, symbol
from accstudy.reports.report_rows import between, confidence_of, groups, is_scan, named
from accstudy.reports.sentences import condition_name, measurand_name
from accstudy.words.numbers import (
    NONE,
    count,
    missing,
    number,
    percent,
    significant,
    sure,
    unit_name,
)

__all__ = ["accuracy_tables", "interval_of", "outlier_tests", "paper_figures"]

_MOST_ROWS = 90
_TESTS = {
    "cochran": "Cochran",
    "grubbs": "Grubbs",
    "grubbs-double": "Grubbs, two",
    "mandel-h": "Mandel's h",
    "mandel-k": "Mandel's k",
}
_S_R: Text = [{"t": "s", "s": "i"}, {"t": "r", "s": "sub"}]


def accuracy_tables(document: Document, content: ReportContent) -> None:
    """Every measurand of table ``accuracy`` or ``precision``, and the outlier tests."""
    accuracy = content.table("accuracy")
    if not len(accuracy):
        return
    document.heading("Tables")
    name, index, factors = between(content)
    big = symbol("s", index)
    document.lead(
        "Symbols",
        [
            *_S_R, ": standard deviation of repeats within a cell (repeatability). ", *big,
            f": the same including the variation between cells ({name}; cells differ in "
            f"{factors}). In 95 % of cases, two single scans differ by less than 2.8 times the "
            "standard deviation, given as 2.8 ",
            *_S_R, " within a cell and 2.8 ", *big,
            f" between cells (ISO 5725). Intervals are {sure(confidence_of(content))} intervals.",
        ],
    )  # fmt: skip
    for (measurand,), mine in groups(accuracy, ["measurand"]):
        _measurand(document, content, measurand, mine)
    outlier_tests(document, content)


def _measurand(
    document: Document, content: ReportContent, measurand: str, mine: pd.DataFrame
) -> None:
    is_pair = bool(mine["span_mm"].notna().any())
    several = len(set(mine["condition"])) > 1
    models = len(set(mine["model"])) > 1
    unit = str(mine["unit"].iloc[0])
    bias = "difference" if is_scan(content) else "bias"
    big = symbol("s", between(content)[1])
    columns = [Heading("condition", "left", 1.5)] if several else []
    columns += [Heading("model", "left", 0.8)] if models else []
    columns += [Heading("pair" if is_pair else "implant", "left", 1.0)]
    columns += [Heading("span / mm", width=1.0)] if is_pair else []
    columns += [Heading("scans", width=0.7), Heading("cells", width=0.7)]
    if content.referenced:
        columns += [Heading(bias, width=1.0), Heading("interval", width=2.1)]
        columns += [Heading(_S_R, width=0.8), Heading(big, width=0.8)]
    else:
        columns += [Heading(_S_R, width=0.8), Heading("interval", width=1.6)]
        columns += [Heading(big, width=0.8), Heading("interval", width=1.6)]
    columns += [
        Heading(["2.8 ", *_S_R], width=0.9),
        Heading(["2.8 ", *big], width=0.9),
    ]
    rows: list[list[Text]] = []
    before: tuple[str, str] | None = None
    for r in rows_of(mine.head(_MOST_ROWS)):
        new = (r.condition, r.model) != before
        before = (r.condition, r.model)
        cells: list[Text] = [condition_name(r.condition) if new else ""] if several else []
        cells += [str(r.model) if new else ""] if models else []
        numbers = _numbers if content.referenced else _spreads
        rows.append([*cells, str(r.subject), *numbers(r, unit, is_pair=is_pair)])
    cut = "" if len(mine) <= _MOST_ROWS else f" First {_MOST_ROWS} of {len(mine)} rows."
    name = measurand_name(measurand)
    words = {"um": "µm", "deg": "degrees"}.get(unit, unit_name(unit))
    document.table(f"{name[0].upper()}{name[1:]}, in {words}.{cut}", columns, rows)


def _numbers(row: Any, unit: str, *, is_pair: bool) -> list[Text]:
    ends = [number(v, unit, signed=True) for v in (row.bias_low, row.bias_high)]
    return [
        *([number(row.span_mm, "mm")] if is_pair else []),
        str(int(row.n_scans)),
        str(int(row.n_cells)),
        number(row.bias, unit, signed=True),
        NONE if missing(row.bias_low) else f"{ends[0]} to {ends[1]}",
        *(number(v, unit) for v in (row.s_r, row.s_I, row.r_limit, row.I_limit)),
    ]


def _spreads(row: Any, unit: str, *, is_pair: bool) -> list[Text]:
    """The same without a reference: standard deviations with their intervals."""
    return [
        *([number(row.span_mm, "mm")] if is_pair else []),
        str(int(row.n_scans)),
        str(int(row.n_cells)),
        number(row.s_r, unit),
        interval_of(row.s_r_low, row.s_r_high, unit),
        number(row.s_I, unit),
        interval_of(row.s_I_low, row.s_I_high, unit),
        *(number(v, unit) for v in (row.r_limit, row.I_limit)),
    ]


def interval_of(low: Any, high: Any, unit: str) -> str:
    """Interval of a standard deviation without its unit."""
    return NONE if missing(low) or missing(high) else f"{number(low, unit)} to {number(high, unit)}"


def outlier_tests(document: Document, content: ReportContent, *, most: int = 20) -> None:
    """What the tests for outliers say, and the first of what they found."""
    table = content.table("outliers")
    if not len(table):
        return
    seen = table[table["verdict"] != "nothing"]
    outliers = int(seen["verdict"].isin(_FAR).sum())
    document.lead(
        "Outlier tests",
        f"Of {count(len(table), 'statistic')} (Cochran, Grubbs, Mandel), {len(seen)} exceed the "
        f"critical value at 5 % ({percent(len(seen) / len(table), decimals=1)}), of these "
        f"{outliers} that at 1 % ({percent(outliers / len(table), decimals=1)}). By chance alone, "
        "about 5 % and 1 % would. Nothing was removed because of a test.",
    )
    if not len(seen):
        return
    several = len(set(table["condition"])) * len(set(table["model"])) > 1
    if several:
        _outlier_counts(document, table)
    shown = _most_extreme(seen, most)
    more = (
        "."
        if len(seen) <= most
        else f": {most} of {len(seen)}, the most extreme of each test first; all are attached."
    )
    document.table(
        f"Results beyond a critical value{more}",
        [
            Heading("verdict", "left", 1.1),
            Heading("test", "left", 0.9),
            Heading("measurand", "left", 2.2),
            Heading("subject", "left", 2.2 if several else 0.9),
            Heading("cell or scan", "left", 1.4),
            Heading("statistic", width=1.0),
            Heading("5 %", width=0.9),
            Heading("1 %", width=0.9),
        ],
        [
            [
                r.verdict,
                _TESTS.get(str(r.test), str(r.test)),
                measurand_name(r.measurand),
                ", ".join(p for p in (named(content, r.condition, r.model), r.subject) if p),
                r.scan or r.cell,
                *(significant(v, 4) for v in (r.statistic, r.critical_5, r.critical_1)),
            ]
            for r in rows_of(shown)
        ],
    )


_FAR = ("outlier", BEYOND["outlier"])  # beyond the critical value of 1 %


def _most_extreme(seen: pd.DataFrame, most: int) -> pd.DataFrame:
    """First the most extreme row of every test, then the second ones."""
    ratio = seen["statistic"].abs() / seen["critical_1"].abs()
    # Grubbs' test of two is a ratio of sums of squares: the smaller, the farther out
    ratio = ratio.where(seen["test"] != "grubbs-double", 1 / ratio.clip(lower=1e-12))
    ranked = seen.assign(place=ratio.groupby(seen["test"]).rank(ascending=False, method="first"))
    return ranked.sort_values("place", kind="stable").head(most)


def _outlier_counts(document: Document, table: pd.DataFrame) -> None:
    """How many statistics lie beyond their critical values, by condition and model."""
    cells: list[list[Text]] = []
    before = ""
    for (condition, model), mine in groups(table, ["condition", "model"]):
        far = int(mine["verdict"].isin(_FAR).sum())
        both = int((mine["verdict"] != "nothing").sum())
        cells.append(
            [
                condition_name(condition) if condition != before else "",
                model,
                str(len(mine)),
                str(both),
                percent(both / len(mine), decimals=1),
                str(far),
                percent(far / len(mine), decimals=1),
            ]
        )
        before = condition
    document.table(
        "Statistics beyond the critical values of 5 % and 1 %, by condition and model.",
        [
            Heading("condition", "left", 1.4),
            Heading("model", "left", 0.8),
            Heading("statistics", width=0.9),
            Heading("5 %", width=0.6),
            Heading("share", width=0.7),
            Heading("1 %", width=0.6),
            Heading("share", width=0.7),
        ],
        cells,
        wide=False,
    )


def paper_figures(document: Document, content: ReportContent) -> None:
    """Trueness and precision as papers print them, beside the figures of ISO 5725."""
    rows = content.table("field_figures")
    if not len(rows):
        return
    _, index, _ = between(content)
    document.heading("Figures as papers print them")
    for (measurand,), mine in groups(rows, ["measurand"]):
        unit = str(mine["unit"].iloc[0])
        document.table(
            "Trueness and precision as papers print them, "
            f"{measurand_name(measurand)}, {unit_name(unit)}: "
            "mean ± standard deviation of |deviation| over all pairs and scans, root mean square "
            "of the deviations, mean ± standard deviation of |difference| between two scans of a "
            "condition. Beside them, of ISO 5725, root mean squares over the pairs: bias, "
            "repeatability, and standard deviation with the spread between cells. The values that "
            "are averaged are not independent: no test follows from their standard deviations.",
            [
                Heading("condition", "left", 1.2),
                Heading("model", "left", 0.8),
                Heading("scans", width=0.5),
                Heading("“trueness”", width=1.0),
                Heading("r.m.s.", width=0.6),
                Heading("“precision”", width=1.0),
                Heading("bias", width=0.6),
                Heading(_S_R, width=0.5),
                Heading(symbol("s", index), width=0.5),
            ],
            [
                [
                    condition_name(str(r.condition)),
                    str(r.model),
                    str(r.n_scans),
                    _with_sd(r.trueness_mean, r.trueness_sd, unit),
                    number(r.rms, unit),
                    _with_sd(r.precision_mean, r.precision_sd, unit),
                    number(r.bias_rms, unit),
                    number(r.s_r_rms, unit),
                    number(r.s_I_rms, unit),
                ]
                for r in rows_of(mine)
            ],
        )


def _with_sd(mean: float, sd: float, unit: str) -> str:
    return number(mean, unit) if missing(sd) else f"{number(mean, unit)} ± {number(sd, unit)}"
