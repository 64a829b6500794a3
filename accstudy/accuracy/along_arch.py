"""Where in the arch results are worse: precision against span and path, and single implants."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, special

from accstudy.accuracy.measurands import natural
from accstudy.compare.arch import Arch
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


def cell_table(pairs: pd.DataFrame) -> pd.DataFrame:
    """Table ``cells``: scans of every cell, by condition and model.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.
    """
    keys = ["cell", "condition", "model"]
    found = pairs.groupby(keys, sort=False, observed=True)["scan"].nunique()
    return shape("cells", found.rename("n_scans").reset_index())


_WAYS = {"all-implants": 0, "datum-implants": 1, "first-implant": 2}


def alignment_table(singles: pd.DataFrame) -> pd.DataFrame:
    """Root mean square 3D deviation by every alignment, of each implant and of all.

    Table ``alignments`` from ``implant_deviations``; the row without an implant is the root mean
    square over those of the implants, each of which counts once.
    """
    keys = ["condition", "model", "alignment"]
    rows: list[dict[str, Any]] = []
    for key, mine in singles.groupby(keys, sort=False, observed=True):
        head = dict(zip(keys, key, strict=True))
        square = (mine["distance_um"] ** 2).groupby(mine["implant"], sort=False).mean()
        n = int(mine["scan"].nunique())
        rows += [
            {**head, "implant": i, "n_scans": n, "rms_um": float(v) ** 0.5}
            for i, v in square.items()
        ]
        rows.append({**head, "implant": "", "n_scans": n, "rms_um": float(square.mean()) ** 0.5})
    if not rows:
        return empty("alignments")
    table = pd.DataFrame(rows)
    table = table.assign(way=table["alignment"].map(_WAYS)).sort_values(
        ["condition", "model", "way"], kind="stable"
    )
    return shape("alignments", table)


def implants_above(
    singles: pd.DataFrame,
    arches: Mapping[str, Arch],
    *,
    alignment: str = "all-implants",
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Mean deviation of every implant and prediction ellipse of a further scan, seen from above.

    Parameters
    ----------
    singles : DataFrame
        Table ``implant_deviations``.
    arches : mapping of str to Arch
        Arch of every model.
    alignment : str, optional
        Whose rows are taken.
    coverage : float, optional
        Share of further scans that the ellipse holds.

    Returns
    -------
    DataFrame
        Table ``implants_above``. The ellipse holds a further scan with the probability
        `coverage`, if scans are independent and normal; empty for fewer than four scans.
    """
    own = singles[singles["alignment"] == alignment]
    rows: list[dict[str, Any]] = []
    for (condition, model), part in own.groupby(["condition", "model"], sort=False, observed=True):
        arch = arches[str(model)]
        across, along, flat = _view(arch)
        for i, implant in enumerate(arch.implants):
            mine = part[part["implant"] == implant]
            delta = mine[["dx_um", "dy_um", "dz_um"]].to_numpy(float)
            delta = delta[np.isfinite(delta).all(axis=1)]
            if not len(delta):
                continue
            seen = delta @ np.stack([across, along], axis=1)
            x, y = seen.mean(axis=0)
            row = {
                "condition": condition,
                "model": model,
                "alignment": alignment,
                "implant": implant,
                "n_scans": len(delta),
                "x_mm": flat[i, 0],
                "y_mm": flat[i, 1],
                "bias_x_um": x,
                "bias_y_um": y,
                "bias_lateral_um": float(np.hypot(x, y)),
                "bias_vertical_um": float((delta @ arch.common_axis).mean()),
                "coverage": coverage,
            }
            if len(seen) >= 4:
                names = ("major_um", "minor_um", "turn_deg")
                row |= dict(zip(names, prediction_ellipse(seen, coverage), strict=True))
            rows.append(row)
    return shape("implants_above", pd.DataFrame(rows)) if rows else empty("implants_above")


def _view(arch: Arch) -> tuple[Floats, Floats, Floats]:
    """Axes of the view from above, the arch open downwards, and the platforms in it."""
    up = arch.common_axis
    chord = arch.positions_mm[-1] - arch.positions_mm[0]
    across = chord - (chord @ up) * up
    across = across / max(float(np.linalg.norm(across)), 1e-12)
    along = np.cross(up, across)
    centred = arch.positions_mm - arch.positions_mm.mean(axis=0)
    flat = np.stack([centred @ across, centred @ along], axis=1)
    ends = flat[[0, -1], 1].mean()
    if len(flat) > 2 and flat[1:-1, 1].mean() < ends:  # turn by half, so that it opens downwards
        across, along, flat = -across, -along, -flat
    return across, along, flat


def prediction_ellipse(seen: Floats, coverage: float) -> tuple[float, float, float]:
    """Semi-axes of the ellipse that contains a further point, and rotation of the longer one, deg.

    Of N >= 4 independent points, (N, 2): half axes are those of the covariance times the root of 2
    (n^2 - 1) / (n (n - 2)) F(coverage; 2, n - 2).

    References
    ----------
    Johnson and Wichern, Applied Multivariate Statistical Analysis, section on prediction
    ellipsoids (from memory).
    """
    n = len(seen)
    values, vectors = np.linalg.eigh(np.cov(seen, rowvar=False))
    factor = 2 * (n * n - 1) / (n * (n - 2)) * float(special.fdtri(2, n - 2, coverage))
    half = np.sqrt(np.clip(values, 0, None) * factor)
    turn = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return float(half[1]), float(half[0]), float(turn)


COMPONENTS = ("mesiodistal", "buccolingual", "vertical")


class Hotelling:
    """Confidence ellipsoid of the mean of M >= 4 independent vectors, and the test that it is zero.

    ``semi_axes`` longest first, their ``directions`` in rows, the first component that counts
    positive; ``T2`` and ``p`` NaN where the scatter has no volume.

    References
    ----------
    Hotelling, Ann Math Stat 2 (1931) 360-378: T^2 (M - 3) / (3 (M - 1)) follows F
    with 3 and M - 3 degrees of freedom.
    """

    def __init__(self, vectors: Floats, confidence: float) -> None:
        m = len(vectors)
        mean = vectors.mean(axis=0)
        covariance = np.cov(vectors.T)
        values, columns = np.linalg.eigh(covariance)
        factor = 3 * (m - 1) / (m - 3)
        reach = factor * float(special.fdtri(3, m - 3, confidence))
        self.semi_axes: Floats = np.sqrt(np.maximum(values[::-1], 0.0) * reach / m)
        rows = columns.T[::-1]
        largest = np.take_along_axis(rows, np.abs(rows).argmax(axis=1)[:, None], axis=1)
        self.directions: Floats = rows * np.where(largest < 0, -1.0, 1.0)
        self.T2 = self.p = math.nan
        if values[0] > 1e-12 * max(values[-1], 1e-300):
            self.T2 = float(m * mean @ np.linalg.solve(covariance, mean))
            self.p = float(special.fdtrc(3, m - 3, self.T2 / factor))


def hotelling(vectors: npt.ArrayLike, *, confidence: float = 0.95) -> Hotelling | None:
    """Confidence ellipsoid of the mean of independent vectors, (M, 3); None for fewer than four."""
    v = np.asarray(vectors, dtype=float).reshape(-1, 3)
    return Hotelling(v, confidence) if len(v) >= 4 else None


def implant_vectors(
    implant_deviations: pd.DataFrame, *, alignment: str = "all-implants", confidence: float = 0.95
) -> pd.DataFrame:
    """Bias vector, covariance and confidence ellipsoid of every implant's position.

    Parameters
    ----------
    implant_deviations : DataFrame
        Table ``implant_deviations``.
    alignment : str, optional
        The alignment whose rows are taken.
    confidence : float, optional
        Of the ellipsoid of the bias.

    Returns
    -------
    DataFrame
        Table ``implant_vectors``, along the arch, across it and along the common axis.

    Notes
    -----
    The mean of the squared lengths of the deviations is the squared bias plus the
    trace of the covariance over n, whatever the distribution: ``mean_square_um2``
    equals ``bias_square_um2`` plus ``trace_um2``.

    Scans of one cell are no independent witnesses of a bias. With one cell the
    ellipsoid rests on its scans and holds for its conditions; with four cells or
    more on the cell means; with two or three there is none.
    """
    columns = [f"{c}_um" for c in COMPONENTS]
    own = implant_deviations[implant_deviations["alignment"] == alignment].dropna(subset=columns)
    rows = []
    for (condition, model, implant), part in own.groupby(
        ["condition", "model", "implant"], sort=True
    ):
        d = part.sort_values(["cell", "scan"])[columns].to_numpy(dtype=float)
        means = part.groupby("cell", sort=True)[columns].mean().to_numpy(dtype=float)
        rows.append(
            {
                "condition": condition,
                "model": model,
                "implant": implant,
                "alignment": alignment,
                "n_scans": len(d),
                "n_cells": len(means),
                "u_alignment_tilt_deg": float(part["u_alignment_tilt_deg"].median()),
                **_moments(d),
                **_ellipsoid(d, means, confidence),
            }
        )
    if not rows:
        return empty("implant_vectors")
    rows.sort(key=lambda r: (str(r["condition"]), str(r["model"]), natural(str(r["implant"]))))
    return shape("implant_vectors", pd.DataFrame(rows))


def _moments(d: Floats) -> dict[str, float]:
    n, bias = len(d), d.mean(axis=0)
    centred = d - bias
    row = {f"bias_{c}_um": float(b) for c, b in zip(COMPONENTS, bias, strict=True)}
    row |= {
        "bias_length_um": float(np.linalg.norm(bias)),
        "mean_square_um2": float((d**2).sum() / n),
        "bias_square_um2": float(bias @ bias),
        "trace_um2": float((centred**2).sum() / n),
    }
    if n < 2:
        return row
    covariance = centred.T @ centred / (n - 1)
    sd = np.sqrt(np.diag(covariance))
    row |= {f"sd_{c}_um": float(s) for c, s in zip(COMPONENTS, sd, strict=True)}
    for i, j in ((0, 1), (0, 2), (1, 2)):
        if n > 2 and sd[i] > 0 and sd[j] > 0:
            key = f"corr_{COMPONENTS[i]}_{COMPONENTS[j]}"
            row[key] = float(covariance[i, j] / (sd[i] * sd[j]))
    return row


def _ellipsoid(d: Floats, means: Floats, confidence: float) -> dict[str, object]:
    one_cell = len(means) == 1
    found = hotelling(d if one_cell else means, confidence=confidence)
    if found is None:
        note = (
            f"{len(d)} scans: an ellipsoid needs four"
            if one_cell
            else f"{len(means)} cells: an ellipsoid needs one cell or four; "
            "see the components in table accuracy"
        )
        return {"note": note}
    row: dict[str, object] = {
        "T2": found.T2,
        "p": found.p,
        "based_on": "scans" if one_cell else "cell means",
        "note": "one cell: valid only for the conditions of that cell" if one_cell else "",
    }
    if math.isnan(found.T2):
        row["note"] = "the deviations do not span three dimensions: no test"
    row |= {f"semi_axis_{i + 1}_um": float(a) for i, a in enumerate(found.semi_axes)}
    row |= {
        f"direction_{c}": float(x) for c, x in zip(COMPONENTS, found.directions[0], strict=True)
    }
    return row
