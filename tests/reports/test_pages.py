"""Figures and tables keep their order, and what follows them fills the page."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from approved import compare
from pdf_text import page_texts

from accstudy.reports.document import Document, Heading
from accstudy.reports.layout import PAGE_MM, SPACE_MM, arranged, compile_pdf


def block(kind, name, **more):
    keep = {"keep": True} if kind in ("table", "terms", "list") else {}
    lead = {"long": False, "sticky": True, "moved": ""} if kind == "lead" else {}
    pair = {"figures": [{"id": name}, {"id": f"{name}b"}]} if kind == "beside" else {}
    return {"type": kind, "id": name, **keep, **lead, **pair, **more}


def names(blocks):
    return [b["id"] for b in blocks if b["type"] != "break"]


def test_text_fills_what_a_figure_leaves_empty():
    blocks = [
        block("break", ""),
        block("heading", "h1"), block("lead", "t1"), block("figure", "f1"),
        block("lead", "t2"), block("figure", "f2"),
        block("heading", "h2"), block("lead", "t3"),
    ]  # fmt: skip
    heights = [0, 5, 20, 150, 20, 100, 5, 10]
    found = arranged(blocks, [(h, 10.0) for h in heights])
    assert names(found) == ["h1", "t1", "f1", "t2", "f2", "h2", "t3"]  # before the next section
    by = {b["id"]: b for b in found}
    assert by["t1"]["sticky"]
    assert by["t1"]["moved"] == ""
    assert not by["t2"]["sticky"]  # or it would follow its figure
    assert by["t2"]["moved"] == "f2"
    assert not blocks[4].get("moved")  # copies
    heights[3] = 90  # or more than a third of the page would stay empty
    found = arranged(blocks, [(h, 10.0) for h in (*heights[:5], 150, *heights[6:])])
    assert names(found) == ["h1", "t1", "f1", "t2", "h2", "t3", "f2"]


def test_a_list_stays_below_the_paragraph_that_introduces_it():
    blocks = [
        block("break", ""), block("lead", "t0"), block("figure", "f1"), block("lead", "t1"),
        block("list", "l1", heading=""),
    ]  # fmt: skip
    found = arranged(blocks, [(h, 0.0) for h in (0, 100, 150, 20, 60)])
    assert names(found) == ["t0", "t1", "l1", "f1"]
    assert [b["sticky"] for b in found if b["type"] == "lead"] == [False, True]


def test_what_stands_before_the_first_break_stays():
    blocks = [block("lead", "a"), block("figure", "b"), block("lead", "c"), block("break", "")]
    assert names(arranged(blocks, [(h, 0.0) for h in (200, 200, 10, 0)])) == ["a", "b", "c"]


def test_low_tables_stay_whole_and_high_ones_may_part():
    blocks = [block("break", ""), block("table", "low"), block("table", "high")]
    found = arranged(blocks, [(0, 0), (60, 10), (300, 10)])
    assert [b.get("keep") for b in found] == [None, True, False]


@pytest.mark.parametrize("seed", range(40))
def test_whatever_comes_nothing_is_lost_and_every_kind_keeps_its_order(seed):
    rng = np.random.default_rng(seed)
    kinds = [k for k in SPACE_MM if k != "break"]
    blocks, heights = [block("break", "")], [0.0]
    for k in range(60):
        kind = kinds[rng.integers(len(kinds))]
        blocks.append(block(kind, f"{kind}{k}"))
        heights.append(5.0 if kind == "heading" else float(rng.uniform(5, 1.1 * PAGE_MM)))
    found = arranged(blocks, [(h, 10.0) for h in heights])
    assert sorted(names(found)) == sorted(names(blocks))
    for chosen in (("figure", "beside"), ("table",), ("heading", "lead", "terms", "list")):
        before = [b["id"] for b in blocks if b["type"] in chosen]
        assert [b["id"] for b in found if b["type"] in chosen] == before
    for a, b in pairwise(blocks):  # a heading never loses what it stands over
        if a["type"] == "heading":
            at = names(found).index(a["id"])
            assert names(found)[at + 1] == b["id"]


HEIGHTS = (4, 5, 11, 21, 24, 25, 26, 30, 69, 70, 71, 89, 90, 99, 100, 101, 120, 164, 200, 241, 246,
           247, 300, 500)  # fmt: skip
KINDS = ("heading", "lead", "lead", "figure", "figure", "beside", "table", "table", "terms", "list")


def test_pages_of_many_mixtures_are_filled_as_approved():
    """A line a mixture: order, what is kept whole, which paragraph stays (*) or says where (>)."""
    out = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        blocks, heights = [block("lead", "0"), block("break", "")], [(200.0, 0.0), (0.0, 0.0)]
        for k in range(1, 14):
            kind = "break" if rng.random() < 0.04 else KINDS[rng.integers(len(KINDS))]
            some = bool(rng.random() < 0.5)
            more = {"lead": {"long": some}, "list": {"heading": "x" * some}}.get(kind, {})
            blocks.append(block(kind, f"{kind[:1]}{k}", **more))
            height = HEIGHTS[rng.integers(len(HEIGHTS))] if some else rng.integers(4, 260)
            height = 5 if kind == "heading" else height
            heights.append((float(height), float(rng.integers(0, 12))))
        said = [
            "|" if b["type"] == "break" else b["id"] + "+" * bool(b.get("keep"))
            + "*" * bool(b.get("sticky")) + f">{b.get('moved')}" * bool(b.get("moved"))
            for b in arranged(blocks, heights)
        ]  # fmt: skip
        out.append(" ".join(said))
    compare(Path(__file__).parent / "approved" / "arranged.txt", "\n".join(out) + "\n")


@pytest.mark.parametrize("kind", ["validation", "comparison"])
def test_no_page_but_the_last_is_half_empty(kind, reports):
    with pypdfium2.PdfDocument(reports[kind].pdf) as document:
        for number in range(1, len(document) - 1):
            text = document[number].get_textpage()
            low = [text.get_rect(k)[1] for k in range(text.count_rects())]
            in_column = [y for y in low if y > 72 * 24 / 25.4]  # above the foot
            assert min(in_column) < 842 / 2, (kind, number + 1)


def test_a_table_that_parts_repeats_its_head_and_caption_on_every_page():
    document = Document()
    document.new_page()
    document.table(
        "What stands above it.",
        [Heading("number", "left", 1), Heading("its square", width=1)],
        [[str(k), str(k * k)] for k in range(130)],
    )
    document.table("A short one.", [Heading("one")], [["1"]])
    data = {"title": "T", "kind_name": "K", "running": "T", "subtitle": "", "author": "a",
            "keywords": ["k"], "description": "d", "date": [], "footer": "f", "answer": [],
            "first": [], "blocks": document.blocks}  # fmt: skip
    pages = [" ".join(page.split()) for page in page_texts(compile_pdf(data, {}, []))[1:]]
    assert len(pages) == 3
    assert "Table 1 What stands above it. number its square 0 0" in pages[0]
    for page in pages[1:]:
        assert "Table 1, continued What stands above it. number its square" in page
    assert "Table 2" in pages[2]
    assert "Table 2, continued" not in pages[2]
