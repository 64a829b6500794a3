"""The page as a file: what it holds, what it escapes, and what its numbers come from."""

import base64
import hashlib
import html
import json
import re
from dataclasses import replace

import numpy as np
import pytest
import small_study
from page_content import HOSTILE, content, mock

from accstudy.accuracy.judge import NOT_VERIFIED, REFUTED, VERIFIED
from accstudy.errors import OutputError
from accstudy.mesh.model import Mesh
from accstudy.page import build
from accstudy.page.build import MARKS, build_page
from accstudy.pipeline import run_study
from accstudy.reports.document import Document
from accstudy.reports.verdicts import decision_table

LIMITS = '[limits]\ndistance_um = { value = 100, source = "chosen here" }\n'


def data_of(page):
    text = re.search(rb'<script type="application/json" id="data">(.*?)</script>', page, re.S)[1]
    return json.loads(text)


def said(page):
    """Text of a page without its marks, as one line."""
    text = re.sub(r"<(style|script)\b.*?</\1>", "", page.decode(), flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split())


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


def test_a_page_too_large_is_refused(monkeypatch):
    page = build_page(content())
    monkeypatch.setattr(build, "LARGEST_BYTES", len(page))
    assert build_page(content()) == page
    big = Mesh(np.random.default_rng(0).uniform(0, 50, (999, 3)), np.zeros((1, 3), np.int32))
    with pytest.raises(OutputError, match="MB"):
        build_page(content(meshes={"s1": big}))


@pytest.fixture(scope="module")
def invented():
    return mock.validation()


@pytest.mark.parametrize(
    ("verdict", "word", "mark"),
    [
        (VERIFIED, "verified", "verified"),
        (NOT_VERIFIED, "not verified", "not-verified"),
        (REFUTED, "nonconformity verified", "nonconformity"),
    ],
)
def test_a_verdict_has_its_words_and_a_shape_of_its_own(invented, verdict, word, mark):
    table = invented.tables["conformity"].assign(verdict=verdict, n_beyond=3)
    report = replace(invented, tables={**invented.tables, "conformity": table})
    document = Document()
    decision_table(document, report, in_full=True)
    page = build_page(content(tables=document.blocks)).decode()
    found = re.findall(r'class="mark ([\w-]+)"><svg[^>]*>(.*?)</svg><span><strong>(.*?)<', page)
    own = [f for f in found if f[2] in ("verified", "not verified", "nonconformity verified")]
    assert (mark, MARKS[mark], word) in own
    assert all(MARKS[m] == shape for m, shape, _ in found)
    assert len(set(MARKS.values())) == len(MARKS)
    assert not re.search(r"#0[a-f89]0|green|#f00|red\b", "".join(MARKS.values()))


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A study of two scans with its report and page."""
    path = small_study.write(
        tmp_path_factory.mktemp("page") / "s", study=small_study.SETTINGS + LIMITS
    )
    return run_study(path, page=True)


def test_verdicts_version_dates_and_the_hash_of_the_record_are_read_without_a_program(reported):
    page = (reported.study.path / "reports" / "validation.html").read_bytes()
    text = said(page)
    row = reported.tables["conformity"].iloc[0]
    assert f"{row['limit']:.0f} µm" in text.replace("\u00a0", " ")
    assert row["verdict"].removeprefix("conformity ") in text
    record = json.loads((reported.study.path / "results" / "record.json").read_text())
    report = record.pop("report")
    kept = (json.dumps(record, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()
    assert f"Record, SHA-256 {hashlib.sha256(kept).hexdigest()}" in text
    assert report["files"]["validation.html"] == hashlib.sha256(page).hexdigest()
    assert f"Version accstudy {record['accstudy']}" in text
    assert "Date of issue not stated" in text
    for caution in ("not a medical device", "must be verified on the patient", "In the mouth"):
        assert caution in text


def test_scans_carry_their_worst_distance_as_the_table_has_it(reported):
    page = (reported.study.path / "reports" / "validation.html").read_bytes()
    table = reported.tables["scan_deviations"].set_index("scan")
    for scan in data_of(page)["scans"]:
        row = table.loc[scan["name"]]
        assert scan["facts"][0] == [
            f"largest deviation of a distance, {row['worst_implant_a']}–{row['worst_implant_b']}",
            round(row["worst_distance_um"], 6),
            "µm",
        ]
