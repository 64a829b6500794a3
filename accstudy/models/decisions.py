"""What contrasts show: families of tests, simultaneous limits, equivalence, ratios, in words."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used

from accstudy.errors import InputError
from accstudy.tables import on_grid
from accstudy.words.catalogue import say
from accstudy.words.names import unit_of_column

Adjust = Literal["holm", "none"]
"""How p values allow for the number of contrasts of a family."""

DIFFERS = 1e-3
"""Difference between two programs that fit one model from which it is a warning."""

_BASES = {"log": float(np.e), "log2": 2.0, "log10": 10.0}


def log_base(response: str) -> float | None:
    """Base of the logarithm that a response is, or nothing; ``log_...`` is a natural one.

    So is ``spread(...)``.

    Examples
    --------
    >>> log_base("log10(abs(distance_um))"), log_base("distance_um")
    (10.0, None)
    """
    if re.fullmatch(r"log_\w+|spread\(.*\)", response.strip()):
        return float(np.e)
    match = re.fullmatch(r"(log2|log10|log)\((.*)\)", response.strip())
    if not match:
        return None
    depth = 0
    for sign in match.group(2):
        depth += {"(": 1, ")": -1}.get(sign, 0)
        if depth < 0:
            return None
    return _BASES[match.group(1)]


def holm(p: Sequence[float] | pd.Series) -> np.ndarray:
    """Holm's adjusted p values; missing ones stay missing and do not count.

    Equal to those of statsmodels' ``multipletests``, which collects garbage at every call: 0.2 s
    and more, some ninety times in a comparison.

    Examples
    --------
    >>> holm([0.01, 0.04, float("nan")]).tolist()
    [0.02, 0.04, nan]
    """
    out = np.array(p, float)
    known = np.flatnonzero(np.isfinite(out))
    ordered = known[np.argsort(out[known])]
    raised = np.maximum.accumulate(out[ordered] * np.arange(len(ordered), 0, -1))
    out[ordered] = np.minimum(raised, 1.0)
    return out


def family(table: pd.DataFrame, *, confidence: float, adjust: Adjust = "holm") -> pd.DataFrame:
    """State contrasts as members of one family; those that the data do not determine do not count.

    Adds ``p_holm``, ``adjust``, ``p_decides`` (Holm's p, or that of each contrast alone), ``shown``
    and simultaneous limits, which hold for all contrasts of the family at once. They are
    Bonferroni's, ``t(1 - alpha / 2m)`` standard errors either way of the estimate: they hold
    however the contrasts depend on each other and whatever their degrees of freedom (Miller,
    Simultaneous Statistical Inference, 2nd ed. 1981, section 2.3). Holm's test may show a
    difference whose simultaneous interval holds zero.
    """
    alpha = 1 - confidence
    estimate, se, df = (table[c].to_numpy(float) for c in ("estimate", "se", "df"))
    known = np.isfinite(estimate) & np.isfinite(table["p"].to_numpy(float))
    with np.errstate(invalid="ignore"):
        half = scipy.stats.t.ppf(1 - alpha / (2 * max(int(known.sum()), 1)), df) * se
    half = np.where(known & np.isfinite(table["low"].to_numpy(float)), half, np.nan)
    p_holm = holm(table["p"])
    p_decides = p_holm if adjust == "holm" else table["p"].to_numpy(float)
    return table.assign(
        p_holm=p_holm,
        adjust=adjust,
        p_decides=p_decides,
        simultaneous_low=estimate - half,
        simultaneous_high=estimate + half,
        shown=below(p_decides, alpha),
    )


def determined(table: pd.DataFrame, *, confidence: float, adjust: Adjust) -> pd.DataFrame:
    """Leave out contrasts that the data do not determine; the rest is the family."""
    known = pd.DataFrame(table.loc[np.isfinite(table["estimate"])])
    if len(known) == len(table):
        return table
    return family(known, confidence=confidence, adjust=adjust)


def below(p: np.ndarray, alpha: float) -> pd.arrays.BooleanArray:
    """Whether p values are below a level; missing where they are."""
    with np.errstate(invalid="ignore"):
        return pd.arrays.BooleanArray(p < alpha, np.isnan(p))


def equivalence(
    estimate: np.ndarray, se: np.ndarray, df: np.ndarray, low: float, high: float
) -> np.ndarray:
    """Larger p value of two one-sided tests that effects lie between two bounds, (m,).

    An infinite bound makes the test one of non-inferiority (Schuirmann, J. Pharmacokinet. Biopharm.
    15 (1987) 657-680).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        above = scipy.stats.t.sf((estimate - low) / se, df)
        below = scipy.stats.t.cdf((estimate - high) / se, df)
    return np.asarray(np.maximum(above, below))


def margin_bound(response: str, margin: float) -> float:
    """Equivalence margin on the scale of the response; of a log response it is given as a ratio.

    InputError if the margin is not above 0, or 1 for a ratio.
    """
    base = log_base(response)
    if base is None:
        if margin <= 0:
            raise InputError(f"the equivalence margin {margin:g} must be above 0")
        return margin
    if margin <= 1:
        raise InputError(
            f"the equivalence margin {margin:g} of the log response {response} "
            "must be a ratio above 1",
            hint="1.25 means: up to 25 % larger or the inverse of that",
        )
    return float(np.log(margin) / np.log(base))


METHOD_WORDS = {"kenward-roger": "Kenward-Roger", "satterthwaite": "Satterthwaite"}


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
    tail = say("model_results.df_and_p", METHOD_WORDS=METHOD_WORDS[method], df=_df(row["df"]), p=p)
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
        unit = unit_of_column(response)
        if slope:
            unit = say(
                "model_results.per_unit_unit_of", unit=unit, unit_of=unit_of_column(slope) or "unit"
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
