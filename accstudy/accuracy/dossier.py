"""The dossier of a reference: how well each of its distances is known, and whether it held."""

from __future__ import annotations

import math
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import pandas as pd

from accstudy.accuracy.comparisons import e_n
from accstudy.accuracy.reference_uncertainty import pair_reference_u, temperature_u_um
from accstudy.tables import BEGINNING, shape, valid_since

__all__ = ["reference_changes", "reference_pairs"]

_E_N = "E_n of ISO 13528"


def reference_pairs(
    implants: pd.DataFrame,
    *,
    mpe_constant_um: float | None = None,
    mpe_per_metre_um: float = 0.0,
    expansion_per_k: float = 0.0,
    temperature_tolerance_k: float = 0.0,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Uncertainty of every distance of every reference, by contribution.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``.
    mpe_constant_um, mpe_per_metre_um, expansion_per_k, temperature_tolerance_k
        As of `accstudy.accuracy.reference_uncertainty.shared_uncertainty`.
    runs : DataFrame, optional
        Table ``reference_runs``.

    Returns
    -------
    DataFrame
        Table ``reference_pairs``. ``u_um`` is what the interval of a bias, the guard of a
        limit and the span curve count, but for the seating of scan bodies.
    """
    parts = []
    for model, since, mine in _versions(implants):
        pairs = _distances(str(model), mine)
        own = runs
        if runs is not None and len(runs):
            own = runs[(runs["model"] == model) & (valid_since(runs) == since)]
        known = pair_reference_u(
            mine, pairs, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um,
            runs=own,
        )  # fmt: skip
        warm = temperature_u_um(
            known["span_mm"].astype(float),
            expansion_per_k=expansion_per_k,
            tolerance_k=temperature_tolerance_k,
        )
        u = (known["u_distance_um"] ** 2 + warm**2) ** 0.5
        parts.append(
            known.assign(
                valid_from=pd.Series([None if since == BEGINNING else since] * len(known)),
                u_temperature_um=warm,
                u_um=u,
                expanded_u_um=2.0 * u,
                k=2.0,
            )
        )
    return shape("reference_pairs", pd.concat(parts, ignore_index=True))


def reference_changes(
    implants: pd.DataFrame,
    *,
    mpe_constant_um: float | None,
    mpe_per_metre_um: float = 0.0,
    runs: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Compare every new reference of a model with the one before, pair by pair.

    Parameters
    ----------
    implants : DataFrame
        Table ``implants``; later references have a ``valid_from``.
    mpe_constant_um, mpe_per_metre_um : float, optional
        Maximum permissible error of the CMM, where positions have no certified
        uncertainty.
    runs : DataFrame, optional
        Table ``reference_runs``.

    Returns
    -------
    DataFrame
        Table ``reference_changes``; empty where no model was measured again.

    Notes
    -----
    ``E_n`` is the difference over the expanded uncertainty (k = 2) of both: above 1 the
    two do not agree. The two measurements count as independent, so that what they share
    (the same CMM) makes E_n too small, never too large.

    References
    ----------
    ISO 13528:2022, 9.7 (E_n).
    """
    known = reference_pairs(
        implants, mpe_constant_um=mpe_constant_um, mpe_per_metre_um=mpe_per_metre_um, runs=runs
    )
    rows: list[dict[str, Any]] = []
    pair = ["implant_a", "implant_b"]
    for model, mine in known.groupby("model", sort=True):
        versions = [part.set_index(pair) for _, part in mine.groupby(valid_since(mine), sort=True)]
        for before, after in pairwise(versions):
            for a, b in before.index.intersection(after.index):
                old, new = before.loc[(a, b)], after.loc[(a, b)]
                rows.append(
                    {"model": model, "valid_from": new["valid_from"], "implant_a": a,
                     "implant_b": b, **_compared(old, new)}
                )  # fmt: skip
    return shape("reference_changes", pd.DataFrame(rows))


def _compared(old: pd.Series, new: pd.Series) -> dict[str, Any]:
    before, after = float(old["span_mm"]), float(new["span_mm"])
    expanded = [
        2 * math.hypot(one["u_instrument_um"], np.nan_to_num(float(one["u_runs_um"])))
        for one in (old, new)
    ]
    known = min(expanded) > 0
    number = e_n(1000 * after, 1000 * before, *expanded[::-1]) if known else float("nan")
    return {
        "before_mm": before,
        "after_mm": after,
        "difference_um": 1000 * (after - before),
        "expanded_um": math.hypot(*expanded) if known else float("nan"),
        "e_n": number,
        "verdict": ("differs" if abs(number) > 1 else "agrees") if known else "uncertainty unknown",
        "method": _E_N,
    }


def _versions(implants: pd.DataFrame) -> list[tuple[Any, Any, pd.DataFrame]]:
    """Model, day and rows of every reference."""
    by = implants.groupby(["model", valid_since(implants).rename("since")])
    return [(model, since, mine) for (model, since), mine in by]


def _distances(model: str, implants: pd.DataFrame) -> pd.DataFrame:
    at = implants.set_index("implant")[["x_mm", "y_mm", "z_mm"]].astype(float)
    return pd.DataFrame(
        [
            (model, a, b, float(np.linalg.norm(at.loc[a] - at.loc[b])))
            for a, b in combinations(sorted(at.index), 2)
        ],
        columns=["model", "implant_a", "implant_b", "span_mm"],
    )
