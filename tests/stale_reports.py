"""Are the example reports in reports/ those that the sample studies give now?

    python tests/stale_reports.py

Compares the text of the pages, without the record (digests, versions), and exits
with 1 where something differs. `make reports` makes them anew.
"""

from __future__ import annotations

import difflib
import re
import sys
from pathlib import Path

import pypdfium2

ROOT = Path(__file__).parents[1]


def text_of(pdf: Path) -> list[str]:
    """Lines of a report up to its record; digests and versions left out."""
    with pypdfium2.PdfDocument(pdf) as document:
        pages = "\n".join(page.get_textpage().get_text_range() for page in document)
    said = pages.replace("\r\n", "\n").split("\nRecord\n")[0]
    said = re.sub(r"\b[0-9a-f]{16,64}\b", "DIGEST", said)
    said = re.sub(r"\b(python|numpy|scipy|pandas|accstudy) \d+(\.\d+)+", r"\1 VERSION", said)
    return [line.strip() for line in said.splitlines() if line.strip()]


def main() -> int:
    """Compare the three reports; return the exit code."""
    stale = 0
    for kind in ("validation", "comparison", "drift"):
        kept = ROOT / "reports" / f"{kind}.pdf"
        made = ROOT / "sample_study" / kind / "reports" / f"{kind}.pdf"
        if not kept.is_file() or not made.is_file():
            print(f"{kind}: {'kept' if made.is_file() else 'new'} report is missing")
            stale = 1
            continue
        diff = list(difflib.unified_diff(text_of(kept), text_of(made), "kept", "made", n=0))
        if diff:
            stale = 1
            print(f"{kind}: reports/{kind}.pdf is stale; call `make reports`")
            print("\n".join(diff[:20]))
        else:
            print(f"{kind}: up to date")
    return stale


if __name__ == "__main__":
    sys.exit(main())
