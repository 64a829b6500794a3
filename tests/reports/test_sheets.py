import io

from pdf_text import text_of
from pypdf import PdfReader
from sheet_rows import rows, sheet

from accstudy.reports.render import bench_sheet, selftest_record


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
    assert "from 2 examples: 1 does not" in text
    assert "Discrepancies" in text
    assert "differs" in text
