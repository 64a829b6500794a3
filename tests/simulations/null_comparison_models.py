"""The default models on simulated comparisons of three techniques that are alike.

    python tests/simulations/null_comparison_models.py [--studies 20]

The scanner stretches scans by operator and session, walks along the arch and shifts single
implants, so the rows do not come from the model that is fitted. Prints how often each term of
each default model is found at 5 %: terms of technique should be found in 5 % of the studies;
path and angulation act in truth and are shown for comparison. The same without random slopes.
"""

from __future__ import annotations

import argparse
import io
from dataclasses import replace

import pandas as pd

from accstudy.compare.deviations import pair_deviations
from accstudy.models import ModelSpec, default_specs
from accstudy.models.results import spec_fit
from accstudy.simulate.scanner import simulate_positions
from accstudy.simulate.studies import TECHNIQUES, comparison_files
from accstudy.tables import read_csv


def pairs_of(seed: int) -> pd.DataFrame:
    """Pair deviations of a study in which every technique is technique A."""
    files = comparison_files(seed)
    truth = read_csv("implants", io.BytesIO(files["truth/implants.csv"]))
    scans = read_csv("scans", io.BytesIO(files["scans.csv"]))
    found = simulate_positions(truth, scans, TECHNIQUES["technique A"], seed=seed)
    tables = [
        pair_deviations(found.poses[found.poses["model"] == model], reference)
        for model, reference in truth.groupby("model", sort=False)
    ]
    own = ["condition", "cell"]
    pairs = pd.concat(tables, ignore_index=True).drop(columns=own, errors="ignore")
    pairs = pairs.merge(scans[["scan", "technique", "operator", "session"]], on="scan")
    cell = pairs["operator"] + " / " + pairs["session"].astype(str)
    return pairs.assign(condition=pairs["technique"], cell=cell)


def specs_of(pairs: pd.DataFrame) -> list[ModelSpec]:
    """Default models of pairs, with and without random slopes."""
    specs = default_specs("comparison", ["technique", "operator"], pairs=pairs)
    specs = [s for s in specs if "pair." in s.response and s.name != "angle"]
    plain = [
        replace(s, name=s.name + ", intercepts only",
                random=tuple(r for r in s.random if "|" not in r))
        for s in specs
    ]  # fmt: skip
    return specs + plain


def main() -> None:
    """Run the studies and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=20)
    rows = []
    for seed in range(1, parser.parse_args().studies + 1):
        pairs = pairs_of(seed)
        for spec in specs_of(pairs):
            fit, _, _ = spec_fit(spec, pairs, pairs, alignment="all-implants")
            tests = fit.tests()
            rows += [(spec.name, t, p) for t, p in zip(tests["term"], tests["p"], strict=True)]
    table = pd.DataFrame(rows, columns=["model", "term", "p"])
    table["found"] = table["p"] < 0.05
    rate = table.pivot_table("found", "term", "model", aggfunc="mean")
    print(rate.map("{:.0%}".format).to_string())


if __name__ == "__main__":
    main()
