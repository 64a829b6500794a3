"""Coverage of the intervals and tolerance bounds of the accuracy room, by simulation.

Prints a table in Markdown. Truth is known: signed normal deviations of unit total
variance, a bias, cells of equal or unequal size, and a share of the variance between
cells. Run as

    python tests/simulations/coverage_accuracy.py --studies 4000 > coverage.md
"""

from __future__ import annotations

import argparse
import math
import sys

import numpy as np
import pandas as pd
from scipy.special import ndtr

from accstudy.accuracy.anova import layouts, one_way_table
from accstudy.accuracy.bounds import Grouping
from accstudy.accuracy.judge import single_bounds, worst_bounds

DESIGNS = (
    (3,), (5,), (10,), (30,),
    (3, 3), (5, 5), (15, 15),
    (1, 1, 1), (3, 3, 3), (10, 10, 10), (2, 3, 10),
    (1, 1, 1, 1, 1), (5, 5, 5, 5), (1, 2, 4, 8),
    (5, 5, 5, 5, 5, 5), (1, 2, 3, 4, 5, 6),
)  # fmt: skip
SHARES = (0.0, 0.3, 0.7)
BIASES = (0.0, 1.0, 3.0)


def one_line(sizes: tuple[int, ...], share: float, studies: int, rng: np.random.Generator) -> dict:
    """Coverage under one design: intervals do not depend on the bias, bounds do."""
    n, p = sum(sizes), len(sizes)
    cell = np.repeat(np.arange(p), sizes)
    noise = rng.normal(0, math.sqrt(share), (studies, p))[:, cell]
    noise = noise + rng.normal(0, math.sqrt(1 - share), (studies, n))
    group, cells = np.repeat(np.arange(studies), n), np.tile(cell, studies)
    row: dict = {"scans": n, "cells": p, "sizes": "+".join(map(str, sizes)), "share": share}
    row |= dict.fromkeys(("bias", "s_r", "s_I"), math.nan)
    for bias in BIASES:
        found = layouts((noise + bias).ravel(), group, cells)
        if bias == 0:
            t = one_way_table(found)
            row["bias"] = ((t["bias_low"] < 0) & (t["bias_high"] > 0)).mean()
            inside = math.sqrt(1 - share)
            if n > p:
                row["s_r"] = ((t["s_r_low"] < inside) & (t["s_r_high"] > inside)).mean()
            if p > 1:
                row["s_I"] = ((t["s_I_low"] < 1) & (t["s_I_high"] > 1)).mean()
        b = single_bounds((noise + bias).T, Grouping(cell))

        inside = ndtr(b.bound - bias) - ndtr(-b.bound - bias)
        row[f"bound, bias {bias:g}"] = (inside >= 0.95).mean()
        row[f"median bound, bias {bias:g}"] = float(np.median(b.bound))
    return row


def worst_line(
    implants: int, sizes: tuple[int, ...], studies: int, rng: np.random.Generator
) -> dict:
    """Coverage of the bound of a scan's worst pair, random-walk errors along an arch."""
    angle = np.linspace(0, np.pi, implants)
    place = np.column_stack([22 * np.cos(angle), 25 * np.sin(angle)])
    a, b = np.triu_indices(implants, 1)
    away = place[b] - place[a]
    away /= np.linalg.norm(away, axis=1, keepdims=True)

    def worst(walk: np.ndarray) -> np.ndarray:
        return np.abs(((walk[..., b, :] - walk[..., a, :]) * away).sum(-1)).max(-1)

    def walks(*shape: int) -> np.ndarray:
        return rng.normal(0, 10, (*shape, implants, 2)).cumsum(axis=-2)

    between = 0.0 if len(sizes) == 1 else 0.7
    truth = np.quantile(worst(walks(200_000) + between * walks(200_000)), 0.95)
    cell = np.repeat(np.arange(len(sizes)), sizes)
    value = worst(between * walks(studies, len(sizes))[:, cell] + walks(studies, len(cell)))
    found = worst_bounds(value.T, Grouping(cell))
    return {
        "implants": implants,
        "pairs": len(a),
        "sizes": "+".join(map(str, sizes)),
        "bound": (found.bound >= truth).mean(),
        "median bound / truth": float(np.median(found.bound)) / truth,
    }


def markdown(rows: list[dict]) -> str:
    """A table with two or three digits."""
    frame = pd.DataFrame(rows)
    text = frame.map(lambda v: "" if v != v else f"{v:.3f}" if isinstance(v, float) else str(v))
    lines = ["| " + " | ".join(text.columns) + " |", "|" + "---|" * len(text.columns)]
    lines += ["| " + " | ".join(r) + " |" for r in text.itertuples(index=False)]
    return "\n".join(lines)


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=1000, help="simulated studies a line")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    error = 2 * math.sqrt(0.95 * 0.05 / chosen.studies)
    print(f"Nominal 0.950; two standard errors of the simulation {error:.3f}.\n")
    rows = []
    for sizes in DESIGNS:
        for share in SHARES if len(sizes) > 1 and max(sizes) > 1 else (0.0,):
            rows.append(one_line(sizes, share, chosen.studies, rng))
            print(".", end="", file=sys.stderr, flush=True)
    print(markdown(rows))
    print("\nBound of the worst pair of a scan:\n")
    print(
        markdown(
            [
                worst_line(implants, sizes, chosen.studies, rng)
                for implants in (3, 4, 6, 8)
                for sizes in ((10,), (30,), (5, 5, 5), (5,) * 6)
            ]
        )
    )


if __name__ == "__main__":
    main()
