"""How long a long report takes: six devices, every section.

Run: ``python tests/benchmarks/bench_report.py``
"""

import importlib
import io
import sys
import time
from pathlib import Path

from pypdf import PdfReader

from accstudy.reports.render import render_report

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))
invented = importlib.import_module("invented")


def main():
    content = invented.validation(devices=tuple(f"device {c}" for c in "ABCDEF"))
    for run in ("first", "second"):
        wall, cpu = time.perf_counter(), time.process_time()
        made = render_report("validation", content)
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        pages = len(PdfReader(io.BytesIO(made.pdf)).pages)
        print(
            f"{run} report: {pages} pages, {len(made.figures)} figures in {wall:.1f} s "
            f"({cpu:.1f} s of processor)"
        )


if __name__ == "__main__":
    main()
