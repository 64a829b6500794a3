"""Before the first scan: what studies of several sizes are to be expected to show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from accstudy.dictionary import read_results
from accstudy.errors import InputError, nearest
from accstudy.plan.power import Comparison, ComparisonSpread, power_table
from accstudy.plan.protocol import Protocol, load_protocol
from accstudy.plan.size import Cost, Spread, from_pilot, scans_for_bound, size_table
from accstudy.study.record import write_files
from accstudy.study.settings import Settings
from accstudy.tables import csv_bytes

__all__ = [
    "FOLDER",
    "Sizes",
    "expected_power",
    "expected_sizes",
    "pilot_comparison",
    "pilot_spread",
    "protocol_of",
    "write_table",
]

FOLDER = "plan"
"""Where sizes, seed and bench sheet are kept, in the study folder."""

_OF_KIND = {
    "validation": "full_arch_validation",
    "comparison": "technique_comparison",
    "drift": "monthly_drift",
}


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


def pilot_spread(pilot: Path, *, condition: str = "", measurand: str = "distance_um") -> Spread:
    """Assumptions from the results of a pilot study.

    Parameters
    ----------
    pilot : Path
        A study folder with results.
    condition : str, optional
        Condition to take; may be left out where there is one only.
    measurand : str, optional
        Column of the deviation tables.

    Returns
    -------
    Spread

    Raises
    ------
    InputError
        If there are no results, or several conditions and none is named.
    """
    accuracy = _pilot_table(pilot, "accuracy")
    conditions = list(dict.fromkeys(accuracy["condition"]))
    if not condition and len(conditions) == 1:
        condition = conditions[0]
    if condition not in conditions:
        raise InputError(
            f'the pilot has no condition "{condition}"'
            if condition
            else f"the pilot has {len(conditions)} conditions",
            hint=nearest(condition, conditions),
        )
    return from_pilot(accuracy, condition=condition, measurand=measurand)


def pilot_comparison(pilot: Path, *, response: str = "pair.distance_um") -> ComparisonSpread:
    """Assumptions for power from the mixed model of a pilot study.

    Parameters
    ----------
    pilot : Path
        A study folder with results and a model of `response`.
    response : str, optional
        Modelled column.

    Returns
    -------
    ComparisonSpread
        Variances between models and pairs are left out: every technique meets the
        same ones, so they cancel in the difference.

    Raises
    ------
    InputError
        If the pilot has no such model.
    """
    table = _pilot_table(pilot, "model_variances")
    own = table[table["response"] == response].drop_duplicates("component")
    if own.empty:
        raise InputError(
            f"the pilot has no model of {response}", hint="add one as [[model]] and run it again"
        )
    sd = dict(zip(own["component"], own["sd"], strict=True))
    return ComparisonSpread(
        scan=float(sd.get("scan", 0.0)),
        residual=float(sd.get("residual", 0.0)),
        session=float(sd.get("operator:session", 0.0)),
        operator=float(sd.get("operator", 0.0)),
        operator_technique=float(sd.get("operator:technique", 0.0)),
        unit=response.rsplit("_", 1)[-1],
    )


def _pilot_table(pilot: Path, name: str) -> pd.DataFrame:
    try:
        tables = read_results(pilot)
    except FileNotFoundError as error:
        raise InputError(
            f'"{pilot}" holds no results', hint="call `accstudy run` on the pilot study first"
        ) from error
    if name not in tables:
        raise InputError(
            f'the results of "{pilot}" hold no table {name}', hint="call `accstudy run` on it"
        )
    return tables[name]


def expected_sizes(
    settings: Settings,
    spread: Spread,
    *,
    measurand: str = "distance_um",
    cells: Sequence[int] = (1, 2, 3, 4, 6),
    per_cell: Sequence[int] = (3, 5, 10),
    limit: float | None = None,
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
    simulations: int = 400,
) -> Sizes:
    """What studies of several sizes are to be expected to show.

    Parameters
    ----------
    settings : Settings
        Of the study: its limits, and its protocol's time at the bench.
    spread : Spread
        Assumptions.
    measurand : str, optional
        Whose limit counts.
    cells, per_cell : sequence of int, optional
        Sizes to try.
    limit : float, optional
        Limit; the study's by default.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.
    simulations : int, optional
        Simulated studies for the assurance.

    Returns
    -------
    Sizes
    """
    limits = settings.limits
    own = getattr(limits, measurand, None)
    limit = limit if limit is not None else (own.value if own else None)
    cost = _cost(settings, minutes_per_scan, minutes_per_session)
    table = size_table(
        spread,
        cells=cells,
        per_cell=per_cell,
        limit=limit,
        coverage=limits.coverage,
        confidence=limits.confidence,
        cost=cost,
        simulations=simulations,
    )
    u = spread.unit
    words = [
        f"{spread.source}: s_r {spread.s_r:.4g} {u}, s_cell {spread.s_cell:.4g} {u}, "
        f"bias {spread.bias:.4g} {u}"
    ]
    if limit is not None:
        each = max(per_cell)
        needed = scans_for_bound(
            spread,
            limit=limit,
            per_cell=each,
            coverage=limits.coverage,
            confidence=limits.confidence,
            simulations=simulations,
        )
        words.append(
            f"no study of up to 60 cells of {each} scans would prove {limit:g} {u} with 80 % "
            "assurance"
            if needed is None
            else f"{needed} cells of {each} scans prove {limit:g} {u} with 80 % assurance, if "
            "these figures are true"
        )
    return Sizes(table, tuple(words))


def _cost(settings: Settings, per_scan: float | None, per_session: float | None) -> Cost:
    design = protocol_of(settings).design
    return Cost(
        design.minutes_per_scan if per_scan is None else per_scan,
        design.minutes_per_session if per_session is None else per_session,
    )


def expected_power(
    settings: Settings,
    spread: ComparisonSpread,
    *,
    difference: float,
    margin: float | None = None,
    operators: Sequence[int] = (3, 6),
    sessions: int = 0,
    per_session: Sequence[int] = (3, 5),
    minutes_per_scan: float | None = None,
    minutes_per_session: float | None = None,
    simulations: int = 200,
) -> pd.DataFrame:
    """Power of comparisons of two techniques, both in every session.

    Parameters
    ----------
    settings : Settings
        Of the study: its protocol's sessions and time at the bench.
    spread : ComparisonSpread
        Assumptions.
    difference, margin : float
        To be found; to be kept when there is none.
    operators, per_session : sequence of int, optional
        Sizes to try, all combinations.
    sessions : int, optional
        Sessions of each operator; 0: the protocol's.
    minutes_per_scan, minutes_per_session : float, optional
        Time at the bench; the protocol's by default.
    simulations : int, optional
        Simulated studies a size.

    Returns
    -------
    DataFrame
        Table ``plan_power``.
    """
    each = sessions or len(protocol_of(settings).design.sessions)
    return power_table(
        [Comparison(o, each, k) for o in operators for k in per_session],
        spread,
        difference=difference,
        margin=margin,
        simulations=simulations,
        cost=_cost(settings, minutes_per_scan, minutes_per_session),
    )


def write_table(path: Path, name: str, table: pd.DataFrame) -> Path:
    """Write a table into the study's folder ``plan``."""
    return write_files(path / FOLDER, {f"{name}.csv": csv_bytes(name, table)})[0]
