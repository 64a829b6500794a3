"""How often do the tests of the mixed models reject a true null, and find a true effect?

    python tests/simulations/type1_models.py [--draws 1000] [--designs 1 2 3 4 5] [--output FILE]

Five designs of a comparative study, each with an effect on every level: implant count
between models, generation between devices, technique between scans, angulation between
implants. Every effect is zero in one run and as large as stated in another. The nominal
level is 5 %; the bar is 6 % for Kenward-Roger. Prints a Markdown table.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from accstudy.models import fit_mixed

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
from refitted import refit


@dataclass(frozen=True)
class Layout:
    """A study: counts, standard deviations in um, share of rows missing."""

    name: str
    models: int
    devices: int
    scans: int
    implants: int
    missing: float = 0.0
    model_um: float = 10.0
    device_um: float = 8.0
    device_model_um: float = 5.0
    implant_um: float = 8.0
    scan_um: float = 12.0
    residual_um: float = 20.0


LAYOUTS = (
    Layout("4 models, 6 devices, 4 scans, 6 implants", 4, 6, 4, 6),
    Layout("the same, a fifth of the rows missing", 4, 6, 4, 6, missing=0.2),
    Layout("4 models, 3 devices, 6 scans, a fifth of the rows missing", 4, 3, 6, 6, missing=0.2),
    Layout("8 models, 4 devices, 2 scans, 4 implants", 8, 4, 2, 4, scan_um=25.0),
    Layout(
        "6 models, 4 devices, 4 scans, no device spread", 6, 4, 4, 4,
        device_um=0.0, device_model_um=0.0,
    ),
)  # fmt: skip

LEVELS = {"count": "model", "generation": "device", "technique": "scan", "angulation": "implant"}


def frame_of(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """The rows of a study, without a response."""
    rows = [
        (
            f"M{m}", f"D{d}", f"S{m}.{d}.{s}", f"I{i}",
            "46"[m % 2], "ab"[d % 2], "xy"[s % 2], float(10 * ((i + m) % 4)),
        )
        for m in range(layout.models)
        for d in range(layout.devices)
        for s in range(layout.scans)
        for i in range(layout.implants)
    ]  # fmt: skip
    columns = ["model", "device", "scan", "implant", "count", "generation", "technique",
               "angulation"]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    keep = rng.random(len(frame)) >= layout.missing
    frame = frame[keep].reset_index(drop=True)
    return frame.assign(y=rng.normal(size=len(frame)))


def effects_um(layout: Layout) -> dict[str, float]:
    """An effect of each level that is worth finding: about three standard errors."""
    m, d, s, i = layout.models, layout.devices, layout.scans, layout.implants
    rest = layout.residual_um**2
    between = layout.device_model_um**2 / (m * d)
    by_model = layout.model_um**2 / m + layout.implant_um**2 / (m * i) + between
    by_device = layout.device_um**2 / d + between
    scan = layout.scan_um**2 / (m * d * s) + rest / (m * d * s * i)
    implant = layout.implant_um**2 / (m * i) + rest / (m * d * s * i)
    return {
        "count": 3 * 2 * np.sqrt(by_model + scan),
        "generation": 3 * 2 * np.sqrt(by_device + scan),
        "technique": 3 * 2 * np.sqrt(scan),
        "angulation": 3 * np.sqrt(implant) / 11.2,  # 11.2 deg: spread of 0, 10, 20, 30
    }


def response(
    frame: pd.DataFrame, layout: Layout, rng: np.random.Generator, effects: dict[str, float]
) -> np.ndarray:
    """Draw a response."""
    y = rng.normal(0, layout.residual_um, len(frame))
    groups = {
        "model": layout.model_um, "device": layout.device_um,
        "device:model": layout.device_model_um, "model:implant": layout.implant_um,
        "scan": layout.scan_um,
    }  # fmt: skip
    for name, sd in groups.items():
        label = frame[name.split(":")].agg(":".join, axis=1)
        codes, levels = pd.factorize(label)
        y += rng.normal(0, sd, len(levels))[codes] if sd else 0.0
    y += effects.get("count", 0.0) * (frame["count"] == "6")
    y += effects.get("generation", 0.0) * (frame["generation"] == "b")
    y += effects.get("technique", 0.0) * (frame["technique"] == "y")
    y += effects.get("angulation", 0.0) * frame["angulation"]
    return np.asarray(y, float)


def rates(layout: Layout, draws: int, seed: int, effects: dict[str, float]) -> dict:
    """Share of draws in which each test rejects at 5 %."""
    rng = np.random.default_rng(seed)
    frame = frame_of(layout, rng)
    random = ["model", "device", "device:model", "model:implant", "scan"]
    base = fit_mixed("y ~ count + generation + technique + angulation", random, frame)
    rejected = {(m, t): 0 for m in ("kenward-roger", "satterthwaite", "z") for t in LEVELS}
    for _ in range(draws):
        fit = refit(base, response(frame, layout, rng, effects))
        for method in ("kenward-roger", "satterthwaite"):
            terms = fit.coefficients(method=method)
            for i, term in enumerate(LEVELS, start=1):
                rejected[method, term] += terms["p"].iloc[i] < 0.05
        z = terms["estimate"] / terms["se"]  # without small-sample adjustment
        for i, term in enumerate(LEVELS, start=1):
            rejected["z", term] += 2 * stats.norm.sf(abs(z.iloc[i])) < 0.05
    return {key: count / draws for key, count in rejected.items()}


def main() -> None:
    """Run the designs and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=1000)
    parser.add_argument("--designs", type=int, nargs="*", default=[1, 2, 3, 4, 5])
    parser.add_argument("--output", default="")
    options = parser.parse_args()
    head = (
        "| design | level | Kenward-Roger | Satterthwaite | z | effect | power, Kenward-Roger |\n"
        "|---|---|---|---|---|---|---|"
    )
    print(head, flush=True)
    lines = [head]
    for number in options.designs:
        layout = LAYOUTS[number - 1]
        started = time.perf_counter()
        null = rates(layout, options.draws, 1000 + number, {})
        effects = effects_um(layout)
        found = rates(layout, options.draws // 2, 2000 + number, effects)
        for term, level in LEVELS.items():
            unit = "µm per deg" if term == "angulation" else "µm"
            line = (
                f"| {layout.name} | {level} ({term}) | {null['kenward-roger', term]:.1%} | "
                f"{null['satterthwaite', term]:.1%} | {null['z', term]:.1%} | "
                f"{effects[term]:.3g} {unit} | {found['kenward-roger', term]:.0%} |"
            )
            print(line, flush=True)
            lines.append(line)
        print(f"<!-- design {number}: {time.perf_counter() - started:.0f} s -->", flush=True)
    if options.output:
        with open(options.output, "w", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
