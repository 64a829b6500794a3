"""Where models hold their covariates, in words: one point, or one for each response."""

from __future__ import annotations

from collections.abc import Sequence

from accstudy.figures.style import rows_of
from accstudy.reports.content import ReportContent
from accstudy.reports.model_rows import response_label
from accstudy.reports.terms import variable_name
from accstudy.words.catalogue import say
from accstudy.words.numbers import joined

__all__ = ["held_phrase", "held_point", "held_points"]

_UNITS = {"deg": "°", "mm": " mm"}


def held_point(
    content: ReportContent, model: str, *, skip: str = "", only: set[str] | None = None
) -> str:
    """Say where one model holds its covariates, all but one or only some.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": "m", "covariate": ["angulation_deg", "path_mm"],
    ...                       "held": [12.7256, 32.1913]})
    >>> held_point(ReportContent("", {}, {"model_covariates": table}, {}, ""), "m")
    'angulation 12.7° and arch length 32.2 mm'
    """
    table = content.table("model_covariates")
    if not len(table):
        return ""
    parts = []
    for row in rows_of(table[table["model_name"] == model]):
        if row.covariate == skip or (only is not None and row.covariate not in only):
            continue
        unit = _UNITS.get(str(row.covariate).rsplit("_", 1)[-1], "")
        parts.append(f"{variable_name(str(row.covariate))} {float(row.held):.1f}{unit}")
    return joined(parts)


def held_points(content: ReportContent, models: Sequence[str], *, skip: str = "") -> str:
    """Say where some models hold their covariates, each response by name where they differ.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": ["p", "s"], "covariate": "angulation_deg",
    ...                       "held": [15.4, 22.5],
    ...                       "response": ["pair.distance_um", "scan.worst_distance_um"]})
    >>> held_points(ReportContent("", {}, {"model_covariates": table}, {}, ""), ["p", "s"])
    'angulation 15.4° (deviation of the distance); angulation 22.5° (worst distance of a scan)'
    """
    points = {m: held_point(content, m, skip=skip) for m in models}
    told = list(dict.fromkeys(p for p in points.values() if p))
    if len(told) == 1 and all(points.values()):
        return told[0]
    table = content.table("model_covariates")
    said = []
    for point in told:
        mine = [m for m, p in points.items() if p == point]
        own = table[table["model_name"].isin(mine)]
        names = [response_label(str(r)) for r in own["response"]] if "response" in own else mine
        said.append(f"{point} ({joined(list(dict.fromkeys(names)))})")
    return "; ".join(said)


def held_phrase(content: ReportContent, models: Sequence[str], *, skip: str = "") -> str:
    """Put `held_points` as the end of a sentence; empty where nothing is held.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"model_name": ["m"], "covariate": "path_mm", "held": 32.1913})
    >>> held_phrase(ReportContent("", {}, {"model_covariates": table}, {}, ""), ["m"])
    ', held at arch length 32.2 mm'
    """
    points = held_points(content, models, skip=skip)
    return say("models.held_at", points=points) if points else ""
