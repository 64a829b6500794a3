"""Studies at the edges of what is usual: the report says less, and stays whole."""

import dataclasses

import pandas as pd
import pytest
import small_study
from kept_studies import kept
from pdf_text import page_texts

from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.summary import accuracy_table
from accstudy.reports.common import between, left_out, tried_sentence
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.record import _stated, devices, reference_section
from accstudy.reports.render import render_report
from accstudy.reports.validation import answer
from accstudy.stages.report import _settings_as_used
from accstudy.study.load import load_study


def plain(text):
    runs = [text] if isinstance(text, str) else text
    said = "".join(r if isinstance(r, str) else r.get("t", "") for r in runs)
    return said.replace("\u00a0", " ")


def only(content, scans, rename=None):
    """The study with some of its scans only, under other conditions if wanted."""
    tables = {}
    for name in ("pair_deviations", "implant_deviations", "poses", "scans"):
        table = content.tables[name]
        tables[name] = table[table["scan"].isin(scans)].reset_index(drop=True)
        if rename and "condition" in table:
            tables[name]["condition"] = tables[name]["scan"].map(rename)
    pairs, singles = tables["pair_deviations"], tables["implant_deviations"]
    held = conformity_tables(
        pairs, limits=[LimitOf("distance_um", 100, "x")], reference_u={"distance_um": 1.3}
    )
    return dataclasses.replace(
        content,
        tables={
            **tables,
            "implants": content.tables["implants"],
            "accuracy": accuracy_table(pairs, singles),
            **{n: getattr(held, n) for n in ("conformity", "supported_spans", "span_curve")},
            "findings": pd.DataFrame(),
        },
    )


def test_one_scan_says_that_nothing_can_be_said(contents):
    content = only(contents["validation"], ["a01"])
    said = plain(answer(content)[0])
    assert "cannot be judged from 1 scan" in said
    assert "verified" not in said
    made = render_report("validation", content)
    assert made.pdf.startswith(b"%PDF")
    captions = [plain(b["caption"]) for b in made.data["blocks"] if b["type"] == "table"]
    assert any(c.endswith("Every row rests on 1 scan.") for c in captions)


def test_a_changed_reference_is_listed_with_the_size_of_its_error(contents):
    table = contents["drift"].tables["reference_changes"].head(3)
    table = table.assign(e_n=[-1.44, 0.26, None], verdict=["differs", "agrees", ""])
    tables = {**contents["drift"].tables, "reference_changes": table}
    document = Document()
    reference_section(document, dataclasses.replace(contents["drift"], tables=tables))
    assert [[plain(c) for c in row[-2:]] for row in document.blocks[-1]["rows"]] == [
        ["1.4", "differs"], ["0.3", "agrees"], ["–", "–"],
    ]  # fmt: skip
    given = {"expansion_tolerance_per_k": 2e-6, "reference_temperature_tolerance_k": 0.5}
    settings = {**contents["drift"].settings, "uncertainty": given}
    wide = Document()
    reference_section(wide, dataclasses.replace(contents["drift"], settings=settings))
    stated = dict(next(b for b in wide.blocks if b["type"] == "terms")["pairs"])
    assert plain(stated["Expansion of the model"]) == "(75 ± 2) × 10⁻⁶/K"
    assert plain(stated["Temperature"]) == "reference 20 °C ± 0.5 K; scans 23 °C"
    pairs = next(b for b in document.blocks if b["type"] == "table")
    latest = contents["drift"].tables["reference_pairs"]
    latest = latest[latest["valid_from"] == latest["valid_from"].max()].sort_values("span_mm")
    spans = [plain(row[1]) for row in pairs["rows"]]
    assert spans == [f"{v:.3f} mm" for v in latest["span_mm"]]  # the one that holds now


def test_many_conditions_share_one_sentence(contents):
    scans = [f"a{i:02d}" for i in range(1, 13)]
    names = {s: f"a device with a long name {i // 2}" for i, s in enumerate(scans)}
    content = only(contents["validation"], scans, names)
    said = answer(content)
    assert len(said) == 1
    assert all(name in plain(said[0]) for name in set(names.values()))


@pytest.mark.parametrize("kind", ["validation", "comparison", "drift"])
def test_page_one_ends_with_what_the_answer_holds_for(kind, reports):
    page = " ".join(page_texts(reports[kind].pdf)[0].split())
    assert "Scope of this result" in page
    assert "the mouth, other devices, versions" in page
    assert "Approved by" in page or kind == "drift"


def test_a_bound_beyond_all_use_is_not_printed(contents):
    content = contents["validation"]
    table = content.tables["conformity"].copy()
    names = ["tolerance_bound", "bound_with_guard", "verdict"]
    table[names] = [2034.0, 2036.0, "conformity not verified"]
    table["informative"] = False
    far = dataclasses.replace(content, tables={**content.tables, "conformity": table})
    said = " ".join(plain(t) for t in answer(far))
    assert "2034" not in said
    assert "is not verified: 12 scans in 4 cells give no informative bound" in said
    refuted = table.assign(verdict="nonconformity verified", n_beyond=9)
    far = dataclasses.replace(content, tables={**content.tables, "conformity": refuted})
    said = " ".join(plain(t) for t in answer(far))
    assert "onconformity with the limit of 100 µm" in said
    assert "9 of 12 scans lay beyond it" in said


def test_every_scan_that_is_not_in_the_results_is_listed_with_its_own_reason():
    _, content = kept("two-devices")
    scans = content.tables["scans"]
    used = scans[scans["status"] == "ok"].head(2)
    lost = used.assign(scan=["lost 1", "lost 2"], file=["scans/l1.stl", "scans/l2.stl"])
    found = [
        {"severity": "warning", "code": "error", "where": "scans/l1.stl", "what": "not this"},
        {"severity": "error", "code": "x", "where": "scans/l1.stl", "what": "cut off at byte 7"},
        {"severity": "error", "code": "x", "where": "scans/other.stl", "what": "of another"},
    ]
    tables = {
        **content.tables,
        "scans": pd.concat([scans, lost], ignore_index=True),
        "findings": pd.DataFrame(found).assign(mend=""),
    }
    document = Document()
    left_out(document, dataclasses.replace(content, tables=tables))
    table = next(b for b in document.blocks if b["type"] == "table" and len(b["columns"]) == 3)
    rows = {row[0]: row[1:] for row in table["rows"]}
    assert rows["z99"] == ["failed", "moisture"]
    assert rows["lost 1"] == ["could not be measured", "cut off at byte 7"]
    assert rows["lost 2"][1] == "see the findings"
    assert rows["b03"] == ["excluded by the user", "wrong body"]
    assert len(rows) == 4


def test_without_a_measured_scan_nothing_is_said_of_cells(contents):
    tables = contents["validation"].tables
    none = {**tables, **{k: tables[k].head(0) for k in ("pair_deviations", "ranges")}}
    said = tried_sentence(dataclasses.replace(contents["validation"], tables=none))
    assert "attempted" in said
    assert "cell" not in said


def test_groups_that_study_toml_leaves_to_the_default_are_named(tmp_path):
    study = load_study(small_study.write(tmp_path))
    settings = _settings_as_used(study, {})
    assert settings["analysis"]["condition"] == ["device"]
    named = between(ReportContent("", settings, {"scans": study.scans}, {}, ""))
    assert named[2] == ["operator", "session"]  # by which its cells are made


def test_a_serial_number_is_printed_digit_by_digit(tmp_path):
    scans = "scan,model,device,serial_number,operator\ns1,M,A,0012345678,1\ns2,M,A,0012345678,2\n"
    study = load_study(small_study.write(tmp_path, scans=scans))
    assert devices(study.scans) == "A (serial number 0012345678)"


def test_all_that_is_stated_of_the_reference_is_printed():
    reference = {
        "instrument": "contact CMM",
        "certificate": "C-1",
        "measured_on": "2025-01-20",
        "due_on": "2026-01-20",
        "probed": "four points on every platform",
        "mpe_um": {"constant": 1.9, "per_metre": 4.0},
        "temperature_c": 20.5,
    }
    tolerances = {
        "reference_temperature_tolerance_k": 0.5,
        "temperature_tolerance_k": 2.0,
        "expansion_tolerance_per_k": 1e-5,
    }
    settings = {
        "reference": reference,
        "uncertainty": tolerances,
        "scans": {"expansion_per_k": 7.5e-5},
    }
    said = [plain(text) for _, text in _stated(ReportContent("", settings, {}, {}, ""))]
    for part in ("contact CMM", "C-1", "20 January 2025", "20 January 2026", "four points", "1.9",
                 "4", "20.5 °C ± 0.5 K", "± 2 K", "(75 ± 10) × 10⁻⁶/K"):  # fmt: skip
        assert any(part in text for text in said), (part, said)
    assert len(_stated(ReportContent("", {}, {}, {}, ""))) == 1  # 20 °C, where nothing is stated
