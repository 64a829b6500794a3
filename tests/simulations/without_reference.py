"""Does a study without a reference say what the same study says with one?

    python tests/simulations/without_reference.py [--studies 200] [--seed 1]

First the invented studies of `sample_study` that bring positions: every standard deviation with
the measured reference and about the mean arrangement of the same scans. Then simulated comparisons
of two techniques, B longer by 10 µm or by nothing, scanned on all models or B on half of them:
estimate, coverage of the 95 % interval and rate of "shown" (a) with the reference, (b) without it
as the program does, a fixed effect a pair, and (c) without it and a random effect a pair, which it
does not do.
Prints Markdown tables.
"""

from __future__ import annotations

import argparse
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

from accstudy.accuracy.summary import accuracy_table
from accstudy.compare.align import mean_arrangement
from accstudy.compare.deviations import implant_deviations, pair_deviations
from accstudy.models.means import contrasts
from accstudy.models.responses import unreferenced
from accstudy.models.results import spec_fit
from accstudy.models.specs import ModelSpec
from accstudy.stages.references import references_with_scans
from accstudy.study.load import load_study

SAMPLES = Path(__file__).parents[2] / "sample_study"
ON = ["condition", "model", "measurand", "subject"]
SPEC = ModelSpec(
    "distance",
    "pair.distance_um",
    "technique",
    ("pair", "condition:pair", "operator", "operator:technique", "scan"),
)
DIFFERENCE_UM = 10.0


def sample_ratios(kind: str) -> pd.DataFrame:
    """Ratio of every standard deviation without the reference to that with it."""
    study = load_study(SAMPLES / kind)
    found: dict[str, list[tuple[pd.DataFrame, pd.DataFrame]]] = {"with": [], "without": []}
    for reference, scans in references_with_scans(study):
        poses = study.given_poses[study.given_poses["scan"].isin(scans)]
        one = poses[poses["scan"] == poses["scan"].iloc[0]].set_index("implant")
        start = reference.copy()
        for column in ("x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"):
            start[column] = one.loc[reference["implant"], column].to_numpy()
        learned = mean_arrangement(poses, start).assign(angulation_by="")
        for name, rows in (("with", reference), ("without", learned)):
            tables = (pair_deviations(poses, rows), implant_deviations(poses, rows))
            found[name].append(tables)
    groups = study.scans[["scan", "condition", "cell"]]
    tables = {
        name: accuracy_table(
            *(
                pd.concat(t).drop(columns=["condition", "cell"]).merge(groups, on="scan")
                for t in zip(*parts, strict=True)
            )
        )
        for name, parts in found.items()
    }
    both = tables["with"].merge(tables["without"], on=ON, suffixes=("", "_alone"))
    assert len(both) == len(tables["with"])
    return both.assign(**{c: both[f"{c}_alone"] / both[c] for c in ("s_r", "s_I")})


def print_ratios() -> None:
    """Smallest and largest ratio of every measurand, both samples."""
    print("| measurand | n | s_r, smallest to largest ratio | s_I |\n|---|---|---|---|")
    every = pd.concat([sample_ratios(kind) for kind in ("comparison", "drift")])
    for measurand, rows in every.groupby("measurand", sort=False):
        ends = [f"{rows[c].min():.4f} to {rows[c].max():.4f}" for c in ("s_r", "s_I")]
        print(f"| `{measurand}` | {len(rows)} | {ends[0]} | {ends[1]} |")


def comparison(rng: np.random.Generator, *, difference: float, half: bool) -> pd.DataFrame:
    """Deviations of the pairs of four models of four implants, three operators, three repeats."""
    rows = []
    pairs = list(combinations(("I1", "I2", "I3", "I4"), 2))
    operators = rng.normal(0, 4.0, 3)
    handling = rng.normal(0, 3.0, (3, 2))
    for m in range(4):
        bias = rng.normal(0, 15.0, 6)  # of this pair, whatever scans it
        own = rng.normal(0, 3.0, (6, 2))
        for t, technique in enumerate("AB"):
            if half and technique == "B" and m > 1:
                continue
            for o in range(3):
                for r in range(3):
                    scan = rng.normal(0, 5.0) + operators[o] + handling[o, t]
                    values = bias + own[:, t] + scan + rng.normal(0, 8.0, 6) + t * difference
                    name = f"{m}{technique}{o}{r}"
                    for (a, b), value in zip(pairs, values, strict=True):
                        rows.append((name, f"M{m}", a, b, technique, f"op{o}", value))
    columns = ["scan", "model", "implant_a", "implant_b", "technique", "operator", "distance_um"]
    frame = pd.DataFrame(rows, columns=columns)
    return frame.assign(condition=frame["technique"], cell=frame["operator"], path_mm=20.0)


def told(frame: pd.DataFrame, spec: ModelSpec) -> tuple[float, float, float, float]:
    """Estimate of B - A with its interval and p value."""
    fit, _, _ = spec_fit(spec, frame, frame, alignment="")
    row = contrasts(fit, "technique", pairs=[("B", "A")]).iloc[0]
    return tuple(float(row[c]) for c in ("estimate", "low", "high", "p"))  # type: ignore[return-value]


def print_comparisons(n: int, seed: int) -> None:
    """What each way says of the difference of two techniques."""
    print("\n| scanned | true | analysis | mean estimate | 95 % interval covers it | shown |")
    print("|---|---|---|---|---|---|")
    for half in (False, True):
        for difference in (0.0, DIFFERENCE_UM):
            found: dict[str, list[tuple[float, ...]]] = {}
            for k in range(n):
                rng = np.random.default_rng([seed, k, half, int(difference)])
                frame = comparison(rng, difference=difference, half=half)
                by = frame.groupby(["model", "implant_a", "implant_b"])["distance_um"]
                alone = frame.assign(distance_um=frame["distance_um"] - by.transform("mean"))
                for way, data, spec in (
                    ("with the reference", frame, SPEC),
                    ("without, fixed pairs", alone, unreferenced(SPEC)),
                    ("without, random pairs", alone, SPEC),
                ):
                    found.setdefault(way, []).append(told(data, spec))
            where = "B on half of the models" if half else "both on all models"
            for way, rows in found.items():
                estimate, low, high, p = np.array(rows).T
                holds = np.mean((low <= difference) & (difference <= high))
                print(
                    f"| {where} | {difference:g} µm | {way} | {estimate.mean():+.2f} µm "
                    f"| {holds:.3f} | {np.mean(p < 0.05):.3f} |",
                    flush=True,
                )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print_ratios()
    print_comparisons(options.studies, options.seed)
