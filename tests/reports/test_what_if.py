"""Pages of edited copies of the kept studies: what they never come to is put into their tables.

Approved as text, without what figures draw, as the pages of test_approved.py are.
"""

import dataclasses
import difflib
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from approved import compare
from invented import ranged
from kept_studies import blocks_text, kept, kept_tables
from matplotlib.figure import Figure

from accstudy.reports import document, render
from accstudy.tables import TABLES

NAN = float("nan")
PNG = bytes(16) + (40).to_bytes(4) + (30).to_bytes(4)  # as far as its width and height
VERIFIED, OPEN = "conformity verified", "conformity not verified"
REFUTED = "nonconformity verified"
USUAL = ("Methods", "Limits of use", "Terms", "Record")
CASES = {}


def what_if(*usual):
    """Name a function that yields titles and studies, and which of the usual sections it is about.

    Those are left out else; ``-`` stands for page 1 alone.
    """

    def kept_as(function):
        CASES[function.__name__.replace("_", "-")] = (function, usual)
        return function

    return kept_as


def study(name, *keep, kind="", settings=None, more=None, **tables):
    """A kept study with some of its tables, others in their place, and some settings changed."""
    facts, own = kept_tables(name)
    found = {k: flagged(k, t) for k, t in ({k: own[k].copy() for k in keep} | tables).items()}
    changed = dict(facts["settings"])
    for part, values in (settings or {}).items():
        changed[part] = {**changed.get(part, {}), **values} if isinstance(values, dict) else values
    warm = changed.get("scans", {}).get("temperature_c")
    found = ranged(found, own, everywhere=warm) | {"models": own["models"]} | found
    said = {k: facts[k] for k in ("title", "record", "generated")} | (more or {})
    written = {f"{k}.csv": b"." for k in found}
    return kind or facts["kind"], document.ReportContent(
        tables=found, settings=changed, files=written, **said
    )


def largest_of(t, values, *keys):
    """Where the size of a value is the largest of its group; the first of several."""
    size = t[values].astype(float).abs()
    kept = size.notna()
    best = size[kept].groupby([t.loc[kept, k] for k in keys]).idxmax()
    return t.index.isin(best)


OF_MODELS = "difference of two models"
FLAGS = {
    "conformity": {
        "not_normal": lambda t: t["p_normal"].astype(float) < 0.05,
        "left_out_shown": lambda t: t["p_left_out"].astype(float) < 0.05,
    },
    "supported_spans": {
        "whole_span": lambda t: t["supported_span_mm"] >= t["longest_span_mm"] - 0.05,
        "whole_path": lambda t: t["supported_path_mm"] >= t["longest_path_mm"] - 0.05,
    },
    "accuracy": {
        "s_cell": lambda t: (t["s_I"] - t["s_r"]).clip(lower=0).astype(float),
        "excludes_zero": lambda t: (t["bias_low"] > 0) | (t["bias_high"] < 0),
    },
    "seating_scans": {
        "told": lambda t: (
            t["told"].fillna(False).astype(bool)
            & ~(t.get("locating_p95_um", pd.Series(0.0, t.index)) > t["misfit_um"])
        ),
    },
    "model_effects": {
        "applies": lambda t: (
            t["kind"]
            .where(
                ~t["kind"].isin(["level", "average"]),
                np.where(
                    t["kind"].eq("level") == t["interaction_shown"].astype(bool), OF_MODELS, ""
                ),
            )
            .eq(OF_MODELS)
        ),
    },
    "model_classes": {"largest": lambda t: largest_of(t, "difference", "model_name")},
    "model_fits": {"engine_higher": lambda t: t["engine_gain"].astype(float) > 1e-3},
    "model_contrasts": {
        "p_decides": lambda t: t["p_holm"].where(t["adjust"] != "none", t["p"]).astype(float),
        "beyond": lambda t: (t["low"] > t["margin"]) | (t["high"] < -t["margin"]),
    },
    "model_covariates": {"overlaps": lambda t: t["common_low"] <= t["common_high"]},
    "reference_changes": {
        "largest": lambda t: t.groupby("model")["e_n"].transform(
            lambda e_n: e_n.index == e_n.abs().idxmax()
        )
    },
    "drift_pairs": {
        "exceeded": lambda t: pd.to_datetime(t["reached_at"]) <= t["until"].dt.normalize()
    },
}
"""What the analysis states of other columns, so that edited ones agree with it."""


def flagged(name, rows):
    for column, of in FLAGS.get(name, {}).items() if len(rows) else ():
        rows = rows.assign(**{column: of(rows)})
    return rows


def table(name, of):
    return kept_tables(name)[1][of].copy()


def put(rows, where, **values):
    """Values in the rows that a condition selects; columns may take any type."""
    rows = rows.copy()
    for column, value in values.items():
        rows[column] = rows[column].astype(object) if column in rows else None
        rows.loc[where, column] = value
    return rows.infer_objects()


BLANK = Figure().subplots()


def drawn_blank(patched):
    """Leave out what takes time and is not compared: figures, and tables written as files."""
    for name, module in list(sys.modules.items()):
        for own, value in (
            list(vars(module).items()) if name.startswith("accstudy.reports.") else ()
        ):
            if hasattr(value, "__wrapped__") and value.__module__.startswith("accstudy.figures."):
                patched.setattr(module, own, lambda *given, **named: BLANK)
            if own in ("attachments", "latex_attachments"):
                patched.setattr(module, own, lambda *given: [])


def told(kind, content, usual):
    """The pages, a line each block, sentence or row."""
    compiled = []
    with pytest.MonkeyPatch.context() as patched:
        drawn_blank(patched)
        patched.setattr(document, "printed_svg", lambda figure: b"")
        patched.setattr(render, "compile_pdf", lambda *given: compiled.append(given) or b"")
        render.render_report(kind, content)
    data = compiled[0][0]
    blocks, heading = [*data["first"]], ""
    for block in data["blocks"]:
        heading = block["text"] if block["type"] == "heading" else heading
        if "-" not in usual and (heading in usual or heading not in USUAL):
            blocks.append(block)
    said = "".join(f"answer: {document.plain(one)}\n" for one in data["answer"])
    return (said + blocks_text(blocks)).replace("\u00a0", "~")


# ---- verdicts ---------------------------------------------------------------------------
SCANS = ("scans", "implants", "pair_deviations", "failures", "condition_summary")


@what_if("-")
def one_verdict():
    """The leading row of a validation with one condition, in each of its states."""
    base = table("one-device", "conformity")
    lead = base[base["scope"].eq("all pairs") & base["measurand"].eq("distance_um")].iloc[[0]]
    far = {"informative": False, "verdict": OPEN}
    for title, values in {
        "refuted": {"verdict": REFUTED, "n_beyond": 9},
        "refuted without a bound": {"verdict": REFUTED, "n_beyond": 1, "tolerance_bound": NAN},
        "no informative bound": far,
        "no informative bound, one cell": {**far, "n_cells": 1, "holds_for": "this cell"},
        "no bound": {"tolerance_bound": NAN, "verdict": "", "n_scans": 2},
        "no bound, each pair": {"tolerance_bound": NAN, "verdict": "", "scope": "each pair"},
        "no verdict": {"verdict": ""},
        "verified, this cell": {"verdict": VERIFIED, "holds_for": "this cell"},
        "verified, new cells, any distribution": {
            "verdict": VERIFIED, "holds_for": "new cells", "assumption": "none"},
        "cells differ": {"verdict": OPEN, "assumption": "cells differ normally"},
        "too few to test": {"verdict": OPEN, "p_normal": NAN},
        "just not contradicted": {"verdict": OPEN, "p_normal": 0.05, "p_left_out": 0.05},
        "contradicted, left out": {
            "verdict": OPEN, "p_normal": 0.0499, "p_left_out": 0.049, "left_out": "operator"},
        "size known": {"verdict": OPEN, "n_needed": 27, "needed_assurance": 0.83,
                       "needed_operators": 1, "needed_cells": 9, "needed_per_cell": 3},
        "size known, operators": {
            "verdict": OPEN, "n_needed": 36, "needed_assurance": 0.9, "needed_operators": 4,
            "needed_cells": 12, "needed_per_cell": 3, "holds_for": "new operators"},
        "no size": {"verdict": OPEN, "n_needed": pd.NA, "needed_assurance": 0.41},
        "an angle": {"measurand": "angle_deg", "unit": "deg", "limit": 0.4, "largest_seen": 0.3,
                     "tolerance_bound": 0.625, "bound_with_guard": 0.635, "verdict": OPEN},
    }.items():  # fmt: skip
        rows = put(lead, slice(None), **{"informative": True, "p_normal": 0.3, **values})
        yield title, study("one-device", *SCANS, conformity=rows)
    spans = table("one-device", "supported_spans")
    for title, at in (("span none", NAN), ("span zero", 0.0), ("span", 27.36)):
        own = put(spans, spans["level_um"].eq(100), supported_span_mm=at)
        rows = put(lead, slice(None), informative=True, verdict=OPEN, n_needed=pd.NA)
        yield title, study("one-device", *SCANS, conformity=rows, supported_spans=own)


def conditions(names, **by):
    """Conformity of several conditions, as that of the first of two devices, verdicts changed."""
    base = table("two-devices", "conformity").query("condition == 'device A'")
    rows = pd.concat([base.assign(condition=name) for name in names], ignore_index=True)
    rows = put(rows, slice(None), informative=True, verdict=OPEN)
    for name, verdict in by.items():
        rows = put(rows, rows["condition"].eq(name), verdict=verdict)
    return rows


def gaps(names, **by):
    base = table("two-devices", "seating_summary").query("condition == 'device A'")
    rows = pd.concat(
        [base.assign(condition=n, model=m) for n in names for m in ("M1", "M2")], ignore_index=True
    )
    return put(rows, rows["seated"].eq("best-seat"), tolerance_bound_um=88.5, p_normal=0.2,
               bound_with_guard_um=89.5, limit_um=150.0, **by)  # fmt: skip


@what_if()
def verdicts_of_several():
    """Conditions that agree in no verdict, few and many; gaps of several models."""
    two = ("device A", "device B")
    rows = conditions(two, **{"device A": VERIFIED, "device B": REFUTED})
    rows = put(rows, rows["condition"].eq("device B"), n_beyond=7)
    rows = put(rows, rows["measurand"].eq("angle_deg") & rows["scope"].eq("each pair"),
               tolerance_bound=NAN, bound_with_guard=NAN, verdict="")  # fmt: skip
    rows = put(rows, rows["scope"].eq("each pair"), verdict=VERIFIED)
    rows = put(rows, rows["condition"].eq("device A"), n_pairs=10, n_scans=11)
    seats = gaps(two, verdict=VERIFIED)
    best = seats["seated"].eq("best-seat")
    seats = put(seats, best & seats["model"].eq("M2") & seats["condition"].eq("device B"),
                verdict=OPEN, tolerance_bound_um=171.0, note="few scans")  # fmt: skip
    yield "two", study("two-devices", *SCANS, conformity=rows, seating_summary=seats)
    six = [f"device {k}" for k in "ABCDEF"]
    rows = conditions(six, **{"device A": VERIFIED})
    rows = put(rows, rows["measurand"].eq("angle_deg") & rows["condition"].ne("device C"),
               verdict="")  # fmt: skip
    rows = put(rows, rows["scope"].eq("each pair") & rows["condition"].isin(six[:4]),
               verdict=VERIFIED, n_needed=pd.NA, needed_assurance=NAN)  # fmt: skip
    yield "six", study("two-devices", *SCANS, conformity=rows)
    yield "gaps alone", study("two-devices", *SCANS, seating_summary=gaps(["x"], verdict=VERIFIED))


@what_if()
def verdicts_of_a_comparison():
    """Verdicts beside each other in few columns, and in rows where conditions are many."""
    for n in (4, 5):
        names = [f"technique {k + 1}" for k in range(n)]
        rows = conditions(names, **{names[0]: REFUTED, names[1]: ""})
        rows = put(rows, rows["condition"].eq(names[2]), tolerance_bound=NAN)
        seats = gaps(
            names,
            verdict=OPEN,
            note="bound not valid: the logarithms of the gaps are not normally distributed",
        )
        best = seats["seated"].eq("best-seat")
        seats = put(seats, best & seats["model"].eq("M1"), verdict=VERIFIED)
        seats = put(seats, best & seats["condition"].eq(names[1]), tolerance_bound_um=NAN,
                    p_normal=NAN, n_scans=1, n_cells=1)  # fmt: skip
        seats = put(seats, best & seats["condition"].eq(names[0]), n_scans=NAN, note="")
        summary = table("comparison", "condition_summary").iloc[[0] * n].assign(condition=names)
        more = {"conformity": rows, "seating_summary": seats, "condition_summary": summary}
        yield f"{n} conditions", study("comparison", *SCANS, **more)
    spans = table("comparison", "supported_spans")
    nothing = table("comparison", "conformity").iloc[:0]
    summary = table("comparison", "condition_summary")
    yield "no verdict", study("comparison", *SCANS, conformity=nothing, supported_spans=spans,
                              condition_summary=summary)  # fmt: skip
    yield "nothing", study("comparison", *SCANS, condition_summary=summary)
    yield "no summary", study("comparison", *SCANS[:-1])


def longest():
    rows = table("one-device", "accuracy")
    return rows[rows["subject"].eq("I1-I6") & rows["measurand"].eq("distance_um")]


@what_if("-")
def without_a_limit():
    """Levels in place of a limit, where some, all or none is supported."""
    base, pair = table("one-device", "supported_spans"), longest()
    gap = table("one-device", "seating_summary")
    whole = base["scope"].eq("all pairs")
    none = put(base, slice(None), supported_span_mm=NAN, supported_path_mm=NAN)
    yield "some", study("one-device", *SCANS, accuracy=pair, supported_spans=base)
    yield "none", study("one-device", *SCANS, accuracy=pair, supported_spans=none)
    noted, seats = none.assign(note="one cell"), put(gap, [1], verdict=VERIFIED)
    yield "none, with a note", study("one-device", *SCANS, accuracy=pair, supported_spans=noted,
                                     seating_summary=seats)  # fmt: skip
    every = put(base, whole, supported_span_mm=44.36, supported_path_mm=77.8)
    yield "every span", study("one-device", *SCANS, "span_curve", accuracy=pair,
                              supported_spans=every)  # fmt: skip
    almost = put(base, whole, supported_span_mm=44.34).query("holds_for == 'these operators'")
    almost = almost.assign(holds_for="this cell")
    yield "almost every span", study("one-device", *SCANS, accuracy=pair, supported_spans=almost)
    several = table("two-devices", "supported_spans")
    yield "several", study("two-devices", *SCANS, accuracy=pair, supported_spans=several)
    absent = put(several, slice(None), supported_span_mm=NAN, note="too few cells")
    yield "several, none", study("two-devices", *SCANS, accuracy=pair, supported_spans=absent)
    yield "no levels", study("one-device", *SCANS, accuracy=pair)
    yield "no result", study("one-device", "scans", "implants")


@what_if()
def models_and_conditions():
    """Tables of accuracy where models, conditions or both are several."""
    rows = table("two-devices", "accuracy").query("measurand == 'distance_um'")
    few = rows[rows["subject"].isin(rows["subject"].unique()[:2])]
    both = pd.concat([few, few.assign(model="M2")])
    first = both["condition"].eq(few["condition"].iloc[0])
    scans = table("two-devices", "pair_deviations")
    two = pd.concat([scans, scans.assign(model="M2")])
    for title, mine, pairs in (
        ("both", both, two),
        ("models", both[first], two[two["condition"].eq(few["condition"].iloc[0])]),
        ("conditions", few, scans),
    ):
        yield title, study("two-devices", *SCANS[:2], pair_deviations=pairs, accuracy=mine)


@what_if("-")
def one_pair():
    """Bias and scatter of the longest pair, as far as they are known."""
    pair = longest()
    scan = {"reference": {"kind": "scan"}}
    for title, values, settings in (
        ("no interval", {"bias_low": NAN, "bias_high": NAN}, None),
        ("no repeats", {"s_r": NAN}, None),
        ("no scatter", {"s_r": NAN, "s_I": NAN, "n_scans": 1, "bias_low": NAN}, None),
        ("one cell", {"n_cells": 1}, None),
        ("not over cells", {"s_I": NAN, "n_cells": 3}, None),
        ("no spread between cells", {"s_I": 10.0, "s_r": 10.0}, None),
        ("against a scan, downwards", {"bias": -31.24, "bias_high": -2.0}, scan),
    ):
        rows = put(pair, slice(None), **values)
        yield title, study("one-device", *SCANS, accuracy=rows, settings=settings)


@what_if()
def pairs():
    """As many pairs as a figure holds and one more, no bias, no scatter, a limit far off."""
    one = longest()
    for title, n, values, limit in (
        ("45", 45, {}, None), ("46", 46, {}, None), ("unknown", 1, {"bias": NAN, "s_r": NAN}, 100),
        ("far limit", 1, {"bias_low": -5.0, "bias_high": 50.0, "bias_df": 5.0}, 110.1),
        ("limit", 1, {"bias_low": -5.0, "bias_high": 50.0, "bias_df": 4.9}, 109.9),
        ("below", 1, {"bias_low": -5.0, "bias_high": -0.1}, 2000),
    ):  # fmt: skip
        rows = pd.concat([one.assign(subject=f"p{k}", span_mm=10.0 + k) for k in range(n)],
                         ignore_index=True)  # fmt: skip
        held = limit and {"value": limit, "source": "x"}
        yield title, study("one-device", *SCANS, accuracy=put(rows, slice(None), **values),
                           settings={"limits": {"distance_um": held}})  # fmt: skip


# ---- scans ------------------------------------------------------------------------------
def failed(n, total, share, low, high):
    rows = table("one-device", "failures").tail(1)
    return put(rows, slice(None), failed=n, total=total, rate=share, low=low, high=high)


@what_if("Terms")
def scans_and_failures():
    """How many scans were tried, what varied, which ones were lost and why."""
    base = table("one-device", "scans")
    for title, rows in {
        "one scan": failed(0, 1, 0.0, 0.0, 0.975),
        "a tenth": failed(1, 10, 0.1, 0.0025, 0.445),
        "less than a tenth": failed(2, 21, 0.0952, 0.0117, 0.3038),
        "none tried": failed(0, 0, 0.0, 0.0, 1.0),
    }.items():
        yield title, study("one-device", "scans", "implants", "pair_deviations", failures=rows)
    n = np.arange(len(base))
    varied = base.assign(
        splint=n % 2 == 0, light=n % 3, cartridge=n * 1.5, body_uses=n * 3,
        reseated=np.where(n % 2, "yes", "no"), note="", arm=[f"arm {k}" for k in n],
    )  # fmt: skip
    yield "factors", study("one-device", *SCANS, scans=varied.drop(columns=["status"]))
    same = base.assign(splint=True, light=3, operator="operator 1", session="s1", tray="")
    yield "constant", study("one-device", *SCANS, scans=same)
    lost = base.assign(status="ok", reason="", file=[f"{s}.stl" for s in base["scan"]])
    pairs = table("one-device", "pair_deviations")
    pairs = pairs[pairs["scan"].isin(["a01", "a02", "a03", "a04"])]
    found = pd.DataFrame({
        "severity": ["error", "error", "warning", "note"], "code": "x", "mend": "do",
        "where": ["a05.stl", "scan a06", "a07.stl", "elsewhere"],
        "what": ["cut off", "of a06.stl: empty", "noisy", "path_mm | scan is zero"],
    })  # fmt: skip
    yield "lost", study("one-device", "implants", "failures", scans=lost, findings=found,
                        pair_deviations=pairs)  # fmt: skip
    many = pd.concat([found] * 11, ignore_index=True)
    yield "no file", study("one-device", "implants", "failures", scans=lost.drop(columns="file"),
                           findings=many, pair_deviations=pairs)  # fmt: skip
    yield "forty findings", study("one-device", "implants", findings=many.head(40))
    yield "nothing excluded", study("one-device", "implants")
    settings = {"analysis": {"cell": []}, "limits": {"distance_um": None, "angle_deg": None}}
    yield "no cells", study("one-device", *SCANS, settings=settings)


@what_if()
def with_all_scans():
    """What the excluded scans would change, with a reference and without."""
    every = table("two-devices", "accuracy_with_excluded")
    held = table("two-devices", "conformity_with_excluded")
    fewer = held[held["condition"].eq("device A")]
    now = put(table("two-devices", "conformity"), [0, 2], verdict="", tolerance_bound=NAN)
    yield "verdicts", study("two-devices", *SCANS, conformity=now, conformity_with_excluded=fewer)
    angles = every[every["measurand"].eq("angle_deg")]
    yield "no distance", study("two-devices", *SCANS, accuracy=angles,
                               accuracy_with_excluded=every)  # fmt: skip
    scatter = table("precision", "precision")
    scatter = scatter[scatter["measurand"].eq("distance_um")]
    yield "no reference", study(
        "precision", "scans", "pair_differences", "failures", precision=scatter,
        accuracy_with_excluded=scatter.assign(s_I=scatter["s_I"] + 4, n_scans=13, bias=NAN),
        settings={"exclusions": [{"scan": "b03", "reason": "wrong body"}]},
    )  # fmt: skip


# ---- comparison -------------------------------------------------------------------------
MODELS = ("model_fits", "model_means", "model_contrasts", "model_covariates", "model_variances")
FITS = ("model_fits", "model_variances")
LEVELS = ["technique 1", "technique 2", "technique 3"]


def contrasts(changes, only=None):
    """Contrasts of the distance and its size, with some cells changed."""
    rows = table("comparison", "model_contrasts")
    rows = rows[rows["model_name"].isin(["distance", "size"])]
    if only:
        rows = rows[rows["model_name"].isin(only)]
    for (model, contrast), values in changes.items():
        where = rows["model_name"].eq(model) & rows["covariate"].eq("")
        where &= rows["contrast"].str.contains(contrast)
        rows = put(rows, where, **values)
    return rows


def ratio(value, half, *, shown=True):
    """Ratio with an interval of a factor either way, and what is reciprocal to it."""
    return {"ratio": value, "ratio_low": value / half, "ratio_high": value * half, "shown": shown,
            "inverse_ratio": 1 / value, "inverse_low": 1 / value / half,
            "inverse_high": half / value}  # fmt: skip


@what_if("-")
def first_page_of_a_comparison():
    """Which sentence leads: sizes, one contrast, several, or that nothing can be said."""
    sizes, shares = {}, (0.52, 1.9, 0.34)
    for k, (pair, share) in enumerate(zip(("1 - technique 2", "1 - technique 3", "2 - technique 3"),
                                          shares, strict=True)):  # fmt: skip
        sizes["size", pair] = ratio(share, 1.2 + k / 10)
    yield "sizes", study("comparison", *SCANS, *MODELS, model_contrasts=contrasts(sizes))
    half = {**sizes, ("size", "1 - technique 3"): ratio(0.48, 1.1),
            ("size", "1 - technique 2"): ratio(0.539, 1.1),
            ("size", "2 - technique 3"): ratio(0.9, 1.3, shown=False)}  # fmt: skip
    yield "about half", study("comparison", *SCANS, *MODELS, model_contrasts=contrasts(half))
    half["size", "1 - technique 2"] = ratio(0.541, 1.1)
    yield "not half", study("comparison", *SCANS, *MODELS, model_contrasts=contrasts(half))
    alike = {key: ratio(v, 1.4, shown=False) for key, v in zip(sizes, shares, strict=True)}
    yield "alike", study("comparison", *SCANS, *MODELS, model_contrasts=contrasts(alike))
    none = {("size", "technique"): {"low": NAN, "high": NAN, "ratio_low": NAN, "shown": False}}
    yield "no sizes", study("comparison", *SCANS, *MODELS, model_contrasts=contrasts(none))
    means = table("comparison", "model_means").query("model_name == 'distance'")
    alone = ["distance"]
    yield "plain", study("comparison", *SCANS, *MODELS, model_means=means,
                         model_contrasts=contrasts({}, alone))  # fmt: skip
    near = {("distance", "1 - technique 2"): {"equivalent": True, "p_equivalence": 0.01},
            ("distance", "2 - technique 3"): {"shown": False, "margin": NAN}}  # fmt: skip
    yield "each kind", study("comparison", *SCANS, *MODELS, model_means=means,
                             model_contrasts=contrasts(near, alone))  # fmt: skip
    nothing = {("distance", "technique"): {"low": NAN, "high": NAN, "shown": False}}
    yield "too few", study("comparison", *SCANS, *MODELS, model_means=means,
                           model_contrasts=contrasts(nothing, alone))  # fmt: skip
    yield "no contrasts", study("comparison", *SCANS, "conformity", "supported_spans")
    logs = means.assign(model_name="size", response="log(abs(pair.distance_um))")
    yield "sizes alone", study("comparison", *SCANS, *MODELS, model_means=logs,
                               model_contrasts=contrasts(sizes, ["size"]))  # fmt: skip
    many = contrasts(sizes)
    more = [many.assign(level_a=f"technique {k}", contrast=f"technique {k} - {c}")
            for k, c in enumerate(["x", "y"], 4)]  # fmt: skip
    yield "many", study("comparison", *SCANS, *MODELS, model_contrasts=pd.concat([many, *more]))


@what_if("-")
def two_conditions():
    """The only contrast of a study, by what it shows."""
    means = table("comparison", "model_means").query("model_name == 'distance'").head(2)
    base = contrasts({}, ["distance"]).query("covariate == ''").head(1)
    logs = {"response": "log(abs(pair.distance_um))", **ratio(1.42, 1.2, shown=True)}
    for title, values in {
        "neither": {},
        "longer": {"shown": True, "estimate": 14.25, "low": 2.0, "high": 26.5},
        "shorter and beyond": {"shown": True, "estimate": -22.0, "low": -31.0, "high": -13.0},
        "at the margin": {"shown": True, "estimate": -22.0, "low": -32.0, "high": -12.0},
        "beyond upwards": {"shown": True, "estimate": 22.0, "low": 12.5, "high": 31.5},
        "equivalent": {"equivalent": True},
        "equivalent by its own interval": {"equivalent": True, "equivalence_low": NAN},
        "no margin": {"margin": NAN},
        "no margin, shown": {"margin": NAN, "shown": True},
        "not adjusted": {"adjust": "none"},
        "an angle": {"response": "pair.angle_deg", "estimate": 0.0625, "low": -0.01, "high": 0.13,
                     "margin": 0.1, "equivalence_low": 0.0, "equivalence_high": 0.1201},
        "ratio": logs,
        "ratio with a margin": {**logs, "margin": 1.25, "equivalent": False},
        "ratio, equivalent": {**logs, "margin": 1.5, "equivalent": True, "shown": False},
        "without an interval": {"low": NAN, "high": NAN},
    }.items():  # fmt: skip
        rows = put(base, slice(None), **values)
        own = means.assign(response=rows["response"].iloc[0])
        yield title, study("comparison", *SCANS, *FITS, model_contrasts=rows, model_means=own,
                           settings={"analysis": {"cell": []}})  # fmt: skip
    at = put(base, slice(None), stratum="device X", level_b="closed - tray")
    yield "in a stratum", study("comparison", *SCANS, *FITS, model_contrasts=at, model_means=means)
    vague = means.assign(low=NAN, mean_low=NAN)
    yield "vague", study("comparison", *SCANS, *FITS, model_contrasts=base, model_means=vague)
    missed = table("comparison", "model_lack_of_fit").assign(shown=[True, True, False, True] * 2)
    apart = pd.DataFrame({"model_name": "distance", "response": "pair.distance_um",
                          "covariate": ["angulation_deg", "path_mm"], "held": [12.04, 31.0],
                          "common_low": [20.0, 5.0], "common_high": [15.0, 5.0]})  # fmt: skip
    warned = table("comparison", "model_spread").assign(warned=True)
    tails = table("comparison", "model_fits").assign(heavy_tails=True)
    other = table("comparison", "model_unequal")
    more = {"model_contrasts": contrasts({}), "model_means": table("comparison", "model_means"),
            "model_lack_of_fit": missed, "model_covariates": apart, "model_spread": warned,
            "model_fits": tails}  # fmt: skip
    yield "cautions", study("comparison", *SCANS, "model_variances", **more)
    for title, rows in (("allowed for", other.assign(changed=True)), ("the same", other),
                        ("another factor", other.assign(residual_sd_by="x"))):  # fmt: skip
        yield title, study("comparison", *SCANS, "model_variances", **more, model_unequal=rows)


def confounded(levels):
    rows = [{"factor": "session", "other_factor": "model", "block": k // 2, "level": f"s{k}",
             "factor_of": "session" if k % 2 else "model"} for k in range(levels)]  # fmt: skip
    return pd.DataFrame(rows)


@what_if("Methods")
def sections_of_a_comparison():
    """Settings of models, what never crosses, and what a record says of the study."""
    keep = (*SCANS, *MODELS, "model_tests", "model_terms", "model_lack_of_fit",
            "model_classes")  # fmt: skip
    fits = table("comparison", "model_fits")
    fits = put(fits, [0, 1], simultaneous=True, non_inferiority=True, engine_difference=3.2e-5)
    fits = put(fits, [1], method="satterthwaite", adjust="none", residual_sd_by="technique",
               engine_gain=0.125)  # fmt: skip
    fits = put(fits, [2, 3], engine_difference=NAN, engine_gain=NAN)
    rows = table("comparison", "model_contrasts")
    rows = put(rows, rows["model_name"].eq("size"), adjust="none")
    rows = put(rows, rows["model_name"].eq("distance") & rows["contrast"].str.contains("1 - "),
               simultaneous_low=NAN, simultaneous_high=NAN)  # fmt: skip
    tests = table("comparison", "model_tests")
    drawn = tests.assign(draws=999, p=tests["p"] / 2).iloc[[0, 2]]
    parts = table("comparison", "model_variances")
    parts = put(parts, [0], share=0.8, low=NAN)
    missed = table("comparison", "model_lack_of_fit").assign(shown=[True, True, False, False] * 2)
    classes = table("comparison", "model_classes")
    classes = put(classes, classes["covariate"].eq("path_mm"), condition="", difference=-40.0)
    operators = table("comparison", "model_operators").head(2)
    scans = table("comparison", "scans")
    planned = scans.assign(planned_order=range(len(scans)), device="A", light="", splint="")
    yield "settings", study(
        "comparison", *keep, model_fits=fits, model_contrasts=rows, model_bootstrap=drawn,
        model_variances=parts, model_lack_of_fit=missed, model_classes=classes, scans=planned,
        model_operators=operators, model_confounding=confounded(8),
        settings={"study": {"protocol": "three_techniques"}},
    )  # fmt: skip
    every = fits.assign(simultaneous=True, engine_difference=NAN, adjust="none")
    orders = [{"order": "24 scans; drawn with seed 7"}, {"order": "12 scans; drawn with seed 8"}]
    pairs = table("comparison", "pair_deviations")
    pairs = pairs.assign(operator=[f"o{k % 9}" for k in range(len(pairs))])
    pairs = pairs[~(pairs["model"].eq("M2") & pairs["session"].eq("s1"))]
    yield "orders", study(
        "comparison", *keep, model_fits=every, model_contrasts=rows.assign(adjust="none"),
        scans=scans.drop(columns=["operator"]), model_confounding=confounded(10),
        pair_deviations=pairs, model_operators=operators.assign(contrast="x"),
        settings={"orders": orders, "model": [], "analysis": {"condition": []}},
    )  # fmt: skip
    yield "no cell", study("comparison", *SCANS, "model_terms",
                           settings={"analysis": {"cell": ["x"], "condition": []}})  # fmt: skip
    wide = pairs.assign(session=[f"s{k % 9}" for k in range(len(pairs))])
    unnamed = contrasts({("distance", "t"): {"factor": ""}})
    yield (
        "wide",
        study("comparison", *SCANS, *MODELS, pair_deviations=wide, model_contrasts=unnamed),
    )


@what_if()
def effects():
    """Effects by level, for these models only, not stated and not estimated."""
    keep = (*SCANS, *MODELS, "scan_deviations")
    base, notes = table("comparison", "model_effects"), table("comparison", "model_effect_notes")
    lines = table("comparison", "model_lines")
    varied = put(base, base["model_name"].eq("distance"), interaction_shown=True)
    varied = put(varied, varied["level"].isin(LEVELS[1:]), shown=True)
    few = lines[lines["level"].eq("technique 1")]
    yield "by level", study("comparison", *keep, "models", model_effect_notes=notes,
                            model_effects=varied, model_lines=few)  # fmt: skip
    turned = lines.sort_values("level", ascending=False, kind="stable")
    yield "levels in another order", study("comparison", *keep, model_effect_notes=notes,
                                           model_effects=base, model_lines=turned)  # fmt: skip
    log = base["response"].iloc[0]
    sized = put(base, base["response"].eq(log), response="log(abs(pair.distance_um))",
                ratio=1.066, ratio_low=0.98, ratio_high=1.155)  # fmt: skip
    sized = put(sized, sized["kind"].eq("average"), df=9.94, shown=True, low=NAN)
    yield "of sizes", study("comparison", *keep, model_effect_notes=notes, model_effects=sized)
    shut = put(notes, slice(None), stated=False, why="two models differ in more", to_add="a model")
    of = base[base["model_name"].eq("worst distance of a scan")].tail(3)
    of = of.assign(
        kind=OF_MODELS, scope="of these models", covariate="n_implants", level_a="M6", level_b="M4"
    )
    yield "of these models", study("comparison", *keep, model_effect_notes=shut, model_effects=of)
    unsaid = notes.assign(why="", stated=True)
    elsewhere = base.assign(covariate="steps")
    yield "in no model", study("comparison", *keep, model_effect_notes=unsaid,
                               model_effects=elsewhere)  # fmt: skip
    yield "no effects", study("comparison", *keep, model_effect_notes=shut)
    same = notes.assign(n_levels=[1, 1, 2, 2][: len(notes)])
    yield "one level", study("comparison", *keep, model_effect_notes=same, model_effects=base)
    cause = put(notes, [0], why="the slope rests on two models", to_add="models of other tilt")
    rest = base[base["scope"].eq("at equal path")]
    yield "with a caution", study("comparison", *keep, model_effect_notes=cause,
                                  model_effects=rest)  # fmt: skip


# ---- without a reference ----------------------------------------------------------------
@what_if("-")
def scatter_alone():
    """Repeats of one condition and of several, as far as they are known."""
    base = table("precision", "precision")
    base = base[base["measurand"].eq("distance_um")]
    keep = ("scans", "pair_differences", "failures")
    one = base[base["condition"].eq("device A")]
    for title, values in {
        "no limit over cells": {"I_limit": NAN, "s_I": NAN},
        "over cells only": {"r_limit": NAN, "s_r": NAN},
        "no name": {"condition": ""},
    }.items():
        rows = put(one, slice(None), **values)
        yield title, study("precision", *keep, precision=rows, kind="validation")
    for n in (2, 5, 6):
        rows = pd.concat([one.assign(condition=f"device {'ABCDEF'[k]}", r_limit=one["r_limit"] + k)
                          for k in range(n)])  # fmt: skip
        rows = put(rows, rows["condition"].eq("device B"), r_limit=NAN)
        summary = table("precision", "condition_scatter").head(2)
        yield f"{n} conditions", study("precision", *keep, precision=rows,
                                       condition_scatter=summary)  # fmt: skip
    yield "no cells", study("precision", *keep, precision=base.assign(I_limit=NAN))
    yield "nothing", study("precision", "scans")
    rows = table("precision", "model_contrasts")
    first = rows["model_name"].iloc[0]
    models = ("model_means", *FITS, "model_covariates", "model_contrasts_at")
    lone = rows[rows["model_name"].eq(first)]
    yield "contrast", study("precision", *keep, *models, precision=base, model_contrasts=lone)
    blank = put(lone, slice(None), low=NAN, high=NAN, shown=False)
    yield "no interval", study("precision", *keep, *models, precision=base, model_contrasts=blank)
    spread = rows[rows["response"].str.startswith("spread(")]
    yield "spread alone", study("precision", *keep, *models, precision=base,
                                model_contrasts=spread)  # fmt: skip
    several = pd.concat([lone, lone.assign(level_b="device C", contrast="device A - device C",
                                           estimate=lone["estimate"] * 2)])  # fmt: skip
    yield "two contrasts", study("precision", *keep, *models, precision=base,
                                 model_contrasts=several)  # fmt: skip
    hardly = put(lone, slice(None), shown=True, estimate=0.4, low=0.1, high=0.7)
    yield "hardly longer", study("precision", *keep, *models, precision=base,
                                 model_contrasts=hardly.head(1))  # fmt: skip
    slopes = put(lone, lone["covariate"].ne(""), shown=True)
    yield "two slopes", study("precision", *keep, *models, precision=base,
                              model_contrasts=slopes)  # fmt: skip
    ends = table("precision", "model_contrasts_at").drop_duplicates(["model_name", "covariate"])
    yield "one end of each slope", study("precision", *keep, *models[:-1], precision=base,
                                         model_contrasts=slopes,
                                         model_contrasts_at=ends)  # fmt: skip


# ---- drift ------------------------------------------------------------------------------
CHARTS = ("drift_points", "drift_signals", "scans", "implants", "pair_deviations", "failures")


def status(first, second=None):
    rows = table("drift", "drift_status")
    rows = put(rows, [0], **first)
    return put(rows, [1], **(second or {}))


@what_if("-")
def states_of_devices():
    """The first page by what changed, how surely, since when, and what is due."""
    still = {"stands": False, "state": "no sign", "duty_what": "", "change": ""}
    points, events = table("drift", "drift_points"), table("drift", "events")
    few = points[points["chart"].isin(["mean", "ewma", "cusum-high", "cusum-low", "individuals"])]
    keep = ("drift_signals", "scans", "implants", "pair_deviations")
    for title, rows, more in (
        ("ramp", status({"change": "ramp", "size_low": NAN, "begins_at": pd.NaT,
                         "in_baseline": pd.NA, "signalled_at": pd.NaT, "chart": "cusum-high"}), {}),
        ("spread", status({"change": "spread", "chart": "", "duty_what": "", "in_baseline": False},
                          {"stands": True, "change": "level", "size": -4.25, "size_low": -6.0,
                           "size_high": -2.5, "unit": "um", "limit_verdict": OPEN,
                           "n_not_verified": 3, "duty_what": "Reassess since 2025-03-10."}), {}),
        ("ended", status({"stands": False, "what": "On 2025-05-26 a rule by -3.5 µm."}),
         {}),
        ("nothing", status(still, still), {"events": events}),
        ("nothing persists", status({**still, "state": "ended"}, {**still, "state": "no charts"}),
         {}),
        ("no limit", status({"limit_um": NAN, "limit_verdict": ""},
                            {"limit_um": NAN, "limit_verdict": ""}), {}),
        ("one limit", status({"limit_um": NAN, "limit_verdict": "", "n_not_verified": 0},
                             {"worst_bound_um": NAN, "limit_verdict": OPEN, "n_not_verified": 1}),
         {}),
        ("alone", status(still).head(1), {}),
        ("another measurand", status({"measurand": "none", "chart": "x"}), {}),
        ("two models", status({}, {"device": "device A", "model": "M5"}), {
            "drift_points": pd.concat([few, few.assign(model="M5")])}),
    ):  # fmt: skip
        tables = {"drift_points": few, **more}
        yield title, study("drift", *keep, drift_status=rows, **tables)
    again = table("drift", "reference_changes").assign(verdict="differs", e_n=[-1.4, 0.3, 2.1] * 2)
    yield "another reference", study("drift", *keep, drift_status=status({}), drift_points=few,
                                     reference_changes=again)  # fmt: skip
    none = {"reference": {"kind": "none"}}
    yield "no reference", study("drift", "scans", "drift_points", drift_status=status({}, still),
                                settings=none)  # fmt: skip
    yield "no charts", study("drift", "scans", settings=none)


@what_if("Methods")
def chapters_of_devices():
    """Remarks, signals, slopes that meet the limit, work to reassess, run lengths."""
    points, scans = table("drift", "drift_points"), table("drift", "scans")
    own = points[points["device"].eq("device A") & points["chart"].isin(["individuals", "ewma"])]
    own = put(own, own["session"].isin(["S05", "S06"]), at=pd.Timestamp("2025-06-02"))
    own = own[~own["session"].isin(["S08", "S09", "S10", "S11", "S12"])]
    n = np.arange(len(scans))
    old = scans.assign(body_uses=n, software=np.where(n < 60, "4.0", np.where(n < 120, "", "5.1")))
    slopes = put(table("drift", "drift_trends"), slice(None), shown=True, p=0.0125)
    pairs = table("drift", "drift_pairs")
    until = pd.Timestamp(pairs["until"].iloc[0]).normalize()
    for k, days in enumerate((0, 1, 40)):
        low, at, high = (until + pd.Timedelta(days=d) for d in (days - 9, days, 90))
        pairs = put(pairs, [k], reached_low=low, reached_at=at,
                    reached_high=pd.NaT if k == 2 else high)  # fmt: skip
    pairs = put(pairs, [0, 1, 2, 3], horizon=pd.Timestamp("2027-01-01"))
    work = pd.DataFrame({
        "device": "device A", "model": "M4", "session": ["S03", "S03", "S03", "S04", "S07", "S09"],
        "scan": ["A031", "A032", "A033", "A044", "A070", "x"],
        "at": pd.to_datetime(["2025-02-03"] * 3 + ["2025-02-17", "2025-03-31", "2025-04-28"]),
        "doubt": "the distance of pairs by -12 µm",
        "proven_good": ["", "", "", "S01", "S05", "S08"],
        "next_good": ["S02", "S02", "S02", "", "S08", ""],
        "proven_good_at": pd.to_datetime([None] * 3 + ["2025-01-06", "2025-03-03", "2025-04-14"]),
        "next_good_at": pd.to_datetime(["2025-01-20"] * 3 + [None, "2025-04-14", None]),
    })  # fmt: skip
    more = {"drift_points": own, "drift_trends": slopes, "drift_pairs": pairs, "scans": old,
            "drift_lookback": work}  # fmt: skip
    yield "worst", study("drift", "implants", "pair_deviations", "events", **more,
                         drift_status=status({}).head(1))  # fmt: skip
    no_duty = status({"limit_verdict": "", "limit_what": ""}).head(1)
    yield "no limit", study("drift", "implants", "pair_deviations", "events", **{
        **more, "drift_lookback": work.iloc[[0, 2, 3]], "scans": scans.drop(columns="device")},
        drift_status=no_duty)  # fmt: skip
    lengths = table("drift", "drift_run_lengths")
    lengths = put(lengths, lengths["device"].eq("device A"), steady_state=20000.0)
    lengths = put(lengths, lengths["device"].eq("device A") & lengths["chart"].eq("mean"),
                  zero_state=1200.0, steady_state=999.96)  # fmt: skip
    lengths = put(lengths, lengths["device"].eq("device B"), steady_state_days=NAN)
    changed = table("drift", "drift_baselines").tail(2)
    settings = {"drift": {"baseline_until": "2025-03-01"}, "scans": {"expansion_per_k": None}}
    yield "settings", study("drift", *CHARTS, "drift_limits", "drift_devices", "drift_comparisons",
                            drift_status=status({"limit_verdict": ""}).head(0), settings=settings,
                            drift_run_lengths=lengths, drift_baselines=changed)  # fmt: skip
    other = lengths[lengths["chart"].ne("ewma") & lengths["shift"].ne(15.0)]
    unknown = table("drift", "drift_status").assign(limit_verdict="")
    none = {"reference": {"kind": "none"}, "uncertainty": {"temperature_tolerance_k": 0.0}}
    mean = points[points["chart"].eq("ewma")].drop(columns="model").assign(model="M4")
    yield "no reference", study(
        "drift", "scans", "drift_baselines", "drift_limits", drift_run_lengths=other,
        drift_status=unknown, drift_points=mean, settings=none,
    )  # fmt: skip
    yield "no points", study("drift", "scans", drift_status=unknown.tail(1),
                             drift_points=mean.head(0),
                             drift_run_lengths=lengths.assign(limits="known"))  # fmt: skip


# ---- seating, reference, record ---------------------------------------------------------
@what_if()
def seats():
    """Where parts of a budget are missing, no seat is found, several misfits have origins."""
    parts = table("one-device", "uncertainty_budget")
    last = parts["subject"].eq("I1-I6")
    known = put(parts, last & parts["part"].eq("repeatability"), u_um=NAN)
    known = put(known, last & parts["part"].eq("CMM"), counted=False)
    known = put(known, last & parts["part"].eq("expanded"), df=12.04)
    yield "not all parts", study("one-device", *SCANS, uncertainty_budget=known)
    bare = put(parts, last & parts["part"].eq("expanded"), u_um=NAN)
    yield "no expanded", study("one-device", *SCANS, uncertainty_budget=bare)
    gone = parts[~(last & parts["part"].eq("combined"))]
    yield "no combined", study("one-device", *SCANS, uncertainty_budget=gone)
    scans, origins = (table("two-devices", f"seating_{n}") for n in ("scans", "contributions"))
    yield "several origins", study("two-devices", *SCANS, seating_scans=scans,
                                   seating_contributions=origins)  # fmt: skip
    far = scans.assign(locating_p95_um=999.0)
    yield "not told", study("two-devices", *SCANS, seating_scans=far, seating_contributions=origins)
    blind = scans.drop(columns="locating_p95_um")
    yield "locating unknown", study("two-devices", *SCANS, seating_scans=blind,
                                    seating_contributions=origins)  # fmt: skip
    mine = {k: table("one-device", f"seating_{k}") for k in ("scans", "contributions")}
    lone = mine["scans"].assign(locating_p95_um=999.0)
    yield "one, not told", study("one-device", *SCANS, seating_scans=lone,
                                 seating_contributions=mine["contributions"])  # fmt: skip
    yield "one, alone", study("one-device", *SCANS, seating_contributions=mine["contributions"])
    void = mine["contributions"].assign(contribution_um=NAN)
    yield "no origin", study("one-device", *SCANS, seating_contributions=void)
    png = dict.fromkeys(("located", "surface-trueness", "surface-precision"), PNG)
    for shown in (("located",), ("surface-precision", "surface-trueness"), tuple(png)):
        notes = {k: f"A note on {k}." for k in shown}
        pictures = {"pictures": {k: png[k] for k in shown}, "picture_notes": notes}
        yield " ".join(shown), study("one-device", *SCANS, more=pictures)


@what_if("Methods", "Record")
def what_is_recorded():
    """Where positions come from, temperatures, many files, runs of the reference."""
    scans, poses = table("one-device", "scans"), table("one-device", "poses")
    known = table("one-device", "reference_pairs")
    fitted = poses.assign(fit_rms_um=np.linspace(11.6, 21.4, len(poses)))
    body = {"scan_body": {"default": {"use_above_mm": 2.5}}}
    run = known.assign(n_runs=3, s_runs_um=np.linspace(0.4, 2.2, len(known)), u_body_um=1.5,
                       u_from="MPE")  # fmt: skip
    yield "fitted", study("one-device", *SCANS, poses=fitted, reference_pairs=run, settings=body,
                          more={"who": "C. Three", "issued": "2026-04-01"})  # fmt: skip
    at = {"scans": {"temperature_c": 20.0}, "uncertainty": {"temperature_tolerance_k": 0.0}}
    yield "at home", study("one-device", *SCANS, poses=fitted.assign(fit_rms_um=12.0), settings=at,
                           reference_pairs=known.assign(u_from="nothing", u_um=NAN))  # fmt: skip
    some = scans.assign(temperature_c=[21.0, 24.5] * 3 + [None] * 7)
    none = {
        "scans": {"temperature_c": None},
        "reference": {
            "instrument": "",
            "certificate": "",
            "measured_on": None,
            "due_on": None,
            "mpe_um": None,
        },
    }
    yield "some", study("one-device", "implants", "pair_deviations", scans=some, settings=none,
                        reference_pairs=known.assign(u_from="nothing", u_um=NAN))  # fmt: skip
    cold = {
        "scans": {"temperature_c": None, "expansion_per_k": None},
        "seating": {"lateral_clearance_um": 40.0},
    }
    files = {f"t{k:02d}.csv": "0123456789abcdef" * 4 for k in range(61)}
    record = {"record": {"accstudy": "1", "inputs": {}, "outputs": files,
                         "computer": {"system": "x", "processor": "y"}},
              "generated": "", "title": "A <title>"}  # fmt: skip
    yield "no scans", study("one-device", "seating_summary", settings=cold, more=record)
    sixty = {"record": {"inputs": {}, "outputs": dict(list(files.items())[:60])}}
    yield "sixty files", study("one-device", "poses", "seating", "seating_implants", "implants",
                               settings=cold,
                               more=sixty)  # fmt: skip
    yield "no files", study("one-device", more={"record": {}})
    device = scans.assign(device=["device A"] * 6 + [""] * 7, serial_number="", software=None,
                          serial=["1"] * 3 + ["2"] * 10)  # fmt: skip
    yield "devices", study("one-device", scans=device)
    whole = table("one-device", "scan_deviations")
    pairs = table("one-device", "pair_deviations")
    for n in (2, 3):
        kept_scans = scans["scan"].head(n)
        yield f"{n} scans", study(
            "one-device", "implants", scan_deviations=whole,
            scans=scans.head(n).drop(columns=["measured_at"]),
            pair_deviations=pairs[pairs["scan"].isin(kept_scans)],
            settings={"limits": {"distance_um": None}},
        )  # fmt: skip


@what_if("Methods")
def remains():
    """What only one table or setting decides, elsewhere the same in every study."""
    pair, scans = longest(), table("one-device", "scans")
    by = {"analysis": {"laboratory": "operator"}}
    yield "reproducibility", study("one-device", *SCANS, "variance_components", accuracy=pair,
                                   settings=by)  # fmt: skip
    alone = scans.assign(operator="operator 1")
    yield "one laboratory", study("one-device", "implants", "pair_deviations", scans=alone,
                                  accuracy=pair, settings=by)  # fmt: skip
    above, vectors = table("one-device", "implants_above"), table("one-device", "implant_vectors")
    parts = put(table("one-device", "uncertainty_budget"), [0], part="scan body seating")
    yield "from above", study("one-device", *SCANS, "reference_pairs", uncertainty_budget=parts,
                              implants_above=above)  # fmt: skip
    vectors = put(vectors, slice(None), u_alignment_tilt_deg=NAN)
    yield "one implant", study("one-device", *SCANS, implants_above=above.head(1))
    yield "no tilt", study("one-device", *SCANS, implants_above=above, implant_vectors=vectors,
                           outliers=table("one-device", "outliers").assign(verdict="nothing"),
                           outlier_counts=table("one-device", "outlier_counts"))  # fmt: skip
    seats = table("one-device", "seating").assign(best_seat_um=NAN, gap_max_um=NAN)
    yield "no seat", study("one-device", *SCANS, "seating_implants", seating=seats)
    grid = table("comparison", "seating_scans")
    grid = put(grid, grid["model"].eq("M2"), n_seats=4, span_mm=44.4)
    yield "every combination", study("comparison", *SCANS, "seating_summary", seating_scans=grid,
                                     kind="validation")  # fmt: skip
    notes = table("comparison", "model_effect_notes").assign(n_levels=1)
    yield "no levels", study("comparison", *SCANS, *MODELS, model_effect_notes=notes)
    rows = contrasts({})
    slope = rows["covariate"].ne("") & rows["level_b"].ne("")
    shown = put(rows, slope & rows["model_name"].eq("size"), shown=True)
    at = table("comparison", "model_contrasts_at")
    yield "changing", study("comparison", *SCANS, *MODELS, model_contrasts=shown,
                            model_contrasts_at=at)  # fmt: skip
    both = rows[rows["covariate"].eq("") & rows["model_name"].eq("distance")].head(1)
    for n in (4, 5):
        many = pd.concat([both.assign(level_b=f"technique {k}") for k in range(n)])
        means = table("comparison", "model_means").query("model_name == 'distance'")
        yield f"{n} of a kind", study("comparison", *SCANS, *FITS, model_contrasts=many,
                                      model_means=means)  # fmt: skip
    one = table("comparison", "model_influence").query("model_name == 'distance' and largest")
    for title, values in (
        ("influence on a slope", {"contrast": "slope of path_mm", "covariate": "path_mm",
                                  "change": -0.0316}),
        ("influence on the mean", {"contrast": "mean"}),
    ):  # fmt: skip
        yield title, study("comparison", "model_fits", model_contrasts=both,
                           model_influence=put(one, slice(None), **values))  # fmt: skip
    few = table("comparison", "model_variances").assign(sd=0.0, share=NAN)
    bare = table("comparison", "model_residuals").head(2)
    more = {"model_contrasts": both, "model_variances": few, "model_residuals": bare}
    yield "no scatter", study("comparison", *SCANS, "model_fits", "model_means", "model_quantiles",
                              **more)  # fmt: skip
    held = table("one-device", "conformity")
    for title, values in (
        ("new", {"holds_for": "new operators"}),
        ("cells", {"holds_for": "new cells", "assumption": "none"}),
        ("unknown", {"n_independent": pd.NA}),
    ):
        yield title, study("comparison", *SCANS, conformity=put(held, slice(None), **values))


@pytest.mark.parametrize("case", list(CASES))
def test_pages_of_edited_studies_are_as_approved(case):
    """Run with ``APPROVE=1`` after a change on purpose, and read what git says."""
    function, usual = CASES[case]
    parts = [f"==== {title}\n{told(*one, usual)}" for title, one in function()]
    file = Path(__file__).parent / "approved" / "what-if" / f"{case}.txt"
    compare(file, "\n".join(parts))


# ---- flags ------------------------------------------------------------------------------
STUDIES = ("two-devices", "comparison", "drift", "precision")
NEVER = {
    ("model_variances", "largest", False),
    ("model_effects", "applies", False),
    ("drift_status", "stands", True),
    ("accuracy", "longest", True),
    ("precision", "longest", True),
}
"""What no table has: a model has one largest component of variance, a study one longest pair."""

MOST_LINES = 24


def toggled(name):
    """Every flag in the tables that this study is the first to have, for no row and for all."""
    before = [kept_tables(other)[1] for other in STUDIES[: STUDIES.index(name)]]
    for table_name, rows in kept_tables(name)[1].items():
        if not any(table_name in tables for tables in before) and table_name in TABLES:
            flags = [c.name for c in TABLES[table_name].columns if c.kind == "flag"]
            for flag in [f for f in flags if f in rows and not table_name.endswith("excluded")]:
                had = rows[flag].fillna(False).astype(bool)
                for value in (v for v in (False, True) if not (had == v).all()):
                    if (table_name, flag, value) not in NEVER:
                        yield table_name, flag, value


@pytest.mark.parametrize("name", STUDIES)
def test_pages_of_toggled_flags_are_as_approved(name):
    """What changes on the pages if a flag of a table holds for no row or for all of them."""
    kind, content = kept(name)
    before, parts = told(kind, content, USUAL).splitlines(), []
    for table_name, flag, value in toggled(name):
        rows = content.tables[table_name].assign(**{flag: value})
        edited = dataclasses.replace(content, tables={**content.tables, table_name: rows})
        after = told(kind, edited, USUAL).splitlines()
        lines = [
            x for x in difflib.unified_diff(before, after, n=0) if x[:2] not in ("@@", "--", "++")
        ]
        cut = [f"... {len(lines) - MOST_LINES} more"] * (len(lines) > MOST_LINES)
        title = f"==== {table_name}.{flag} {value}".lower()
        parts.append("\n".join([title, *lines[:MOST_LINES], *cut]))
    file = Path(__file__).parent / "approved" / "what-if" / f"flags-{name}.txt"
    compare(file, "\n".join(parts) + "\n")
