"""Which models are fitted, by the study or by default, and whether they can be."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from accstudy.errors import (
    AccstudyError,
    Finding,
    InputError,
    Severity,
    StudyError,
    fault,
    nearest,
    warning,
)
from accstudy.models.decisions import Adjust, margin_bound
from accstudy.models.design import build_design
from accstudy.models.formula import columns_of, evaluate, expand
from accstudy.models.grouping import DIRECTION, expand_random, groupings, model_df, random_columns
from accstudy.models.inference import Method
from accstudy.models.responses import kind_of, model_frame, plain_response
from accstudy.words.catalogue import say

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
        ``pair.``, ``implant.`` or ``scan.`` column, or an expression such as
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
    adjust : {"holm", "none"}
        How the p values that decide about contrasts allow for their number.
    simultaneous : bool
        Reports print the limits that hold for all contrasts of a family at once.
    bootstrap : int
        Data sets drawn for a parametric bootstrap of every term; 0 for none.
    of_these_models : bool
        ``model`` is in the fixed part because too few models were scanned for anything
        else: its differences hold for these models only.
    absorbed : str
        ``pair`` or ``implant``: the level of each is a fixed effect that is unknown and not
        stated, as where there is no reference; see `accstudy.models.responses`.
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
    adjust: Adjust = "holm"
    simultaneous: bool = False
    bootstrap: int = 0
    of_these_models: bool = False
    absorbed: str = ""


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
    at its ends, and a condition may distort a pair or a model or displace an implant in a way
    of its own: all are random, as are the model, the cell and the operator. Operators handle a
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
    slopes = _slopes(pairs)
    operators = tuple(c for c in ("operator",) if c in columns and c not in compared)
    pair_fixed = _fixed(compared, slopes)
    pair_random = _random("pair", compared, operators, slopes, pairs)
    within = [c for c in slopes if c != "path_mm"]
    implant_fixed = _fixed(compared, within)
    implant_random = _random("implant", compared, operators, within, pairs)
    scatter_random = (*pair_random, "condition:cell:pair")
    specs = [
        ModelSpec("distance", "pair.distance_um", pair_fixed, pair_random),
        ModelSpec("angle", "pair.angle_deg", pair_fixed, pair_random),
        ModelSpec("distance size", "log(abs(pair.distance_um))", pair_fixed, pair_random),
        ModelSpec("distance scatter", "spread(pair.distance_um)", pair_fixed, scatter_random),
        ModelSpec("implant 3D", "log(implant.distance_um)", implant_fixed, implant_random),
        ModelSpec("implant vertical", "implant.vertical_um", implant_fixed, implant_random),
    ]
    if kind == "comparison":
        specs += effect_specs(specs, columns, condition=condition, pairs=pairs)
    return specs


_AT_EQUAL_PATH = (
    ("distance at equal path", "pair.distance_um"),
    ("distance size at equal path", "log(abs(pair.distance_um))"),
)
_AS_IT_COMES = (
    ("worst distance of a scan", "scan.worst_distance_um"),
    ("r.m.s. distance of a scan", "scan.rms_distance_um"),
    ("worst angle of a scan", "scan.worst_angle_deg"),
)


def effect_specs(
    specs: Sequence[ModelSpec],
    columns: Sequence[str],
    *,
    condition: Sequence[str] = (),
    pairs: pd.DataFrame | None = None,
) -> list[ModelSpec]:
    """Models that the effect of angulation and implant count needs beside those of a study.

    Parameters
    ----------
    specs : sequence of ModelSpec
        Models that are asked for; an effect that one of them states needs no other.
    columns : sequence of str
        Factor columns of the scan list.
    condition : sequence of str
        Factors that are compared.
    pairs : DataFrame, optional
        Table ``pair_deviations``.

    Returns
    -------
    list of ModelSpec
        At equal path: the distance of a pair, signed and by size. As it comes: worst and
        r.m.s. distance and worst angle of a scan. A covariate that varies only between
        models is among the fixed terms where the models leave degrees of freedom for
        it; where they leave none, the models themselves are fixed, and what is found holds
        for these models only.
    """
    if pairs is None or not len(pairs):
        return []
    compared = [c for c in (condition or COMPARED) if c in columns and _varies(pairs, c)]
    operators = tuple(c for c in ("operator",) if c in columns and c not in compared)
    asked = [c for c in ("angulation_deg", "n_implants") if _varies(pairs, c)]
    if not asked:
        return []
    out: list[ModelSpec] = []
    slopes = _slopes(pairs)
    for name, response in _AT_EQUAL_PATH:
        if not _states(specs, response, [c for c in slopes if c != "path_mm"]):
            random = _random("pair", compared, operators, slopes, pairs)
            out.append(ModelSpec(name, response, _fixed(compared, slopes), random))
        if "n_implants" in asked and "n_implants" not in slopes:
            out.append(_of_models(name, response, compared, operators, slopes, pairs))
    whole = _largest(pairs)
    asked = [c for c in asked if len(whole[c].unique()) > 1]
    free = asked if asked and model_df(whole, asked) > 0 else []
    for name, response in _AS_IT_COMES:
        if asked and not free:
            out.append(_of_models(name, response, compared, operators, (), pairs))
        elif asked and not _states(specs, response, free):
            random = _random("scan", compared, operators, (), pairs)
            out.append(ModelSpec(name, response, _fixed(compared, free), random))
    taken = {s.name for s in specs}
    return [replace(s, name=f"{s.name}, usual") if s.name in taken else s for s in out]


def effect_spec(
    name: str,
    response: str,
    *,
    compared: Sequence[str],
    by: Sequence[str],
    own: Sequence[str],
    operators: Sequence[str] = (),
) -> ModelSpec:
    """A model of chosen effects, with the random terms that they need.

    Parameters
    ----------
    name, response : str
        As for `ModelSpec`.
    compared : sequence of str
        Condition factors.
    by : sequence of str
        Effects that may differ between the levels of the first condition factor.
    own : sequence of str
        Further effects.
    operators : sequence of str, optional
        Columns of operators.

    Returns
    -------
    ModelSpec

    Raises
    ------
    InputError
        If the response is not one of pairs and the arch length is asked for.

    Examples
    --------
    >>> spec = effect_spec("wear", "pair.distance_um", compared=["technique"], by=["path_mm"],
    ...                    own=["body_uses"])
    >>> spec.fixed
    'technique * path_mm + body_uses'
    """
    kind = kind_of(response)
    if kind != "pair" and "path_mm" in (*by, *own):
        raise InputError("arch length is an effect on pairs of implants, not on single implants")
    within = [c for c in ("angulation_deg", "path_mm") if c in (*by, *own)]
    random = _random(kind, compared, operators, within, None)
    if response.startswith("spread("):
        random = (*random, f"condition:cell:{kind}")
    return ModelSpec(name, response, " + ".join([_fixed(compared, by), *own]), random)


def _of_models(
    name: str,
    response: str,
    compared: Sequence[str],
    operators: Sequence[str],
    slopes: Sequence[str],
    pairs: pd.DataFrame,
) -> ModelSpec:
    """The same question with the models themselves as fixed."""
    covariates = [c for c in slopes if c != "n_implants"]
    fixed = f"{_fixed(compared, covariates)} + model"
    terms = _random(kind_of(response), compared, operators, slopes, pairs)
    random = tuple(r for r in terms if r != "model")
    return ModelSpec(
        f"{name}, these models", response, fixed.removeprefix("1 + "), random, of_these_models=True
    )


def _states(specs: Sequence[ModelSpec], response: str, covariates: Sequence[str]) -> bool:
    """Whether a model of this response has all these covariates and, of pairs, the path."""
    path = ["path_mm"] if kind_of(response) == "pair" else []
    return any(
        plain_response(s.response) == plain_response(response)
        and kind_of(s.response) == kind_of(response)
        and all(re.search(rf"\b{c}\b", s.fixed) for c in (*covariates, *path))
        for s in specs
    )


def _slopes(pairs: pd.DataFrame | None) -> list[str]:
    """Covariates of pairs; the count of implants where the models leave df for it."""
    slopes = [c for c in ("angulation_deg", "path_mm") if _varies(pairs, c)]
    counts = pairs is not None and _varies(pairs, "n_implants")
    if pairs is not None and counts and model_df(pairs, [*slopes, "n_implants"]) > 0:
        slopes.append("n_implants")
    return slopes


def _largest(pairs: pd.DataFrame) -> pd.DataFrame:
    """Implant count and largest angulation of every model."""
    return pairs.groupby("model", sort=True)[["n_implants", "angulation_deg"]].max().reset_index()


def _random(
    site: str,
    compared: Sequence[str],
    operators: Sequence[str],
    slopes: Sequence[str],
    pairs: pd.DataFrame | None,
) -> tuple[str, ...]:
    """Random terms of a model whose rows are pairs, implants or scans."""
    handling = tuple(f"{c}:condition" for c in operators) if compared else ()
    groups = ("model", "condition:model", *operators, *handling, "condition:cell")
    if site == "scan":
        return groups
    own = f" by {compared[0]}" if compared else ""
    groups += (site, f"condition:{site}", f"scan{own}")
    if site != "pair":
        return groups + _own_slopes(slopes, (), own)
    shared = ("implants", "implants:condition") if _directed(pairs) else ()
    return groups + shared + _own_slopes(slopes, (*operators, *handling), own)


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
    if not compared or not slopes:
        return " + ".join([*compared[:1], *slopes, *compared[1:]]) or "1"
    inner = slopes[0] if len(slopes) == 1 else f"({' + '.join(slopes)})"
    return " + ".join([f"{compared[0]} * {inner}", *compared[1:]])


def _varies(pairs: pd.DataFrame | None, column: str) -> bool:
    if pairs is None:
        return column != "n_implants"
    if column not in pairs or bool(pairs[column].isna().any()):
        return False  # an angulation that is unknown for one model would leave that model out
    return len(pairs[column].unique()) > 1


def spec_faults(
    spec: ModelSpec, pairs: pd.DataFrame, implants: pd.DataFrame, *, alignment: str
) -> list[tuple[str, Finding]]:
    """Every fault of a model that shows without its response.

    Parameters
    ----------
    spec : ModelSpec
        The model.
    pairs, implants : DataFrame
        Deviation tables of the scans that are listed; their deviations may be any numbers.
    alignment : str
        Rows of `implants` that are modelled.

    Returns
    -------
    list of (str, Finding)
        Key of the ``[[model]]`` and what is wrong with it. What can never be fitted is an
        error; what the scans that are listed do not determine, a warning.
    """
    found: list[tuple[str, Finding]] = []

    def read(key: str, part: Callable[[], object]) -> None:
        try:
            part()
        except AccstudyError as error:
            found.extend((key, f) for f in error.findings)

    try:
        response, frame, _ = model_frame(spec.response, pairs, implants, alignment=alignment)
        own = _columns(response, frame)
        _all_known(own, frame)
        if not own:
            raise InputError(f'the response "{spec.response}" names no column')
        evaluate(f"`{response}`" if response in frame else response, frame)
    except AccstudyError as error:
        return [("response", f) for f in error.findings]
    fixed = plain_response(spec.fixed)
    random = tuple(plain_response(r) for r in spec.random)
    read("fixed", partial(_known_parts, fixed, own, frame))
    for term in random:
        read("random", partial(_known_term, term, own, frame))
    if spec.residual_sd_by:
        read("residual_sd_by", partial(_all_known, [spec.residual_sd_by], frame))
    if spec.equivalence_margin is not None:
        read("equivalence_margin", partial(margin_bound, response, spec.equivalence_margin))
    if found:
        return found
    try:
        extra, numbers = random_columns(random, frame)
        design = build_design(f"{response} ~ {fixed}", frame, extra=extra, numbers=numbers)
    except AccstudyError as error:
        return [("fixed", f) for f in error.findings]
    for name, _ in spec.at:
        if name not in design.centres:
            what = say("findings.at_names_which_is", name=name)
            known = list(design.centres)
            mend = nearest(name, known) if known else say("findings.the_model_has_no")
            found.append(("at", fault("unknown-column", what, mend=mend)))
    if found:
        return found
    found += [("fixed", f) for f in design.findings if f.code in _OF_THE_DESIGN]
    n, p = design.x.shape
    if n <= p:
        what = say("findings.rows_cannot_determine_coefficients", n=n, p=p)
        mend = say("findings.simplify_the_model_or")
        found.append(("fixed", warning("too-few-rows", what, mend=mend)))
        return found
    _, early = groupings(random, design.data, np.linalg.qr(design.x)[0])
    found += [("random", f) for f in early if f.severity is Severity.WARNING]
    return found


_OF_THE_DESIGN = ("aliased", "one-level")


def _columns(part: str, frame: pd.DataFrame) -> list[str]:
    """Columns that a part of a formula stands for."""
    category = re.fullmatch(r"C\((.*)\)", part)
    if part in frame.columns:
        return [part]
    return [category.group(1).strip("`")] if category else columns_of(part)


def _all_known(columns: Sequence[str], frame: pd.DataFrame) -> None:
    faults = [
        fault(
            "unknown-column",
            say("findings.the_model_names_the", column=column),
            mend=nearest(column, [str(c) for c in frame.columns]),
        )
        for column in columns
        if column not in frame.columns
    ]
    if faults:
        raise StudyError(faults)


def _known_parts(fixed: str, response: Sequence[str], frame: pd.DataFrame) -> None:
    """Every part of the fixed part is a column, a category or an expression of numbers."""
    if "|" in fixed:
        raise InputError(
            f'the fixed part "{fixed}" contains a random term', hint="move it to random"
        )
    parts = list(dict.fromkeys(p for term in expand(fixed) for p in term))
    columns = {part: _columns(part, frame) for part in parts}
    _all_known(list(dict.fromkeys(c for named in columns.values() for c in named)), frame)
    for part, named in columns.items():
        if not named:
            raise InputError(f'"{part}" in the fixed part names no column')
        if set(named) & set(response):
            raise InputError(
                f'the fixed part names "{part}", which is the response', hint="leave it out"
            )
        if part not in frame.columns and not part.startswith("C("):
            evaluate(part, frame)


def _known_term(term: str, response: Sequence[str], frame: pd.DataFrame) -> None:
    """Every column of a random term is there and not modelled, and slopes are of numbers."""
    columns, numbers = random_columns(expand_random([term]), frame)
    _all_known([*columns, *numbers], frame)
    if set(response) & {*columns, *numbers}:
        raise InputError(
            f'the random term "{term}" contains the response itself', hint="leave it out"
        )
    for column in numbers:
        evaluate(f"`{column}`", frame)
