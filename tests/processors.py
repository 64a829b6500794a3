"""The sample studies give the same numbers whatever the processor.

    python tests/processors.py FOLDER [PYTHON ...]

Takes the results of the sample studies as this processor made them (`make demo`), runs
the studies up to their tables with the kernels of linear algebra of two other
processors, and with each further PYTHON (an environment with other libraries);
compares all of them with each other as `accstudy audit` does, and has the records of
one kernel audited under another. Exits with 1 where something differs. Runs go into
FOLDER.

The oldest processor is imitated whole: numpy and the C library do without the
instructions that it lacks, too. Kernels that this processor cannot run are left out.
"""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from accstudy.difference import table_difference
from accstudy.study.computer import computer

ROOT = Path(__file__).parents[1]
KINDS = ("validation", "comparison", "drift")
OLD = {
    "OPENBLAS_CORETYPE": "Nehalem",
    "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4 AVX2 FMA3 AVX512F AVX512_SKX",
    "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX512F,-AVX2,-FMA,-FMA4,-AVX",
}
RUN = """
import sys
from pathlib import Path
from accstudy.pipeline import run_study
from accstudy.study.computer import computer
for folder in sys.argv[1:]:
    run_study(Path(folder), until="analyze")
print(computer()["linear algebra"])
"""


def processors() -> dict[str, dict[str, str]]:
    """Environments by name, other than this processor's own; the kernels are OpenBLAS's."""
    flags = Path("/proc/cpuinfo").read_text(encoding="utf-8").split()
    here = computer().get("linear algebra", "").lower()
    kinds = (("Haswell", "avx2"), ("SkylakeX", "avx512dq"), ("Sandybridge", "avx"))
    known = [name for name, needed in kinds if needed in flags and name.lower() not in here]
    return {"nehalem": OLD} | {k.lower(): {"OPENBLAS_CORETYPE": k} for k in known[:1]}


def run(name: str, python: str, environment: dict[str, str], folder: Path) -> str:
    """Run all samples in an environment; return the kernels that were used."""
    shutil.rmtree(folder / name, ignore_errors=True)
    studies = [folder / name / kind for kind in KINDS]
    for study in studies:
        ignored = shutil.ignore_patterns("results", "reports", ".accstudy")
        shutil.copytree(ROOT / "sample_study" / study.name, study, ignore=ignored)
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
            print(f"  {kind}: {rounding} numbers differ by one unit of their last digit")
    return differ


def main() -> int:
    """Run and compare; return the exit code."""
    folder = Path(sys.argv[1])
    runs = [(name, sys.executable, extra) for name, extra in processors().items()]
    runs += [(f"libraries-{i}", python, {}) for i, python in enumerate(sys.argv[2:])]
    made = {"here": ROOT / "sample_study"} | {name: folder / name for name, *_ in runs}
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        kernels = list(pool.map(lambda one: run(*one, folder), runs))
    for (name, *_), kernel in zip(runs, kernels, strict=True):
        print(f"{name}: {kernel}")
    differ = 0
    for one, other in itertools.combinations(made, 2):
        print(f"{one} against {other}")
        differ += compare(made[one], made[other])
    print("audit of what this processor recorded, under an old one")
    audit = [sys.executable, "-m", "accstudy", "audit", str(made["here"] / "validation")]
    done = subprocess.run(audit, env={**os.environ, **OLD}, check=False)
    return int(bool(differ or done.returncode))


if __name__ == "__main__":
    sys.exit(main())
