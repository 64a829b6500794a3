"""Everything with a known answer, computed on this installation, and the record of it."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from accstudy import __version__
from accstudy.selftest import geometry, models_charts, precision
from accstudy.selftest.published import Case, Row, as_table, cases, compare
from accstudy.study.files import digest
from accstudy.study.record import json_bytes, program_digest, versions
from accstudy.tables import csv_bytes

Say = Callable[[str], None]

_NEAR = {"jcgm101_additive_equal": 0.003}
"""Examples that are computed by simulation: absolute tolerance of the recomputed numbers."""

_ANSWERS: dict[str, dict[str, Callable[[Case], dict[str, Any]]]] = {
    "iso5725": {**precision.ANSWERS, **models_charts.ANSWERS},
    "drift": models_charts.RUN_RULES,
}


_TITLES = {
    "iso5725": "Accuracy, uncertainty, tolerance, charts",
    "drift": "Run rules",
    "geometry": "Elements, registrations, angles, distances",
    "mixed": "Mixed models",
    "known truth": "Closed-form solutions and a simulated scan",
}


@dataclass(frozen=True, slots=True)
class Selftest:
    """Table ``selftest``, the seconds it took, and printed numbers without a method here (no part
    of it).
    """

    table: pd.DataFrame
    not_computed: tuple[str, ...]
    seconds: float

    @property
    def differing(self) -> pd.DataFrame:
        """Rows that differ by more than their tolerance."""
        return self.table[self.table["verdict"] != "agrees"]

    @property
    def passed(self) -> bool:
        """Whether there is something to compare and all of it agrees."""
        return len(self.table) > 0 and self.differing.empty


def _examples(topic: str) -> Iterable[Row]:
    for example in cases(topic):
        found = _ANSWERS[topic][example.id](example)
        yield from compare(topic, example, found, near=_NEAR.get(example.id, 0.0))


GROUPS: dict[str, Callable[[], Iterable[Row]]] = {
    "trueness, precision, uncertainty, charts": lambda: _examples("iso5725"),
    "critical values": precision.critical_rows,
    "tolerance factors": precision.tolerance_rows,
    "chart factors and run lengths": models_charts.table_rows,
    "run rules": lambda: _examples("drift"),
    "elements, registrations, angles, distances": geometry.geometry_rows,
    "mixed models": models_charts.mixed_rows,
    "closed-form solutions and a simulated scan": geometry.known_rows,
}
"""What is tested, in order."""


def run_selftest(*, say: Say = lambda line: None) -> Selftest:
    """Compute every number with a known answer.

    Parameters
    ----------
    say : callable
        Gets a line for each group.

    Returns
    -------
    Selftest
        An answer that cannot be computed at all differs, too.
    """
    start = time.monotonic()
    rows: list[Row] = []
    for name, compute in GROUPS.items():
        found = _rows_of(name, compute)
        wrong = sum(not r.agrees for r in found)
        say(f"{name}: {len(found) - wrong} of {len(found)} agree")
        rows += found
    return Selftest(as_table(rows), _not_computed(rows), time.monotonic() - start)


def _rows_of(name: str, compute: Callable[[], Iterable[Row]]) -> list[Row]:
    rows: list[Row] = []
    try:
        rows.extend(compute())
    except Exception as error:  # the record must name what fails here, whatever it is
        rows.append(
            Row("selftest", name, "computed to the end", "closed form", "this program", "yes",
                f"{type(error).__name__}: {error}")
        )  # fmt: skip
    return rows


def _not_computed(rows: list[Row]) -> tuple[str, ...]:
    seen = {(r.topic, r.case, r.quantity.partition(" ")[0]) for r in rows}
    return tuple(
        f"{example.id}: {quantity}"
        for topic in _ANSWERS
        for example in cases(topic)
        for quantity, told in example.published.items()
        if (topic, example.id, quantity) not in seen
        and told != []
        and not quantity.endswith("_index")
    )


def counted(table: pd.DataFrame) -> dict[str, int]:
    """How many numbers of table ``selftest`` have which origin."""
    printed, memory = table["kind"] == "printed", table["from_memory"].fillna(False).astype(bool)
    return {
        "printed, read": int((printed & ~memory).sum()),
        "printed, quoted from memory": int((printed & memory).sum()),
        "by another program": int((table["kind"] == "program").sum()),
        "own closed forms and simulations": int(
            table["kind"].isin(["closed form", "simulated"]).sum()
        ),
    }


def record_files(found: Selftest, *, on: str) -> dict[str, bytes]:
    """Make the record of a selftest: JSON for programs, PDF to be filed.

    Parameters
    ----------
    found : Selftest
        What it found.
    on : str
        Date as YYYY-MM-DD.

    Returns
    -------
    dict
        ``selftest.json`` and ``selftest.pdf`` to their content.
    """
    from accstudy.reports.render import selftest_record

    table = found.table
    record: dict[str, Any] = {
        "accstudy": __version__,
        "program": program_digest(),
        "on": on,
        "platform": f"{platform.system()} {platform.release()}, {platform.machine()}",
        "versions": versions(),
        "passed": found.passed,
        "numbers": len(table),
        "by_kind": counted(table),
        "differing": len(found.differing),
        "examples": len(table[["topic", "case"]].drop_duplicates()),
        "seconds": round(found.seconds, 1),
        "not_computed": list(found.not_computed),
        "rows_sha256": digest(csv_bytes("selftest", table)),
    }
    shown = table.assign(
        agrees=table["verdict"] == "agrees", topic=table["topic"].map(lambda t: _TITLES.get(t, t))
    )
    rows = [
        {k: (None if k == "digits" and pd.isna(v) else v) for k, v in row.items()}
        for row in table.to_dict("records")
    ]
    return {
        "selftest.json": json_bytes({**record, "rows": rows}),
        "selftest.pdf": selftest_record(shown, record, generated=on),
    }
