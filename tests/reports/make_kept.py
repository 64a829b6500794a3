"""Make the kept studies anew: ``python tests/reports/make_kept.py`` (two minutes).

Small invented studies, analysed by the whole program, their tables packed. Tests of the
reports read them, so that a page is tested against the tables it was made from and nothing
else. Needed when the columns of the result tables change, and then the approved pages, too
(see test_approved.py).
"""

import json
import sys
import tempfile
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "shared"))

from invented import ARCH_6, implants, poses  # noqa: E402

LIMITS = """
[limits]
distance_um = { value = 100, source = "agreed with the laboratory" }
angle_deg = { value = 0.4, source = "agreed with the laboratory" }
seat_gap_um = { value = 150, source = "half a turn of the screw" }
[seating]
screw_pitch_mm = 0.3
"""
REFERENCE = """
[reference]
instrument = "contact CMM"
certificate = "C-2026-017"
measured_on = 2025-01-02
due_on = 2027-01-20
mpe_um = { constant = 1.9, per_metre = 4.0 }
"""
NO_REFERENCE = '\n[reference]\nkind = "none"\n'
SCANS = """
[scans]
poses = "poses.csv"
temperature_c = 23.0
expansion_per_k = 75e-6
"""


def head(kind, title, **more):
    lines = [f'{k} = "{v}"' for k, v in {"title": title, "kind": kind, **more}.items()]
    return "[study]\n" + "\n".join(lines) + "\n"


def placed(reference, scans, rng, **step):
    """Positions of the scans of one model as they are brought by a study."""
    scans = scans.assign(cell=scans["operator"] + scans["session"])
    found = poses(reference, scans, rng, **step)
    return found.drop(columns=["status", "note", "fit_rms_um", "offset_um", "coverage"])


def scan_rows(start, model, n, operators=2, sessions=2, day="2026-03-02", **same):
    rows = []
    for o in range(operators):
        for s in range(sessions):
            for r in range(n):
                at = pd.Timestamp(day) + pd.Timedelta(days=7 * s, hours=9 + 3 * o, minutes=9 * r)
                rows.append({"scan": f"{start}{len(rows) + 1:02d}", "model": model, **same,
                             "operator": f"operator {o + 1}", "session": f"s{s + 1}",
                             "measured_at": at.isoformat()})  # fmt: skip
    return pd.DataFrame(rows)


def validation(devices, settings, seed=7, again=lambda reference: reference):
    rng, reference = np.random.default_rng(seed), implants()
    scans, found = [], []
    for k, device in enumerate(devices):
        mine = scan_rows(
            "abc"[k], "M1", 3, device=device, software=f"4.{k}", serial_number=f"77{k}"
        )
        found.append(placed(reference, mine, rng, step_um=11.0 + 9 * k, step_deg=0.04 + 0.03 * k))
        scans.append(mine)
    scans = pd.concat(scans, ignore_index=True).assign(status="ok", reason="")
    lost = {**scans.iloc[-1].to_dict(), "scan": "z99", "status": "failed", "reason": "moisture"}
    return (
        settings,
        pd.concat([scans, pd.DataFrame([lost])]),
        pd.concat(found),
        again(reference),
        {},
    )


def repeated(reference, seed=2, runs=3):
    """The reference measured several times, each run scattered by a micrometre."""
    rng = np.random.default_rng(seed)
    again = [reference.assign(run=f"R{k + 1}") for k in range(runs)]
    for one in again:
        one[["x_mm", "y_mm", "z_mm"]] += rng.normal(0, 0.001, (len(one), 3))
    return pd.concat(again, ignore_index=True)


def comparison(settings, seed=5):
    rng, names = np.random.default_rng(seed), list(ARCH_6)
    kept = {"M4": [names[k] for k in (0, 2, 3, 5)], "M6": names, "M2": names[1:3]}
    scans, found, references = [], [], []
    for m, (model, own) in enumerate(kept.items()):
        tilts = {k: (0.0, 12.0, 25.0)[(i + m) % 3] for i, k in enumerate(own)}
        reference = implants(model, {k: ARCH_6[k] for k in own}, tilts)
        references.append(reference)
        for t, step in enumerate((9.0, 13.0, 20.0)):
            mine = scan_rows(f"{model}{t}", model, 1, operators=3, technique=f"technique {t + 1}")
            scans.append(mine)
            found.append(placed(reference, mine, rng, step_um=step, step_deg=0.04, bias=step / 12))
    return settings, pd.concat(scans), pd.concat(found), pd.concat(references), {}


def drift(settings, seed=3, sessions=16):
    rng, names = np.random.default_rng(seed), list(ARCH_6)
    reference = implants("M4", {k: ARCH_6[k] for k in (names[0], names[2], names[3], names[5])})
    scans, found = [], []
    for device in ("device A", "device B"):
        for k in range(sessions):
            day = pd.Timestamp("2025-01-06") + pd.Timedelta(days=14 * k)
            mine = scan_rows(f"{device[-1]}{k:02d}", "M4", 3, 1, 1, str(day.date()), device=device)
            mine["session"] = f"S{k + 1:02d}"
            own = placed(reference, mine, rng, step_um=4.0, step_deg=0.02)
            if device == "device A" and k >= 10:
                own["x_mm"] += 0.025 * np.sign(own["x_mm"])
            scans.append(mine)
            found.append(own)
    again = reference.assign(valid_from="2025-02-01")
    again["x_mm"] *= 1.0004
    events = (
        "at,device,kind,note\n2025-05-20,device A,tip changed,\n2025-03-10,device B,service,x\n"
    )
    more = {"events.csv": events}
    return settings, pd.concat(scans), pd.concat(found), pd.concat([reference, again]), more


MODELS = """
[[model]]
name = "distance"
response = "pair.distance_um"
fixed = "technique * (angulation_deg + path_mm + n_implants)"
random = ["model", "pair", "operator", "scan"]
equivalence_margin = 12
[[model]]
name = "size"
response = "log(abs(pair.distance_um))"
fixed = "technique * (angulation_deg + path_mm + n_implants)"
random = ["model", "pair", "operator", "scan"]
"""
DEVICES = '[analysis]\ncondition = ["device"]\ncell = ["operator", "session"]\n'
EXCLUDED = '\n[[exclusions]]\nscan = "b03"\nreason = "wrong body"\n'
STUDIES = {
    "one-device": lambda: validation(
        ["device A"],
        head("validation", "One device", protocol="full_arch_validation", laboratory="Lab 1",
             report_number="V-1", author="A. One", approver="B. Two")
        + SCANS + REFERENCE + LIMITS + '[analysis]\ncondition = ["device"]\n'
        'cell = ["operator", "session"]\ndatum = ["I1", "I2", "I3"]\n',
    ),
    "two-devices": lambda: validation(
        ["device A", "device B"],
        head("validation", "Two devices") + SCANS + REFERENCE + LIMITS
        + DEVICES + EXCLUDED, seed=11, again=repeated,
    ),
    "comparison": lambda: comparison(
        head("comparison", "Three techniques") + SCANS + REFERENCE + LIMITS
        + '[analysis]\ncondition = ["technique"]\ncell = ["operator", "session"]\n' + MODELS,
    ),
    "drift": lambda: drift(
        head("drift", "Two devices over half a year") + SCANS + REFERENCE
        + '[analysis]\ncondition = ["device"]\ncell = ["session"]\n[limits]\n'
        'distance_um = { value = 60, source = "agreed" }\n[drift]\nevents = "events.csv"\n'
        "baseline_sessions = 8\nshift_um = 15\n",
    ),
    "precision": lambda: validation(
        ["device A", "device B"], head("comparison", "Two devices, no reference") + SCANS
        + NO_REFERENCE + '[analysis]\ncondition = ["device"]\ncell = ["operator", "session"]\n',
    ),
}  # fmt: skip


def make(name, folder):
    """Write one study, analyse it and pack what its report is made from."""
    from accstudy.pipeline import run_study
    from accstudy.reports import render
    from accstudy.tables import TABLES, csv_bytes

    settings, scans, found, reference, more = STUDIES[name]()
    (folder / "reference").mkdir(parents=True)
    (folder / "study.toml").write_text(settings)
    scans.to_csv(folder / "scans.csv", index=False)
    found.to_csv(folder / "poses.csv", index=False)
    reference.to_csv(folder / "reference" / "implants.csv", index=False)
    for file, text in more.items():
        (folder / file).write_text(text)
    seen = {}
    real = render.render_report

    def watched(kind, content, **how):
        seen.update(kind=kind, content=content)
        return real(kind, content, **how)

    render.render_report = watched
    try:
        run_study(folder)
    finally:
        render.render_report = real
    content = seen["content"]
    facts = {
        "kind": seen["kind"],
        **{k: getattr(content, k) for k in ("title", "settings", "generated")},
        "record": {"accstudy": "0.1.0", "inputs": content.record["inputs"], "outputs": {},
                   "versions": {"python": "3.11.2", "numpy": "2.3.0"}},
    }  # fmt: skip
    with zipfile.ZipFile(HERE / "kept" / f"{name}.zip", "w", zipfile.ZIP_DEFLATED) as packed:

        def put(file, data):
            packed.writestr(zipfile.ZipInfo(file, (2026, 1, 1, 0, 0, 0)), data,
                            zipfile.ZIP_DEFLATED)  # fmt: skip

        put("facts.json", json.dumps(facts, indent=1, default=str))
        for table, rows in content.tables.items():
            if len(rows):
                more = tuple(c for c in rows.columns if c not in TABLES[table].names)
                put(f"{table}.csv", csv_bytes(table, rows, factors=more))


if __name__ == "__main__":
    for one in sys.argv[1:] or STUDIES:
        with tempfile.TemporaryDirectory() as made:
            make(one, Path(made) / "study")
        print(one, (HERE / "kept" / f"{one}.zip").stat().st_size)
