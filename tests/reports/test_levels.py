"""What settings say is what is printed: laboratory, temperatures, one scan a cell, digits."""

from types import SimpleNamespace

import pandas as pd
import pytest
from invented import ranged

from accstudy.reports.common import between, bias_sentence
from accstudy.reports.document import ReportContent
from accstudy.reports.methods import methods
from accstudy.tables import empty

SCANS = pd.DataFrame(
    {"scan": [f"s{k}" for k in range(6)], "status": "ok", "labour": list("ababab"),
     "site": list("aabbcc"), "operator": list("pqpqpq")}
)  # fmt: skip


def content(table=SCANS, **settings):
    warm = settings.get("scans", {}).get("temperature_c")
    pairs = table[["scan"]].assign(condition="", span_mm=30.0, path_mm=40.0)
    tables = {"scans": table, "pair_deviations": pairs, "accuracy": empty("accuracy")}
    ranges = ranged(tables, tables, everywhere=warm)["ranges"]
    return ReportContent("x", settings, {"scans": table, "ranges": ranges}, {}, "")


@pytest.mark.parametrize(
    ("analysis", "name", "index"),
    [
        ({"cell": ["labour", "operator"]}, "intermediate precision", "I"),
        ({"cell": ["site", "operator"]}, "intermediate precision", "I"),
        ({"cell": ["site", "operator"], "laboratory": "site"}, "reproducibility", "R"),
    ],
)
def test_the_laboratory_is_what_the_user_calls_so(analysis, name, index):
    assert between(content(analysis=analysis))[:2] == (name, index)


def test_one_laboratory_shows_no_reproducibility():
    analysis = {"cell": ["site", "operator"], "laboratory": "site"}
    assert between(content(SCANS.assign(site="a"), analysis=analysis))[1] == "I"


def said(scans, **more):
    settings = {"scans": {"expansion_per_k": 75e-6} | more, "reference": {"temperature_c": 20.0}}
    return dict(methods(content(scans, **settings)))["Scans"]


def test_the_methods_say_which_scans_were_corrected_for_temperature():
    some = SCANS.assign(temperature_c=[22.0, 23.0, 24.0, 22.0, 22.0, None])
    assert "Lengths of 5 of 6 scans measured at 22.0 to 24.0 °C were corrected to 20.0 °C" in said(
        some
    )
    assert "the temperature of the others is unknown" in said(some)
    assert said(some, temperature_c=21.0).startswith("Lengths measured at 21.0 to 24.0 °C")
    assert said(SCANS) == "No correction for temperature was made."
    assert said(SCANS, temperature_c=20.0) == "Models were measured and scanned at 20.0 °C."


def test_one_scan_a_cell_still_has_a_spread():
    row = SimpleNamespace(subject="I1-I2", span_mm=30.0, unit="um", bias=3.0, bias_low=1.0,
                          bias_high=5.0, s_r=float("nan"), s_I=12.4, n_scans=60,
                          n_cells=60, confidence=0.99)  # fmt: skip
    text = bias_sentence(row, is_scan=False).replace("\u00a0", " ")
    assert "(99 % interval" in text
    assert "the standard deviation of single scans is 12 µm" in text
    assert "cannot be estimated from" not in text
