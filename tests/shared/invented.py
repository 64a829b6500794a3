# ruff: noqa: C408  (rows of a table read better as keywords)
"""Invented studies as result tables, made the same way in every run.

Deviations come from the real comparison of invented poses with an invented
reference; tables of rooms that the reports do not call are filled with
plausible numbers of their own.
"""

import datetime as dt

import numpy as np
import pandas as pd

from accstudy.accuracy.along_arch import (
    alignment_table,
    implants_above,
    precision_curve,
    precision_vs_span,
)
from accstudy.accuracy.budget import uncertainty_budget
from accstudy.accuracy.conformity import LimitOf, conformity_tables
from accstudy.accuracy.measurands import range_table, run_table
from accstudy.accuracy.outliers import outlier_counts
from accstudy.accuracy.summary import (
    accuracy_table,
    condition_summary,
    failure_table,
    field_table,
    study_results,
)
from accstudy.compare.arch import model_arches
from accstudy.compare.deviations import (
    implant_deviations,
    models_scanned,
    pair_deviations,
    scan_deviations,
)
from accstudy.models.grouping import effect_notes
from accstudy.seating.summary import seat_medians
from accstudy.study.load import scan_temperatures
from accstudy.study.settings import Settings
from accstudy.tables import TABLES, empty, shape

ARCH_6 = {
    "I1": (-22.0, -14.0, 0.0),
    "I2": (-17.0, 2.0, 0.6),
    "I3": (-7.5, 12.0, 1.0),
    "I4": (7.5, 12.2, 0.9),
    "I5": (17.2, 1.6, 0.4),
    "I6": (22.4, -14.5, 0.0),
}
TILTS = {"I1": 0.0, "I2": 5.0, "I3": 2.0, "I4": 2.0, "I5": 6.0, "I6": 0.0}


def ranged(tables, own, *, everywhere=None):
    """Tables ``ranges`` and ``run_chart`` of other tables; empty ones are like those of `own`."""
    pairs = next((tables[k] for k in ("pair_deviations", "pair_differences") if k in tables), None)
    if pairs is None or "scans" not in tables:
        return {}
    accuracy = next(t[k] for t in (tables, own) for k in ("accuracy", "precision") if k in t)
    accuracy = accuracy.head(len(accuracy) if {"accuracy", "precision"} & set(tables) else 0)
    whole = next((tables[k] for k in ("scan_deviations", "scan_differences") if k in tables), None)
    scans, run = tables["scans"], empty("run_chart")
    if whole is not None:
        at = scans.set_index("scan").get("measured_at", pd.Series(pd.NaT, scans["scan"]))
        run = run_table(accuracy, pairs, whole, pd.to_datetime(at))
    factors = [c for c in scans if c not in TABLES["scans"].names]
    warm = scan_temperatures(scans, everywhere=everywhere)
    poses = tables.get("poses", empty("poses").head(0))
    of = (accuracy, pairs, poses, run, scans)
    return {"ranges": range_table(*of, factors=factors, temperature_c=warm), "run_chart": run}


def with_ranges(*, settings, tables, **said):
    """Content of a report with the ranges of its tables."""
    from accstudy.reports.document import ReportContent

    warm = settings.get("scans", {}).get("temperature_c")
    empty_ones = {"accuracy": empty("accuracy")}
    found = ranged(tables, empty_ones, everywhere=warm)
    found["models"] = models_scanned(tables["pair_deviations"])
    return ReportContent(settings=settings, tables=found | tables, **said)


def summed(pairs, singles, accuracy, implants, outliers=None, seating=None):
    """Tables that summarise others for print."""
    relations = precision_vs_span(accuracy)
    made = {
        "precision_vs_span": relations,
        "precision_curve": precision_curve(relations, accuracy),
        "condition_summary": condition_summary(accuracy, pairs),
        "alignments": alignment_table(singles),
        "implants_above": implants_above(singles, model_arches(implants)),
        "scan_deviations": scan_deviations(pairs),
    }
    if outliers is not None:
        made["outlier_counts"] = outlier_counts(outliers)
    if seating is not None:
        made["seating_implants"] = seat_medians(seating)
    return made


def held(pairs, limits, **u):
    """Tables of conformity."""
    found = conformity_tables(
        pairs, limits=limits, reference_u=u or {"distance_um": 1.3, "angle_deg": 0.012}
    )
    return {n: getattr(found, n) for n in ("conformity", "supported_spans", "span_curve")}


def implants(model="M1", arch=ARCH_6, tilts=TILTS):
    rows = []
    for name, (x, y, z) in arch.items():
        tilt = np.radians(tilts.get(name, 0.0))
        side = np.sign(x) or 1.0
        axis = np.array([side * np.sin(tilt), 0.0, np.cos(tilt)])
        flat = np.array([np.cos(tilt), 0.0, -side * np.sin(tilt)])
        rows.append(
            dict(
                model=model,
                implant=name,
                x_mm=x,
                y_mm=y,
                z_mm=z,
                axis_x=axis[0],
                axis_y=axis[1],
                axis_z=axis[2],
                flat_x=flat[0],
                flat_y=flat[1],
                flat_z=flat[2],
                angulation_deg=tilts.get(name, 0.0),
                u_position_um=1.2,
                u_axis_deg=0.01,
            )
        )
    return shape("implants", pd.DataFrame(rows))


def poses(reference, scans, rng, *, step_um, step_deg, bias=1.0):
    """Scans whose error walks along the arch, with a part that every scan has."""
    rows = []
    n = len(reference)
    cell_shift = {c: rng.normal(0, 0.5 * step_um, (n, 3)) for c in sorted(scans["cell"].unique())}
    always = np.cumsum(np.tile([-0.35 * step_um, 0.25 * step_um, -0.45 * step_um], (n, 1)), axis=0)
    for scan in scans.itertuples():
        moved = np.cumsum(rng.normal(0, step_um, (n, 3)), axis=0)
        turned = np.cumsum(rng.normal(0, step_deg, (n, 3)), axis=0)
        total = bias * always + moved + cell_shift[scan.cell]
        for i, r in enumerate(reference.itertuples()):
            turn = np.radians(turned[i])
            axis = np.array([r.axis_x, r.axis_y, r.axis_z])
            flat = np.array([r.flat_x, r.flat_y, r.flat_z])
            axis, flat = (v + np.cross(turn, v) for v in (axis, flat))
            axis, flat = (v / np.linalg.norm(v) for v in (axis, flat))
            rows.append(
                dict(
                    scan=scan.scan,
                    model=r.model,
                    implant=r.implant,
                    x_mm=r.x_mm + total[i, 0] / 1000,
                    y_mm=r.y_mm + total[i, 1] / 1000,
                    z_mm=r.z_mm + total[i, 2] / 1000,
                    axis_x=axis[0],
                    axis_y=axis[1],
                    axis_z=axis[2],
                    flat_x=flat[0],
                    flat_y=flat[1],
                    flat_z=flat[2],
                    u_x_um=2.1,
                    u_y_um=2.0,
                    u_z_um=1.4,
                    u_axis_deg=0.02,
                    fit_rms_um=9.0 + rng.normal(0, 0.4),
                    offset_um=28 + rng.normal(0, 1.5),
                    coverage=0.82 + rng.uniform(-0.06, 0.06),
                    status="ok",
                    note="",
                )
            )
    return shape("poses", pd.DataFrame(rows))


def with_factors(frame, scans, name):
    columns = [c for c in scans if c not in ("model", "file", "status", "reason")]
    merged = frame.drop(columns=["condition", "cell"]).merge(scans[columns], on="scan")
    factors = tuple(c for c in columns if c not in ("scan", "condition", "cell"))
    return shape(name, merged, factors=factors)


def validation_scans(devices=("device A",), failed=1):
    rows = []
    hours = {"operator 1": "09", "operator 2": "14"}
    for device in devices:
        for operator in ("operator 1", "operator 2"):
            for session in ("s1", "s2"):
                for repeat in range(3):
                    day = dt.date(2026, 3, 2 if session == "s1" else 9)
                    rows.append(
                        dict(
                            scan=f"v{len(rows) + 1:02d}",
                            file=f"scans/v{len(rows) + 1:02d}.stl",
                            model="M1",
                            status="ok",
                            reason="",
                            device=device,
                            software="4.1",
                            operator=operator,
                            session=session,
                            repeat=repeat + 1,
                            measured_at=f"{day}T{hours[operator]}:{10 + 5 * repeat}:00",
                            condition=device if len(devices) > 1 else "",
                            cell=f"{operator} / {session}",
                        )
                    )
    for k in range(failed):
        rows.append(
            {
                **rows[-1],
                "scan": f"v{len(rows) + 1:02d}",
                "status": "failed",
                "reason": "scanner lost its track twice; scan given up",
                "repeat": 4 + k,
            }
        )
    return pd.DataFrame(rows)


def settings(kind, **more):
    base = {
        "study": {
            "title": "Full-arch check of device A",
            "kind": kind,
            "protocol": "full_arch_validation",
        },
        "reference": {
            "instrument": "contact CMM",
            "certificate": "C-2026-017",
            "measured_on": "2026-01-20",
            "mpe_um": {"constant": 1.9, "per_metre": 4.0},
        },
        "scans": {"temperature_c": 23.0, "expansion_per_k": 75e-6},
        "scan_body": {"default": {"mesh": "scan_bodies/body.stl", "flat": [1, 0, 0]}},
        "analysis": {
            "datum": ["I1", "I2", "I3"],
            "condition": ["device"],
            "cell": ["operator", "session"],
        },
        "limits": {
            "distance_um": {"value": 100, "source": "agreed with the laboratory, minutes of March"},
            "angle_deg": {"value": 0.4, "source": "agreed with the laboratory, minutes of March"},
            "seat_gap_um": {"value": 150, "source": "half a turn of the screw, pitch 0.3 mm"},
        },
        "seating": {"platform_radius_mm": 2.0, "screw_pitch_mm": 0.3},
    }
    return Settings.model_validate({**base, **more}).as_used()


def findings():
    return shape(
        "findings",
        pd.DataFrame(
            [
                dict(
                    severity="warning",
                    code="few-cells",
                    where="scans.csv",
                    what="the spread between cells rests on four cells only",
                    mend="add sessions, not repeats",
                ),
                dict(
                    severity="note",
                    code="coverage",
                    where="scans/v07.stl",
                    what='scan body at "I3" is seen over 61 % of its surface only',
                    mend="look at the scan; nothing was changed",
                ),
            ]
        ),
    )


def record():
    names = [f"scans/v{i:02d}.stl" for i in range(1, 13)]
    names = ["study.toml", "scans.csv", "reference/implants.csv", "scan_bodies/body.stl", *names]
    return {
        "accstudy": "0.1.0",
        "inputs": {n: f"{abs(hash_of(n)):064x}" for n in names},
        "outputs": {n: f"{abs(hash_of(n)):064x}" for n in ("poses.csv", "accuracy.csv")},
        "versions": {"python": "3.11.2", "numpy": "2.3.0", "scipy": "1.16.0", "pandas": "2.3.0"},
    }


def hash_of(name):
    import hashlib

    return int(hashlib.sha256(name.encode()).hexdigest(), 16)


def validation(devices=("device A",), failed=1, seed=11, title="Full-arch check of device A"):
    """Everything a validation report is made from."""
    from accstudy.seating.table import seating_table

    rng = np.random.default_rng(seed)
    reference = implants()
    scans = validation_scans(devices, failed)
    good = scans[scans["status"] == "ok"]
    parts = [
        poses(reference, mine, rng, step_um=15.0 + 8 * k, step_deg=0.05 + 0.02 * k)
        for k, (_, mine) in enumerate(good.groupby("device", sort=False))
    ]
    placed = pd.concat(parts, ignore_index=True)
    pairs = with_factors(pair_deviations(placed, reference), good, "pair_deviations")
    singles = with_factors(
        implant_deviations(placed, reference, datum=("I1", "I2", "I3")), good, "implant_deviations"
    )
    used = settings("validation", study={"title": title, "kind": "validation"})
    limits = [
        LimitOf(m, used["limits"][m]["value"], used["limits"][m]["source"])
        for m in ("distance_um", "angle_deg")
    ]
    factors = good[["scan", "condition", "cell"]]
    accuracy = accuracy_table(pairs, singles, reference_u={"distance_um": 1.3})
    seating = seating_table(placed, reference, screw_pitch_mm=0.3, factors=factors)
    outliers = shape(
        "outliers",
        pd.DataFrame(
            [
                dict(
                    condition=pairs["condition"].iloc[0],
                    model="M1",
                    measurand="distance_um",
                    subject="I1-I5",
                    cell="operator 2 / s1",
                    test="mandel-k",
                    statistic=1.71,
                    critical_5=1.66,
                    critical_1=1.86,
                    verdict="straggler",
                )
            ]
        ),
    )
    return with_ranges(
        title=title,
        settings=used,
        tables={
            "implants": reference,
            "scans": scans,
            "poses": placed,
            "pair_deviations": pairs,
            "implant_deviations": singles,
            "accuracy": accuracy,
            **summed(pairs, singles, accuracy, reference, outliers, seating),
            **held(pairs, limits),
            "uncertainty_budget": uncertainty_budget(
                pairs,
                reference,
                mpe_constant_um=1.9,
                mpe_per_metre_um=4.0,
                expansion_per_k=75e-6,
                temperature_tolerance_k=1.0,
                poses=placed,
            ),
            "seating": seating,
            "outliers": outliers,
            "findings": findings(),
            "failures": failure_table(scans.assign(condition="A"), measured=set(pairs["scan"])),
        },
        record=record(),
        generated="2026-03-09",
    )


TECHNIQUES = {"technique 1": 9.0, "technique 2": 13.0, "technique 3": 18.0}


def comparison(seed=5, repeats=3, margin=None, models=("distance", "distance size")):
    """Everything a comparison report is made from; the models are fitted for real."""
    from accstudy.models.results import model_tables
    from accstudy.models.specs import default_specs

    rng = np.random.default_rng(seed)
    names = list(ARCH_6)
    arches = {
        "M4": [names[0], names[2], names[3], names[5]],
        "M6": names,
        "M2": [names[1], names[2]],
    }
    scans, placed, references = [], [], []
    for m, (model, kept) in enumerate(arches.items()):
        tilts = {k: (0.0, 12.0, 25.0)[(i + m) % 3] for i, k in enumerate(kept)}
        reference = implants(model, {k: ARCH_6[k] for k in kept}, tilts)
        references.append(reference)
        for technique, step in TECHNIQUES.items():
            rows = [
                dict(
                    scan=f"c{len(scans) + i + 1:03d}",
                    model=model,
                    status="ok",
                    reason="",
                    technique=technique,
                    operator=f"operator {1 + i % 2}",
                    condition=technique,
                    cell=f"operator {1 + i % 2}",
                    repeat=i + 1,
                )
                for i in range(repeats)
            ]
            scans += rows
            placed.append(
                poses(
                    reference, pd.DataFrame(rows), rng, step_um=step, step_deg=0.04, bias=step / 12
                )
            )
    scans = pd.DataFrame(scans)
    placed = pd.concat(placed, ignore_index=True)
    reference = pd.concat(references, ignore_index=True)
    pair_parts, single_parts = [], []
    for model, mine in placed.groupby("model", sort=False):
        own = reference[reference["model"] == model]
        pair_parts.append(pair_deviations(mine, own))
        single_parts.append(implant_deviations(mine, own))
    pairs = with_factors(pd.concat(pair_parts), scans, "pair_deviations")
    singles = with_factors(pd.concat(single_parts), scans, "implant_deviations")
    specs = default_specs(
        "comparison", ["technique", "operator"], condition=["technique"], pairs=pairs
    )
    specs = [s for s in specs if s.name in models]
    if margin:
        from dataclasses import replace

        specs = [
            replace(s, equivalence_margin=margin) if s.name == "distance" else s for s in specs
        ]
    found = model_tables(specs, pairs, singles, limits=True)
    used = settings(
        "comparison",
        study={"title": "Three impression techniques", "kind": "comparison"},
        analysis={"condition": ["technique"], "cell": ["operator"]},
        model=[
            {
                "name": s.name,
                "response": s.response,
                "fixed": s.fixed,
                "random": list(s.random),
                "equivalence_margin": s.equivalence_margin,
            }
            for s in specs
        ],
    )
    accuracy = accuracy_table(pairs, singles, reference_u={"distance_um": 1.3})
    return with_ranges(
        title="Three impression techniques",
        settings=used,
        tables={
            "implants": reference,
            "scans": scans,
            "poses": placed,
            "pair_deviations": pairs,
            "implant_deviations": singles,
            "accuracy": accuracy,
            "field_figures": field_table(study_results(pairs), accuracy),
            **summed(pairs, singles, accuracy, reference),
            **held(pairs, []),
            "model_terms": found.terms,
            "model_tests": found.tests,
            "model_variances": found.variances,
            "model_means": found.means,
            "model_contrasts": found.contrasts,
            "model_effect_notes": effect_notes(pairs),
            "models": models_scanned(pairs),
            **{f"model_{name}": table for name, table in found.further.items()},
            "findings": findings().head(1),
        },
        record=record(),
        generated="2026-04-17",
    )


def drift(seed=3, sessions=16, jump_um=30.0):
    """Everything a drift report is made from: one device that jumps, one that does not."""
    from accstudy.drift.analysis import analyze_drift
    from accstudy.drift.designs import DriftOptions

    rng = np.random.default_rng(seed)
    names = list(ARCH_6)
    reference = implants("M4", {k: ARCH_6[k] for k in (names[0], names[2], names[3], names[5])})
    rows, placed = [], []
    for device in ("device A", "device B"):
        for k in range(sessions):
            day = pd.Timestamp("2025-01-06") + pd.Timedelta(days=14 * k)
            mine = [
                dict(
                    scan=f"{device[-1]}{k:02d}{r}",
                    model="M4",
                    status="ok",
                    reason="",
                    device=device,
                    session=f"S{k + 1:02d}",
                    condition=device,
                    cell=f"S{k + 1:02d}",
                    measured_at=f"{day.date()}T09:{10 * r:02d}:00",
                )
                for r in range(3)
            ]
            rows += mine
            found = poses(reference, pd.DataFrame(mine), rng, step_um=4.0, step_deg=0.02)
            if device == "device A" and k >= 10:
                found["x_mm"] += jump_um / 1000 * np.sign(found["x_mm"]) / 2
            placed.append(found)
    scans = pd.DataFrame(rows)
    placed = pd.concat(placed, ignore_index=True)
    pairs = with_factors(pair_deviations(placed, reference), scans, "pair_deviations")
    singles = with_factors(implant_deviations(placed, reference), scans, "implant_deviations")
    events = shape(
        "events",
        pd.DataFrame([dict(at="2025-05-20", device="device A", kind="tip changed", note="")]),
    )
    found = analyze_drift(
        pairs,
        singles,
        placed,
        reference,
        scans,
        events,
        options=DriftOptions(baseline_sessions=8, shift_um=15.0, limit_um=100.0),
    )
    return with_ranges(
        title="Two devices over half a year",
        settings=settings(
            "drift",
            study={"title": "Two devices over half a year", "kind": "drift"},
            analysis={"condition": ["device"], "cell": ["session"]},
            drift={"baseline_sessions": 8, "shift_um": 15.0},
        ),
        tables={
            **found.tables,
            "implants": reference,
            "scans": scans,
            "poses": placed,
            "pair_deviations": pairs,
            "implant_deviations": singles,
            "events": events,
        },
        record=record(),
        generated="2025-08-04",
    )
