"""Effects of angulation and of the number of implants: per 10 degrees, per implant, as lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.models.confounding import model_df
from accstudy.models.decisions import below, holm, log_base
from accstudy.models.design import Floats
from accstudy.models.inference import Cell, cell_rows
from accstudy.models.means import common_range, contrasts, held_values
from accstudy.models.responses import kind_of

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit

__all__ = [
    "STEPS", "effect_lines", "effect_table",
    "model_contrasts", "ratios", "scope_of",
]  # fmt: skip

STEPS: Mapping[str, float] = {"angulation_deg": 10.0, "n_implants": 1.0}
"""Covariates whose effect is stated, and the step that it is stated for."""

_POINTS = 13


def scope_of(response: str, covariates: Sequence[str]) -> str:
    """Which effect a model states.

    Examples
    --------
    >>> scope_of("pair.distance_um", ["path_mm"]), scope_of("scan.worst_distance_um", [])
    ('at equal path', 'as it comes')
    """
    if kind_of(response) == "scan":
        return "as it comes"
    if kind_of(response) == "pair" and "path_mm" in covariates:
        return "at equal path"
    return "path not held" if kind_of(response) == "pair" else "of an implant"


def _interacting(fit: MixedFit, column: str) -> tuple[str, ...]:
    """Factors with which the effect of a column may vary."""
    found: dict[str, None] = {}
    for term in fit.design.terms:
        if fit.design.of_column(term, column):
            found |= dict.fromkeys(f for f in term.factors if len(fit.design.levels[f]) > 1)
    return tuple(found)


def _risen(
    fit: MixedFit, factors: tuple[str, ...], column: str, ends: tuple[float, float], scale: float
) -> list[Cell]:
    """Change of the mean between two values of a column, times a factor."""
    held = held_values(fit.design)
    low, high = (cell_rows(fit.design, factors, {**held, column: x}) for x in ends)
    return [Cell(b.levels, (b.row - a.row) * scale) for a, b in zip(low, high, strict=True)]


def effect_table(fit: MixedFit, response: str, *, confidence: float = 0.95) -> pd.DataFrame:
    """Rows of table ``model_effects``: effects of angulation and of the number of implants.

    Per 10 degrees and per implant, averaged over the levels of what is compared (``kind``
    "average"), at each of them ("level") and their differences ("difference"). An effect is the
    difference of the mean between the ends of the range that all conditions have, divided by that
    range; on a straight line this is its slope. ``df_models`` says how many degrees of freedom the
    models leave for what varies between them only; without any, the models are contrasted instead
    and no row is made.
    """
    columns = list(fit.design.centres)
    base = log_base(fit.design.response)
    parts = []
    for column, step in STEPS.items():
        if column not in columns:
            continue
        frame = fit.design.data
        n_models = frame["model"].nunique() if "model" in frame else 0
        between = "model" in frame and int(frame.groupby("model")[column].nunique().max()) <= 1
        left = model_df(frame, columns) if between else None
        low, high = common_range(fit, column)
        if (left is not None and left < 1) or not high > low:
            continue
        factors = _interacting(fit, column)
        scale = step / (high - low)

        whole = _risen(fit, (), column, (low, high), scale)
        each = _risen(fit, factors, column, (low, high), scale) if factors else []
        labels = [("average", "", "", "")]
        rows = [whole[0].row]
        labels += [("level", ":".join(c.levels), "", "") for c in each]
        rows += [c.row for c in each]
        for i, a in enumerate(each):
            for b in each[i + 1 :]:
                labels.append(("difference", "", ":".join(a.levels), ":".join(b.levels)))
                rows.append(a.row - b.row)
        table = fit.combine(np.array(rows), confidence=confidence)
        head = pd.DataFrame(labels, columns=["kind", "level", "level_a", "level_b"])
        table = pd.concat([head, table], axis=1)
        table["p_holm"] = table.groupby("kind")["p"].transform(lambda p: holm(p))
        decides = table["p"].where(table["kind"] == "average", table["p_holm"])
        joint = _joint(fit, [c.row for c in each])
        parts.append(
            table.assign(
                covariate=column,
                scope=scope_of(response, columns),
                step=step,
                factor=":".join(factors),
                from_value=low,
                to_value=high,
                p_interaction=joint,
                shown=below(decides.to_numpy(float), 1 - confidence),
                interaction_shown=below(np.full(len(table), joint), 1 - confidence),
                applies=table["kind"] == ("level" if joint < 1 - confidence else "average"),
                n_models=n_models,
                df_models=left,
            )
        )
    if not parts:
        return pd.DataFrame()
    out = pd.concat(parts, ignore_index=True)
    return out.assign(confidence=confidence, method=fit.method, **ratios(out, base))


def model_contrasts(fit: MixedFit, *, confidence: float = 0.95) -> pd.DataFrame:
    """Rows of table ``model_effects`` whose scope is "of these models": differences of the scanned
    models themselves, which tell nothing of other models, nor of implant count as such.
    """
    if "model" not in fit.design.levels or len(fit.design.levels["model"]) < 2:
        return pd.DataFrame()
    table = contrasts(fit, "model", confidence=confidence)
    return table.assign(
        scope="of these models", kind="difference of two models", factor="model", level="",
        applies=True,
        covariate="", n_models=len(fit.design.levels["model"]), df_models=0,
        confidence=confidence, method=fit.method, **ratios(table, log_base(fit.design.response)),
    )  # fmt: skip


def ratios(table: pd.DataFrame, base: float | None) -> dict[str, pd.Series]:
    """Estimate and limits of a log response as ratios; missing for others."""
    names = {"ratio": "estimate", "ratio_low": "low", "ratio_high": "high"}
    values = {name: table[column].astype(float) for name, column in names.items()}
    return {name: v * np.nan if base is None else base**v for name, v in values.items()}


def _joint(fit: MixedFit, rows: list[Floats]) -> float:
    """P value that all rows are equal; missing for a single one."""
    if len(rows) < 2:
        return float("nan")
    known = fit.determined(np.array([r - rows[0] for r in rows[1:]]))
    if not len(known):
        return float("nan")
    return fit.inference.joint(fit.rows(known), fit.estimates(known), fit.method).p


def effect_lines(fit: MixedFit, *, confidence: float = 0.95) -> pd.DataFrame:
    """Fitted mean against every covariate with its band, by what is compared.

    The other covariates at their mean, other factors averaged; each level over the values that it
    has; the band holds at each value by itself. Means of log responses are taken back.
    """
    design, base, held = fit.design, log_base(fit.design.response), held_values(fit.design)
    factor = next((f for f, levels in design.levels.items() if len(levels) > 1), "")
    parts = []
    for column in design.centres:
        for i, level in enumerate(design.levels[factor] if factor else ("",)):
            mine = design.data
            if factor and factor in mine:
                mine = mine[mine[factor].astype(str) == level]
            values = mine[column].astype(float)
            if not len(values) or not values.max() > values.min():
                continue
            at = np.linspace(values.min(), values.max(), _POINTS)
            by = (factor,) if factor else ()
            rows = np.array([cell_rows(design, by, {**held, column: float(x)})[i].row for x in at])
            found = fit.combine(rows, confidence=confidence)[["estimate", "low", "high"]]
            found = found if base is None else base**found
            found = found.rename(columns={"estimate": "fitted"})
            parts.append(found.assign(covariate=column, factor=factor, level=level, value=at))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
