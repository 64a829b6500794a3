"""What differs between models only is tested between models: how many are left for it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from accstudy.compare.scans import models_scanned

__all__ = ["effect_notes", "model_df"]

_SCOPES = ("at equal path", "as it comes")
_NAMES = {"n_implants": "implants", "angulation_deg": "largest angulation"}
_ALIKE = 0.02  # range of a property, relative to its mean, up to which models count as alike


def model_df(frame: pd.DataFrame, covariates: Sequence[str]) -> int:
    """Degrees of freedom that the models leave for what differs between them only.

    Parameters
    ----------
    frame : DataFrame
        Rows with ``model`` and the covariates.
    covariates : sequence of str
        Columns; those that vary within a model do not count.

    Returns
    -------
    int
        Models less the coefficients between them; -1 where these cannot be told apart.

    Examples
    --------
    >>> four = pd.DataFrame({"model": list("abcd"), "n_implants": [2, 4, 6, 8],
    ...                      "angulation_deg": [10, 30, 20, 12]})
    >>> model_df(four, ["n_implants"]), model_df(four, ["n_implants", "angulation_deg"])
    (2, 1)
    """
    grouped = frame.groupby("model", sort=True)
    between = [c for c in covariates if c in frame and int(grouped[c].nunique().max()) <= 1]
    models = grouped[between].first().astype(float) if between else pd.DataFrame()
    n = grouped.ngroups
    if not between:
        return n - 1
    x = models.to_numpy(float)
    x = np.column_stack([np.ones(n), (x - x.mean(0)) / np.maximum(x.std(0), 1e-300)])
    rank = int(np.linalg.matrix_rank(x, tol=1e-8))
    return n - rank if rank == x.shape[1] else -1


def effect_notes(pairs: pd.DataFrame) -> pd.DataFrame:
    """Whether the scanned models let the effect of angulation and implant count be stated.

    Parameters
    ----------
    pairs : DataFrame
        Table ``pair_deviations``.

    Returns
    -------
    DataFrame
        Table ``model_effect_notes``: why not, or what else differs, and which models
        would help.
    """
    models = models_scanned(pairs)
    rows = []
    for scope in _SCOPES:
        frame = pairs if scope == "at equal path" else models
        names = ["angulation_deg", "n_implants"]
        levels = {c: int(frame[c].astype(float).round().nunique()) for c in names}
        asked = [c for c in names if levels[c] > 1]
        between = [c for c in asked if frame.groupby("model")[c].nunique().max() <= 1]
        for column in names:
            df = model_df(frame, asked) if column in between else None
            stated, why, add = _note(models, column, levels[column], between, df)
            rows.append((scope, column, stated, levels[column], len(models), df, why, add))
    names = ["scope", "covariate", "stated", "n_levels", "n_models", "df_models", "why", "to_add"]
    return pd.DataFrame(rows, columns=names)


def _note(
    models: pd.DataFrame, column: str, levels: int, between: Sequence[str], df: int | None
) -> tuple[bool, str, str]:
    count = column == "n_implants"
    other = "another number of implants" if count else "another angulation"
    if levels < 2:
        value = float(models[column].iloc[0])
        same = f"{value:.0f} implants" if count else f"the angulation {value:.0f}°"
        return False, f"every model has {same}", f"two models each with {other} and the same span"
    if df is None:
        return True, "", ""
    two = "two models with each number of implants" if count else "two models with each angulation"
    if df < 0:
        return (
            False,
            "implant count and angulation are confounded in these models: "
            + "; ".join(_described(models, between)),
            "models in which every number of implants occurs with every angulation, two of each",
        )
    if df == 0:
        why = f"{len(models)} models leave no degree of freedom: "
        return False, why + "; ".join(_described(models, between)), f"{two}, with the same span"
    single = models.groupby(models[column].astype(float).round()).size() == 1
    if not single.any():
        return True, "", ""
    apart = _differing(models, column)
    whose = "each" if single.all() else _listed(single.index[single].astype(float).tolist())
    what = "number of implants" if count else "angulation"
    said = f"a single model has {whose} {what}" if single.all() else f"a single model has {whose}"
    if not single.all():
        said += " implants" if count else "° of angulation"
    if apart:
        said += f", and these models also differ in {apart}"
    return True, said, f"{two}, with the same span and arch length"


def _listed(values: Sequence[float]) -> str:
    """Numbers as text, the last after "and"."""
    texts = [f"{float(v):.4g}" for v in values]
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def _described(models: pd.DataFrame, between: Sequence[str]) -> list[str]:
    out = []
    tilts = models["angulation_deg"].to_numpy(float)
    for name, n, tilt in zip(models["model"], models["n_implants"], tilts, strict=True):
        parts = [f"{n} implants"] + [f"{tilt:.0f}°"] * ("angulation_deg" in between)
        out.append(f"{name} {', '.join(parts)}")
    return out


def _differing(models: pd.DataFrame, column: str) -> str:
    """Other properties in which the models differ, with their range."""
    units = {"n_implants": "", "angulation_deg": "°", "span_mm": " mm", "path_mm": " mm"}
    names = {**_NAMES, "span_mm": "largest span", "path_mm": "largest arch length"}
    parts = []
    for name, unit in units.items():
        low, high = float(models[name].min()), float(models[name].max())
        if name != column and high - low > _ALIKE * max(abs(high), 1e-9):
            parts.append(f"{names[name]} ({low:.0f} to {high:.0f}{unit})")
    return f"{', '.join(parts[:-1])} and {parts[-1]}" if len(parts) > 1 else "".join(parts)
