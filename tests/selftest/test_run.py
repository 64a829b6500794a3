"""The selftest reproduces every known number, notices a wrong one and says so."""

import dataclasses
import importlib.util
import json
import math
import re
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from pdf_text import text_of

from accstudy.cli import main
from accstudy.selftest import run
from accstudy.selftest.published import Case, Row, compare
from accstudy.tables import TABLES


@pytest.fixture(scope="module")
def found():
    return run.run_selftest()


def test_every_known_number_is_reproduced_here(found):
    assert found.differing.empty, found.differing.to_string()
    assert found.passed
    assert found.table.columns.tolist() == TABLES["selftest"].names
    assert (found.table[["source", "published", "here"]] != "").all().all()
    assert set(found.table["kind"]) == {"printed", "program", "closed form", "simulated"}
    # a shelf that is half empty would agree as well
    assert len(found.table) > 2250
    assert found.table["case"].nunique() >= 67


def test_printed_numbers_are_counted_apart_from_computed_and_own_ones(found):
    kinds = run.counted(found.table)
    assert sum(kinds.values()) == len(found.table)
    assert 145 <= kinds["printed, read"] < 500  # the rest is from memory, computed or derived
    assert kinds["printed, quoted from memory"] > 87
    table = found.table.set_index("case")
    for case in ("critical_values", "tolerance_k", "gum_h5_voltage", "iso5725_2_coal"):
        mine = table.loc[case]
        assert mine.loc[mine["kind"] == "printed", "from_memory"].all(), case
    assert not table.loc["nist_SiRstv", "from_memory"].any()
    assert set(table.loc["sphere_pcl", "kind"]) == {"program"}
    assert set(table.loc["ns_plane", "kind"]) <= {"closed form", "program"}
    assert set(table.loc["sleepstudy_intercept", "kind"]) == {"program"}


def test_what_is_printed_but_not_computed_is_named(found):
    assert "msa_grr: average_range_EV" in found.not_computed
    assert "msa_grr: EV" not in found.not_computed
    assert len(found.not_computed) < 40


def test_the_record_holds_every_row_and_the_installation(found):
    files = run.record_files(found, on="2026-01-31")
    record = json.loads(files["selftest.json"])
    assert record["passed"] is True
    assert len(record["rows"]) == record["numbers"] == len(found.table)
    assert {"python", "numpy", "scipy"} <= set(record["versions"])
    text = text_of(files["selftest.pdf"])
    assert f"{len(found.table)} of {len(found.table)}" in text
    assert "all agree" in text


def test_the_page_of_known_numbers_is_up_to_date(found):
    docs = Path(__file__).parents[2] / "docs"
    spec = importlib.util.spec_from_file_location("generate", docs / "generate.py")
    generate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generate)
    there = (docs / "reference" / "published.md").read_text(encoding="utf-8")
    here = generate.published_page(found.table).rstrip() + "\n"
    digits = re.compile(r"\((\d), (\d)\)")
    assert digits.sub("", there) == digits.sub("", here), "call: make docs"
    # rounding differs between processors and libraries: a digit more or less is no news
    for before, now in zip(digits.findall(there), digits.findall(here), strict=True):
        assert all(abs(int(a) - int(b)) <= 1 for a, b in zip(before, now, strict=True)), before


def test_a_number_that_is_zero_but_for_rounding_counts_decimals():
    row = Row("t", "c", "q", "program", "somewhere", 6e-17, 0.0, 1e-6)
    assert row.digits == 15.0


def test_a_wrong_number_differs_and_a_right_one_has_its_digits():
    row = Row("t", "c", "q", "printed", "somewhere", 2.63, 2.634, 0.005)
    assert row.agrees
    assert row.digits == pytest.approx(-math.log10(0.004 / 2.63))
    assert not dataclasses.replace(row, here=2.6352).agrees
    assert not dataclasses.replace(row, here=math.nan).agrees
    assert not dataclasses.replace(row, here="missing").agrees
    assert dataclasses.replace(row, published=8.0, here=8.0, tolerance=0.0).agrees
    assert not dataclasses.replace(row, published=8.0, here=9.0, tolerance=0.0).agrees


def test_a_list_of_another_length_differs():
    c = Case("c", "g", "s", "o", published={"x": [1.0, 2.0]}, tolerance={"x": 0.1})
    assert all(r.agrees for r in compare("t", c, {"x": [1.05, 2.0]}))
    for here in ([1.0], [1.0, 2.0, 3.0], [2.0, 1.0], []):
        assert not all(r.agrees for r in compare("t", c, {"x": here})), here


def test_a_deviation_or_a_crash_fails_loudly(monkeypatch, tmp_path):
    def wrong():
        yield Row("iso5725", "coal", "s_r", "printed", "ISO 5725-2", 0.015, 0.016, 0.0005)
        raise ZeroDivisionError("no cells")

    monkeypatch.setattr(run, "GROUPS", {"coal": wrong})
    done = CliRunner().invoke(main, ["selftest", str(tmp_path / "here")])
    assert done.exit_code == 1
    assert "differs: iso5725, coal, s_r: known 0.015, here 0.016, tolerance 0.0005" in done.output
    assert "ZeroDivisionError: no cells" in done.output
    assert "2 of 2 numbers differ" in done.output
    record = json.loads((tmp_path / "here" / "selftest.json").read_text())
    assert record["passed"] is False
    assert record["differing"] == 2
    assert (tmp_path / "here" / "selftest.pdf").read_bytes()[:4] == b"%PDF"


def test_nothing_to_compare_is_no_pass():
    assert not run.Selftest(pd.DataFrame({"verdict": []}), (), 0.0).passed
