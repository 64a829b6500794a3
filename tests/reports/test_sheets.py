import io

import pandas as pd
from pdf_text import text_of
from pypdf import PdfReader

from accstudy.reports.sheets import bench_sheet, selftest_record
from accstudy.tables import shape


def sheet(n=70):
    return shape(
        "bench_sheet",
        pd.DataFrame(
            {
                "order": range(1, n + 1),
                "session": ["1"] * (n // 2) + ["2"] * (n - n // 2),
                "operator": "operator 1",
                "scan": [f"p{i:03d}" for i in range(1, n + 1)],
                "model": "M1",
                "condition": ["technique 1", "technique 2"] * (n // 2),
                "body_seating": "take off, seat anew",
            }
        ),
    )


def test_bench_sheet_lists_every_scan_once_in_order_with_a_box():
    made = bench_sheet(sheet(), title="Plan", order="Drawn with seed 7.", notes=("Warm up first.",))
    text = text_of(made)
    places = [text.index(f"p{i:03d}") for i in range(1, 71)]
    assert places == sorted(places)
    assert text.count("□") == 70
    assert "Drawn with seed 7." in text
    assert "Warm up first." in text
    assert made == bench_sheet(
        sheet(), title="Plan", order="Drawn with seed 7.", notes=("Warm up first.",)
    )
    assert "bench_sheet.csv" in PdfReader(io.BytesIO(made)).attachments


def rows(agrees):
    return pd.DataFrame(
        {
            "topic": "iso5725",
            "case": ["example 1", "example 1", "example 2"],
            "quantity": ["s_r", "s_R", "m"],
            "source": "a standard, table 7",
            "published": ["0.10", "0.12", "4.1"],
            "here": ["0.1004", "0.1213", "4.13"],
            "tolerance": ["0.005", "0.005", "0.05"],
            "kind": "printed",
            "from_memory": [True, False, False],
            "digits": [2.4, 1.9, None],
            "agrees": agrees,
        }
    )


def test_selftest_record_counts_what_agrees():
    record = {"accstudy": "0.1.0", "versions": {"python": "3.11"}, "platform": "Linux"}
    record["by_kind"] = {"printed, read": 2, "printed, quoted from memory": 1}
    text = text_of(selftest_record(rows([True, True, True]), record, generated="2026-01-02"))
    assert (
        "reproduces 3 of 3 known numbers (2 printed, read and 1 printed, quoted from memory)"
        in text
    )
    assert "from 2 examples: all agree" in text
    assert "Discrepancies" not in text
    text = text_of(selftest_record(rows([True, False, True]), record))
    assert "reproduces 2 of 3 known numbers" in text
    assert "from 2 examples: 1 do not" in text
    assert "Discrepancies" in text
    assert "differs" in text
