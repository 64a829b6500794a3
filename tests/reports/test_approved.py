"""Whole pages from kept tables, as somebody has read and approved them.

A difference is not a fault, but a change that somebody is to look at: run the tests with
``APPROVE=1`` and read what git says has changed. That the approved numbers are those of the
tables is tested elsewhere (test_cells.py, tests/figures).
"""

import difflib
import os
from pathlib import Path

import pytest
from kept_studies import NAMES, kept, page_text

from accstudy.reports import document
from accstudy.reports.precision import unreferenced_report
from accstudy.reports.render import KINDS

APPROVED = Path(__file__).parent / "approved"


@pytest.mark.parametrize("name", NAMES)
def test_pages_are_as_approved(name, monkeypatch):
    monkeypatch.setattr(document, "svg_bytes", lambda figure: b"")
    kind, content = kept(name)
    build = KINDS[kind] if content.referenced or kind == "drift" else unreferenced_report
    found, file = page_text(*build(content)), APPROVED / f"{name}.txt"
    if os.environ.get("APPROVE"):
        file.write_text(found, encoding="utf-8")
    was = file.read_text(encoding="utf-8")
    lines = difflib.unified_diff(was.splitlines(), found.splitlines(), "approved", "now", n=0)
    assert found == was, "\n".join([*lines][:60])
