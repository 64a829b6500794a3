import dataclasses
import io
import json

import pandas as pd
import pytest
from pypdf import PdfReader

from accstudy.errors import InputError
from accstudy.reports.cautions import CAUTIONS
from accstudy.reports.render import render_report
from accstudy.tables import read_csv


def text_of(files):
    text = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(files.pdf)).pages)
    return " ".join(text.replace("\u00a0", " ").split())


def test_report_names_its_standards_its_title_and_its_language(validation_files):
    reader = PdfReader(io.BytesIO(validation_files.pdf))
    assert reader.metadata.title == "Full-arch check of device A"
    xmp = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert reader.trailer["/Root"]["/Lang"] == "en-GB"


def test_bookmarks_lead_to_every_section(validation_files):
    reader = PdfReader(io.BytesIO(validation_files.pdf))

    def titles(items):
        return [t for i in items for t in (titles(i) if isinstance(i, list) else [i.title])]

    found = titles(reader.outline)
    for title in ("Verdict for each limit", "What was left out, and why", "Methods",
                  "Limits of use", "Record"):  # fmt: skip
        assert title in found


def test_tables_travel_inside_and_read_back(validation_files, validation_content):
    attached = PdfReader(io.BytesIO(validation_files.pdf)).attachments
    pairs = read_csv("pair_deviations", io.BytesIO(attached["pair_deviations.csv"][0]))
    wanted = validation_content.tables["pair_deviations"]
    assert len(pairs) == len(wanted)
    assert pairs["distance_um"].to_numpy() == pytest.approx(
        wanted["distance_um"].to_numpy(), abs=1e-6
    )
    assert json.loads(attached["record.json"][0])["accstudy"] == "0.1.0"
    assert "tables.csv" in attached


def test_same_content_same_bytes(make_validation, validation_files):
    again = render_report("validation", make_validation())
    assert again.figures == validation_files.figures
    assert again.pdf == validation_files.pdf


def test_every_caution_is_printed(validation_files):
    text = text_of(validation_files)
    for caution in CAUTIONS:
        assert caution in text


def test_every_figure_has_an_alternative_text_with_numbers(validation_files):
    data = validation_files.data
    figures = [b for b in data["first"] + data["blocks"] if b["type"] == "figure"]
    assert len(figures) >= 8
    for figure in figures:
        assert len(figure["alt"]) > 40
        assert any(c.isdigit() for c in figure["alt"])


def test_what_a_user_wrote_is_shown_as_text(make_validation):
    nasty = '#eval("1") *b* $x^2$ <a> @ref \\ _i_ `c` [x] // é 口'
    content = dataclasses.replace(make_validation(), title=nasty)
    tables = dict(content.tables)
    tables["scans"] = tables["scans"].assign(device=nasty)
    files = render_report("validation", dataclasses.replace(content, tables=tables))
    text = text_of(files)
    shown = '#eval("1") *b* $x^2$ <a> @ref \\ _i_ `c` [x] // é ?'
    assert text.count(shown) >= 2


def test_a_report_of_almost_nothing_still_says_so(make_validation):
    content = make_validation()
    bare = dataclasses.replace(
        content, tables={"scans": content.tables["scans"], "findings": pd.DataFrame()}, generated=""
    )
    files = render_report("validation", bare)
    assert "Nothing can be said: no scan could be compared" in text_of(files)


def test_words_that_are_no_verdict_do_not_occur(validation_files):
    words = text_of(validation_files).lower().split()
    assert not {"passed", "pass", "passes"} & set(words)


def test_reference_that_is_a_scan_makes_it_agreement(make_validation):
    content = make_validation()
    settings = dict(content.settings)
    settings["reference"] = {**settings["reference"], "is_scan": True}
    text = text_of(render_report("validation", dataclasses.replace(content, settings=settings)))
    assert "agreement, not trueness" in text
    assert "the mean difference is" in text
    assert "the bias is" not in text


def test_unknown_kind_is_refused():
    with pytest.raises(InputError, match="no report of kind"):
        render_report("validations", None)


def test_png_beside_every_figure(validation_content, validation_files):
    files = render_report("validation", validation_content, png=True)
    assert files.pdf == validation_files.pdf
    drawn = [n for n in files.figures if n.endswith(".svg")]
    assert {n[:-4] + ".png" for n in drawn} <= set(files.figures)
