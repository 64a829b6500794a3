"""Protocols: what is fixed, what varies, what to record, and the randomised scanning order."""

from __future__ import annotations

import itertools
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import accstudy
from accstudy.errors import InputError, nearest
from accstudy.quantities import BENCH_COLUMNS
from accstudy.tables import shape


@dataclass(frozen=True, slots=True)
class Design:
    """How many of what.

    Parameters
    ----------
    models, operators, sessions : tuple of str
        Names to start from; the user puts in their own.
    repeats : int
        Scans of each model and condition in a block.
    reseat : bool
        Whether scan bodies are seated anew before each scan.
    minutes_per_scan, minutes_per_session : float
        Time at the bench.
    conditions : mapping of str to tuple of str
        Factor columns with their levels.
    turns : int
        Consecutive models that take turns: an operator scans one of them a session.
    """

    models: tuple[str, ...]
    operators: tuple[str, ...]
    sessions: tuple[str, ...]
    repeats: int
    reseat: bool
    minutes_per_scan: float
    minutes_per_session: float
    conditions: Mapping[str, tuple[str, ...]]
    turns: int = 1


@dataclass(frozen=True, slots=True)
class Protocol:
    """A protocol, as defined in its file.

    Parameters
    ----------
    name, kind, title, question, answer : str
        What it is, and what it asks and answers.
    version : int
        Rises when the protocol changes.
    frame, fixed, varies, record, limit : tuple of mapping
        Documents read as frames (``document``, ``use``; no conformity is claimed);
        what is held fixed (``what``, ``why``); what varies (``factor``, ``why``);
        what to write down (``where``, ``what``, ``why``); example limits
        (``measurand``, ``value``, ``source``).
    design : Design
        How many.
    order : str
        In what order.
    """

    name: str
    kind: str
    title: str
    question: str
    answer: str
    version: int
    frame: tuple[Mapping[str, Any], ...]
    fixed: tuple[Mapping[str, Any], ...]
    varies: tuple[Mapping[str, Any], ...]
    record: tuple[Mapping[str, Any], ...]
    limit: tuple[Mapping[str, Any], ...]
    design: Design
    order: str

    @property
    def n_scans(self) -> int:
        """Scans in all."""
        d = self.design
        combinations = 1
        for levels in d.conditions.values():
            combinations *= len(levels)
        blocks = len(d.operators) * len(d.sessions)
        return len(d.models) * blocks * d.repeats * combinations // d.turns


_ITEMS = {
    "frame": {"document", "use"},
    "fixed": {"what", "why"},
    "varies": {"factor", "why"},
    "record": {"where", "what", "why"},
    "limit": {"measurand", "value", "source"},
}


def _folders() -> list[Path]:
    """Where protocols lie: in an installation beside the rooms, in a source tree above them."""
    package = Path(str(resources.files(accstudy)))
    return [f for f in (package / "protocols", package.parent / "protocols") if f.is_dir()]


def protocol_names() -> tuple[str, ...]:
    """Names of the protocols that come with the program, sorted.

    Examples
    --------
    >>> protocol_names()
    ('full_arch_validation', 'monthly_drift', 'technique_comparison')
    """
    return tuple(sorted({f.stem for folder in _folders() for f in folder.glob("*.toml")}))


def load_protocol(name: str) -> Protocol:
    """Read a protocol that comes with the program, by its name without ``.toml``.

    Examples
    --------
    >>> load_protocol("full_arch_validation").n_scans
    30
    """
    if name in protocol_names():
        for folder in _folders():
            file = folder / f"{name}.toml"
            if file.is_file():
                return parse_protocol(file.read_text(encoding="utf-8"), file=file.name)
    raise InputError(
        f'there is no protocol "{name}"', hint=nearest(name, list(protocol_names()) or ["none"])
    )


def parse_protocol(text: str, *, file: str = "protocol") -> Protocol:
    """Read a protocol from its text (TOML); `file` is its name in an `InputError`."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"not readable as TOML: {error}", where=file) from error
    known = [f.name for f in fields(Protocol)]
    _keys(raw, set(known), known, file, "")
    for section, wanted in _ITEMS.items():
        for item in raw[section]:
            _keys(item, wanted, sorted(wanted), file, section)
    design = raw["design"]
    names = [f.name for f in fields(Design)]
    _keys(design, set(names), [n for n in names if n != "turns"], file, "design")
    return Protocol(
        name=str(raw["name"]),
        kind=str(raw["kind"]),
        title=str(raw["title"]),
        question=str(raw["question"]).strip(),
        answer=str(raw["answer"]).strip(),
        version=int(raw["version"]),
        frame=tuple(raw["frame"]),
        fixed=tuple(raw["fixed"]),
        varies=tuple(raw["varies"]),
        record=tuple(raw["record"]),
        limit=tuple(raw["limit"]),
        design=Design(
            models=tuple(design["models"]),
            operators=tuple(design["operators"]),
            sessions=tuple(design["sessions"]),
            repeats=int(design["repeats"]),
            reseat=bool(design["reseat"]),
            minutes_per_scan=float(design["minutes_per_scan"]),
            minutes_per_session=float(design["minutes_per_session"]),
            conditions={k: tuple(v) for k, v in design["conditions"].items()},
            turns=int(design.get("turns", 1)),
        ),
        order=str(raw["order"]["text"]).strip(),
    )


def _keys(
    found: Mapping[str, Any], wanted: set[str], known: list[str], file: str, section: str
) -> None:
    where = f"{file}, [{section}]" if section else file
    for key in found:
        if key not in wanted:
            raise InputError(f'unknown key "{key}"', where=where, hint=nearest(key, known))
    missing = [k for k in known if k not in found]
    if missing:
        raise InputError(f'"{missing[0]}" is missing', where=where, hint="see the other protocols")


def protocol_schedule(protocol: Protocol, *, seed: int, **changes: Any) -> Schedule:
    """Randomise the order of scans that a protocol requires.

    Parameters
    ----------
    protocol : Protocol
        What is asked for.
    seed : int
        Of the random order.
    **changes
        Arguments of `accstudy.plan.protocol.schedule` that replace the protocol's,
        such as the names of the operators.
    """
    d = protocol.design
    arguments: dict[str, Any] = {
        "models": d.models,
        "operators": d.operators,
        "sessions": d.sessions,
        "conditions": d.conditions,
        "repeats": d.repeats,
        "reseat": d.reseat,
        "columns": ("software", *BENCH_COLUMNS),
        "turns": d.turns,
    }
    return schedule(seed=seed, **(arguments | changes))


OWN = ("scan", "file", "model", "status", "reason")


@dataclass(frozen=True)
class Schedule:
    """Scans to be made in their drawn order (table ``scans``, no files), with bench sheet and seed.

    ``words`` say how the order came about, for the report.
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

    Raises
    ------
    InputError
        If something is missing or named twice.

    Notes
    -----
    Within a session the operators follow in random order, each with a block of all
    scans in random order, repeats numbered as they follow: time of day, warming up and
    tiring are spread over what is compared, and session and operator stay blocks. Where
    models take turns, which of them an operator scans first is drawn, so no session goes
    with a model.
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
                itertools.product(now if turns > 1 else models, combinations, range(repeats))
            )
            done: Counter[tuple[str, tuple[str, ...]]] = Counter()
            for at in rng.permutation(len(block)):
                model, levels, _ = block[int(at)]
                done[model, levels] += 1
                rows.append(
                    {
                        "model": model,
                        **dict(zip(factors, levels, strict=True)),
                        "operator": operator,
                        "session": session,
                        "repeat": done[model, levels],
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
