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
from scipy.special import ndtr

from accstudy.accuracy.anova import layouts, one_way_table
from accstudy.accuracy.bounds import Grouping, beyond_p, normal_bounds, upper_ranks
from accstudy.accuracy.judge import (
    REFUTED,
    VERIFIED,
    Rule,
    combined_p,
    guard,
    independent_scans,
    judge,
    normality_p,
    worst_bounds,
)
from accstudy.accuracy.summary import accuracy_table
from accstudy.seating.contributions import worst_misfit
from accstudy.seating.gaps import Platforms, Seats

RULE = Rule(log2_draws=10, lower=False)
TRUTH = 100_000
SEATED = 20_000


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
    u: float = 0.0,
) -> dict[str, float]:
    """Shares of false verdicts, and the price: median bound over that of normal theory.

    All studies at once, by the functions of which `judge` is made; the first of them are
    judged by `judge` itself, and must be judged alike.
    """
    n, cell = sum(cells), np.repeat(np.arange(len(cells)), cells)
    by, groups = Grouping(cell), np.arange(n) if len(cells) == 1 else cell
    draw = np.abs(make((TRUTH,)).reshape(TRUTH, -1))
    each = float(np.quantile(draw, 0.95, axis=0).max())
    whole = float(np.quantile(draw.max(axis=1), 0.95))
    y = make((studies, n)).reshape(studies, n, -1)
    m = y.shape[2]
    y = y + u * rng.normal(size=(studies, 1, m))
    flat = y.transpose(1, 0, 2).reshape(n, studies * m)
    p = normality_p(flat, by).reshape(studies, m)
    normal = normal_bounds(flat, by, log2_draws=RULE.log2_draws)[0]
    top, free = upper_ranks(np.abs(flat), independent_scans(by))
    bound = np.maximum(normal, top).reshape(studies, m)
    worst = np.abs(y).max(axis=2).T
    barred = np.zeros(studies, dtype=bool)
    if not free:
        barred = np.array([combined_p(row) for row in p]) < 0.05
    g, g_low = float(guard(u, 0.95)), float(guard(u, 1 - 0.05 / m))
    logs = normal_bounds(np.log(worst), by, kind="upper", log2_draws=RULE.log2_draws)[0]
    together = np.maximum(np.exp(logs), upper_ranks(worst, independent_scans(by))[0])
    together = np.maximum(together, bound.max(axis=1)) if m > 1 else bound[:, 0]
    found = {}
    sums = np.zeros((len(np.unique(groups)), n))
    sums[groups, np.arange(n)] = 1.0
    sums /= sums.sum(axis=1, keepdims=True)

    def refuted(sizes: np.ndarray, limit: float, level: float) -> np.ndarray:
        return beyond_p(sums @ (sizes > limit + g_low).astype(float)) <= level

    for name, limit, at in (("each", each, bound.max(axis=1)), ("all", whole, together)):
        pairs = refuted(np.abs(flat), limit, 0.05 / m).reshape(studies, m).any(axis=1)
        broken = pairs | (refuted(worst, limit, 0.05) if name == "all" and m > 1 else pairs)
        kept = (at + g <= limit) & ~barred & ~broken
        found[f"{name}_v"], found[f"{name}_r"] = kept.mean(), broken.mean()
        for k in range(2):
            one = judge(y[k], by, limit=limit, u=u, rule=RULE)
            said = one.each if name == "each" else one.all
            assert (said == VERIFIED, said == REFUTED) == (kept[k], broken[k]), (name, k)
    return found | {"price": float(np.median(bound[:, 0]) / np.median(normal.reshape(-1, m)[:, 0]))}


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
                "u / µm": f"{u:g}",
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
    designs = {
        "3 operators, 2 sessions, 5 scans": [(5, 5)] * 3,
        "5 operators, 3 sessions, 3 scans": [(3, 3, 3)] * 5,
        "8 operators, 2 sessions, 3 scans": [(3, 3)] * 8,
        "unbalanced": [(2, 4), (1, 3, 5), (4,), (2, 2)],
        "3 operators on the same 3 days, 4 scans": [(4, 4, 4)] * 3,
        "4 operators on 2 of 4 days, 3 scans": [(3, 3)] * 4,
    }
    for name, sizes in designs.items():
        op = np.repeat(np.arange(len(sizes)), [len(s) for s in sizes])
        cell = np.repeat(np.arange(len(op)), [k for s in sizes for k in s])
        day = np.concatenate([np.arange(len(s)) for s in sizes])
        crossed = "days" in name
        if "2 of 4" in name:
            day = (day + op) % 4
        by = Grouping(cell, op[cell], day[cell] if crossed else None)
        a, n = len(sizes), len(cell)
        for share in (0.0, 0.5, 0.7):
            for bias in (0.0, 1.0, 3.0):
                of_op = math.sqrt(share) * rng.normal(size=(a, studies))
                left = math.sqrt((1 - share) / 2)
                of_cell = left * rng.normal(size=(len(op), studies))
                if crossed:
                    of_cell = left * rng.normal(size=(day.max() + 1, studies))[day]
                y = bias + (of_op[op] + of_cell)[cell] + left * rng.normal(size=(n, studies))
                new = normal_bounds(y, by, log2_draws=10)[0]
                these = normal_bounds(y, by, these_operators=True, log2_draws=10)[0]
                inside = _inside(these, bias + of_op, math.sqrt(1 - share)).min(axis=0)
                rows.append(
                    {
                        "layout": name,
                        "share of operators": f"{share:g}",
                        "bias / sd": f"{bias:g}",
                        "bound, new operators": (_inside(new, bias, 1.0) >= 0.95).mean(),
                        "median": float(np.median(new)),
                        "bound, these operators": (inside >= 0.95).mean(),
                        "median ": float(np.median(these)),
                        "bias": bias_held(y, bias, op[cell], cell, day[cell] if crossed else None),
                    }
                )
        print(".", end="", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def bias_held(y, bias, operator, cell, day) -> float:
    """Share of studies whose interval of the bias, as table ``accuracy`` has it, holds it."""
    n, studies = y.shape
    scans = {"operator": operator.astype(str), "cell": cell.astype(str)}
    if day is not None:
        scans["session"] = day.astype(str)
    table = pd.DataFrame({name: np.tile(values, studies) for name, values in scans.items()})
    table = table.assign(
        model=np.repeat([f"M{k}" for k in range(studies)], n),
        scan=[f"s{k}" for k in range(n * studies)],
        condition="c", implant_a="I1", implant_b="I2", span_mm=1.0, path_mm=1.0,
        distance_um=y.T.ravel(),
    )  # fmt: skip
    found = accuracy_table(table, cell_columns=["operator", "session"][: len(scans) - 1])
    return ((found["bias_low"] <= bias) & (found["bias_high"] >= bias)).mean()


def _inside(bound: np.ndarray, mean: np.ndarray | float, sd: float) -> np.ndarray:
    return ndtr((bound - mean) / sd) - ndtr((-bound - mean) / sd)


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


def seating(studies: int, rng: np.random.Generator) -> pd.DataFrame:
    """The largest gap at the best seat: frameworks from errors of implants, one cell."""
    rows = []
    for implants in (2, 4, 6):
        angle = np.linspace(0, np.pi, implants)
        place = np.column_stack([22 * np.cos(angle), 25 * np.sin(angle), np.zeros(implants)])
        up = np.tile([0.0, 0.0, 1.0], (implants, 1))
        names = tuple(f"I{k + 1}" for k in range(implants))
        mouth = Platforms(names, place, up, np.full_like(up, np.nan), up[0])
        for kind in ("normal", "t3", "slips"):
            for same in (0.0, 20.0):
                size = (SEATED, implants, 3)
                moved = 15 * shape(kind, size, rng) + same * rng.normal(size=(1, implants, 3))
                tilts = np.radians(0.1) * shape(kind, size, rng) * [1, 1, 0]
                axes = up + tilts
                axes /= np.linalg.norm(axes, axis=-1, keepdims=True)
                pool, _, _ = worst_misfit(Seats(place + moved / 1000, axes), mouth, 2.0, None)
                limit = float(np.quantile(pool, 0.95))
                for n in (10, 30, 60):
                    y = pool[rng.integers(SEATED, size=(n, studies))]
                    by = Grouping(np.zeros(n, dtype=np.int64))
                    found = worst_bounds(y, by, Rule(log2_draws=10))
                    barred = (normality_p(np.log(y), by) < 0.05) & (not found.distribution_free)
                    rows.append(
                        {
                            "implants": str(implants),
                            "errors": kind,
                            "systematic / µm": f"{same:g}",
                            "scans": str(n),
                            "false verified": ((found.bound <= limit) & ~barred).mean(),
                            "false nonconformity": (found.bound_low > limit).mean(),
                            "median bound / limit": float(np.median(found.bound)) / limit,
                        }
                    )
        print(".", end="", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def compact(name: str, frame: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Tables as they are printed; of one pair, a column a design."""
    if name == "seating":
        rows = ["implants", "errors", "systematic / µm"]
        return [
            (what, frame.pivot_table(index=rows, columns="scans", values=what).reset_index())
            for what in frame.columns[4:]
        ]
    if name != "single":
        return [("", frame)]
    size = frame["scans"].astype(str) + " in " + frame["cells"].astype(str)
    wide = frame.assign(design=size.where(frame["cells"] > 1, frame["scans"].astype(str)))
    out = []
    for what in ("false verified", "false nonconformity", "median bound / normal theory"):
        part = wide[wide["errors"] == "normal"] if "median" in what else wide
        rows = part.pivot_table(index=["errors", "bias / sd"], columns="design", values=what)
        order = dict.fromkeys(wide["design"])
        out.append((what, rows.reindex(columns=list(order)).reset_index()))
    return out


PARTS = {
    "single": single,
    "together": together,
    "operators": operators,
    "expanded": expanded,
    "seating": seating,
}


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=400, help="simulated studies a line")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=PARTS, nargs="*", default=list(PARTS))
    chosen = parser.parse_args()
    for name in chosen.only:
        rng = np.random.default_rng(chosen.seed)
        many = 10 * chosen.studies if name == "expanded" else chosen.studies
        error = 2 * math.sqrt(0.95 * 0.05 / many)
        print(f"\n{name}: {many} studies a line, two standard errors {error:.3f} at 0.05\n")
        for title, table in compact(name, PARTS[name](many, rng)):
            print(f"{title}\n" if title else "", markdown(table), "", sep="\n", flush=True)


if __name__ == "__main__":
    main()
