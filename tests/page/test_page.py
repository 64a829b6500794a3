"""The page as a file: what it holds, what it escapes, and what its numbers come from."""

import base64
import html
import json
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from page_content import HOSTILE, content

from accstudy.accuracy.judge import NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.errors import OutputError
from accstudy.mesh.model import Mesh
from accstudy.page import build
from accstudy.page.build import MARKS, build_page
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.verdicts import decision_table
from accstudy.tables import shape


def data_of(page):
    text = re.search(rb'<script type="application/json" id="data">(.*?)</script>', page, re.S)[1]
    return json.loads(text)


def test_the_page_holds_its_data_and_asks_for_nothing():
    page = build_page(content())
    data = data_of(page)
    assert data["pairs"]["distance_um"][1] == 30.5
    assert [s["name"] for s in data["scans"]] == ["s1", "s2", "s3"]
    assert data["pairs"]["scan"] == [0, 0, 0, 1, 1, 1]  # scans by their number
    own = page.replace(b"http://www.w3.org/", b"")  # names of XML spaces, not addresses
    assert not re.search(rb'(src|href)\s*=\s*["\']?https?:', own)
    assert b"default-src 'none'" in page
    assert build_page(content()) == page


def test_the_library_for_solid_views_comes_only_with_surfaces():
    assert len(build_page(content())) > 500_000
    assert len(build_page(content(meshes={}))) < 120_000


def test_every_number_of_the_data_is_a_cell_of_its_table_to_the_last_digit():
    made = content()
    data = data_of(build_page(made))
    for name in ("pairs", "singles", "accuracy"):
        table = getattr(made, name)
        columns = [c for c in data[name] if table[c].dtype.kind == "f"]
        assert columns
        for column in columns:
            found = np.array(data[name][column], dtype=float)
            np.testing.assert_array_equal(found, table[column].astype(float).round(6) + 0.0)


def test_labels_are_text_wherever_they_come_from():
    page = build_page(content(hostile=True)).decode()
    assert page.count("<script") == 3  # data, library, program: none from a label
    assert page.count("</script") == 3
    assert HOSTILE not in page
    assert html.escape(HOSTILE) in page
    assert not re.search(r"<(img|b)\b", page.split('id="data"')[0])
    assert data_of(page.encode())["scans"][0]["name"].endswith(HOSTILE)


def test_packed_corners_keep_a_thousandth_of_a_millimetre():
    mesh = content().meshes["s1"]
    packed = data_of(build_page(content()))["meshes"]["s1"]
    steps = np.frombuffer(base64.b64decode(packed["corners"]), "<u2").reshape(-1, 3)
    back = np.array(packed["low"]) + steps * np.array(packed["step"])
    assert np.abs(back - mesh.vertices_mm).max() < 1e-3
    assert steps.min(axis=0).tolist() == [0, 0, 0]
    assert steps.max(axis=0).tolist() == [65535] * 3


@pytest.mark.parametrize(("corners", "bytes_each"), [(65535, 2), (65536, 4)])
def test_faces_of_many_corners_need_wider_numbers(corners, bytes_each):
    flat = Mesh(np.zeros((corners, 3)), np.array([[0, 1, corners - 1]], dtype=np.int32))
    packed = data_of(build_page(content(meshes={"s1": flat})))["meshes"]["s1"]
    assert packed["wide"] == (bytes_each == 4)
    faces = np.frombuffer(base64.b64decode(packed["faces"]), f"<u{bytes_each}")
    assert faces.tolist() == [0, 1, corners - 1]
    assert packed["step"] == [1e-9] * 3  # no step of zero where a surface is flat


def test_a_page_too_large_is_refused(monkeypatch):
    page = build_page(content())
    monkeypatch.setattr(build, "LARGEST_BYTES", len(page))
    assert build_page(content()) == page
    big = Mesh(np.random.default_rng(0).uniform(0, 50, (999, 3)), np.zeros((1, 3), np.int32))
    with pytest.raises(OutputError, match=rf"would have {(len(page) + 12_000) / 1e6:.1f} MB"):
        build_page(content(meshes={"s1": big}))


@pytest.mark.parametrize(
    ("verdict", "word", "mark"),
    [
        (VERIFIED, "verified", "verified"),
        (NOT_VERIFIED, "not verified", "not-verified"),
        (REFUTED, "nonconformity verified", "nonconformity"),
    ],
)
def test_a_verdict_has_its_words_and_a_shape_of_its_own(verdict, word, mark):
    row = {
        "condition": "device A", "measurand": "distance_um", "scope": "each pair",
        "holds_for": "new cells", "limit": 100.0, "unit": "um", "verdict": verdict,
        "tolerance_bound": 90.0, "bound_with_guard": 92.5, "largest_seen": 40.0, "n_beyond": 3,
        "n_pairs": 3, "n_scans": 12, "coverage": 0.95, "confidence": 0.95,
    }  # fmt: skip
    table = shape("conformity", pd.DataFrame([row]))
    report = ReportContent("", {}, {"conformity": table}, {}, "")
    document = Document()
    decision_table(document, report, in_full=True)
    page = build_page(content(tables=document.blocks)).decode()
    found = re.findall(r'class="mark ([\w-]+)"><svg[^>]*>(.*?)</svg><span><strong>(.*?)<', page)
    assert (mark, MARKS[mark], word) in found
    assert "92 µm" in html.unescape(page).replace("\u00a0", " ")  # 92.5: to the even digit
    assert all(MARKS[m] == shape for m, shape, _ in found)
    assert len(set(MARKS.values())) == len(MARKS)
    assert not re.search(r"#0[a-f89]0|green|#f00|red\b", "".join(MARKS.values()))


def test_the_page_is_as_approved():
    """Text and data, a line an element: see tests/reports/test_approved.py for how to approve."""
    page = build_page(content(charts=True)).decode()
    text = re.sub(
        r"<style>.*?</style>|<script(?! type=.application/json).*?</script>", "", page, flags=re.S
    )
    text, data = text.split('id="data">')
    named = [f"{k}: {json.dumps(v, ensure_ascii=False)}" for k, v in data_of(page.encode()).items()]
    found = "\n".join([re.sub(r"(?<=>)(?=<)", "\n", text), *named, data.split("</script>")[1]])
    file = Path(__file__).with_name("approved.txt")
    if os.environ.get("APPROVE"):
        file.write_text(found, encoding="utf-8")
    assert found == file.read_text(encoding="utf-8")
