"""Whole pages from kept tables, as somebody has read and approved them.

A difference is not a fault, but a change that somebody is to look at: run the tests with
``APPROVE=1`` and read what git says has changed. That the approved numbers are those of the
tables is tested elsewhere (test_cells.py, tests/figures).
"""

import dataclasses
import difflib
import os
from pathlib import Path

import pypdfium2
import pytest
from kept_studies import NAMES, around_text, blocks_text, kept, page_text
from sheet_rows import rows, sheet

from accstudy.reports import document, render
from accstudy.reports.validation import unreferenced_report

APPROVED = Path(__file__).parent / "approved"


def compare(name, found):
    file = APPROVED / f"{name}.txt"
    if os.environ.get("APPROVE"):
        file.write_text(found, encoding="utf-8")
    was = file.read_text(encoding="utf-8")
    lines = difflib.unified_diff(was.splitlines(), found.splitlines(), "approved", "now", n=0)
    assert found == was, "\n".join([*lines][:60])


def one_precision():
    """Of the study without a reference one device, with which nothing is compared."""
    _, content = kept("precision")
    own = {k: t for k, t in content.tables.items() if not k.startswith("model_")}
    tables = {k: t[t["condition"] == "device A"] if "condition" in t else t for k, t in own.items()}
    return "validation", dataclasses.replace(content, tables=tables)


def bare():
    """One device without limits, dates and names, against a reference that is a scan."""
    _, content = kept("one-device")
    settings = {k: v for k, v in content.settings.items() if k not in ("limits", "study")}
    settings["reference"] = {**settings["reference"], "kind": "scan", "mpe_um": None}
    without = ("conformity", "supported_spans", "span_curve", "findings", "failures")
    tables = {k: t for k, t in content.tables.items() if k not in without}
    tables["scans"] = tables["scans"].drop(columns=["measured_at", "reason"])
    return "validation", dataclasses.replace(
        content, settings=settings, tables=tables, generated="", who="A. Three"
    )


VARIANTS = {"one-precision": one_precision, "bare": bare}


@pytest.mark.parametrize("name", [*NAMES, *VARIANTS])
def test_pages_are_as_approved(name, monkeypatch):
    monkeypatch.setattr(document, "printed_svg", lambda figure: b"")
    kind, content = VARIANTS[name]() if name in VARIANTS else kept(name)
    unreferenced = not content.referenced and kind != "drift"
    parts = (unreferenced_report if unreferenced else render.KINDS[kind])(content)
    monkeypatch.setattr(render, "unreferenced_report", lambda content: parts)
    monkeypatch.setitem(render.KINDS, kind, lambda content: parts)
    compiled = []
    monkeypatch.setattr(render, "compile_pdf", lambda *given: compiled.append(given) or b"")
    render.render_report(kind, content)
    compare(name, around_text(*compiled[0]) + page_text(*parts))


def test_sheets_are_as_approved(monkeypatch):
    compiled = []
    monkeypatch.setattr(render, "compile_pdf", lambda *given: compiled.append(given) or b"")
    plan = sheet(6).assign(operator=["operator 1"] * 4 + ["operator 2"] * 2)
    plan.loc[5, "session"] = "after service"
    render.bench_sheet(plan, title="Plan", order="Drawn with seed 7.", notes=("warm up.", "wait"))
    record = {
        "accstudy": "0.1.0", "program": "abc", "versions": {"python": "3.11", "numpy": "2"},
        "platform": "Linux", "seconds": 2.5, "not_computed": ["GUM: a", "GUM: b", "ISO 5725: c"],
        "by_kind": {"printed": 2, "from memory": 1},
    }  # fmt: skip
    for agrees, day in (([True, False, True], "2026-01-02"), ([True, True, True], "")):
        render.selftest_record(rows(agrees), record, generated=day)
    found = [around_text(*one) + blocks_text(one[0]["blocks"]) for one in compiled]
    compare("sheets", "\n".join(found))


@pytest.mark.parametrize("kind", ["validation", "comparison", "drift"])
def test_places_on_the_pages_are_as_approved(kind, reports):
    """Where every heading, caption and name of a paragraph stands, in millimetres from above."""
    found = []
    with pypdfium2.PdfDocument(reports[kind].pdf) as pdf:
        for number, page in enumerate(pdf, 1):
            text, high = page.get_textpage(), page.get_height()
            boxes = [text.get_rect(k) for k in range(text.count_rects())]
            low = (high - min(b[1] for b in boxes if b[1] > 70)) / 2.835  # above the foot
            found.append(f"page {number}, {len(boxes)} pieces of text, the lowest at {low:.0f}")
            left = [b for b in boxes if b[0] < 65]  # points: the first column
            found += [
                f"  {(high - b[3]) / 2.835:.0f} {text.get_text_bounded(*b).strip()}" for b in left
            ]
    compare(f"places-{kind}", "\n".join(found) + "\n")
