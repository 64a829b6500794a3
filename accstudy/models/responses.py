"""What is modelled: columns of the deviation tables, precision itself; and without a reference.

Without a reference the true distance of a pair is an unknown number of its own. It becomes a
fixed effect a pair, so whatever is the same in all scans of a pair (its path, its angulation,
the general mean) is part of that unknown, and what differs between scans of the same pair
(technique, device, and how their difference grows with the path) is told as with a reference:
it never needed one. A random effect a pair would not do: the arrangement learned from the scans
has taken the mean of every pair away, and where conditions are not scanned equally often the
differences between them would shrink.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from accstudy.compare.deviations import scan_deviations
from accstudy.errors import Finding, InputError, remark, warning
from accstudy.models.formula import columns_of
from accstudy.models.grouping import DIRECTION, blocks, expand_random, joined
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.design import Design
    from accstudy.models.mixed import MixedFit
    from accstudy.models.specs import ModelSpec

SPREAD = "spread"
"""``spread(pair.distance_um)``: log of the absolute deviation from the cell's mean."""

_PREFIX = re.compile(r"\b(pair|implant|scan)\.")


def plain_response(text: str) -> str:
    """A response or a term without the names of the tables.

    Examples
    --------
    >>> plain_response("log(abs(pair.distance_um))")
    'log(abs(distance_um))'
    """
    return _PREFIX.sub("", text).strip()


def unit_of_response(response: str) -> str:
    """Unit of what a response is about, back from its logarithm.

    Examples
    --------
    >>> unit_of_response("log(abs(pair.distance_um))"), unit_of_response("pair.angle_deg")
    ('um', 'deg')
    """
    found = re.search(r"_(um|deg|mm|ppm)\b", response)
    return found.group(1) if found else ""


def kind_of(response: str) -> str:
    """What a row of a response is: a pair, an implant or a scan; InputError if it names several.

    Examples
    --------
    >>> kind_of("scan.worst_distance_um"), kind_of("log(abs(distance_um))")
    ('scan', 'pair')
    """
    kinds = sorted(set(_PREFIX.findall(response)))
    if len(kinds) > 1:
        raise InputError(
            f'the response "{response}" mixes {"s and ".join(kinds)}s', hint="use one of them"
        )
    return kinds[0] if kinds else "pair"


def spread_column(frame: pd.DataFrame, column: str) -> tuple[pd.Series, int]:
    """Log of the absolute deviation of each scan from the mean of its cell; rows of single scans.

    Missing in cells with a single scan and where the deviation is zero; of two scans the second is
    missing, because their deviations are one number twice. A comparison of two conditions in this
    response says which of them scatters more; ``exp`` of a difference is the ratio of standard
    deviations. The deviation is divided by ``sqrt(1 - 1/n)``, so that cells of different size
    compare, and shifted by ``(log 2 + psi(1/2)) / 2``, the mean of ``log |z|`` of a standard normal
    z, so that for normal scatter the mean is the log of the standard deviation. Deviations of one
    cell sum to zero, so three scans are not three independent numbers: the combination of cell and
    pair belongs among the random terms. For deviations from group means as data see Levene, Robust
    tests for equality of variances (1960).
    """
    keys = [k for k in ("condition", "model", "cell", "site") if k in frame]
    grouped = frame.groupby(keys, sort=False, dropna=False)[column]
    n = grouped.transform("count").to_numpy(float)
    deviation = np.abs(frame[column].to_numpy(float) - grouped.transform("mean").to_numpy(float))
    second = (n == 2) & (frame.groupby(keys, sort=False, dropna=False).cumcount() > 0).to_numpy()
    usable = (n >= 2) & ~second & (deviation > 0)
    mean_log_normal = 0.5 * (np.log(2.0) + float(special.digamma(0.5)))
    values = np.full(len(frame), np.nan)
    values[usable] = np.log(deviation[usable] / np.sqrt(1 - 1 / n[usable])) - mean_log_normal
    return pd.Series(values, index=frame.index), int(np.sum(n < 2))


def model_frame(
    response: str, pairs: pd.DataFrame, implants: pd.DataFrame, *, alignment: str
) -> tuple[str, pd.DataFrame, list[Finding]]:
    """Choose the table that a response is about and make its derived columns.

    The expression without prefix; the rows, with ``site`` (an implant or pair of one model; the
    model itself where a row is a scan), and ``pair`` or ``implant`` unique over models; findings on
    what was left out. InputError if the response names several tables or none of their rows is
    left.
    """
    kind, plain = kind_of(response), plain_response(response)
    findings: list[Finding] = []
    if kind == "implant":
        frame = implants[implants["alignment"] == alignment].copy()
        frame["site"] = joined([frame["model"], frame["implant"]])
        frame["implant"] = frame["site"]
    elif kind == "scan":
        frame, findings = _whole_scans(pairs)
    else:
        frame = pairs.copy()
        names = joined([frame["implant_a"], frame["implant_b"]], "-")
        frame["site"] = joined([frame["model"], names])
        frame["pair"] = frame["site"]
        frame = _directed(frame, plain)
    if frame.empty:
        raise InputError(f'there are no rows for the response "{response}"')
    for column in frame.columns:
        if str(frame[column].dtype) == "Int64":
            frame[column] = frame[column].astype(float)
    match = re.fullmatch(rf"{SPREAD}\((\w+)\)", plain)
    if not match:
        return plain, frame, findings
    column = match.group(1)
    if column not in frame:
        raise InputError(f'the response "{response}" names an unknown column "{column}"')
    frame["log_spread"], lost = spread_column(frame, column)
    if lost:
        findings.append(
            remark(
                "cells-too-small",
                say("findings.of_rows_are_in", lost=lost, frame=len(frame), column=column),
                mend=say("findings.repeat_scans_under_the"),
            )
        )
    return "log_spread", frame, findings


def _directed(frame: pd.DataFrame, response: str) -> pd.DataFrame:
    """Directions along which the response sees the errors of the two implants of a pair.

    A signed distance sees errors of position along the pair, a signed angle turns of the
    axes about their common normal; of the size of a deviation no direction is known.
    """
    signed = response.split("(")[0] == response and SPREAD not in response
    columns = columns_of(response) if signed else []
    if columns == ["angle_deg"]:
        normals = [name.replace("direction", "normal") for name in DIRECTION]
        if set(normals) <= set(frame.columns):
            return frame.assign(**{d: frame[n] for d, n in zip(DIRECTION, normals, strict=True)})
    if columns != ["distance_um"]:
        return frame.drop(columns=[c for c in DIRECTION if c in frame])
    return frame


def _whole_scans(pairs: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Scans that show every pair of their model: the worst of fewer pairs is no equal."""
    frame = scan_deviations(pairs)
    whole = frame["complete"].to_numpy(bool)
    findings = []
    if not whole.all():
        findings.append(
            remark(
                "scans-incomplete",
                say("findings.of_scans_lack_an", whole=int((~whole).sum()), frame=len(frame)),
                mend=say("findings.repeat_these_scans"),
            )
        )
    frame = frame[whole].reset_index(drop=True)
    frame["site"] = frame["model"].astype(str)
    return frame, findings


SIGNED: Mapping[str, tuple[str, ...]] = {
    "pair": ("distance_um", "angle_deg"),
    "implant": (
        "dx_um",
        "dy_um",
        "dz_um",
        "mesiodistal_um",
        "buccolingual_um",
        "vertical_um",
        "tilt_mesiodistal_deg",
        "tilt_buccolingual_deg",
        "rotation_deg",
    ),
}
"""Responses whose differences between scans are the same whatever they are measured from."""

_SAME_IN_ALL_SCANS = {"model", "pair", "implant", "site", "implants"}
_OF_THE_UNKNOWN = {"aliased", "confounded", "site-not-random", "count-stands-for-path",
                   "count-stands-for-model"}  # fmt: skip


def needs_no_reference(response: str) -> bool:
    """Whether a response means the same without a reference.

    Examples
    --------
    >>> needs_no_reference("pair.distance_um"), needs_no_reference("spread(pair.angle_deg)")
    (True, True)
    >>> needs_no_reference("log(abs(pair.distance_um))"), needs_no_reference("implant.distance_um")
    (False, False)
    """
    plain = plain_response(response)
    inside = re.fullmatch(rf"{SPREAD}\((\w+)\)", plain)
    return (inside[1] if inside else plain) in SIGNED.get(kind_of(response), ())


def unreferenced(spec: ModelSpec) -> ModelSpec:
    """The same model where there is no reference.

    Parameters
    ----------
    spec : ModelSpec
        As for a study with a reference.

    Returns
    -------
    ModelSpec
        Of a signed response with `absorbed`, and without random terms that are the same in all
        scans of a pair or implant. A model of scatter stays as it is.

    Raises
    ------
    InputError
        If the response is a distance from the truth, such as the size of a deviation.
    """
    if not needs_no_reference(spec.response):
        kind = kind_of(spec.response)
        known = [f"{kind}.{c}" for c in SIGNED.get(kind, SIGNED["pair"][:1])[:2]]
        raise InputError(
            f'the response "{spec.response}" is a deviation from the reference, but there is no '
            "reference",
            hint=f"model {' or '.join(known)}, or its scatter, spread({known[0]})",
        )
    if plain_response(spec.response).startswith(SPREAD):
        return spec
    random = tuple(t for t in expand_random(spec.random) if t not in _SAME_IN_ALL_SCANS)
    return replace(spec, random=random, absorbed=kind_of(spec.response))


def not_of_the_unknown(design: Design, findings: Sequence[Finding], absorbed: str) -> list[Finding]:
    """Drop findings on unknown levels; warn of factors whose levels share no pair or implant."""
    kept = [f for f in findings if f.code not in _OF_THE_UNKNOWN]
    sites = design.data[absorbed].astype(str)
    for factor, levels in design.levels.items():
        if factor == absorbed or factor not in design.data or len(levels) < 2:
            continue
        if blocks(design.data[factor].astype(str), sites).max() > 0:
            what = say("findings.not_all_levels_of", factor=factor)
            mend = say("findings.scan_the_same_model")
            kept.append(warning("nothing-in-common", what, mend=mend))
    return kept


def stated_rows(
    tables: Mapping[str, pd.DataFrame], fit: MixedFit, absorbed: str
) -> dict[str, pd.DataFrame]:
    """Of the tables of a model, by name with or without ``model_``, what does not rest on the
    unknown levels: coefficients, tests, slopes and effects that the scans determine; no means,
    fitted lines and classes, which are levels.
    """
    out = dict(tables)
    for name, table in tables.items():
        plain = name.removeprefix("model_")
        if plain in _LEVELS:
            out[name] = table.iloc[:0]
        elif plain == "terms" and len(table):
            out[name] = table[table["term"].isin(_determined_names(fit, absorbed))]
        elif plain in ("tests", "bootstrap") and len(table):
            out[name] = table[table["F"].notna() & (table["term"] != absorbed)]
        elif plain == "lack_of_fit" and len(table):
            out[name] = table[table["F"].notna() & (table["missing"] != "curvature")]
        elif "estimate" in table:
            out[name] = table[table["estimate"].notna()]
    return {name: table.reset_index(drop=True) for name, table in out.items()}


_LEVELS = ("means", "lines", "classes")


def _determined_names(fit: MixedFit, absorbed: str) -> Collection[str]:
    """Coefficients that do not stand for unknown levels."""
    design = fit.design
    rows = np.zeros((len(design.kept), len(design.lengths)))
    rows[np.arange(len(design.kept)), design.kept] = 1.0
    known = design.estimable(rows)
    own = {c for t in design.terms if absorbed in t.factors or t.name == "1" for c in t.columns}
    return {
        name
        for name, column, is_known in zip(design.names, design.kept, known, strict=True)
        if is_known and column not in own
    }
