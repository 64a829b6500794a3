"""The order of scanning: random within blocks, with the seed written down."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from accstudy.errors import InputError
from accstudy.tables import shape

__all__ = ["Schedule", "schedule"]

OWN = ("scan", "file", "model", "status", "reason")


@dataclass(frozen=True)
class Schedule:
    """A list of scans to be made.

    Parameters
    ----------
    scans : DataFrame
        Table ``scans`` with its factor columns, file names empty, in the order of
        scanning.
    bench_sheet : DataFrame
        Table ``bench_sheet``, one row a scan.
    seed : int
        Seed of the order; the same seed gives the same order.
    words : str
        How the order came about, for the report.
    """

    scans: pd.DataFrame
    bench_sheet: pd.DataFrame
    seed: int
    words: str


def schedule(
    *,
    models: Sequence[str],
    operators: Sequence[str],
    sessions: Sequence[str],
    conditions: Mapping[str, Sequence[str]],
    repeats: int,
    seed: int,
    reseat: bool = True,
    columns: Sequence[str] = (),
    turns: int = 1,
) -> Schedule:
    """Draw a random order of scans, blocked by session and operator.

    Parameters
    ----------
    models : sequence of str
        Physical reference models.
    operators, sessions : sequence of str
        Every operator works in every session.
    conditions : mapping of str to sequence of str
        Factor columns with their levels, such as device and technique; every
        combination is scanned.
    repeats : int
        Scans of each model and combination in a block.
    seed : int
        Of the random order; kept with the list.
    reseat : bool, optional
        Whether the scan bodies are taken off and seated anew before each scan.
    columns : sequence of str, optional
        Further empty columns to be filled in at the bench.
    turns : int, optional
        So many consecutive models take turns: an operator scans one of them a session, in an
        order drawn for each operator; 1 for all models in every session.

    Returns
    -------
    Schedule

    Raises
    ------
    InputError
        If something is missing or named twice.

    Notes
    -----
    Within a session the operators follow in random order, each with a block of all
    scans in random order: time of day, warming up and tiring are spread over what
    is compared, and session and operator stay blocks. Where models take turns, which of
    them an operator scans first is drawn, so no session goes with a model.
    """
    _check(models=models, operators=operators, sessions=sessions, **conditions)
    if repeats < 1:
        raise InputError("repeats must be 1 or more")
    if turns > 1 and min(turns, len(models)) > len(sessions):
        raise InputError(
            f"{turns} models that alternate between sessions need {turns} sessions, or some are "
            "never scanned",
            hint="add a session, or scan every model in every session",
        )
    rng = np.random.default_rng(seed)
    groups = [models[i : i + turns] for i in range(0, len(models), turns)]
    turn = {o: [rng.permutation(len(g)) for g in groups if turns > 1] for o in operators}
    factors = list(conditions)
    combinations = list(itertools.product(*conditions.values()))
    rows: list[dict[str, object]] = []
    for number, session in enumerate(sessions):
        for operator in (operators[i] for i in rng.permutation(len(operators))):
            now = [
                group[order[number % len(group)]]
                for group, order in zip(groups, turn[operator], strict=turns > 1)
            ]
            block = list(
                itertools.product(now if turns > 1 else models, combinations, range(1, repeats + 1))
            )
            for at in rng.permutation(len(block)):
                model, levels, repeat = block[int(at)]
                rows.append(
                    {
                        "model": model,
                        **dict(zip(factors, levels, strict=True)),
                        "operator": operator,
                        "session": session,
                        "repeat": repeat,
                        "reseated": reseat,
                    }
                )
    table = pd.DataFrame(rows)
    width = max(3, len(str(len(table))))
    names = [f"s{i + 1:0{width}d}" for i in range(len(table))]
    table.insert(0, "scan", names)
    table.insert(1, "file", "")
    table["measured_at"] = ""
    for column in columns:
        if column not in table:
            table[column] = ""
    own = tuple(c for c in table.columns if c not in OWN)
    sheet = table.assign(
        order=np.arange(1, len(table) + 1),
        condition=table[factors].agg(" / ".join, axis=1) if factors else "",
        body_seating="seat anew" if reseat else "leave",
        done="",
        temperature_c="",
        remarks="",
    )
    return Schedule(
        scans=shape("scans", table, factors=own),
        bench_sheet=shape("bench_sheet", sheet),
        seed=seed,
        words=(
            f"{len(table)} scans; operators in random order within each session, scans in random "
            f"order within the block of each operator; seed {seed}"
        ),
    )


def _check(**lists: Sequence[str]) -> None:
    for name, values in lists.items():
        if not len(values):
            raise InputError(f"{name} is empty")
        if len(set(values)) < len(values):
            twice = next(v for v in values if list(values).count(v) > 1)
            raise InputError(f'{name} names "{twice}" twice')
        if name in OWN:
            raise InputError(f'"{name}" cannot be a factor')
