"""Sentences that state a result with its degrees of freedom and method."""

from __future__ import annotations

import numpy as np
import pandas as pd

from accstudy.grid import on_grid
from accstudy.words.catalogue import say

__all__ = [
    "METHOD_WORDS",
    "contrast_verdict",
    "number",
    "p_words",
    "unit_of",
]

METHOD_WORDS = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite"}

_UNITS = (("_um", "µm"), ("_deg", "°"), ("_mm", "mm"), ("_ppm", "ppm"))


def unit_of(column: str) -> str:
    """Unit at the end of a column name; nothing for ratios and labels.

    Examples
    --------
    >>> unit_of("distance_um"), unit_of("log(distance_um)")
    ('µm', '')
    """
    return next((unit for ending, unit in _UNITS if column.endswith(ending)), "")


def number(value: float, digits: int = 3) -> str:
    """Write a number with some significant digits, never in powers of ten below 1e5.

    It is rounded as its column is first, so that all machines write the same.

    Examples
    --------
    >>> number(-0.012345), number(1234.5), number(12.0)
    ('-0.0123', '1234', '12.0')
    """
    if not np.isfinite(value):
        return "unknown" if np.isnan(value) else ("no limit" if value > 0 else "no lower limit")
    value = _as_written(value)
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
    return f"{value:.{min(decimals, 8)}f}"


def _as_written(value: float) -> float:
    """Six significant digits, ties away from zero."""
    return float(on_grid(np.array([value]), None)[0])


def p_words(p: float) -> str:
    """Write a p value.

    Examples
    --------
    >>> p_words(0.0432), p_words(1e-7)
    ('p = 0.043', 'p < 0.001')
    """
    if not np.isfinite(p):
        return say("model_results.p_unknown")
    p = _as_written(p)
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.3f}" if p < 0.0995 else f"p = {p:.2f}"


def _df(df: float) -> str:
    return "no limit" if np.isinf(df) else number(df)


def contrast_verdict(
    row: pd.Series, *, response: str, method: str, confidence: float, one_sided: bool = False
) -> str:
    """State one contrast or slope, and equivalence if a margin is given."""
    if not np.isfinite(row["estimate"]):
        return say("model_results.not_estimable_from_these")
    percent = f"{100 * confidence:g} %"
    p = say("model_results.after_holm", p_holm=p_words(row["p_holm"]))
    if row["adjust"] == "none":
        p = say("model_results.not_adjusted", p=p_words(row["p"]))
    tail = say(
        "model_results.df_and_p",
        METHOD_WORDS=METHOD_WORDS[method],
        df=_df(row["df"]),
        p=p,
    )
    slope = str(row["covariate"])
    if np.isfinite(row["ratio"]):
        share = row["ratio"] / np.exp(row["estimate"]) if row["estimate"] else 1.0
        base = np.e if abs(share - 1) < 1e-6 else row["ratio"] ** (1 / row["estimate"])
        low, high = base ** row["low"], base ** row["high"]
        value = say(
            "model_results.ratio_to",
            ratio=number(row["ratio"]),
            percent=percent,
            low=number(low),
            high=number(high),
        )
    else:
        unit = unit_of(response)
        if slope:
            unit = say(
                "model_results.per_unit_unit_of", unit=unit, unit_of=unit_of(slope) or "unit"
            )
        value = f"{number(row['estimate'])} {unit}".rstrip() + say(
            "model_results.to_percent_low",
            percent=percent,
            low=number(row["low"]),
            high=number(row["high"]),
        )
    verdict = say("model_results.differs_from_zero") if slope else "differ"
    if not (pd.notna(row["shown"]) and row["shown"]):
        verdict = (
            say("model_results.no_slope_shown")
            if slope
            else say("model_results.no_difference_shown")
        )
    if np.isfinite(row["p_equivalence"]):
        word = say("model_results.not_worse") if one_sided else "equivalent"
        verdict += (
            say("model_results.within_word_margin", word=word, margin=number(row["margin"]))
            if row["equivalent"]
            else say("model_results.not_shown", word=word)
        ) + f" ({p_words(row['p_equivalence'])})"
    return f"{verdict}: {value}; {tail}"
