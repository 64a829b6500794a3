"""Models for studies without a reference.

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

from accstudy.errors import Finding, InputError, warning
from accstudy.models.confounding import blocks
from accstudy.models.grouping import expand_random
from accstudy.models.responses import SPREAD, kind_of, plain_response
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.models.design import Design
    from accstudy.models.mixed import MixedFit
    from accstudy.models.specs import ModelSpec

__all__ = ["SIGNED", "needs_no_reference", "not_of_the_unknown", "stated_rows", "unreferenced"]

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
