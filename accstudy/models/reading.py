"""Check a model before there are any deviations: its columns, and whether it can be fitted."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError, Finding, InputError, Severity, StudyError, nearest
from accstudy.models.decisions import margin_bound
from accstudy.models.design import build_design
from accstudy.models.expression import columns_of, evaluate
from accstudy.models.formula import expand
from accstudy.models.grouping import expand_random, groupings, random_columns
from accstudy.models.responses import model_frame, plain_response
from accstudy.models.specs import ModelSpec
from accstudy.words.catalogue import say

__all__ = ["spec_faults"]


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
            found.append(("at", Finding(Severity.ERROR, "unknown-column", what, mend=mend)))
    if found:
        return found
    found += [("fixed", f) for f in design.findings if f.code in _OF_THE_DESIGN]
    n, p = design.x.shape
    if n <= p:
        what = say("findings.rows_cannot_determine_coefficients", n=n, p=p)
        mend = say("findings.simplify_the_model_or")
        found.append(("fixed", Finding(Severity.WARNING, "too-few-rows", what, mend=mend)))
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
        Finding(
            Severity.ERROR,
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
