"""Steps of an analysis: what each reads is declared, enforced, and all that its results hang on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from typing import Any, Protocol, cast

import pandas as pd
from pydantic import BaseModel

from accstudy.errors import Finding
from accstudy.study.load import Study
from accstudy.study.settings import Settings

__all__ = ["Analyzed", "Memory", "Step", "compute", "run_steps", "settings_read"]

Tables = Mapping[str, pd.DataFrame]

_ALWAYS = (
    "study.kind",
    "reference",
    "scans",
    "scan_body",
    "analysis",
    "uncertainty",
    "limits.confidence",
)
"""Settings that decide what a deviation is, which scans belong together, and how sure to be."""


@dataclass(frozen=True, slots=True)
class Analyzed:
    """Every table that follows from the poses.

    Parameters
    ----------
    tables : dict
        Name to DataFrame, in the shape of `accstudy.tables`.
    findings : tuple of Finding
        What the user should know about them.
    """

    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """Part of an analysis that is computed again only when something that it reads has changed.

    Parameters
    ----------
    name : str
        Its name in the record.
    run : callable
        Takes the study, whose settings are those declared, and the tables read.
    reads : tuple of str
        Tables of the steps before it; ``poses`` stands at the start.
    settings : tuple of str
        Sections or keys of study.toml, beside those that every step reads.
    writes : tuple of str
        Patterns of the names of its tables.
    files : bool
        Whether it also reads the files of the scans and of the reference surface.
    """

    name: str
    run: Callable[[Study, Tables], Analyzed]
    reads: tuple[str, ...]
    writes: tuple[str, ...]
    settings: tuple[str, ...] = ()
    files: bool = False

    def owns(self, table: str) -> bool:
        """Whether a table is one of this step's."""
        return any(fnmatchcase(table, pattern) for pattern in self.writes)


class Memory(Protocol):
    """What is known from an earlier run."""

    def recall(self, step: Step, tables: Tables) -> Analyzed | None:
        """Results of a step for these tables; None if something has changed."""

    def keep(self, step: Step, done: Analyzed) -> Analyzed:
        """Take new results; return them as their files will give them back."""


def run_steps(
    steps: Sequence[Step], study: Study, poses: pd.DataFrame, memory: Memory | None = None
) -> Analyzed:
    """Run the steps of an analysis in their order.

    Parameters
    ----------
    steps : sequence of Step
        In the order in which they read each other.
    study : Study
        The study.
    poses : DataFrame
        Table ``poses`` as it stands in the file.
    memory : Memory, optional
        Results that may be taken instead.

    Returns
    -------
    Analyzed
    """
    found, out = {"poses": poses}, Analyzed({}, ())
    for step in steps:
        given = {name: found[name] for name in step.reads if name in found}
        done = memory.recall(step, given) if memory else None
        if done is None:
            done = compute(step, study, given)
            strange = [name for name in done.tables if not step.owns(name)]
            if strange:
                raise RuntimeError(f'step "{step.name}" does not declare that it writes {strange}')
            done = memory.keep(step, done) if memory else done
        found |= done.tables
        out = Analyzed({**out.tables, **done.tables}, (*out.findings, *done.findings))
    return out


def compute(step: Step, study: Study, tables: Tables) -> Analyzed:
    """Run a step, which is given no settings but those that it declares; others are errors."""
    allowed = _Declared(study.settings, (*_ALWAYS, *step.settings), step.name)
    return step.run(replace(study, settings=cast(Settings, allowed)), tables)


def settings_read(settings: Settings, step: Step) -> dict[str, Any]:
    """Values of the settings that a step declares, as plain JSON values."""
    values = settings.as_used()
    out: dict[str, Any] = {}
    for path in (*_ALWAYS, *step.settings):
        value: Any = values
        for key in path.split("."):
            value = value[key]
        out[path] = value
    return out


class _Declared:
    """Settings of which only some can be read."""

    def __init__(self, settings: BaseModel, paths: Sequence[str], step: str, at: str = "") -> None:
        self._settings, self._paths, self._step, self._at = settings, paths, step, at

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        value, path = getattr(self._settings, name), self._at + name
        if path in self._paths:
            return value
        if any(p.startswith(f"{path}.") for p in self._paths):
            return _Declared(value, self._paths, self._step, f"{path}.")
        raise RuntimeError(f'step "{self._step}" reads {path} without declaring it')
