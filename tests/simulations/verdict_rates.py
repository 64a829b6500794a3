"""How often a limit is said to be kept, or broken, when it is neither: false verdicts.

The truth lies at the limit: exactly the share asked for of all future scans stays within.
Every verdict of conformity is then false, and every verdict of nonconformity is one of
the kind that may be wrong in 5 % of studies at most. Prints tables in Markdown:

    python tests/simulations/verdict_rates.py --studies 400 > verdicts.md
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable

import numpy as np
import pandas as pd

from accstudy.accuracy.judge import REFUTED, VERIFIED, Rule, judge
from accstudy.accuracy.levels import Grouping, normal_bounds
from accstudy.accuracy.oneway import half_width, layouts, one_way_table

RULE = Rule(log2_draws=10, lower=False)
TRUTH = 400_000


def shape(name: str, size: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    """Errors of mean zero and unit standard deviation (slips: but for the slips)."""
    if name == "normal":
        return rng.normal(size=size)
    if name.startswith("t"):
        df = int(name[1:])
        return rng.standard_t(df, size) / math.sqrt(df / (df - 2))
    if name == "lognormal":
        sd = math.sqrt((math.exp(0.64) - 1) * math.exp(0.64))
        return (np.exp(0.8 * rng.normal(size=size)) - math.exp(0.32)) / sd
    if name == "slips":
        sign = rng.choice([-1.0, 1.0], size)
        return rng.normal(size=size) + np.where(rng.random(size) < 0.08, 6 * sign, 0)
    raise ValueError(name)


SHAPES = ("normal", "t5", "t3", "lognormal", "slips")


def arch(implants: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of an arch: both ends, directions and lengths."""
    angle = np.linspace(0, np.pi, implants)
    place = np.column_stack([22 * np.cos(angle), 25 * np.sin(angle)])
    a, b = np.triu_indices(implants, 1)
    away = place[b] - place[a]
    length = np.linalg.norm(away, axis=1)
    return a, b, away / length[:, None], length


def pairs_of(kind: str, implants: int, size: tuple[int, ...], rng: np.random.Generator):
    """Deviations of all pairs of scans in um: errors of implants, of a walk, or pure stretch."""
    a, b, away, length = arch(implants)
    if kind == "stretch":
        whole = 20 * rng.normal(size=(*size, 1)) + 20
        return whole * length / length.max() + 2 * rng.normal(size=(*size, len(a)))
    moved = 10 * rng.normal(size=(*size, implants, 2))
    if kind == "walk":
        moved = moved.cumsum(axis=-2)
    if kind == "slips":
        slipped = rng.random(size) < 0.08
        which = rng.integers(implants, size=size)
        turn = rng.uniform(0, 2 * np.pi, size)
        hit = np.eye(implants)[which] * slipped[..., None]
        moved = (
            moved + 80 * hit[..., None] * np.stack([np.cos(turn), np.sin(turn)], -1)[..., None, :]
        )
    if kind in ("t3", "lognormal"):
        moved = 10 * shape(kind, (*size, implants, 2), rng)
    return ((moved[..., b, :] - moved[..., a, :]) * away).sum(-1)


def rates(
    make: Callable[[tuple[int, ...]], np.ndarray],
    cells: tuple[int, ...],
    studies: int,
    rng: np.random.Generator,
    *,
    between: float = 0.0,
    u: float = 0.0,
) -> dict[str, float]:
    """Shares of false verdicts, and the price: median bound over that of normal theory."""
    cell = np.repeat(np.arange(len(cells)), cells)
    inside = math.sqrt(1 - between**2)
    draw = make((TRUTH,)) * inside + between * make((TRUTH,))
    draw = draw if draw.ndim > 1 else draw[:, None]
    each = float(np.quantile(np.abs(draw), 0.95, axis=0).max())
    together = float(np.quantile(np.abs(draw).max(axis=1), 0.95))
    out = dict.fromkeys(("each_v", "all_v", "each_r", "all_r"), 0.0)
    bounds, plain = [], []
    for _ in range(studies):
        y = make((len(cell),)) * inside + between * make((len(cells),))[cell]
        y = y if y.ndim > 1 else y[:, None]
        y = y + u * rng.normal(size=y.shape[1])
        by = Grouping(cell)
        one = judge(y, by, limit=each, u=u, rule=RULE)
        two = one if y.shape[1] == 1 else judge(y, by, limit=together, u=u, rule=RULE)
        out["each_v"] += one.each == VERIFIED
        out["each_r"] += one.each == REFUTED
        out["all_v"] += two.all == VERIFIED
        out["all_r"] += two.all == REFUTED
        bounds.append(one.pairs.bound[0])
        plain.append(normal_bounds(y[:, :1], by, log2_draws=10)[0][0])
    found = {k: v / studies for k, v in out.items()}
    return found | {"price": float(np.median(bounds) / np.median(plain))}


def single(studies: int, rng: np.random.Generator) -> pd.DataFrame:
    """One pair: shapes, biases, sizes, one cell and several."""
    rows = []
    designs = [(n,) for n in (10, 20, 30, 45, 59, 60, 100, 120)] + [(5,) * 6, (10,) * 6, (5,) * 20]
    for cells in designs:
        for name in SHAPES:
            for bias in (0.0, 2.0):
                found = rates(lambda s, k=name, b=bias: b + shape(k, s, rng), cells, studies, rng)
                rows.append(
                    {
                        "scans": sum(cells),
                        "cells": len(cells),
                        "errors": name,
                        "bias / sd": f"{bias:g}",
                        "false verified": found["each_v"],
                        "false nonconformity": found["each_r"],
                        "median bound / normal theory": found["price"],
                    }
                )
        print(".", end="", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def together(studies: int, rng: np.random.Generator) -> pd.DataFrame:
    """All pairs of a scan, and each of them."""
    rows = []
    for implants, kind, cells, u in [
        (6, "implants", (30,), 0.0),
        (6, "implants", (60,), 0.0),
        (6, "walk", (30,), 0.0),
        (6, "walk", (60,), 0.0),
        (6, "walk", (5,) * 6, 0.0),
        (6, "stretch", (30,), 0.0),
        (6, "stretch", (60,), 0.0),
        (6, "stretch", (5,) * 6, 0.0),
        (8, "implants", (60,), 5.0),
        (8, "implants", (60,), 8.0),
        (6, "slips", (20,), 0.0),
        (6, "slips", (30,), 0.0),
        (6, "slips", (45,), 0.0),
        (6, "slips", (60,), 0.0),
        (6, "slips", (100,), 0.0),
        (6, "slips", (10,) * 6, 0.0),
        (6, "t3", (30,), 0.0),
        (6, "t3", (60,), 0.0),
        (6, "lognormal", (30,), 0.0),
        (6, "lognormal", (60,), 0.0),
    ]:
        found = rates(
            lambda s, k=kind, i=implants: pairs_of(k, i, s, rng), cells, studies, rng, u=u
        )
        rows.append(
            {
                "pairs": implants * (implants - 1) // 2,
                "errors": kind,
                "scans": sum(cells),
                "cells": len(cells),
                "u / um": f"{u:g}",
                "false verified, each": found["each_v"],
                "all": found["all_v"],
                "false nonconformity, each": found["each_r"],
                "all ": found["all_r"],
            }
        )
        print(".", end="", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def operators(studies: int, rng: np.random.Generator) -> pd.DataFrame:
    """Coverage of bound and bias where operators return, for other operators and for these."""
    rows = []
    for a, b, n, unbalanced in [
        (3, 2, 5, False),
        (5, 3, 3, False),
        (8, 2, 3, False),
        (4, 3, 4, True),
    ]:
        for share in (0.0, 0.5, 0.7):
            for bias in (0.0, 1.0, 3.0):
                hit = np.zeros(3)
                for _ in range(studies):
                    sessions = [int(rng.integers(1, b + 1)) if unbalanced else b for _ in range(a)]
                    sessions[0] = max(2, sessions[0])
                    op = np.repeat(np.arange(a), sessions)
                    sizes = [int(rng.integers(1, n + 1)) if unbalanced else n for _ in op]
                    cell = np.repeat(np.arange(len(op)), sizes)
                    of_op = math.sqrt(share) * rng.normal(size=a)
                    left = math.sqrt((1 - share) / 2)
                    y = bias + of_op[op][cell] + left * rng.normal(size=len(op))[cell]
                    y = (y + left * rng.normal(size=len(cell)))[:, None]
                    by = Grouping(cell, op[cell])
                    new = normal_bounds(y, by, log2_draws=10)[0][0]
                    these = normal_bounds(y, by, these_operators=True, log2_draws=10)[0][0]
                    hit[0] += _inside(new, bias, 1.0) >= 0.95
                    worst = max(
                        0.95 - _inside(these, bias + m, math.sqrt(1 - share)) for m in of_op
                    )
                    hit[1] += worst <= 0
                    cells = pd.Series(y[:, 0]).groupby(cell).mean().groupby(op).mean()
                    half = half_width(cells.std() / math.sqrt(a), a - 1, 0.0)
                    hit[2] += abs(cells.mean() - bias) <= half
                rows.append(
                    {
                        "operators": a,
                        "sessions": f"1 to {b}" if unbalanced else str(b),
                        "scans": f"1 to {n}" if unbalanced else str(n),
                        "share of operators": f"{share:g}",
                        "bias / sd": f"{bias:g}",
                        "bound, new operators": hit[0] / studies,
                        "bound, these operators": hit[1] / studies,
                        "bias": hit[2] / studies,
                    }
                )
        print(".", end="", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def _inside(bound: float, mean: float, sd: float) -> float:
    from scipy.special import ndtr

    return float(ndtr((bound - mean) / sd) - ndtr((-bound - mean) / sd))


def expanded(studies: int, rng: np.random.Generator) -> pd.DataFrame:
    """Coverage of the expanded uncertainty of a bias."""
    rows = []
    for p in (2, 3, 4, 6, 12):
        row: dict[str, object] = {"cells": str(p)}
        for share in (0.0, 0.3, 0.7):
            for r in (0.0, 0.25, 0.5):
                of_scans = math.sqrt(share / p + (1 - share) / (5 * p))
                u = math.sqrt(r / (1 - r)) * of_scans
                y = math.sqrt(share) * rng.normal(size=(studies, p, 1))
                y = y + math.sqrt(1 - share) * rng.normal(size=(studies, p, 5))
                y = y + u * rng.normal(size=(studies, 1, 1))
                found = layouts(
                    y.ravel(),
                    np.repeat(np.arange(studies), 5 * p),
                    np.tile(np.repeat(np.arange(p), 5), studies),
                )
                t = one_way_table(found, u_reference=u)
                row[f"share {share:g}, u² {r:g}"] = (
                    (t["bias_low"] < 0) & (t["bias_high"] > 0)
                ).mean()
        rows.append(row)
    return pd.DataFrame(rows)


def markdown(frame: pd.DataFrame) -> str:
    """A table with three digits."""
    text = frame.map(lambda v: f"{v:.3f}" if isinstance(v, float) else str(v))
    lines = ["| " + " | ".join(text.columns) + " |", "|" + "---|" * len(text.columns)]
    lines += ["| " + " | ".join(r) + " |" for r in text.itertuples(index=False)]
    return "\n".join(lines)


PARTS = {"single": single, "together": together, "operators": operators, "expanded": expanded}


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400, help="simulated studies a line")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=PARTS, nargs="*", default=list(PARTS))
    chosen = parser.parse_args()
    for name in chosen.only:
        rng = np.random.default_rng(chosen.seed)
        many = 20_000 if name == "expanded" else chosen.studies
        error = 2 * math.sqrt(0.95 * 0.05 / many)
        print(f"\n{name}: {many} studies a line, two standard errors {error:.3f} at 0.05\n")
        print(markdown(PARTS[name](many, rng)), flush=True)


if __name__ == "__main__":
    main()
