"""The sample studies give the same numbers whatever the processor.

    python tests/processors.py FOLDER [--fewer] [PYTHON ...]

Runs the three sample studies up to their tables with the kernels of linear algebra
that this processor chooses, with those of two others, and with each further PYTHON (an
environment with other libraries); compares all of them with each other as `accstudy
audit` does, and has each kernel's record audited under each other. With --fewer the
studies have fewer scans, this and the oldest processor run them, and nothing is audited.
Exits with 1 where something differs. Runs go into FOLDER.

The oldest processor is imitated whole: numpy and the C library do without the
instructions that it lacks, too. Kernels that this processor cannot run are left out.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from itertools import combinations, permutations
from pathlib import Path

import pandas as pd

from accstudy.dictionary import table_difference
from accstudy.study.record import computer

ROOT = Path(__file__).parents[1]
KINDS = ("validation", "comparison", "drift")
FEWER = {
    "validation": "repeat == '1' and session == '1'",
    "comparison": "operator in ('operator 1', 'operator 2') and technique != 'technique C' "
    "and model in ('M4-15a', 'M6-30a')",
    "drift": "device == 'device A'",
}
OLD = {
    "OPENBLAS_CORETYPE": "Nehalem",
    "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4 AVX2 FMA3 AVX512F AVX512_SKX",
    "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX512F,-AVX2,-FMA,-FMA4,-AVX",
}
RUN = """
import sys
from pathlib import Path
from accstudy.pipeline import run_study
from accstudy.study.record import computer
for folder in sys.argv[1:]:
    run_study(Path(folder), until="analyze")
print(computer()["linear algebra"])
"""
AUDIT = """
import sys
from pathlib import Path
from accstudy.audit import audit_study
findings = [(folder, f) for folder in sys.argv[1:] for f in audit_study(Path(folder)).findings]
print(*findings, sep="\\n")
sys.exit(len(findings) > 0)
"""


def processors() -> dict[str, dict[str, str]]:
    """Environments by name, this processor's own first; the kernels are OpenBLAS's."""
    flags = Path("/proc/cpuinfo").read_text(encoding="utf-8").split()
    here = computer().get("linear algebra", "").lower()
    kinds = (("Haswell", "avx2"), ("SkylakeX", "avx512dq"), ("Sandybridge", "avx"))
    known = [name for name, needed in kinds if needed in flags and name.lower() not in here]
    return {"here": {}, "nehalem": OLD} | {k.lower(): {"OPENBLAS_CORETYPE": k} for k in known[:1]}


def thin(study: Path) -> None:
    """Leave scans out of a study, and its second model."""
    scans = pd.read_csv(study / "scans.csv", dtype=str)
    scans = scans.query(FEWER[study.name])
    scans.to_csv(study / "scans.csv", index=False)
    settings = study / "study.toml"
    first, *more = settings.read_text(encoding="utf-8").split("[[model]]")
    settings.write_text("[[model]]".join([first, *more[:1]]), encoding="utf-8")
    if (study / "poses.csv").is_file():
        poses = pd.read_csv(study / "poses.csv", dtype=str)
        poses[poses["scan"].isin(scans["scan"])].to_csv(study / "poses.csv", index=False)


def run(name: str, python: str, environment: dict[str, str], folder: Path, fewer: bool) -> str:
    """Run all samples in an environment; return the kernels that were used."""
    shutil.rmtree(folder / name, ignore_errors=True)
    studies = [folder / name / kind for kind in KINDS]
    for study in studies:
        ignored = shutil.ignore_patterns("results", "reports", ".accstudy")
        shutil.copytree(ROOT / "sample_study" / study.name, study, ignore=ignored)
        if fewer:
            thin(study)
    done = subprocess.run(
        [python, "-W", "ignore", "-c", RUN, *map(str, studies)],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"{name}: {done.stderr}")
    return done.stdout.strip().splitlines()[-1]


def compare(one: Path, other: Path) -> int:
    """Print and count the tables that differ between two runs."""
    differ = 0
    for kind in KINDS:
        tables = [{p.name for p in (r / kind / "results").glob("*.csv")} for r in (one, other)]
        for file in sorted(tables[0] ^ tables[1]):
            differ += 1
            print(f"  {kind}/{file}: one of the two lacks it")
        rounding = 0
        for file in sorted(tables[0] & tables[1]):
            then, now = ((r / kind / "results" / file).read_bytes() for r in (one, other))
            found = table_difference(file.removesuffix(".csv"), then, now)
            rounding += found.rounding
            if found.cells:
                differ += 1
                at = f"{found.row}:{found.column}"
                print(f"  {kind}/{file}:{at}: {found.first} ({found.cells} cells)")
        if rounding:
            print(f"  {kind}: {rounding} numbers differ by one unit in the last digit")
    return differ


def main() -> int:
    """Run and compare; return the exit code."""
    folder, fewer = Path(sys.argv[1]), "--fewer" in sys.argv
    others = [word for word in sys.argv[2:] if word != "--fewer"]
    kinds = processors()
    running = list(kinds)[:2] if fewer else kinds
    runs = [(name, sys.executable, kinds[name]) for name in running]
    runs += [(f"libraries-{i}", python, {}) for i, python in enumerate(others)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        kernels = list(pool.map(lambda one: run(*one, folder, fewer), runs))
    for (name, *_), kernel in zip(runs, kernels, strict=True):
        print(f"{name}: {kernel}")
    differ = 0
    for (one, *_), (other, *_) in combinations(runs, 2):
        print(f"{one} against {other}")
        differ += compare(folder / one, folder / other)
    jobs = [
        (one, other, kind)
        for kind in ("comparison", "validation", "drift")  # the longest first
        for one, other in ([] if fewer else permutations(kinds, 2))
    ]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        audits = list(pool.map(lambda job: audit(folder, kinds, *job), jobs))
    return int(differ > 0 or not all(audits))


def audit(folder: Path, kinds: dict[str, dict[str, str]], one: str, other: str, kind: str) -> bool:
    """Whether what one processor recorded of a study is found as recorded by another."""
    done = subprocess.run(
        [sys.executable, "-c", AUDIT, str(folder / one / kind)],
        env={**os.environ, **kinds[other]},
        capture_output=True,
        text=True,
        check=False,
    )
    print(f"{kind} recorded by {one}, audited by {other}: exit {done.returncode}", flush=True)
    if done.returncode:
        print(done.stdout, done.stderr)
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(main())
