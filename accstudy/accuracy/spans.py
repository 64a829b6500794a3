"""How precision depends on span and arch length, and the longest of either within a limit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize

from accstudy.errors import ComputationError
from accstudy.tables import empty, shape

Floats = npt.NDArray[np.float64]

RELATIONS = ("s = b m", "s = a + b m", "lg s = c + d lg m", "s = sqrt(a L + b L^3)")
"""Proportional, straight, power (all against the span); random walk (against the path)."""


@dataclass(frozen=True)
class Relation:
    """A fitted relation (one of `RELATIONS`) of a standard deviation and a length.

    ``intercept`` and ``slope`` are a or c, and b or d; of the random walk a in um^2/mm
    (translation) and b in um^2/mm^3 (rotation). ``criterion`` is the corrected Akaike criterion of
    the residuals of ln s (NaN for too few points; smaller is better).
    """

    relation: str
    intercept: float
    slope: float
    criterion: float
    n_points: int

    def predict(self, length: npt.ArrayLike) -> Floats:
        """Standard deviation at a length, in the unit of the points."""
        return _PREDICT[self.relation](np.asarray(length, dtype=float), self.intercept, self.slope)


_PREDICT: dict[str, Callable[[Floats, float, float], Floats]] = {
    RELATIONS[0]: lambda m, a, b: np.asarray(b * m),
    RELATIONS[1]: lambda m, a, b: np.asarray(a + b * m),
    RELATIONS[2]: lambda m, a, b: np.asarray(10**a * m**b),
    RELATIONS[3]: lambda m, a, b: np.asarray(np.sqrt(a * m + b * m**3)),
}


def fit_relation(length: npt.ArrayLike, sd: npt.ArrayLike, relation: str) -> Relation:
    """Fit one of `RELATIONS` of standard deviation and length, mm.

    Standard deviations that are missing or zero are left out; ComputationError if there are fewer
    points than coefficients. Standard deviations are the less certain the larger they are, so
    residuals are weighted by 1 / s^2 with the fitted s, again and again until the coefficients
    stay. The proportional line then is the mean of the ratios s / m; the power law is an unweighted
    line in the logarithms, as the standard has it (ISO 5725-2:1994, 7.5). Variances are fitted for
    the random walk, with both coefficients at least zero: independent steps of translation and
    rotation along the arch give a variance that grows with L and L^3. A straight line that turns
    negative within the data has no criterion.
    """
    m, s = np.asarray(length, dtype=float), np.asarray(sd, dtype=float)
    usable = np.isfinite(m) & np.isfinite(s) & (s > 0) & (m > 0)
    m, s = m[usable], s[usable]
    count = 1 if relation == RELATIONS[0] else 2
    if len(m) < count or np.unique(m).size < count:
        raise ComputationError(f'too few different lengths for "{relation}"')
    a, b = {
        RELATIONS[0]: lambda: (0.0, float((s / m).mean())),
        RELATIONS[1]: lambda: _weighted_line(m, s),
        RELATIONS[2]: lambda: _line(np.log10(m), np.log10(s), np.ones(len(m))),
        RELATIONS[3]: lambda: _walk(m, s),
    }[relation]()
    fitted = _PREDICT[relation](m, a, b)
    return Relation(relation, a, b, _criterion(s, fitted, count), len(m))


def _line(x: Floats, y: Floats, w: Floats) -> tuple[float, float]:
    mx, my = np.average(x, weights=w), np.average(y, weights=w)
    b = float((w * (x - mx) * (y - my)).sum() / (w * (x - mx) ** 2).sum())
    return float(my - b * mx), b


def _weighted_line(m: Floats, s: Floats) -> tuple[float, float]:
    fitted = s
    a = b = math.nan
    for _ in range(100):
        before = (a, b)
        a, b = _line(m, s, 1 / fitted**2)
        # where the line dips to zero the weight stays finite
        fitted = np.maximum(a + b * m, 0.01 * s.mean())
        if np.allclose((a, b), before, rtol=1e-10, atol=0):
            break
    return a, b


def _walk(m: Floats, s: Floats) -> tuple[float, float]:
    columns = np.column_stack([m, m**3])
    scale = columns.max(axis=0)
    fitted2 = s**2
    coefficients = np.full(2, math.nan)
    for _ in range(100):
        before = coefficients
        w = 1 / fitted2
        solved, _ = optimize.nnls(columns / scale * w[:, None], s**2 * w)
        coefficients = solved / scale
        fitted2 = np.maximum(columns @ coefficients, 1e-4 * (s**2).mean())
        if np.allclose(coefficients, before, rtol=1e-10, atol=0):
            break
    return float(coefficients[0]), float(coefficients[1])


def _criterion(s: Floats, fitted: Floats, count: int) -> float:
    n, k = len(s), count + 1  # the residual spread is a parameter as well
    if n - k - 1 <= 0 or (fitted <= 0).any():
        return math.nan
    rss = float((np.log(s / fitted) ** 2).sum())
    return n * math.log(max(rss, 1e-30) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def precision_vs_span(accuracy: pd.DataFrame) -> pd.DataFrame:
    """Dependence of s_r and s_I of pairs on span and path, relation by relation.

    Parameters
    ----------
    accuracy : DataFrame
        Table ``accuracy``; the rows of pairs are used.

    Returns
    -------
    DataFrame
        Table ``precision_vs_span``: the three relations of ISO 5725-2 against the
        span and the random walk against the path, the one with the smallest
        criterion marked as best. Relations that the points do not determine are
        absent.

    Notes
    -----
    The criterion compares residuals of ln s, all relations on the same points. The
    pairs of a scan are not independent, so it ranks but does not test.
    """
    pairs = accuracy[accuracy["span_mm"].notna()]
    rows = []
    for (condition, measurand), own in pairs.groupby(["condition", "measurand"], sort=True):
        for which in ("s_r", "s_I"):
            fits = []
            for relation in RELATIONS:
                against = "path_mm" if relation == RELATIONS[3] else "span_mm"
                try:
                    found = fit_relation(own[against], own[which], relation)
                except ComputationError:
                    continue
                fits.append((against, found))
            known = [f.criterion for _, f in fits if math.isfinite(f.criterion)]
            for against, found in fits:
                rows.append(
                    {
                        "condition": condition,
                        "measurand": measurand,
                        "which": which,
                        "against": against,
                        "relation": found.relation,
                        "intercept": found.intercept,
                        "slope": found.slope,
                        "criterion": found.criterion,
                        "best": bool(known) and found.criterion == min(known),
                        "n_points": found.n_points,
                    }
                )
    return shape("precision_vs_span", pd.DataFrame(rows)) if rows else empty("precision_vs_span")


_POINTS = 25


def precision_curve(relations: pd.DataFrame, accuracy: pd.DataFrame) -> pd.DataFrame:
    """Values of the best relation of every condition, from the shortest to the longest pair.

    Parameters
    ----------
    relations : DataFrame
        Table ``precision_vs_span``.
    accuracy : DataFrame
        Table ``accuracy`` or ``precision``.

    Returns
    -------
    DataFrame
        Table ``precision_curve``. All conditions of a measurand stand against the length
        against which most of them have their best relation; others are left out.
    """
    best = relations[relations["best"].fillna(False).astype(bool)]
    pairs, parts = accuracy[accuracy["span_mm"].notna()], []
    for (measurand, _), mine in best.groupby(["measurand", "which"], sort=False):
        against = str(mine["against"].mode().iloc[0])
        for row in mine[mine["against"] == against].to_dict("records"):
            own = pairs[
                pairs["condition"].eq(row["condition"]) & pairs["measurand"].eq(str(measurand))
            ]
            at = np.linspace(own[against].min(), own[against].max(), _POINTS)
            found = Relation(row["relation"], row["intercept"], row["slope"], math.nan, 0)
            head = {name: row[name] for name in ("condition", "measurand", "which", "against")}
            head["unit"] = own["unit"].iloc[0]
            parts.append(pd.DataFrame({**head, "at_mm": at, "value": found.predict(at)}))
    whole = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return shape("precision_curve", whole) if parts else empty("precision_curve")
