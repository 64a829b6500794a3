import dataclasses
import io
import json
import re
from types import SimpleNamespace

import pandas as pd
import pytest
from kept_studies import kept
from pdf_text import text_of
from pypdf import PdfReader

from accstudy.errors import InputError
from accstudy.reports.common import cautions
from accstudy.reports.methods import checklist_rows
from accstudy.reports.render import render_report
from accstudy.tables import TABLES, read_csv
from accstudy.words.catalogue import cell, say
from accstudy.words.numbers import number

KINDS = ("validation", "comparison", "drift")


@pytest.fixture(scope="module")
def texts(reports):
    return {kind: text_of(files.pdf) for kind, files in reports.items()}


@pytest.fixture(scope="module")
def lean(contents):
    """A validation of the few tables that page 1 needs, which is made soon."""
    content = contents["validation"]
    keep = ("scans", "implants", "pair_deviations", "run_chart", "ranges", "accuracy", "conformity")
    tables = {name: content.tables[name] for name in keep}
    accuracy = tables["accuracy"]
    tables["accuracy"] = accuracy[accuracy["measurand"] == "distance_um"]
    return dataclasses.replace(content, tables=tables)


def titles(items):
    return [t for i in items for t in (titles(i) if isinstance(i, list) else [i.title])]


@pytest.mark.parametrize("kind", KINDS)
def test_report_names_its_standards_its_title_and_its_language(kind, reports, contents):
    reader = PdfReader(io.BytesIO(reports[kind].pdf))
    assert reader.metadata.title == contents[kind].title
    xmp = reader.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>3</pdfaid:part>" in xmp
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert reader.trailer["/Root"]["/Lang"] == "en-GB"
    day = contents[kind].generated.replace("-", "")
    assert reader.trailer["/Info"]["/CreationDate"].startswith(f"D:{day}")


@pytest.mark.parametrize(
    ("kind", "sections"),
    [
        (
            "validation",
            ["Verdict for each limit", "Pairs of implants", "Effect of the alignment"],
        ),
        (
            "comparison",
            [
                "Contrasts",
                "Effect of angulation and implant count",
                "Trueness and precision as commonly reported",
                "Checklist for a paper",
            ],
        ),
        ("drift", ["How to read the charts", "Device A", "Comparison of devices", "Baselines"]),
    ],
)
def test_bookmarks_lead_to_every_section(kind, sections, reports):
    found = titles(PdfReader(io.BytesIO(reports[kind].pdf)).outline)
    common = ["Exclusions and failures", "Methods", "Limits of use", "Record"]
    assert set(sections + common) <= set(found)


@pytest.mark.parametrize("kind", KINDS)
def test_tables_travel_inside_and_read_back(kind, reports, contents):
    attached = PdfReader(io.BytesIO(reports[kind].pdf)).attachments
    for name, table in contents[kind].tables.items():
        if name in TABLES and len(table):
            assert len(read_csv(name, io.BytesIO(attached[f"{name}.csv"][0]))) == len(table)
    pairs = read_csv("pair_deviations", io.BytesIO(attached["pair_deviations.csv"][0]))
    wanted = contents[kind].tables["pair_deviations"]["distance_um"]
    assert pairs["distance_um"].to_numpy() == pytest.approx(wanted.to_numpy(), abs=1e-6)
    assert json.loads(attached["record.json"][0])["accstudy"] == "0.1.0"
    assert b"measured minus reference" in attached["tables.csv"][0]


def test_same_content_same_bytes(reports):
    again = render_report("validation", kept("one-device")[1])
    assert again.figures == reports["validation"].figures
    assert again.pdf == reports["validation"].pdf


@pytest.mark.parametrize("kind", KINDS)
def test_every_caution_is_printed_where_it_concerns(kind, texts, contents):
    gaps = contents[kind].has("seating")
    assert gaps == (kind != "drift")
    for caution in cautions(referenced=True):
        assert (caution in texts[kind]) == (gaps or caution != say("cautions.of_seating"))


@pytest.mark.parametrize("kind", KINDS)
def test_every_source_is_cited(kind, texts):
    methods, _, sources = texts[kind].rpartition("Sources")
    listed = re.findall(r"\[(\d)\] [A-Z]", sources)
    assert listed == [str(k + 1) for k in range(len(listed))]
    assert set(listed) <= set(re.findall(r"\[(\d)\]", methods))


@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_has_an_alternative_text_with_numbers(kind, reports):
    data = reports[kind].data
    figures = [b for b in data["first"] + data["blocks"] if b["type"] == "figure"]
    assert len(figures) >= 5
    for figure in figures:
        assert len(figure["alt"]) > 40
        assert any(c.isdigit() for c in figure["alt"]), figure["id"]
    assert any(b["type"] == "figure" for b in data["first"])


@pytest.mark.parametrize("kind", KINDS)
def test_no_cell_shows_a_value_that_is_none(kind, reports):
    text = json.dumps(reports[kind].data, ensure_ascii=False)
    for word in ('"nan', " nan", '"None"', '"NaT"', "<NA>"):
        assert word not in text


def test_what_a_user_wrote_is_shown_as_text(lean):
    nasty = '#eval("1") *b* $x^2$ <a> @ref \\ _i_ `c` [x] // é 口'
    content = dataclasses.replace(lean, title=nasty)
    tables = dict(content.tables)
    tables["scans"] = tables["scans"].assign(device=nasty)
    files = render_report("validation", dataclasses.replace(content, tables=tables))
    shown = '#eval("1") *b* $x^2$ <a> @ref \\ _i_ `c` [x] // é ?'
    assert text_of(files.pdf).count(shown) >= 2


@pytest.mark.parametrize("kind", KINDS)
def test_a_report_of_almost_nothing_still_says_so(kind, contents):
    content = contents[kind]
    bare = dataclasses.replace(
        content, tables={"scans": content.tables["scans"], "findings": pd.DataFrame()}, generated=""
    )
    assert "No result" in text_of(render_report(kind, bare).pdf)


@pytest.mark.parametrize("kind", KINDS)
def test_words_that_are_no_verdict_do_not_occur(kind, texts):
    words = texts[kind].lower().replace(".", " ").replace(",", " ").split()
    assert not {"passed", "pass", "passes", "fails"} & set(words)


def test_unknown_kind_is_refused():
    with pytest.raises(InputError, match="no report of kind"):
        render_report("validations", None)


def test_png_beside_every_figure(lean):
    files = render_report("validation", lean, forms=["png"])
    drawn = [n for n in files.figures if n.endswith(".svg")]
    assert len(drawn) >= 2
    assert {n[:-4] + ".png" for n in drawn} <= set(files.figures)


def test_tables_for_a_paper_come_as_latex(reports):
    attached = PdfReader(io.BytesIO(reports["comparison"].pdf)).attachments
    text = attached["contrasts.tex"][0].decode()
    assert r"\toprule" in text
    assert "technique 1 $-$ technique 2" in text
    assert text.count("&") % text.count(r"\\") == 0


def test_figures_as_papers_print_them_are_those_of_their_table_also_in_latex(reports, contents):
    table = contents["comparison"].table("field_figures")
    attached = PdfReader(io.BytesIO(reports["comparison"].pdf)).attachments
    latex = "".join(d[0].decode() for n, d in attached.items() if n.startswith("trueness"))
    for unit, row in table.drop_duplicates("unit").set_index("unit").iterrows():
        for name in ("trueness", "precision"):
            mean, sd = (number(row[f"{name}_{what}"], unit) for what in ("mean", "sd"))
            assert f"{mean} ± {sd}" in latex
        assert number(row["rms"], unit) in latex


def test_the_checklist_gives_the_drawn_order_with_its_seed_and_the_planned_size(contents):
    content = contents["comparison"]
    words = "96 scans; within each session the operators in random order; seed 7"
    orders = [{"seed": 7, "order": words}]
    drawn = dataclasses.replace(content, settings={**content.settings, "orders": orders})
    said = {item: answer for item, _, answer in checklist_rows(drawn)}
    assert words in said["Method of randomisation"]
    assert said["Sample size rationale"].startswith("96 scans planned; ")
    silent = {item: answer for item, _, answer in checklist_rows(content)}
    assert "planned" not in silent["Sample size rationale"]


@pytest.mark.parametrize("missing", [None, "", float("nan"), pd.NA, pd.NaT])
def test_a_part_in_brackets_is_left_out_where_its_value_is_missing(missing):
    assert cell("{mean}[ of {n}]", SimpleNamespace(mean=1, n=missing), {}) == "1"
