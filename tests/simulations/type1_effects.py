"""False findings of the effect of implant count and of the lack-of-fit tests, models alike.

    OMP_NUM_THREADS=1 python tests/simulations/type1_effects.py [--draws 300]

Studies of two techniques by four operators. Models differ by chance, techniques differ on a
model by chance, nothing depends on the number of implants, and means are straight lines. Prints
the share of studies in which each is found at 5 %.
"""

from __future__ import annotations

import argparse
from itertools import combinations

import numpy as np
import pandas as pd

from accstudy.models.checks import lack_of_fit
from accstudy.models.means import effect_table
from accstudy.models.mixed import fit_mixed

COUNTS = {
    "2, 4, 6, 8": (2, 4, 6, 8),
    "4, 5, 6": (4, 5, 6),
    "4, 4, 6, 6": (4, 4, 6, 6),
    "4, 6, four of each": (4, 4, 4, 4, 6, 6, 6, 6),
}


def scans_of(rng: np.random.Generator, counts: tuple[int, ...], model_sd: float) -> pd.DataFrame:
    """Rows of whole scans: model, technique on a model, operator and cell vary by chance."""
    rows = []
    operators = rng.normal(0, 2, 4)
    cells = rng.normal(0, 2, (4, 2))
    for m, count in enumerate(counts):
        model, own = rng.normal(0, model_sd), rng.normal(0, model_sd / 2, 2)
        for o in range(4):
            for t in range(2):
                for _ in range(2):
                    value = 30 + model + own[t] + operators[o] + cells[o, t] + rng.normal(0, 8)
                    rows.append((f"M{m}", count, f"op{o}", "AB"[t], f"{o}{t}", value))
    names = ["model", "n_implants", "operator", "technique", "cell", "worst"]
    return pd.DataFrame(rows, columns=names).assign(condition=lambda f: f["technique"])


def pairs_of(rng: np.random.Generator) -> pd.DataFrame:
    """Rows of pairs of two models of 6 implants; a path slope of each operator and technique."""
    rows, tilts = [], [0.0, 15.0, 30.0, 10.0, 25.0, 5.0]
    sites: dict[tuple[str, int, int], float] = {}
    slope = rng.normal(0, 0.2, (4, 2))
    for m in range(2):
        for o in range(4):
            for t in range(2):
                scan, stretch = rng.normal(0, 8), rng.normal(0, 0.1)
                for a, b in combinations(range(6), 2):
                    site = sites.setdefault((f"M{m}", a, b), rng.normal(0, 4))
                    path, tilt = 12.0 * (b - a), max(tilts[(a + m) % 6], tilts[(b + m) % 6])
                    value = scan + site + (slope[o, t] + stretch) * path + rng.normal(0, 8)
                    rows.append((f"M{m}", f"{m} {a} {b}", f"{m}{o}{t}", f"op{o}", "AB"[t], path,
                                 tilt, value))  # fmt: skip
    names = ["model", "site", "scan", "operator", "technique", "path_mm", "angulation_deg", "y"]
    return pd.DataFrame(rows, columns=names).assign(condition=lambda f: f["technique"])


def main() -> None:
    """Run the studies and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=300)
    draws = parser.parse_args().draws
    print("| design | found at 5 % | studies |\n|---|---|---|")
    random = ("model", "condition:model", "operator", "operator:technique")
    for name, counts in COUNTS.items():
        for sd in (0.0, 5.0):
            p = []
            for seed in range(draws):
                frame = scans_of(np.random.default_rng([seed, len(counts)]), counts, sd)
                fit = fit_mixed("worst ~ technique * n_implants", random, frame)
                table = effect_table(fit, "scan.worst_distance_um")
                p.append((table["p"].iloc[0], table["p_interaction"].iloc[0]))
            main_, crossed = (np.array(p) < 0.05).mean(axis=0)
            what = f"counts {name}, SD between models {sd:g} µm"
            print(f"| {what}: count | {main_:.1%} | {draws} |", flush=True)
            print(f"| {what}: technique x count | {crossed:.1%} | {draws} |", flush=True)
    found: dict[str, list[bool]] = {}
    random = ("model", "site", "operator", "operator:technique", "scan", "path_mm | scan",
              "path_mm | operator:technique")  # fmt: skip
    for seed in range(draws // 3):
        frame = pairs_of(np.random.default_rng([seed, 7]))
        fit = fit_mixed("y ~ technique + path_mm + angulation_deg", random, frame)
        tests = lack_of_fit(fit).tests
        for row in tests.itertuples():
            found.setdefault(f"{row.missing}, {row.covariate}", []).append(row.p < 0.05)
        found.setdefault("any, after Holm", []).append(bool((tests["p_holm"] < 0.05).any()))
    for name, hits in found.items():
        print(f"| lack of fit: {name} | {np.mean(hits):.1%} | {len(hits)} |", flush=True)


if __name__ == "__main__":
    main()
