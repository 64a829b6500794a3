"""How often do the models of a comparison find a difference between techniques that are alike?

    python tests/simulations/type1_operators.py [--draws 600] [--only TEXT ...]

Studies of the distance deviation of pairs in which nothing has an effect on the mean, while
operators, sessions, scans and implants err in the ways that real ones do: scans are stretched,
each implant is located with an error of its own that all its pairs share, operators or sessions
handle a technique in their own way, a technique locates each implant with an error of its own.
Every term of the leading default model is tested at 5 % by Kenward-Roger; `--random` tries other
random terms. The bar is 7 %. Prints a Markdown table: rejections in percent.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from accstudy.errors import AccstudyError
from accstudy.models import ModelSpec, default_specs
from accstudy.models.likelihood import pieces
from accstudy.models.mixed import MixedFit
from accstudy.models.optimum import Optimum, climb, variances_at
from accstudy.models.results import spec_fit

Floats = np.ndarray


@dataclass(frozen=True)
class Layout:
    """A study: counts, and standard deviations of what varies.

    Stretch is in ppm of the span; errors of position in um along each axis. ``counts`` are
    the implants of every model; with ``turns`` an operator scans every second model in a session.
    """

    name: str
    operators: int = 3
    sessions: int = 3
    repeats: int = 3
    counts: tuple[int, ...] = (6, 6)
    turns: bool = False
    scan_ppm: float = 150.0
    place_um: float = 8.0
    operator_ppm: float = 100.0
    session_ppm: float = 100.0
    operator_technique_ppm: float = 0.0
    session_technique_ppm: float = 0.0
    implant_technique_um: float = 0.0
    scan_ratio: float = 1.0
    kept: float = 1.0


PROTOCOL = Layout(
    "", operators=4, sessions=2, repeats=2, counts=(4, 4, 4, 4, 6, 6, 6, 6), turns=True
)
"""The design of the protocol technique_comparison."""

LAYOUTS = (
    Layout("no interaction"),
    Layout("no interaction, 6 operators", operators=6, sessions=2, repeats=2),
    Layout("no interaction, 4 implants", counts=(4, 4)),
    Layout("operator x technique 200 ppm", operator_technique_ppm=200.0),
    Layout("operator x technique 400 ppm", operator_technique_ppm=400.0),
    Layout("operator x technique 400 ppm, 6 operators", operators=6, sessions=2, repeats=2,
           operator_technique_ppm=400.0),
    Layout("operator x technique 400 ppm, 4 implants", counts=(4, 4), operator_technique_ppm=400.0),
    Layout("session x technique 200 ppm", session_technique_ppm=200.0),
    Layout("session x technique 400 ppm", session_technique_ppm=400.0),
    Layout("session 200 ppm, 6 operators", operators=6, sessions=2, repeats=2, session_ppm=200.0),
    Layout("implant x technique 5 µm", implant_technique_um=5.0),
    Layout("implant x technique 10 µm", implant_technique_um=10.0),
    Layout("implant x technique 10 µm, 4 implants", counts=(4, 4), implant_technique_um=10.0),
    Layout("scan spread 4 : 1, unbalanced", scan_ratio=4.0, kept=0.34),
    Layout("scan spread 1 : 4, unbalanced", scan_ratio=0.25, kept=0.34),
    replace(PROTOCOL, name="the protocol, no interaction"),
    replace(PROTOCOL, name="the protocol, operator x technique 400 ppm",
            operator_technique_ppm=400.0),
    replace(PROTOCOL, name="the protocol, implant x technique 10 µm", implant_technique_um=10.0),
)  # fmt: skip

TILTS_DEG = ((0.0, 20.0, 10.0, 30.0, 5.0, 15.0), (15.0, 5.0, 30.0, 0.0, 25.0, 10.0))


def geometry(layout: Layout) -> pd.DataFrame:
    """Pairs of every model."""
    rows = []
    for m, n in enumerate(layout.counts):
        t = np.linspace(-1.25, 1.25, n)
        place = np.column_stack([23 * np.sin(t), 30 * np.cos(t) - 12, 0.5 * np.cos(3 * t + m)])
        path = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(place, axis=0), axis=1))])
        tilt = TILTS_DEG[m % 2]
        for a, b in combinations(range(n), 2):
            line = place[b] - place[a]
            span = float(np.linalg.norm(line))
            rows.append((f"M{m + 1}", m, n, a, b, span, path[b] - path[a], max(tilt[a], tilt[b]),
                         *(line / span)))  # fmt: skip
    columns = ["model", "m", "n_implants", "a", "b", "span_mm", "path_mm", "angulation_deg",
               "direction_x", "direction_y", "direction_z"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def study(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """Rows of ``pair_deviations`` without the deviations."""
    pairs = geometry(layout)
    scans = pd.DataFrame(
        [
            (f"M{m + 1}", f"operator {o + 1}", str(s + 1), t, r)
            for m in range(len(layout.counts))
            for o in range(layout.operators)
            for s in range(layout.sessions)
            if not layout.turns or (m + m // 2 * o + s) % 2 == 0
            for t in ("A", "B")
            for r in range(layout.repeats)
        ],
        columns=["model", "operator", "session", "technique", "repeat"],
    )
    scans = scans[(scans["technique"] == "A") | (rng.random(len(scans)) < layout.kept)]
    scans["scan"] = [f"s{i}" for i in range(len(scans))]
    frame = scans.merge(pairs, on="model").reset_index(drop=True)
    frame["condition"] = frame["technique"]
    frame["cell"] = frame["operator"] + " / " + frame["session"]
    frame["implant_a"] = "I" + (frame["a"] + 1).astype(str)
    frame["implant_b"] = "I" + (frame["b"] + 1).astype(str)
    frame["steps"] = frame["b"] - frame["a"]
    frame["distance_um"] = rng.normal(size=len(frame))
    return frame


class Errors:
    """Distance deviations of one study without any effect on the mean.

    Levels and directions are worked out once; every draw is a few products.

    Parameters
    ----------
    layout : Layout
        Standard deviations of what varies.
    frame : DataFrame
        The rows.
    """

    def __init__(self, layout: Layout, frame: pd.DataFrame) -> None:
        self.layout = layout
        self.km = frame["span_mm"].to_numpy() / 1000.0  # times ppm gives um
        self.direction = frame[["direction_x", "direction_y", "direction_z"]].to_numpy()
        self.ends = frame["a"].to_numpy(), frame["b"].to_numpy()
        self.own = np.where(frame["technique"] == "B", layout.scan_ratio, 1.0)
        self.frame = frame
        self.levels: dict[tuple[str, ...], tuple[np.ndarray, int]] = {}

    def draw(self, rng: np.random.Generator) -> Floats:
        """One study's deviations, um."""
        lay = self.layout
        y = self._stretch(rng, lay.scan_ppm, "scan") + self._place(rng, lay.place_um, "scan")
        y = self.own * y
        y += self._stretch(rng, lay.operator_ppm, "operator")
        y += self._stretch(rng, lay.session_ppm, "cell")
        y += self._stretch(rng, lay.operator_technique_ppm, "operator", "technique")
        y += self._stretch(rng, lay.session_technique_ppm, "cell", "technique")
        return y + self._place(rng, lay.implant_technique_um, "model", "technique")

    def _level(self, columns: tuple[str, ...]) -> tuple[np.ndarray, int]:
        if columns not in self.levels:
            codes = self.frame.groupby(list(columns), sort=False).ngroup().to_numpy()
            self.levels[columns] = codes, int(codes.max()) + 1
        return self.levels[columns]

    def _stretch(self, rng: np.random.Generator, ppm: float, *columns: str) -> Floats:
        codes, n = self._level(columns)
        return rng.normal(0, ppm, n)[codes] * self.km

    def _place(self, rng: np.random.Generator, um: float, *columns: str) -> Floats:
        codes, n = self._level(columns)
        error = rng.normal(0, um, (n, max(self.layout.counts), 3))
        a, b = self.ends
        return np.sum((error[codes, b] - error[codes, a]) * self.direction, axis=1)


def usual(frame: pd.DataFrame) -> ModelSpec:
    """The leading default model."""
    columns = ["technique", "operator", "session"]
    return default_specs("comparison", columns, condition=["technique"], pairs=frame)[0]


def fitted(base: MixedFit, start: Floats, y: Floats) -> MixedFit:
    """The same model of other deviations, found from a start near the usual answer.

    The last Newton steps of a fit, which change p values by less than 1e-4, are left out.
    """
    problem, mean = base.table.problem(y)
    own = np.maximum(start, 0.02 * start.max()) * (base.problem.scale / problem.scale) ** 2
    at, _, _ = climb(problem, own, close=1e-5)
    return replace(
        base,
        design=replace(base.design, y=y),
        problem=problem,
        offset=np.linalg.solve(base.upper, mean),
        optimum=Optimum(at, pieces(at)),
    )


def rates(layout: Layout, spec: ModelSpec, draws: int, seed: int) -> tuple[pd.Series, int]:
    """Share of draws in which each term is rejected at 5 %; fits that failed."""
    rng = np.random.default_rng(seed)
    frame = study(layout, rng)
    errors = Errors(layout, frame)
    frame["distance_um"] = errors.draw(rng)
    base, _, _ = spec_fit(spec, frame, frame, alignment="")
    start = variances_at(base.optimum.at)
    names, failed = base.tests()["term"], 0
    rejected = pd.Series(0.0, index=names)
    for _ in range(draws):
        try:
            tests = fitted(base, start, errors.draw(rng)).tests()
        except AccstudyError:
            failed += 1
            continue
        rejected += (tests["p"].to_numpy() < 0.05).astype(float)
    return rejected / (draws - failed), failed


def main() -> None:
    """Run the designs and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=600)
    parser.add_argument("--only", nargs="*", default=[""])
    parser.add_argument("--random", nargs="*", default=None)
    options = parser.parse_args()
    print("| design | rejections, % | standard error |\n|---|---|---|", flush=True)
    for number, layout in enumerate(LAYOUTS):
        if not any(text in layout.name for text in options.only):
            continue
        spec = usual(study(layout, np.random.default_rng(0)))
        if options.random:
            spec = replace(spec, random=tuple(options.random))
        started = time.process_time()
        found, failed = rates(layout, spec, options.draws, 7000 + number)
        said = ", ".join(f"{term} {100 * share:.1f}" for term, share in found.items())
        error = 100 * np.sqrt(0.05 * 0.95 / options.draws)
        print(f"| {layout.name} | {said} | {error:.1f} |", flush=True)
        print(f"<!-- {time.process_time() - started:.0f} s, {failed} failed -->", flush=True)


if __name__ == "__main__":
    main()
