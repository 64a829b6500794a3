"""Table ``implant_vectors``: the position of an implant as what it is, a vector."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.measurands import natural
from accstudy.tables import empty, shape

__all__ = ["Hotelling", "hotelling", "implant_vectors"]

Floats = npt.NDArray[np.float64]
COMPONENTS = ("mesiodistal", "buccolingual", "vertical")


class Hotelling:
    """Confidence ellipsoid of a mean vector, and the test that it is zero.

    Parameters
    ----------
    vectors : ndarray, shape (M, 3)
        Independent vectors, M at least 4.
    confidence : float
        Of the ellipsoid.

    Attributes
    ----------
    semi_axes : ndarray, shape (3,)
        Longest first, unit of the vectors.
    directions : ndarray, shape (3, 3)
        Unit vectors in rows, the first component that counts positive.
    T2, p : float
        Statistic and probability of a larger one without bias; NaN where the
        scatter has no volume.

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
    """Confidence ellipsoid of the mean of independent vectors.

    Parameters
    ----------
    vectors : array_like, shape (M, 3)
        Vectors.
    confidence : float, optional
        Of the ellipsoid.

    Returns
    -------
    Hotelling or None
        None for fewer than four vectors, which determine no ellipsoid.
    """
    v = np.asarray(vectors, dtype=float).reshape(-1, 3)
    return Hotelling(v, confidence) if len(v) >= 4 else None


def implant_vectors(
    implant_deviations: pd.DataFrame,
    *,
    alignment: str = "all-implants",
    confidence: float = 0.95,
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
