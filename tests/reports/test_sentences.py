# ruff: noqa: C408  (rows of a table read better as keywords)
import dataclasses
from types import SimpleNamespace as Row

import numpy as np
import pandas as pd
import pytest

from accstudy.reports.common import bias_sentence, failure_sentence
from accstudy.reports.document import Document, ReportContent
from accstudy.reports.drift import answer as drift_answer
from accstudy.reports.methods import methods
from accstudy.reports.models import (
    at_ends,
    contrast_name,
    contrast_sentence,
    contrasts_sentence,
)
from accstudy.reports.validation import answer
from accstudy.reports.verdicts import (
    VERDICT_MARKS,
    _what_next,
    basis_sentence,
    decision_table,
    lead_sentence,
    levels_table,
)
from accstudy.stages.references import reference_pairs
from accstudy.words.numbers import date

NAN = float("nan")


def plain(text):
    if isinstance(text, str):
        return text.replace("\u00a0", " ")
    runs = [r if isinstance(r, str) else r.get("t", "") for r in text]
    return "".join(runs).replace("\u00a0", " ")


def conformity(**more):
    base = dict(
        condition="", measurand="distance_um", scope="each pair", holds_for="new cells",
        limit=100.0, unit="um", span_mm=45.0, n_pairs=15, tolerance_bound=84.2, largest_seen=52.0,
        verdict="conformity verified", assumption="normal scatter", normality_test="Shapiro-Wilk",
        p_normal=0.42, left_out="", p_left_out=NAN, coverage=0.95, confidence=0.95, n_scans=12,
        n_beyond=0, n_without_assumption=59, n_needed=NAN, needed_assurance=NAN,
        needed_operators=1, needed_cells=NAN, needed_per_cell=NAN, note="",
    )  # fmt: skip
    row = Row(**{**base, **more})
    row.not_normal, row.left_out_shown = row.p_normal < 0.05, row.p_left_out < 0.05
    row.state = VERDICT_MARKS.get(row.verdict, "unstated")
    if np.isnan(row.tolerance_bound):
        row.state = "unbounded"
    return row


def joint(**more):
    return conformity(**{"scope": "all pairs", **more})


def test_the_lead_names_verdict_limit_and_whom_it_holds_for():
    said = plain(lead_sentence([joint(condition="A", holds_for="these operators")]))
    assert said == (
        "For A, conformity with the limit of 100 µm on all 15 distances of a scan together, as a "
        "full-arch framework requires, is verified for these operators."
    )
    single = plain(lead_sentence([conformity(verdict="conformity not verified")]))
    assert single == (
        "Conformity with the limit of 100 µm on each inter-implant distance separately is "
        "not verified, nor is nonconformity."
    )


def test_the_lead_of_several_conditions_says_who_has_which_verdict():
    rows = [
        joint(condition="A"),
        joint(condition="B - 2", verdict="conformity not verified"),
        joint(condition="C"),
        joint(condition="D", tolerance_bound=NAN, verdict="", n_scans=1),
    ]
    said = plain(lead_sentence(rows))
    assert (
        "verified for A and C; not verified for B - 2; cannot be judged from 1 scan for D." in said
    )


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"assumption": "none"}, "whatever the distribution of the scatter"),
        ({"p_normal": NAN}, "which these scans are too few to test"),
        ({}, "(not contradicted by these scans: Shapiro–Wilk test, p = 0.420)"),
        ({"p_normal": 0.004}, "which these scans contradict (Shapiro–Wilk test, p = 0.004)"),
        ({"holds_for": "this cell"}, "within 84 µm (for this one session only), "),
        ({"holds_for": "these operators", "confidence": 0.9}, "With 90 % confidence, 95 % of"),
    ],
)
def test_a_bound_says_what_it_rests_on_and_for_whom_it_holds(more, words):
    assert words in plain(basis_sentence([joint(**more)]))


def test_bounds_that_rest_on_different_grounds_are_told_apart():
    said = basis_sentence([joint(condition="A"), joint(condition="B", assumption="none")])
    assert "p = 0.420) (A); whatever the distribution of the scatter (B)." in said
    assert basis_sentence([joint(tolerance_bound=NAN)]) == ""


def test_contradicted_assumptions_say_what_would_settle_it():
    row = conformity(verdict="conformity not verified", p_normal=0.004)
    said = plain("; ".join(_what_next(row)))
    assert "59 independent scans decide without the assumption of normal scatter" in said
    assert "(p = 0.004)" in said
    row = conformity(verdict="conformity not verified", left_out="operator", p_left_out=0.0001)
    said = plain("; ".join(_what_next(row)))
    assert "scans of one cell differ by it (p < 0.001)" in said
    assert "add operator to analysis.cell" in said


def test_without_a_stated_uncertainty_only_the_bound_is_given():
    row = joint(verdict="", u=NAN)
    said = plain(lead_sentence([row]))
    assert "cannot be stated: the uncertainty of the reference is not stated" in said
    assert "verified" not in said
    assert _what_next(row) == ["state the uncertainty of the reference"]


def test_unverified_conformity_says_what_it_would_take():
    row = conformity(
        condition="A",
        verdict="conformity not verified",
        tolerance_bound=131.0,
        n_needed=27,
        needed_assurance=0.83,
        needed_cells=9,
        needed_per_cell=3,
    )
    assert plain("; ".join(_what_next(row))) == (
        "15 more scans, for a total of 9 cells of 3 scans: 83 % likely to verify it"
    )
    row.n_needed = NAN
    (said,) = _what_next(row)
    assert plain(said) == "more scans like these are unlikely to verify it (at most 83 %)"
    assert _what_next(conformity()) == []


def test_nonconformity_is_verified_by_counts_and_no_bound_is_said_to_be_kept():
    row = joint(verdict="nonconformity verified", tolerance_bound=310.0, n_beyond=7)
    said = plain(lead_sentence([row]))
    assert said.startswith("Nonconformity with the limit of 100 µm")
    assert said.endswith(
        "is verified: 7 of 12 scans lay beyond it, more than chance would explain."
    )


def test_too_few_scans_cannot_say():
    row = conformity(tolerance_bound=NAN, verdict="", n_scans=1, n_needed=NAN)
    assert plain(lead_sentence([row])) == (
        "Whether the limit of 100 µm on each inter-implant distance separately is kept "
        "cannot be judged from 1 scan."
    )


def test_an_estimate_of_no_spread_between_cells_is_not_called_none():
    row = Row(subject="I1-I6", span_mm=45.0, unit="um", bias=3.0, bias_low=1.0, bias_high=5.0,
              s_r=19.0, s_I=19.0, n_scans=12, n_cells=4,
              s_cell=0.0, confidence=0.95)  # fmt: skip
    said = plain(bias_sentence(row, is_scan=False))
    assert "no variation between the 4 cells is detected" in said


def test_one_cell_says_nothing_of_other_operators():
    row = Row(subject="I1-I6", span_mm=45.0, unit="um", bias=-22.4, bias_low=-41.0, bias_high=-3.0,
              s_r=21.0, s_I=NAN, n_scans=5, n_cells=1,
              s_cell=NAN, confidence=0.95)  # fmt: skip
    said = plain(bias_sentence(row, is_scan=False))
    assert "the bias is −22 µm (95 % interval −41 to −3 µm)" in said
    assert "other operators and sessions are not covered" in said
    assert "the mean difference is" in plain(bias_sentence(row, is_scan=True))


def test_spread_of_one_scan_cannot_be_said():
    row = Row(subject="I1-I2", span_mm=9.0, unit="um", bias=3.0, bias_low=NAN, bias_high=NAN,
              s_r=NAN, s_I=NAN, n_scans=1, n_cells=1,
              s_cell=NAN, confidence=0.95)  # fmt: skip
    said = plain(bias_sentence(row, is_scan=False))
    assert "its uncertainty cannot be estimated" in said
    assert "the spread cannot be estimated from 1 scan" in said


def test_no_failure_still_has_an_interval():
    found = Row(failed=0, total=12, rate=0.0, low=0.0, high=0.2646, confidence=0.95)
    assert plain(failure_sentence(found)) == (
        "All 12 scans could be used (failure rate: 95 % interval 0 % to 26 %)."
    )
    found = Row(failed=4, total=25, rate=0.16, low=0.025, high=0.419, confidence=0.99)
    assert plain(failure_sentence(found)) == (
        "4 of 25 scans could not be used: 16 % (99 % interval 2 % to 42 %)."
    )


def contrast(**more):
    base = dict(
        level_a="A", level_b="B", stratum="", covariate="", response="pair.distance_um",
        estimate=3.0, low=-9.0, high=15.0, confidence=0.95, shown=False, ratio=NAN, p_holm=0.61,
        margin=NAN, adjust="holm", p_equivalence=NAN, p_decides=NAN, beyond=False,
        equivalence_low=NAN, equivalence_high=NAN, equivalence_confidence=0.9, equivalent=None,
    )  # fmt: skip
    row = Row(**{**base, **more})
    row.p_decides = row.p_holm if row.adjust == "holm" else row.p
    return row


def test_a_p_value_says_whether_it_allows_for_the_number_of_contrasts():
    assert "(Holm-adjusted); " in plain(contrast_sentence(contrast()))
    alone = contrast(adjust="none", p=0.021)
    assert "p = 0.021, not adjusted; " in plain(contrast_sentence(alone))


def test_no_difference_is_not_called_equality():
    said = plain(contrast_sentence(contrast()))
    assert "no difference is shown, which does not imply equality" in said


def test_difference_and_equivalence_can_both_be_shown():
    said = plain(
        contrast_sentence(
            contrast(
                estimate=8.0,
                low=2.0,
                high=14.0,
                adjust="holm",
                p_holm=0.01,
                shown=True,
                margin=20.0,
                p_equivalence=1e-4,
                equivalent=True,
            )
        )
    )
    assert "a difference is shown" in said
    assert "equivalence within ±20 µm is shown" in said
    assert "p = 0.010 (Holm-adjusted)" in said


def test_many_contrasts_share_one_sentence_differences_first():
    rows = [
        contrast(
            estimate=2.0,
            low=-4,
            high=8,
            margin=20.0,
            p_equivalence=1e-4,
            equivalent=True,
            equivalence_low=-3.0,
            equivalence_high=7.0,
        ),
        contrast(
            level_b="C",
            estimate=-25.0,
            low=-31,
            high=-20,
            adjust="holm",
            p_holm=1e-4,
            shown=True,
            margin=20.0,
        ),
        contrast(
            level_a="B",
            level_b="C",
            estimate=-12.0,
            low=-26,
            high=2,
            margin=20.0,
            p_equivalence=0.2,
            equivalent=False,
        ),
    ]
    said = plain(contrasts_sentence(rows))
    assert said == (
        "In the mean deviation of the distance, a difference is shown between A and C, −25.0 µm "
        "(−31.0 to −20.0); equivalence within ±20 µm is shown between A and B, +2.0 µm (90 %: "
        "−3.0 to +7.0); neither difference nor equivalence is shown between B and C, −12.0 µm "
        "(−26.0 to +2.0) (first minus second; 95 % intervals unless stated otherwise)."
    )
    alone = plain(contrasts_sentence([contrast(), contrast(level_b="C")]))
    assert "no difference is shown, which does not imply equality, between A and B" in alone


def test_labels_that_hold_a_hyphen_stay_whole():
    rows = [contrast(level_a="open - tray", level_b="closed - tray", stratum="device X - 2")]
    said = plain(contrast_sentence(rows[0]))
    assert said.startswith("Open - tray minus closed - tray at device X - 2: the mean")
    assert "between open - tray and closed - tray at device X - 2" in plain(
        contrasts_sentence(rows)
    )
    assert contrast_name(rows[0]) == "open - tray − closed - tray at device X - 2"


def test_printed_levels_are_those_that_the_intervals_have():
    row = contrast(confidence=0.995, equivalence_confidence=0.99, margin=20.0, equivalent=True,
                   p_equivalence=0.001, equivalence_low=-3.0, equivalence_high=7.0)  # fmt: skip
    said = plain(contrasts_sentence([row])).replace("\u00a0", " ")
    assert "(99 %: −3.0 to +7.0) (first minus second; 99.5 % intervals" in said
    undecided = contrast(p_holm=0.02, shown=False, confidence=0.99)  # p between 0.01 and 0.05
    assert "no difference is shown" in plain(contrast_sentence(undecided))


def test_ratio_of_a_log_response_is_taken_back():
    row = contrast(response="log(abs(pair.distance_um))", estimate=np.log(1.5), low=np.log(1.2),
                   high=np.log(1.9), ratio=1.5, ratio_low=1.2, ratio_high=1.9,
                   p_holm=0.0004, shown=True)  # fmt: skip
    said = plain(contrast_sentence(row))
    assert (
        "the geometric mean of |deviation of the distance| of A is 1.50 times (1.20 to 1.90)"
        in (said[0].lower() + said[1:])
    )
    assert "p < 0.001 (Holm-adjusted)" in said


def decision(content, **more):
    document = Document()
    decision_table(document, content, **more)
    (block,) = document.blocks
    titles = [plain(c["title"]) for c in block["columns"]]
    return [dict(zip(titles, map(plain, row), strict=True)) for row in block["rows"]]


@pytest.fixture(scope="module")
def judged(contents):
    """The validation with a limit of the gap at the best seat."""
    gap = {"condition": "device A", "model": "M1", "seated": "best-seat", "limit_um": 150.0,
           "tolerance_bound_um": 58.8, "bound_with_guard_um": 59.2, "holds_for": "these operators",
           "verdict": "conformity verified", "coverage": 0.95, "confidence": 0.95}  # fmt: skip
    content = contents["validation"]
    tables = {**content.tables, "seating_summary": pd.DataFrame([gap])}
    return dataclasses.replace(content, tables=tables)


def test_page_one_of_a_validation_hides_no_limit(judged):
    content = judged
    lead, *_, tried = (plain(t) for t in answer(content))
    assert "all 15 distances of a scan together" in lead
    assert "13 scans were attempted, 1 failed" in tried
    assert "2 operators and 2 sessions: 4 cells" in tried
    rows = decision(content)
    held = content.tables["conformity"]
    own = held[held["holds_for"] == "these operators"].set_index(["measurand", "scope"])
    for (asked, row), key in zip(
        [("all 15 distances together", rows[0]), ("each distance", rows[2]),
         ("all 15 angles together", rows[3]), ("each angle", rows[4])],
        [("distance_um", "all pairs"), ("distance_um", "each pair"),
         ("angle_deg", "all pairs"), ("angle_deg", "each pair")], strict=True,
    ):  # fmt: skip
        told = own.loc[key]
        digits = 0 if told["unit"] == "um" else 2
        assert row["requirement"] == asked
        useless = told["tolerance_bound"] > 10 * told["largest_seen"]
        for column, name in (("bound", "tolerance_bound"), ("with guard", "bound_with_guard")):
            assert row[column].startswith("–" if useless else f"{told[name]:.{digits}f}")
        assert row["verdict"] == told["verdict"].removeprefix("conformity ")
    others = held[(held["holds_for"] == "new operators") & (held["scope"] == "all pairs")]
    assert rows[1]["requirement"] == "same, other operators"
    assert rows[1]["verdict"] == "not verified"
    assert rows[1]["bound"].startswith(f"{others['tolerance_bound'].iloc[0]:.0f}")
    assert rows[4]["bound"] == "–"  # more than ten times what any scan showed
    assert rows[4]["what to do next"].startswith("bound not informative (independent scans: ")
    assert rows[-1]["requirement"] == "gap at the best seat"
    assert rows[-1]["bound"] == "59 µm"
    assert rows[-1]["verdict"] == "verified"


def test_the_decision_of_several_conditions_leads_with_all_pairs_and_hides_no_limit(judged):
    tables = judged.tables
    names = ("conformity", "seating_summary", "supported_spans")
    copies = {n: [tables[n].assign(condition=c) for c in ("A", "B", "C")] for n in names}
    copies["conformity"][1] = copies["conformity"][1].assign(
        verdict="conformity verified", tolerance_bound=12.0, bound_with_guard=13.0
    )
    copies["seating_summary"][2] = copies["seating_summary"][2].assign(
        verdict="conformity not verified"
    )
    many = {n: pd.concat(parts, ignore_index=True) for n, parts in copies.items()}
    content = dataclasses.replace(judged, tables={**tables, **many})
    rows = decision(content, lead_only=True)
    assert [r["condition"] for r in rows] == ["A", "B", "C"]
    assert [r["verdict"] for r in rows] == ["not verified", "verified", "not verified"]
    assert rows[1]["bound"] == "12 µm"
    assert rows[1]["what to do next"] == "–"
    whole = decision(content)
    each = [r for r in whole if r["requirement"] == "each distance"]
    assert [(r["condition"], r["verdict"]) for r in each] == [
        ("A and C", "not verified"),
        ("B", "verified"),
    ]
    gaps = [r for r in whole if r["requirement"] == "gap at the best seat"]
    assert [(r["condition"], r["verdict"]) for r in gaps] == [
        ("C", "not verified"),
        ("A and B", "verified"),
    ]
    table = tables["supported_spans"].query("~beside and scope == 'all pairs' and level_um == 100")
    span, pairs = table[["supported_span_mm", "n_pairs_span"]].iloc[0]
    assert rows[0]["supported span (pairs)"] == f"{span:.1f} mm ({pairs:.0f})"


def test_many_conditions_have_a_row_a_verdict(judged):
    tables = judged.tables
    names = ("conformity", "supported_spans")
    copies = {n: [tables[n].assign(condition=c) for c in "ABCDEFG"] for n in names}
    copies["conformity"][0] = copies["conformity"][0].assign(
        verdict="conformity verified", tolerance_bound=12.0, bound_with_guard=13.0
    )
    copies["conformity"][6] = copies["conformity"][6].assign(tolerance_bound=999.0)
    many = {n: pd.concat(parts, ignore_index=True) for n, parts in copies.items()}
    content = dataclasses.replace(judged, tables={**tables, **many})
    rows = decision(content, lead_only=True)
    assert [(r["condition"], r["verdict"]) for r in rows] == [
        ("6 of 7", "not verified"),
        ("A", "verified"),
    ]
    own = tables["conformity"].query("~beside and scope == 'all pairs' and unit == 'um'")
    assert rows[0]["bound"] == f"{own['tolerance_bound'].iloc[0]:.0f} to 999 µm"
    lead = plain(answer(content)[0])
    assert "not verified for these operators for 6 of 7" in lead


def without_limits(content, **spans):
    """A study whose limits were not set: what its levels say is left."""
    tables = {k: v for k, v in content.tables.items() if k != "conformity"}
    tables["supported_spans"] = tables["supported_spans"].assign(**spans)
    settings = {**content.settings, "limits": {"confidence": 0.95, "coverage": 0.95}}
    return dataclasses.replace(content, tables=tables, settings=settings)


def test_without_limits_page_one_says_which_span_holds_for_which_level(contents):
    content = without_limits(contents["validation"])
    table = content.tables["supported_spans"]
    own = table[table["holds_for"] == "these operators"]
    first, what_to_do, *_ = (plain(t) for t in answer(content))
    assert "set limits.distance_um in study.toml" in what_to_do
    document = Document()
    levels_table(document, content)
    (block,) = document.blocks
    titles = [plain(c["title"]) for c in block["columns"]]
    rows = [dict(zip(titles, map(plain, row), strict=True)) for row in block["rows"]]
    assert [r["level"] for r in rows] == ["50 µm", "100 µm", "150 µm", "200 µm"]
    columns = {
        ("all pairs", "span"): "span, all pairs together",
        ("all pairs", "path"): "arch length, all pairs",
        ("each pair", "span"): "span, each pair",
        ("each pair", "path"): "arch length, each pair",
    }
    held = 0
    for (scope, along), title in columns.items():
        for row, cell in zip(rows, own[own["scope"] == scope].itertuples(), strict=True):
            found = getattr(cell, f"supported_{along}_mm")
            longest = getattr(cell, f"longest_{along}_mm")
            if np.isnan(found):
                assert row[title] == "none"
            else:
                held += 1
                assert row[title] == (f"all ({found:.1f})" if found == longest else f"{found:.1f}")
            if (scope, along) == ("all pairs", "span"):
                said = "over no span" if np.isnan(found) else f"{found:.1f} mm"
                assert f"{cell.level_um:g} µm" in first
                assert said in first
    assert held
    assert "these operators" in first


def test_without_limits_a_bound_that_cannot_be_stated_says_why(contents):
    why = "no statement of conformity: the uncertainty of the reference is not stated"
    empty = dict.fromkeys(("supported_span_mm", "supported_path_mm"), np.nan)
    content = without_limits(contents["validation"], **empty, note=why)
    assert why in plain(answer(content)[0])
    assert "no span is supported" in plain(answer(content)[0])


def test_drift_says_what_stands_and_what_to_reassess(contents):
    content = contents["drift"]
    short, first, *_ = (plain(t) for t in drift_answer(content))
    assert short == "Changed: device A; no change shown on device B."
    status = content.tables["drift_status"].set_index("device")
    row = status.loc["device A"]
    assert row["stands"]
    assert not status.loc["device B", "stands"]
    assert f"charts have signalled since {date(row['signalled_at'])}" in first
    assert f"estimated start {date(row['begins_at'])}" in first
    assert f"{row['size']:+.1f}" in first
    if row["n_not_verified"]:
        assert f"{int(row['n_not_verified'])} session" in first
        assert date(row["reassess_from"]) in first


def test_a_difference_beyond_the_margin_is_said_to_be_larger():
    row = contrast(estimate=-27.0, low=-33.0, high=-22.0, p_holm=1e-6, shown=True, margin=20.0,
                   p_equivalence=0.99, beyond=True)  # fmt: skip
    said = plain(contrast_sentence(row))
    assert "A measures distances shorter than B: −27.0 µm" in said
    assert "it is larger than 20 µm" in said
    row = contrast(estimate=-25.0, low=-31.0, high=-19.0, p_holm=1e-6, shown=True, margin=20.0,
                   p_equivalence=0.97)  # fmt: skip
    assert "equivalence within ±20 µm is not shown" in plain(contrast_sentence(row))


@pytest.mark.parametrize(
    ("response", "ends", "said"),
    [
        ("pair.distance_um", [dict(estimate=0.0, low=-4.0, high=4.0),
                              dict(estimate=-60.0, low=-70.0, high=-50.0)],
         "A minus B changes from 0.0 µm (−4.0 to +4.0) at 0.0° to −60.0 µm (−70.0 to −50.0) at "
         "30.0° of angulation."),
        ("log(abs(pair.distance_um))", [dict(ratio=1.0, ratio_low=0.8, ratio_high=1.25),
                                        dict(ratio=0.25, ratio_low=0.2, ratio_high=0.31)],
         "Ratio of A to B: 1.00 (0.80 to 1.25) at 0.0°, 0.25 (0.20 to 0.31) at 30.0° of "
         "angulation."),
    ],
)  # fmt: skip
def test_a_difference_is_said_at_both_ends_of_a_covariate_with_intervals(response, ends, said):
    base = dict(model_name="d", response=response, covariate="angulation_deg", level_a="A",
                level_b="B")  # fmt: skip
    at = [base | end | {"value": v} for end, v in zip(ends, (0.0, 30.0), strict=True)]
    tables = {
        "model_contrasts_at": pd.DataFrame(at),
        "model_contrasts": pd.DataFrame([base | {"shown": True}]),
    }
    assert [plain(t) for t in at_ends(ReportContent("", {}, tables, {}, ""), "d")] == [said]


def test_the_methods_tell_type_a_from_type_b_and_where_the_reference_enters(contents):
    base = contents["validation"]
    without = ("seating_summary", "reference_pairs")
    tables = {k: t for k, t in base.tables.items() if k not in without}
    base = dataclasses.replace(base, tables=tables)
    pairs = reference_pairs(base.tables["implants"], mpe_constant_um=1.9).assign(u_body_um=np.nan)

    def said(u_from="MPE", **columns):
        known = pairs.assign(u_from=u_from, **columns)
        content = dataclasses.replace(base, tables={**base.tables, "reference_pairs": known})
        return plain(dict(methods(content))["Uncertainty of the reference"])

    once = said(u_temperature_um=0.0)
    assert "no type A component" in once
    assert (
        "Type B (JCGM 100:2008, 4.3): the maximum permissible error of the machine, divided by √3."
        in once
    )
    assert "guard band of every limit" in once
    assert "gaps" not in once  # this study predicts none
    several = said("certificate", n_runs=5.0, u_temperature_um=1.0, u_body_um=2.0)
    assert "scatter of 5 measurements of the model" in several
    assert "the certified uncertainty of the positions, the scan body, which" in several
    assert "temperature and expansion" in several
    assert "not stated" in said("nothing", u_um=np.nan)
    assert "Uncertainty of the reference" not in dict(methods(base))


def test_equivalence_is_said_with_the_interval_that_decides_about_it():
    row = contrast(margin=20.0, equivalent=True, p_equivalence=0.01, equivalence_low=-7.0,
                   equivalence_high=13.0)  # fmt: skip
    said = plain(contrast_sentence(row))
    assert "equivalence within ±20 µm is shown (90 %: −7.0 to +13.0)" in said
    assert "−9" in said.split("equivalence")[0]


def test_three_contrasts_of_a_kind_are_listed_with_an_and_before_the_last():
    rows = [contrast(level_b=b, estimate=e) for b, e in (("B", 1.0), ("C", 2.0), ("D", 4.0))]
    said = plain(contrasts_sentence(rows))
    assert "A and C, +2.0" in said
    assert ", and A and D, +4.0 µm" in said
    assert said.count(", and A and") == 1
