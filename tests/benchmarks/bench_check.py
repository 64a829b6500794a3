"""Cost of checking a study of many scans, beside that of reading its scans.

python tests/benchmarks/bench_check.py [SCANS] [TRIANGLES]      default 200 60000

Processor seconds in one process, both parts twice in turn, the lesser counts. Reading is
reading alone: bytes, triangles, what is wrong with them. Checking is all of `accstudy check`:
the tables, every scan read and compared with the others, one scan tried on its model.

On a busy virtual x86-64 machine: 200 scans of 60 000 triangles 5.6 and 5.7 s, ratio 1.03;
of 8 000 triangles 0.8 and 1.0 s, ratio 1.26.
"""

from __future__ import annotations

import runpy
import sys
import tempfile
import time
from pathlib import Path

from accstudy.errors import Severity
from accstudy.mesh.read import study_mesh
from accstudy.stages.check import check_study
from accstudy.study.files import Files

write_study = runpy.run_path(str(Path(__file__).with_name("bench_large.py")))["write_study"]


def read_all(folder: Path) -> None:
    """Read every scan and do nothing with it."""
    files = Files(folder)
    for path in sorted((folder / "scans").iterdir()):
        study_mesh(files, f"scans/{path.name}", length_unit="mm")


def check_all(folder: Path) -> None:
    """Check the study as the command does."""
    faults = [f for f in check_study(folder) if f.severity is Severity.ERROR]
    if faults:
        raise SystemExit(str(faults[0]))


def main() -> None:
    """Print seconds and their ratio."""
    given = [int(a) for a in sys.argv[1:]]
    scans, triangles = [*given, *(200, 60_000)[len(given) :]]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        write_study(folder, scans, triangles=triangles)
        study_mesh(Files(folder), "scans/s0000.stl", length_unit="mm")  # modules are loaded
        seconds: dict[str, list[float]] = {}
        for _ in range(2):
            for job in (read_all, check_all):
                start = time.process_time()
                job(folder)
                seconds.setdefault(job.__name__, []).append(time.process_time() - start)
    read, check = (min(values) for values in seconds.values())
    print(f"{scans} scans of {triangles} triangles: reading {read:.1f} s, check {check:.1f} s, "
          f"ratio {check / read:.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
