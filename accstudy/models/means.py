"""Marginal means, contrasts and slopes, none stated where a condition has no data; effects of
angulation and of the number of implants.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import scipy  # scipy.stats loads when it is first used

from accstudy.errors import Finding, InputError, nearest, warning
from accstudy.models.decisions import (
    Adjust,
    below,
    equivalence,
    family,
    holm,
    log_base,
    margin_bound,
)
from accstudy.models.design import Floats
from accstudy.models.grouping import SITES, model_df
from accstudy.models.inference import Cell, cell_rows, slope_rows
from accstudy.models.responses import kind_of
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.design import Design
    from accstudy.models.mixed import MixedFit


def _factors(fit: MixedFit, factor: str) -> tuple[str, ...]:
    known = list(fit.design.levels)
    if factor in known:
        return (factor,)
    parts = tuple(factor.split(":"))
    for part in parts:
        if part not in known:
            raise InputError(
                f'"{part}" is not a factor of the model {fit.formula}',
                hint=nearest(part, known) if known else "the model has no factor",
            )
    return parts


def _held(fit: MixedFit, at: Mapping[str, float] | None) -> dict[str, float]:
    values = dict(fit.design.centres)
    for name, value in (at or {}).items():
        if name not in values:
            raise InputError(
                f'"{name}" is not a covariate of the model {fit.formula}',
                hint=nearest(name, list(values)) if values else "the model has no covariate",
            )
        values[name] = float(value)
    return values


def marginal_means(
    fit: MixedFit,
    factor: str,
    *,
    at: Mapping[str, float] | None = None,
    method: str | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Mean of each level of a factor, or of factors joined by ``:``, the others averaged equally.

    Covariates that are not in `at` are held at their mean in the data; levels that the data do not
    determine have no numbers.
    """
    values = _held(fit, at)
    cells = cell_rows(fit.design, _factors(fit, factor), values)
    table = fit.combine(np.array([c.row for c in cells]), method=method, confidence=confidence)
    table.insert(0, "factor", factor)
    table.insert(1, "level", [":".join(c.levels) for c in cells])
    return table


def contrasts(
    fit: MixedFit,
    factor: str,
    *,
    by: str = "",
    at: Mapping[str, float] | None = None,
    method: str | None = None,
    confidence: float = 0.95,
    margin: float | None = None,
    one_sided: bool = False,
    adjust: Adjust = "holm",
) -> pd.DataFrame:
    """Differences of marginal means, one family: ``model_contrasts`` but what names the model.

    All pairs of levels of `factor`, within each level of `by` (factors joined by ``:``). `margin`
    is in the unit of the response, for a log response the ratio that still counts as equal;
    `one_sided` makes it non-inferiority: the first level is not larger than the second by the
    margin. ``shown`` and ``equivalent`` decide at one minus `confidence`.
    """
    factors = _factors(fit, factor)
    inside = _factors(fit, by) if by else ()
    named, rows = _differences(
        cell_rows(fit.design, factors + inside, _held(fit, at)), len(factors), by
    )
    if not len(rows):
        return pd.DataFrame(columns=_ORDER)
    table = named.join(fit.combine(rows, method=method, confidence=confidence))
    return _judged(fit, table.assign(factor=factor), confidence, adjust, margin, one_sided)


def slopes(
    fit: MixedFit,
    covariate: str,
    *,
    factor: str = "",
    at: Mapping[str, float] | None = None,
    confidence: float = 0.95,
    adjust: Adjust = "holm",
) -> pd.DataFrame:
    """Slope of a covariate at each level of a factor, and their differences; as `contrasts`.

    Per unit of the covariate; without a factor the average slope. It depends on `at` where the
    formula holds expressions of the covariate or its products with others.
    """
    _held(fit, {covariate: 0.0})
    factors = _factors(fit, factor) if factor else ()
    cells = slope_rows(fit.design, covariate, factors, _held(fit, at))
    levels = [":".join(c.levels) if factor else "" for c in cells]
    titles = [f"slope of {covariate}" + (f" at {level}" if level else "") for level in levels]
    own = pd.DataFrame({"contrast": titles, "level_a": levels})
    parts = [(own, np.array([c.row for c in cells]))]
    if len(cells) > 1:
        named, rows = _differences(cells, len(factors), "")
        named["contrast"] = f"slope of {covariate}: " + named["contrast"]
        parts.append((named, rows))
    tables = [
        _judged(
            fit,
            named.join(fit.combine(rows, confidence=confidence)).assign(factor=factor),
            confidence,
            adjust,
        )
        for named, rows in parts
    ]
    return pd.concat(tables, ignore_index=True).assign(covariate=covariate)


_ORDER = [
    "factor", "contrast", "level_a", "level_b", "stratum", "covariate", "estimate", "se", "df", "t",
    "p", "p_holm", "adjust", "p_decides", "low", "high", "simultaneous_low", "simultaneous_high",
    "confidence", "shown", "ratio", "ratio_low", "ratio_high", "ratio_simultaneous_low",
    "ratio_simultaneous_high", "inverse_ratio", "inverse_low", "inverse_high",
    "margin", "p_equivalence",
    "equivalence_low", "equivalence_high", "equivalence_confidence", "equivalent", "beyond",
]  # fmt: skip


def _differences(cells: Sequence[Cell], k: int, by: str) -> tuple[pd.DataFrame, Floats]:
    """Names and rows of all differences of the first k factors, within each level of the others."""
    strata: dict[tuple[str, ...], dict[str, Cell]] = {}
    for cell in cells:
        strata.setdefault(cell.levels[k:], {})[":".join(cell.levels[:k])] = cell
    named, rows = [], []
    for stratum, members in strata.items():
        where = f"{by} {':'.join(stratum)}" if stratum else ""
        for a, b in combinations(members, 2):
            named.append((f"{a} - {b}" + (f" at {where}" if where else ""), a, b, where))
            rows.append(members[a].row - members[b].row)
    return pd.DataFrame(named, columns=["contrast", "level_a", "level_b", "stratum"]), np.array(
        rows
    )


def _beyond(table: pd.DataFrame, margin: float | None) -> pd.Series:
    """Whether the whole interval of a difference lies beyond the margin of equivalence."""
    reach = np.inf if margin is None else margin
    return (table["low"].astype(float) > reach) | (table["high"].astype(float) < -reach)


def _judged(
    fit: MixedFit,
    table: pd.DataFrame,
    confidence: float,
    adjust: Adjust,
    margin: float | None = None,
    one_sided: bool = False,
) -> pd.DataFrame:
    """Add what is decided at ``1 - confidence``: difference, and equivalence."""
    alpha = 1 - confidence
    estimate, se, df = (table[c].to_numpy(float) for c in ("estimate", "se", "df"))
    p = equivalence_low = equivalence_high = np.full(len(table), np.nan)
    if margin is not None:
        bound = margin_bound(fit.design.response, margin)
        p = equivalence(estimate, se, df, -np.inf if one_sided else -bound, bound)
        half = scipy.stats.t.ppf(confidence, df) * se  # what two one-sided tests look at
        equivalence_low, equivalence_high = estimate - half, estimate + half
    table = family(table, confidence=confidence, adjust=adjust)
    base = log_base(fit.design.response)
    turned = {"inverse_ratio": "estimate", "inverse_low": "high", "inverse_high": "low"}
    ratios = {"ratio": "estimate"} | {
        f"ratio_{c}": c for c in ("low", "high", "simultaneous_low", "simultaneous_high")
    }
    logs = {name: table[c].to_numpy(float) for name, c in ratios.items()}
    logs |= {name: -table[c].to_numpy(float) for name, c in turned.items()}
    absent = {c: "" for c in ("level_b", "stratum", "covariate") if c not in table}
    return table.assign(
        confidence=confidence,
        margin=np.nan if margin is None else margin,
        p_equivalence=p,
        beyond=_beyond(table, margin) & (base is None),
        equivalence_low=equivalence_low,
        equivalence_high=equivalence_high,
        equivalence_confidence=2 * confidence - 1,
        equivalent=below(p, alpha),
        **{name: v * np.nan if base is None else base**v for name, v in logs.items()},
        **absent,
    )[_ORDER]


def level_ranges(design: Design, column: str) -> pd.DataFrame:
    """Smallest and largest value of a covariate column at every level of what is compared.

    ``factor, level, low, high``; a single row without factor where nothing is compared. A pair or
    an implant has one value and is no condition.
    """
    rows = [
        (factor, level, *ranges[level])
        for factor, levels in design.levels.items()
        if factor in design.data and len(levels) > 1 and factor not in SITES
        for ranges in [design.ranges(factor, column)]
        for level in levels
        if level in ranges
    ]
    values = design.data[column].astype(float)
    rows = rows or [("", "", values.min(), values.max())]
    return pd.DataFrame(rows, columns=["factor", "level", "low", "high"])


def common_range(fit: MixedFit, column: str) -> tuple[float, float]:
    """Range of a covariate that every level of what is compared has; ``low`` above ``high`` where
    the levels have no value in common.
    """
    ranges = level_ranges(fit.design, column)
    return float(ranges["low"].max()), float(ranges["high"].min())


def held_values(design: Design) -> dict[str, float]:
    """Value at which every covariate column is held: the mean of the data; where a level of what is
    compared never reaches that, the mean of the rows within the range that all levels have.
    """
    held = {}
    for column in design.centres:
        if column not in design.data:
            continue
        values = design.data[column].astype(float).to_numpy()
        ranges = level_ranges(design, column)
        low, high = float(ranges["low"].max()), float(ranges["high"].min())
        held[column] = float(values.mean())
        if low <= high and not low <= held[column] <= high:
            inside = (values >= low) & (values <= high)
            held[column] = float(values[inside].mean()) if inside.any() else (low + high) / 2
    return held


def overlap_findings(design: Design, held: dict[str, float]) -> list[Finding]:
    """Warn of covariates that are held where a level of what is compared has no data."""
    out = []
    for column, value in held.items():
        if column not in design.data:
            continue
        ranges = level_ranges(design, column)
        slack = 1e-9 * max(1.0, abs(value))
        beyond = ranges[(ranges["low"] > value + slack) | (ranges["high"] < value - slack)]
        if not len(beyond):
            continue
        said = "; ".join(
            f"{level} has {low:.4g} to {high:.4g}"
            for level, low, high in zip(beyond["level"], beyond["low"], beyond["high"], strict=True)
        )
        what = say("findings.is_held_at_where", column=column, value=value, said=said)
        out.append(
            warning("no-overlap", what, mend=say("findings.add_scans_so_that", column=column))
        )
    return out


def outside(design: Design, factor: str, level: str, held: dict[str, float]) -> bool:
    """Whether a level of a factor has no data where a covariate is held."""
    for column, value in held.items():
        if column not in design.data or factor not in design.data:
            continue
        low, high = design.ranges(factor, column).get(level, (value, value))
        slack = 1e-9 * max(1.0, abs(value))
        if not low - slack <= value <= high + slack:
            return True
    return False


def blank_outside(
    design: Design, table: pd.DataFrame, held: dict[str, float], columns: tuple[str, ...]
) -> pd.DataFrame:
    """Take the numbers out of rows whose levels, in these columns (those of several factors joined
    by ":"), have no data where covariates are held.
    """
    beyond = np.zeros(len(table), bool)
    for k, factor in enumerate(table["factor"]):
        for column in columns:
            level = str(table[column].iloc[k])
            parts = zip(str(factor).split(":"), level.split(":"), strict=False)
            beyond[k] |= any(outside(design, f, one, held) for f, one in parts)
    if not beyond.any():
        return table
    numbers = [c for c in table.columns if pd.api.types.is_float_dtype(table[c])]
    out = table.copy()
    out.loc[beyond, [c for c in numbers if c != "margin"]] = np.nan
    return out


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
