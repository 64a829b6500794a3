"""Protocols: what is fixed, what varies, how many, in what order, what to record."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import resources
from pathlib import Path
from typing import Any

import accstudy
from accstudy.errors import InputError, nearest
from accstudy.plan.schedule import Schedule, schedule
from accstudy.quantities import BENCH_COLUMNS

__all__ = [
    "Design",
    "Protocol",
    "load_protocol",
    "parse_protocol",
    "protocol_names",
    "protocol_schedule",
]


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
    """Read a protocol that comes with the program.

    Parameters
    ----------
    name : str
        Name without ``.toml``.

    Returns
    -------
    Protocol

    Raises
    ------
    InputError
        If there is none of that name.

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
    """Read a protocol from its text.

    Parameters
    ----------
    text : str
        TOML.
    file : str, optional
        Name for errors.

    Returns
    -------
    Protocol

    Raises
    ------
    InputError
        If a key is missing, unknown or of the wrong kind.
    """
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
    """Draw the order of scans that a protocol asks for.

    Parameters
    ----------
    protocol : Protocol
        What is asked for.
    seed : int
        Of the random order.
    **changes
        Arguments of `accstudy.plan.schedule.schedule` that replace the protocol's,
        such as the names of the operators.

    Returns
    -------
    Schedule
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
