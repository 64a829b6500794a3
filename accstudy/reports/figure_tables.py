"""Result tables arranged for figures: selected, put in order, summarised over scans."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.compare.arch import Arch, arch_of
from accstudy.words.catalogue import say

__all__ = [
    "alignment_rows",
    "arch_rows",
    "arches",
    "gap_rows",
    "run_rows",
    "seat_rows",
    "span_points",
    "typical_scan",
]


def arches(implants: pd.DataFrame) -> dict[str, Arch]:
    """Arch of every model, from the first reference of each.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    """
    found = {}
    for model, rows in implants.groupby("model", sort=False):
        first = rows
        if "valid_from" in rows and rows["valid_from"].notna().any():
            oldest = rows["valid_from"].min()
            first = rows[rows["valid_from"].isna() | (rows["valid_from"] == oldest)]
        found[str(model)] = arch_of(first.drop_duplicates("implant"))
    return found


def arch_rows(
    implant_deviations: pd.DataFrame,
    arch: Arch,
    *,
    condition: str,
    model: str,
    alignment: str = "all-implants",
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Mean deviation of every implant and where a further scan would lie, seen from above.

    Parameters
    ----------
    implant_deviations : DataFrame
        Table ``implant_deviations``.
    arch : Arch
        Of that model.
    condition, model, alignment : str
        Whose rows are taken.
    coverage : float
        Share of further scans that the ellipse holds.

    Returns
    -------
    DataFrame
        As `accstudy.figures.arch.arch_chart` wants it. The ellipse holds a
        further scan with the probability `coverage`, if scans are independent and
        normal: its half axes are those of the covariance times the root of
        2 (n^2 - 1) / (n (n - 2)) F(coverage; 2, n - 2) (Johnson and Wichern, Applied
        Multivariate Statistical Analysis, section on prediction ellipsoids; from
        memory). Empty for fewer than four scans.
    """
    rows = implant_deviations[
        (implant_deviations["condition"] == condition)
        & (implant_deviations["model"] == model)
        & (implant_deviations["alignment"] == alignment)
    ]
    across, along, flat = _view(arch)
    out = []
    for i, implant in enumerate(arch.implants):
        mine = rows[rows["implant"] == implant]
        delta = mine[["dx_um", "dy_um", "dz_um"]].to_numpy(float)
        delta = delta[np.isfinite(delta).all(axis=1)]
        if not len(delta):
            continue
        seen = delta @ np.stack([across, along], axis=1)
        mean = seen.mean(axis=0)
        major, minor, turn = _prediction_ellipse(seen, coverage)
        out.append(
            {
                "implant": implant,
                "x_mm": flat[i, 0],
                "y_mm": flat[i, 1],
                "bias_x_um": mean[0],
                "bias_y_um": mean[1],
                "bias_vertical_um": float((delta @ arch.common_axis).mean()),
                "major_um": major,
                "minor_um": minor,
                "turn_deg": turn,
                "n_scans": len(delta),
            }
        )
    return pd.DataFrame(out)


def _view(arch: Arch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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


def _prediction_ellipse(seen: np.ndarray, coverage: float) -> tuple[float, float, float]:
    n = len(seen)
    if n < 4:
        return float("nan"), float("nan"), 0.0
    values, vectors = np.linalg.eigh(np.cov(seen, rowvar=False))
    factor = 2 * (n * n - 1) / (n * (n - 2)) * stats.f.ppf(coverage, 2, n - 2)
    half = np.sqrt(np.clip(values, 0, None) * factor)
    turn = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    return float(half[1]), float(half[0]), float(turn)


def alignment_rows(implant_deviations: pd.DataFrame, order: dict[str, Arch]) -> pd.DataFrame:
    """Root mean square 3D deviation of every implant by every alignment.

    Parameters
    ----------
    implant_deviations : DataFrame
        Table ``implant_deviations``.
    order : dict
        Arch of every model.

    Returns
    -------
    DataFrame
        ``condition``, ``model``, ``alignment``, ``implant``, ``rms_um``, ``mean_um``,
        in arch order.
    """
    keys = ["condition", "model", "alignment", "implant"]
    square = implant_deviations.assign(square=implant_deviations["distance_um"] ** 2)
    grouped = square.groupby(keys, sort=False, observed=True)
    out = grouped.agg(square=("square", "mean"), mean_um=("distance_um", "mean")).reset_index()
    out["rms_um"] = np.sqrt(out["square"])
    rank = {(m, i): k for m, arch in order.items() for k, i in enumerate(arch.implants)}
    out["rank"] = [rank.get((m, i), 99) for m, i in zip(out["model"], out["implant"], strict=True)]
    how = {"all-implants": 0, "datum-implants": 1, "first-implant": 2}
    out["how"] = out["alignment"].map(how).fillna(3)
    out = out.sort_values(["condition", "model", "how", "rank"], kind="stable")
    return out.drop(columns=["square", "rank", "how"]).reset_index(drop=True)


def run_rows(pair_deviations: pd.DataFrame, scans: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Two figures of every scan of the model with most scans, in the order they were taken.

    Returns
    -------
    rows : DataFrame
        As `accstudy.figures.runs.run_chart` wants it.
    model : str
        Whose scans.
    """
    model = str(pair_deviations.groupby("model")["scan"].nunique().idxmax())
    mine = pair_deviations[pair_deviations["model"] == model]
    square = mine.assign(square=mine["distance_um"] ** 2)
    rms = np.sqrt(square.groupby("scan", sort=False)["square"].mean())
    longest = mine[np.isclose(mine["span_mm"], mine["span_mm"].max())].set_index("scan")
    out = pd.DataFrame({"rms_um": rms})
    out["longest_um"] = longest["distance_um"].reindex(out.index)
    first = mine.drop_duplicates("scan").set_index("scan")[["condition", "cell"]]
    out = out.join(first).reset_index()
    if "measured_at" in scans:
        at = pd.to_datetime(scans.set_index("scan")["measured_at"], errors="coerce")
        out["at"] = out["scan"].map(at)
        out = out.sort_values("at", kind="stable", na_position="last").reset_index(drop=True)
    out["number"] = np.arange(1, len(out) + 1)
    return out, model


def span_points(pair_deviations: pd.DataFrame, *, along: str = "span") -> pd.DataFrame:
    """Size of every deviation of a distance, against span or path."""
    return pd.DataFrame(
        {
            "condition": pair_deviations["condition"],
            "at_mm": pair_deviations[f"{along}_mm"],
            "abs_um": pair_deviations["distance_um"].abs(),
        }
    )


def typical_scan(seating: pd.DataFrame, *, condition: str, model: str) -> str:
    """Scan whose best seat is the median one (the lower of two); empty without any."""
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    best = rows.drop_duplicates("scan").set_index("scan")["best_seat_um"].dropna()
    if best.empty:
        return ""
    ranked = best.sort_values(kind="stable")
    return str(ranked.index[(len(ranked) - 1) // 2])


def seat_rows(seating: pd.DataFrame, arch: Arch, *, scan: str) -> pd.DataFrame:
    """One scan's framework with the first implant's screw tightened, and best seated."""
    rows = seating[
        (seating["scan"] == scan) & seating["tightened"].isin([arch.implants[0], "best-seat"])
    ]
    path = dict(zip(arch.implants, arch.path_mm, strict=True))
    rows = rows.assign(path_mm=rows["implant"].map(path)).dropna(subset=["path_mm"])
    last = (rows["tightened"] == "best-seat").astype(int)
    return (
        rows.assign(last=last).sort_values(["last", "path_mm"], kind="stable").drop(columns="last")
    )


def gap_rows(seating: pd.DataFrame, arch: Arch, *, condition: str, model: str) -> pd.DataFrame:
    """Gaps of all scans: first implant tightened, last implant tightened, best seat.

    Column ``worst_um`` is the largest gap at the rim, or the largest interference (negative)
    where that is larger.
    """
    rows = seating[(seating["condition"] == condition) & (seating["model"] == model)]
    first, last = arch.implants[0], arch.implants[-1]
    names = {
        first: say("seating.one_screw_at", first=first),
        last: say("seating.one_screw_at_2", last=last),
        "best-seat": say("seating.all_screws_best_seat"),
    }
    rows = rows[rows["tightened"].isin(names) & rows["gap_max_um"].notna()]
    rows = rows.assign(way=rows["tightened"].map(names))
    place = {implant: k for k, implant in enumerate(arch.implants)}
    order = {way: k for k, way in enumerate(names.values())}
    rows = rows.assign(a=rows["way"].map(order), b=rows["implant"].map(place))
    rows = rows.sort_values(["a", "b"], kind="stable").drop(columns=["a", "b"])
    gap = rows["gap_max_um"] >= -rows["gap_min_um"]
    rows = rows.assign(worst_um=rows["gap_max_um"].where(gap, rows["gap_min_um"]))
    median = rows.groupby(["way", "implant"], sort=False)["worst_um"].transform("median")
    return rows.assign(median_um=median).reset_index(drop=True)
