"""The report says which factors the design cannot tell apart, and shows where the scans lie."""

import re

import pandas as pd
import pytest

from accstudy.accuracy.along_arch import cell_table
from accstudy.models.grouping import confounded
from accstudy.reports.document import Document, ReportContent, plain
from accstudy.reports.effects import design_section, inseparable_sentences


def content(rows, cell=("operator", "session"), random=("model", "operator/session")):
    pairs = pd.DataFrame(rows, columns=["model", "operator", "session", "technique"])
    pairs["condition"] = pairs["technique"]
    pairs["cell"] = pairs["operator"].astype(str) + " / " + pairs["session"].astype(str)
    pairs["scan"] = [f"s{i}" for i in range(len(pairs))]
    settings = {
        "analysis": {"condition": ["technique"], "cell": list(cell)},
        "model": [{"random": list(random)}],
    }
    blocks = confounded(pairs, condition=["technique"], cell=cell, random=random)
    tables = {"pair_deviations": pairs, "model_confounding": blocks, "cells": cell_table(pairs)}
    return ReportContent("x", settings, tables, {}, "")


def crossed(session_of):
    return [
        (m, o, session_of(m, o), t)
        for m in ("M2", "M4", "M6", "M8")
        for o in ("operator 1", "operator 2")
        for t in ("A", "B")
    ]


def test_sessions_that_hold_models_of_their_own_are_said_to_be_inseparable():
    rows = crossed(lambda m, o: "1" if m in ("M2", "M6") else "2")
    assert inseparable_sentences(content(rows)) == [
        "session is confounded with model: M2 and M6 only with session 1, "
        "M4 and M8 only with session 2"
    ]


def test_levels_that_hang_together_over_others_can_be_told_apart():
    # M2 and M8 share no session, but M4 and M6 join them
    order = {"M2": ("1", "1"), "M4": ("1", "2"), "M6": ("2", "1"), "M8": ("2", "2")}
    rows = crossed(lambda m, o: order[m][int(o[-1]) - 1])
    assert inseparable_sentences(content(rows)) == []


@pytest.mark.parametrize("random", [("operator",), ("model", "path_mm | operator")])
def test_an_operator_to_each_technique_is_said_and_sessions_within_operators_are_not(random):
    rows = [(m, f"operator {t}", f"{t}1", t) for m in ("M2", "M4") for t in ("A", "B")]
    said = inseparable_sentences(content(rows, cell=("operator", "session"), random=random))
    assert (
        "operator is confounded with technique: A only with operator A, B only with operator "
        "B" in said
    )
    assert not any("operator" in s and "session" in s for s in said)


def test_a_scan_without_an_operator_ties_no_models():
    rows = [(m, f"operator {m}", "1", t) for m in ("M2", "M4") for t in ("A", "B")]
    rows.append(("M2", None, "1", "A"))
    assert inseparable_sentences(content(rows, random=())) == [
        "operator is confounded with model: M2 only with operator M2, M4 only with operator M4"
    ]


def test_the_design_table_counts_every_scan_once():
    rows = crossed(lambda m, o: "1" if m in ("M2", "M6") else "2")
    document = Document()
    design_section(document, content(rows + rows[:1]))
    table = document.blocks[-1]
    told = {plain(r[0]): plain(r[1]) for r in table["rows"]}
    assert list(told) == ["operator 1 / 1", "operator 2 / 1", "operator 1 / 2", "operator 2 / 2"]
    assert told["operator 1 / 1"] == "A: M2 2 and M6 1; B: M2 1 and M6 1"
    counts = [int(n) for said in told.values() for n in re.findall(r"M\d (\d+)", said)]
    assert sum(counts) == 17
