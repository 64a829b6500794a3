"""Sample sizes: beside every verdict that is not reached, and before the first scan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.accuracy.conformity import Case, cases
from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR, NOT_VERIFIED, Rule
from accstudy.dictionary import read_results
from accstudy.errors import InputError, nearest
from accstudy.plan.components import (
    Components,
    Design,
    assumed_components,
    components_of,
    spread_words,
)
from accstudy.plan.protocol import Protocol, load_protocol
from accstudy.plan.size import ASSURANCE, Asked, Cost, size_table, size_words, wanted
from accstudy.stages.references import shared_u_of
from accstudy.study.files import resolve, write_files
from accstudy.study.load import load_study
from accstudy.study.settings import Settings
from accstudy.tables import UNREFERENCED, csv_bytes
from accstudy.words.numbers import stated

FOLDER = "plan"
"""Where sizes, seed and bench sheet are kept, in the study folder."""

_OF_KIND = {
    "validation": "full_arch_validation",
    "comparison": "technique_comparison",
    "drift": "monthly_drift",
}
_LEVEL = 0.05


@dataclass(frozen=True)
class Pilot:
    """What sizes are worked out from: components, the limit and rule asked (None without), their
    source.

    ``holds_for`` says for whom the verdict holds, as in table ``conformity``.
    """

    found: Components
    asked: Asked | None
    unit: str
    source: str
    holds_for: str = "new cells"


@dataclass(frozen=True)
class Sizes:
    """What studies of several sizes would show.

    Parameters
    ----------
    table : DataFrame
        Table ``plan_sizes``.
    words : tuple of str
        Assumptions, and the size that a limit needs.
    """

    table: pd.DataFrame
    words: tuple[str, ...]


def protocol_of(settings: Settings) -> Protocol:
    """The protocol that a study names, or else the usual one of its kind."""
    return load_protocol(settings.study.protocol or _OF_KIND[settings.study.kind])


def with_sizes(
    conformity: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    reference_u: pd.DataFrame,
    cell_columns: Sequence[str],
) -> pd.DataFrame:
    """Name beside every verdict of table ``conformity`` that is not reached the size that would
    reach it.

    ``n_needed``, ``needed_operators``, ``needed_cells``, ``needed_per_cell`` and
    ``needed_assurance``; every row, limit and condition by itself. Empty where conformity is
    verified or refuted, where the scans contradict the assumptions (more of such scans are no way
    out), and where no size would do. The other arguments are what the table was made with.
    """
    table = conformity.copy()
    columns = ["n_needed", "needed_operators", "needed_cells", "needed_per_cell",
               "needed_assurance"]  # fmt: skip
    for column in columns:
        table[column] = pd.Series(np.nan, table.index)
    open_rows = table[
        (table["verdict"] == NOT_VERIFIED)
        & ~(table["p_left_out"] < _LEVEL)
        & ~((table["p_normal"] < _LEVEL) & (table["assumption"] != "none"))
    ]
    keys = ["measurand", "condition", "holds_for", "limit"]
    made: dict[str, list[Case]] = {}
    for key, rows in open_rows.groupby(keys, sort=False):
        measurand, condition, holds_for = (str(part) for part in key[:3])
        limit = float(rows["limit"].iloc[0])
        rule = Rule(float(rows["coverage"].iloc[0]), float(rows["confidence"].iloc[0]))
        if measurand not in made:
            made[measurand] = cases(pairs, measurand, reference_u, rule, cell_columns)
        case = _case(made[measurand], condition, holds_for)
        asked = Asked(limit, np.concatenate(case.u), case.rule)
        try:
            found = components_of(case.samples)
        except InputError:
            continue
        sizes = wanted(found, asked, list(rows["scope"]))
        for index, scope in zip(rows.index, rows["scope"], strict=True):
            design, expected = sizes[scope]
            table.loc[index, "needed_assurance"] = expected
            if design is not None:
                table.loc[index, columns[:4]] = [
                    design.scans * len(found.scans), design.operators if found.operators else 1,
                    design.cells, design.per_cell,
                ]  # fmt: skip
    return table


def _case(found: Sequence[Case], condition: str, holds_for: str) -> Case:
    for case in found:
        if case.samples[0].condition == condition and holds_for in ("", case.holds_for):
            return case
    raise InputError(f'there is no "{holds_for}" under "{condition}"')


def pilot_of(
    folder: Path,
    settings: Settings,
    *,
    condition: str = "",
    measurand: str = "distance_um",
    limit: float | None = None,
    new_operators: bool = False,
) -> Pilot:
    """Estimates on a device from the results of its study.

    Parameters
    ----------
    folder : Path
        A study folder with results.
    settings : Settings
        Of the study that is planned: its limit, coverage and confidence.
    condition : str, optional
        Condition to take; may be left out where there is one only.
    measurand : str, optional
        Column of the deviation tables.
    limit : float, optional
        Limit; that of `settings` by default.
    new_operators : bool, optional
        Where the pilot's operators returned: plan for a verdict on other operators.

    Raises
    ------
    InputError
        If there are no results, or several conditions and none is named.
    """
    pairs = pilot_pairs(folder)
    study = load_study(folder)
    conditions = list(dict.fromkeys(pairs["condition"]))
    if not condition and len(conditions) == 1:
        condition = str(conditions[0])
    if condition not in conditions:
        raise InputError(
            f'the pilot study has no condition "{condition}"'
            if condition
            else f"the pilot study has {len(conditions)} conditions",
            hint=nearest(condition, conditions),
        )
    if not study.referenced:
        raise InputError(
            "a pilot study without a reference gives no bias",
            hint="give --s-r and --s-cell, taken from its precision.csv",
        )
    rule = Rule(settings.limits.coverage, settings.limits.confidence)
    shared = shared_u_of(study, pairs)
    every = cases(pairs, measurand, shared, rule, study.settings.analysis.cell or ())
    mine = [c for c in every if c.samples[0].condition == condition]
    if not mine:
        raise InputError(f'the pilot study has no data on {measurand} under "{condition}"')
    case = mine[-1] if new_operators else mine[0]
    found = components_of(case.samples)
    value = _limit(settings, measurand, limit)
    asked = None if value is None else Asked(value, np.concatenate(case.u), case.rule)
    return Pilot(
        found=found,
        asked=asked,
        unit=measurand.rsplit("_", 1)[1],
        source=f"pilot study, {found.n_scans} scans in {found.design.cells} cells",
        holds_for=case.holds_for,
    )


def assumed_pilot(
    settings: Settings,
    s_r: float,
    s_cell: float = 0.0,
    bias: float = 0.0,
    *,
    pairs: int = 1,
    measurand: str = "distance_um",
    limit: float | None = None,
) -> Pilot:
    """Sizes from assumed standard deviations, of `pairs` pairs that are independent."""
    value = _limit(settings, measurand, limit)
    if settings.reference.kind == "none":
        if limit is not None or bias:
            raise InputError(
                "without a reference, neither a bias nor a limit can be used in planning",
                hint="omit --bias and --limit: the table shows how precisely s_I will be estimated",
            )
        value = None
    rule = Rule(settings.limits.coverage, settings.limits.confidence)
    return Pilot(
        found=assumed_components(s_r, s_cell, bias, pairs=pairs),
        asked=None if value is None else Asked(value, np.zeros(pairs), rule),
        unit=measurand.rsplit("_", 1)[1],
        source="assumed",
    )


def _limit(settings: Settings, measurand: str, limit: float | None) -> float | None:
    own = getattr(settings.limits, measurand, None)
    return limit if limit is not None else (own.value if own else None)


def pilot_pairs(folder: Path) -> pd.DataFrame:
    """Table ``pair_deviations``, or its replacement, from the results of a pilot."""
    try:
        tables = read_results(folder)
    except FileNotFoundError as error:
        raise InputError(
            f'"{folder}" contains no results', hint="run `accstudy run` on the pilot study first"
        ) from error
    name = "pair_deviations"
    pairs = tables.get(name, tables.get(UNREFERENCED[name], pd.DataFrame()))
    if pairs.empty:
        raise InputError(
            f'the results of "{folder}" contain no pairs', hint="run `accstudy run` on it"
        )
    return pairs


def expected_sizes(
    settings: Settings,
    pilot: Pilot,
    *,
    cells: Sequence[int] = (2, 3, 4, 6, 9, 12),
    per_cell: Sequence[int] = (3, 5),
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
    simulations: int = 100,
    step: Callable[[int], None] | None = None,
) -> Sizes:
    """What studies of several sizes are to be expected to show.

    Parameters
    ----------
    settings : Settings
        Of the study: its protocol's time at the bench.
    pilot : Pilot
        What sizes are worked out from.
    cells, per_cell : sequence of int, optional
        Sizes to try.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.
    simulations : int, optional
        As for `accstudy.plan.size.assurance`.
    step : callable, optional
        Called with 1 after each size.
    """
    found = pilot.found
    table = size_table(
        found,
        designs(found, cells, per_cell),
        asked=pilot.asked,
        unit=pilot.unit,
        confidence=settings.limits.confidence,
        cost=cost_of(settings, minutes_per_scan, minutes_per_session),
        studies=simulations,
        step=step,
    )
    words = [f"{pilot.source}: {spread_words(found, pilot.unit)}"]
    if pilot.asked is not None:
        words += _next_words(pilot)
    return Sizes(table, tuple(words))


def designs(found: Components, cells: Sequence[int], per_cell: Sequence[int]) -> list[Design]:
    """Sizes of these numbers of cells; where operators return, with their sessions each."""
    sessions = found.design.sessions if found.operators else 0
    out = [
        Design(p // sessions, sessions, m) if sessions and p % sessions == 0 else Design(1, p, m)
        for p in cells
        for m in per_cell
        if p * m >= 2 and (not sessions or (p % sessions == 0 and p // sessions > 1))
    ]
    if not out:
        raise InputError(
            "none of these numbers of cells gives a possible study"
            + (f": the pilot's operators scanned in {sessions} sessions each" if sessions else "")
        )
    return out


def _next_words(pilot: Pilot) -> list[str]:
    """The size that a limit needs, for all pairs together and for each."""
    assert pilot.asked is not None
    found, limit = pilot.found, stated(pilot.asked.limit, pilot.unit)
    scopes = [ALL_PAIRS, EACH_PAIR] if len(found.mean) > 1 else [EACH_PAIR]
    sizes = wanted(found, pilot.asked, scopes)
    out = []
    for scope, (design, expected) in sizes.items():
        share = f"{100 * expected:.0f} %"
        if design is None:
            out.append(
                f"{scope}, {limit}: no study of up to 60 cells verifies it with "
                f"a probability of {100 * ASSURANCE:.0f} % (at most {share})"
            )
            continue
        size = size_words(
            design.scans * len(found.scans),
            operators=design.operators if found.operators else 1,
            cells=design.cells,
            per_cell=design.per_cell,
            n_now=found.n_scans,
        )
        chance = f"a study of that size verifies it with a probability of {share}"
        out.append(f"{scope}, {limit}: {size}; {chance}")
    return out


def cost_of(settings: Settings, per_scan: float | None, per_session: float | None) -> Cost:
    """Time at the bench; that of the protocol by default."""
    design = protocol_of(settings).design
    return Cost(
        design.minutes_per_scan if per_scan is None else per_scan,
        design.minutes_per_session if per_session is None else per_session,
    )


def write_table(path: Path, name: str, table: pd.DataFrame) -> Path:
    """Write a table into the study's folder ``plan``."""
    return write_files(resolve(path, FOLDER), {f"{name}.csv": csv_bytes(name, table)})[0]
