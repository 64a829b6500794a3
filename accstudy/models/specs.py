"""Which models a study is asked, and the usual ones of each kind of study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from accstudy.models.grouping import DIRECTION
from accstudy.models.inference import Method

__all__ = ["COMPARED", "ModelSpec", "default_specs"]

COMPARED = (
    "technique", "device", "material", "splint", "scan_body_type", "software", "scan_path",
    "light", "experience", "arch",
)  # fmt: skip
"""Factor columns that are compared if the study names no condition."""


@dataclass(frozen=True, slots=True)
class ModelSpec:
    """One mixed model: a ``[[model]]`` of study.toml.

    Parameters
    ----------
    name : str
        Name in the result tables.
    response : str
        ``pair.`` or ``implant.`` column, or an expression such as
        ``log(abs(pair.distance_um))``; ``spread(pair.distance_um)`` is precision
        itself.
    fixed : str
        Fixed part of the formula.
    random : tuple of str
        Random factors; ``a/b`` nests. Besides the scans' columns: ``pair`` or
        ``implant`` (unique over models) and ``condition``, ``cell``.
    residual_sd_by : str
        Column with residual standard deviations of its own; empty for one.
    equivalence_margin : float, optional
        In the unit of the response; for log responses a ratio above 1.
    method : {"kenward-roger", "satterthwaite"}
        Degrees of freedom.
    non_inferiority : bool
        The margin is one-sided: the first level of a contrast is not larger than the
        second by the margin.
    at : tuple of (str, float)
        Covariate values at which means and contrasts are stated; the others are held
        at their mean.
    """

    name: str
    response: str
    fixed: str = "1"
    random: tuple[str, ...] = ("scan",)
    residual_sd_by: str = ""
    equivalence_margin: float | None = None
    method: Method = "kenward-roger"
    non_inferiority: bool = False
    at: tuple[tuple[str, float], ...] = ()


def default_specs(
    kind: str,
    columns: Sequence[str],
    *,
    condition: Sequence[str] = (),
    pairs: pd.DataFrame | None = None,
) -> list[ModelSpec]:
    """The usual models of a study.

    Parameters
    ----------
    kind : {"validation", "comparison", "drift"}
        Kind of the study; a drift study has charts instead.
    columns : sequence of str
        Factor columns of the scan list.
    condition : sequence of str
        Factors that are compared; those of `COMPARED` that are there if none.
    pairs : DataFrame, optional
        Table ``pair_deviations``: columns that do not vary in it, or are not
        known in every row, are left out.

    Returns
    -------
    list of ModelSpec
        Distance and angle deviations of pairs (signed), their magnitudes and their
        scatter, and the 3D deviations of implants (log).

    Notes
    -----
    Pairs of a scan share the scan, pairs of different scans share the pair and the implants
    at its ends, and a condition may distort a pair or displace an implant in a way of its
    own: all are random, as are the model, the cell and the operator. Operators handle a
    condition each in their own way, so their combination is random too. A scan that is
    stretched or bent errs the more the longer the path, so slopes vary by scan, cell,
    operator and operator within condition as well; without that, a difference between
    conditions that are alike is found far too often (Barr, Levy, Scheepers, Tily, J. Mem.
    Lang. 68 (2013) 255-278). Scans of the first condition factor's levels have spreads of
    their own, because one technique may scatter more than another. Deviations from the
    mean of a cell depend on each other, so its combination with the pair is random for
    the scatter. Terms without information are left out of the fit, each with a finding.

    Examples
    --------
    >>> [s.name for s in default_specs("comparison", ["technique"])][:2]
    ['distance', 'angle']
    >>> default_specs("comparison", ["technique"])[0].fixed
    'technique * (angulation_deg + path_mm)'
    """
    if kind == "drift":
        return []
    compared = [c for c in (condition or COMPARED) if c in columns and _varies(pairs, c)]
    slopes = [c for c in ("angulation_deg", "path_mm") if _varies(pairs, c)]
    if pairs is not None and _varies(pairs, "n_implants") and _separable(pairs):
        slopes.append("n_implants")
    pair_fixed = _fixed(compared, slopes)
    implant_fixed = _fixed(compared, [c for c in slopes if c != "path_mm"])
    operators = tuple(c for c in ("operator",) if c in columns and c not in compared)
    handling = tuple(f"{c}:condition" for c in operators) if compared else ()
    own = f" by {compared[0]}" if compared else ""
    cells = (*operators, *handling, "condition:cell", f"scan{own}")
    shared = ("implants", "implants:condition") if _directed(pairs) else ()
    pair_random = ("model", "pair", "condition:pair", *shared, *cells)
    pair_random += _own_slopes(slopes, (*operators, *handling), own)
    scatter_random = (*pair_random, "condition:cell:pair")
    implant_random = ("model", "implant", "condition:implant", *cells)
    implant_random += _own_slopes([c for c in slopes if c != "path_mm"], (), own)
    return [
        ModelSpec("distance", "pair.distance_um", pair_fixed, pair_random),
        ModelSpec("angle", "pair.angle_deg", pair_fixed, pair_random),
        ModelSpec("distance size", "log(abs(pair.distance_um))", pair_fixed, pair_random),
        ModelSpec("distance scatter", "spread(pair.distance_um)", pair_fixed, scatter_random),
        ModelSpec("implant 3D", "log(implant.distance_um)", implant_fixed, implant_random),
        ModelSpec("implant vertical", "implant.vertical_um", implant_fixed, implant_random),
    ]


def _own_slopes(slopes: Sequence[str], operators: Sequence[str], own: str) -> tuple[str, ...]:
    """Random slopes of whatever varies within a scan: by scan, by cell; the path by operator."""
    within = [c for c in slopes if c != "n_implants"]
    by_scan = [f"{c} | {by}" for c in within for by in ("condition:cell", f"scan{own}")]
    return (*by_scan, *(f"path_mm | {by}" for by in operators if "path_mm" in within))


def _directed(pairs: pd.DataFrame | None) -> bool:
    """Whether the pairs say along which direction they see their implants."""
    return pairs is None or set(DIRECTION) <= set(pairs.columns)


def _fixed(compared: Sequence[str], slopes: Sequence[str]) -> str:
    """The first condition factor with slopes of its own, everything else added."""
    crossed = [c for c in slopes if c != "n_implants"]
    rest = [*compared[1:], *(c for c in slopes if c == "n_implants")]
    if not compared or not crossed:
        return " + ".join([*compared[:1], *crossed, *rest]) or "1"
    inner = crossed[0] if len(crossed) == 1 else f"({' + '.join(crossed)})"
    return " + ".join([f"{compared[0]} * {inner}", *rest])


def _varies(pairs: pd.DataFrame | None, column: str) -> bool:
    if pairs is None:
        return column != "n_implants"
    if column not in pairs or bool(pairs[column].isna().any()):
        return False  # an angulation that is unknown for one model would leave that model out
    return len(pairs[column].unique()) > 1


def _separable(pairs: pd.DataFrame) -> bool:
    """Whether models with different implant counts are more than one a count."""
    models = pairs.drop_duplicates("model")
    return bool(models.groupby("n_implants").size().min() > 1)
