"""What a plan promises against what studies of that size reach, by simulation.

Prints two tables in Markdown. Truth is known: errors of implant positions that walk along an
arch, by operator, session and scan, and a bias. Every line is a design. Pilots are of the
designed size; each makes a promise; as many other studies of the same size, from the same
truth, are judged. Run as

    python tests/simulations/planned_and_reached.py --pilots 100 --studies 400 > planned.md
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.accuracy.bounds import Grouping
from accstudy.accuracy.judge import ALL_PAIRS, EACH_PAIR, Rule
from accstudy.accuracy.measurands import Sample
from accstudy.models import default_specs
from accstudy.models.means import contrasts
from accstudy.models.results import spec_fit
from accstudy.plan.components import Components, Design, components_of
from accstudy.plan.power import Comparison, known_from, planned_pairs, power_table
from accstudy.plan.size import Asked, assurance, judge_many, wanted

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from refitted import refit

VALIDATIONS = (
    # operators, sessions, scans a cell; sd of a walk's step in um: operator, session, scan; limit
    (1, 4, 3, 0.0, 7.0, 10.0, 150.0),
    (1, 6, 3, 0.0, 7.0, 10.0, 110.0),
    (1, 6, 3, 0.0, 7.0, 10.0, 130.0),
    (1, 6, 5, 0.0, 0.0, 12.0, 95.0),
    (1, 9, 3, 0.0, 10.0, 4.0, 110.0),
    (1, 12, 2, 0.0, 7.0, 10.0, 95.0),
    (6, 2, 3, 6.0, 4.0, 10.0, 130.0),
    (1, 5, 4, 0.0, 5.0, 9.0, 105.0),
    (1, 8, 3, 0.0, 9.0, 9.0, 125.0),
    (5, 3, 2, 4.0, 6.0, 9.0, 125.0),
)
COMPARISONS = (
    # operators, sessions, scans; sd: operator x technique, session, scan, condition x pair; sought
    (3, 2, 3, 0.0, 3.0, 3.0, 3.0, 7.0),
    (5, 2, 3, 4.0, 3.0, 3.0, 3.0, 9.0),
    (6, 2, 3, 2.0, 4.0, 4.0, 6.0, 9.0),
)


class Arch:
    """Six implants on an arch: pairs, and walks along it as deviations of their distances."""

    def __init__(self, rng: np.random.Generator, implants: int = 6) -> None:
        angle = np.linspace(0, np.pi, implants)
        place = np.column_stack([22 * np.cos(angle), 25 * np.sin(angle)])
        self.a, self.b = np.triu_indices(implants, 1)
        away = place[self.b] - place[self.a]
        self.span = np.linalg.norm(away, axis=1)
        self.away = away / self.span[:, None]
        steps = np.linalg.norm(np.diff(place, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(steps)])
        self.path = along[self.b] - along[self.a]
        self.angulation = rng.uniform(0, 20, len(self.a))
        self.implants, self.rng = implants, rng
        self.bias = rng.normal(0, 6, len(self.a))

    def walks(self, *shape: int) -> np.ndarray:
        """Deviations of all pairs from walks of one um a step, (*shape, pairs)."""
        walk = self.rng.normal(0, 1, (*shape, self.implants, 2)).cumsum(axis=-2)
        moved = walk[..., self.b, :] - walk[..., self.a, :]
        return np.asarray((moved * self.away).sum(axis=-1))

    def studies(self, count: int, design: Design, sds: tuple[float, float, float]) -> np.ndarray:
        """Deviations of studies of one condition, (count, scans, pairs)."""
        cell = design.cell_of_scan
        out = self.bias + sds[2] * self.walks(count, design.scans)
        out = out + sds[1] * self.walks(count, design.cells)[:, cell]
        return out + sds[0] * self.walks(count, design.operators)[:, cell // design.sessions]


def sample(y: np.ndarray, grouping: Grouping) -> Sample:
    """A study as the verdict and the planner take it."""
    k = y.shape[1]
    pairs = pd.DataFrame({"subject": [f"pair {i:02d}" for i in range(k)]})
    pairs = pairs.assign(span_mm=0.0, path_mm=0.0, lowest=-np.inf)
    returning = "operator" if grouping.operator is not None else ""
    return Sample("device", "model", "distance_um", y, grouping, returning, pairs)


def validation_line(line: tuple, pilots: int, studies: int, seed: int) -> list[dict]:
    """One design: each pair, and all pairs together."""
    *size, s_operator, s_session, s_scan, limit = line
    design = Design(*size)
    arch = Arch(np.random.default_rng(seed))
    sds = (s_operator, s_session, s_scan)
    asked = Asked(limit, np.full(len(arch.a), 2.0), Rule())
    promised: dict[str, list] = {EACH_PAIR: [], ALL_PAIRS: []}
    named: dict[str, list] = {EACH_PAIR: [], ALL_PAIRS: []}
    for y in arch.studies(pilots, design, sds):
        found = components_of([sample(y, design.grouping)])
        for scope, one in assurance(found, design, asked).items():
            promised[scope].append(one)
    for y in arch.studies(max(5, pilots // 5), design, sds):
        found = components_of([sample(y, design.grouping)])
        for scope, (size_named, _) in wanted(found, asked, (EACH_PAIR, ALL_PAIRS)).items():
            if size_named is not None:
                y = arch.studies(40, size_named, sds)
                named[scope].append(verified(y, found, size_named, asked, scope))
    other = arch.studies(studies, design, sds)
    rows = []
    for scope in (EACH_PAIR, ALL_PAIRS):
        reached = verified(other, found, design, asked, scope)
        own = promised[scope]
        inside = [p.low <= reached <= p.high for p in own]
        rows.append(
            {
                "operators": design.operators,
                "cells": design.cells,
                "scans a cell": design.per_cell,
                "sd of a step": "/".join(f"{s:g}" for s in sds),
                "limit": limit,
                "scope": scope,
                "promised": float(np.mean([p.value for p in own])),
                "reached": reached,
                "interval covers it": float(np.mean(inside)),
                "size named": len(named[scope]) / max(5, pilots // 5),
                "reached at it": float(np.mean(named[scope])) if named[scope] else float("nan"),
            }
        )
    return rows


def verified(y: np.ndarray, found: Components, design: Design, asked: Asked, scope: str) -> float:
    """Share of studies that verify the limit; the tests hold `judge_many` against `judge`."""
    said = judge_many(y, found, design, asked)
    margin = said.each if scope == EACH_PAIR else said.together
    return float(np.mean((margin > 0) & ~said.barred))


def comparison_rows(arch: Arch, design: Comparison, sds: tuple, difference: float) -> pd.DataFrame:
    """Pair deviations of a comparison of two techniques on one model."""
    s_technique, s_session, s_scan, s_pair = sds
    known = type("Sites", (), {})()
    known.conditions = pd.DataFrame({"technique": ["A", "B"]})
    names = [f"I{i + 1}" for i in range(arch.implants)]
    known.sites = pd.DataFrame(
        {
            "model": "M",
            "implant_a": [names[i] for i in arch.a],
            "implant_b": [names[i] for i in arch.b],
            "span_mm": arch.span,
            "path_mm": arch.path,
            "angulation_deg": arch.angulation,
            "n_implants": arch.implants,
        }
    )
    rows = planned_pairs(known, design)
    k = len(arch.a)
    pair = np.arange(len(rows)) % k
    codes = {
        name: pd.factorize(rows[cols].agg("/".join, axis=1))[0]
        for name, cols in {
            "operator": ["operator"],
            "technique": ["operator", "technique"],
            "session": ["operator", "session"],
            "scan": ["scan"],
        }.items()
    }
    second = (rows["technique"] == "B").to_numpy()
    y = arch.bias[pair] + difference * second
    y = y + s_pair * arch.rng.normal(0, 1, (2, k))[second.astype(int), pair]
    for name, sd in (("operator", 3.0), ("session", s_session), ("scan", s_scan)):
        y = y + sd * arch.walks(codes[name].max() + 1)[codes[name], pair]
    shift = arch.rng.normal(0, s_technique, codes["technique"].max() + 1)
    y = y + shift[codes["technique"]] + arch.rng.normal(0, 3.0, len(rows))
    return rows.assign(distance_um=y)


def comparison_line(line: tuple, pilots: int, studies: int, seed: int) -> list[dict]:
    """One design: power and equivalence."""
    *size, s_technique, s_session, s_scan, s_pair, sought = line
    design, arch = Comparison(*size), Arch(np.random.default_rng(seed))
    sds = (s_technique, s_session, s_scan, s_pair)
    promised, found, equal = [], [], []
    template = None
    for k in range(max(pilots, studies)):
        rows = comparison_rows(arch, design, sds, 0.0)
        if template is None:
            spec = default_specs("comparison", ["technique", "operator", "session"],
                                 condition=["technique"], pairs=rows)[0]  # fmt: skip
            template, _, _ = spec_fit(spec, rows, rows, alignment="")
        if k < pilots:
            known = known_from(spec, rows)
            promised.append(power_table([design], known, difference=sought, margin=sought).iloc[0])
        if k < studies:
            y = rows["distance_um"].to_numpy()
            one = contrasts(refit(template, y), "technique", margin=sought).iloc[0]
            equal.append(one["p_equivalence"] < 0.05)
            shifted = y + sought * (rows["technique"] == "B").to_numpy()
            found.append(contrasts(refit(template, shifted), "technique").iloc[0]["p"] < 0.05)
    out = []
    for name, reached in (("power", found), ("power_equivalence", equal)):
        rate = float(np.mean(reached))
        table = pd.DataFrame(promised)
        out.append(
            {
                "operators": design.operators,
                "sessions": design.sessions,
                "scans": design.per_session,
                "sd: technique/session/scan/pair": "/".join(f"{s:g}" for s in sds),
                "difference, margin": sought,
                "of": "difference" if name == "power" else "equivalence",
                "promised": table[name].mean(),
                "reached": rate,
                "interval covers it": (
                    (table[f"{name}_low"] <= rate) & (table[f"{name}_high"] >= rate)
                ).mean(),
            }
        )
    return out


def markdown(rows: list[dict]) -> str:
    """A table with two digits."""
    frame = pd.DataFrame(rows)
    text = frame.map(lambda v: "" if v != v else f"{v:.2f}" if isinstance(v, float) else str(v))
    lines = ["| " + " | ".join(text.columns) + " |", "|" + "---|" * len(text.columns)]
    lines += ["| " + " | ".join(r) + " |" for r in text.itertuples(index=False)]
    return "\n".join(lines)


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pilots", type=int, default=50, help="pilots a design")
    parser.add_argument("--studies", type=int, default=200, help="studies a design")
    parser.add_argument("--seed", type=int, default=1)
    kinds = {
        "validations": (VALIDATIONS, validation_line),
        "comparisons": (COMPARISONS, comparison_line),
    }
    parser.add_argument("--only", choices=kinds, nargs="*", default=list(kinds))
    chosen = parser.parse_args()
    for lines, make in (kinds[name] for name in chosen.only):
        rows: list[dict] = []
        for line in lines:
            rows += make(line, chosen.pilots, chosen.studies, chosen.seed)
            print(rows[-1], file=sys.stderr, flush=True)
        print(markdown(rows) + "\n")


if __name__ == "__main__":
    main()
