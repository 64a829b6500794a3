"""Deviations of implants: by alignment, as vectors with their ellipsoids, and seen from above."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from accstudy.accuracy.measurands import natural
from accstudy.compare.arch import Arch
from accstudy.tables import empty, shape

Floats = npt.NDArray[np.float64]


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
