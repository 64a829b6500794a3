"""Sample studies: whole, readable, true to what was put in, and the same bytes every time."""

import datetime as dt
import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from accstudy.compare.deviations import models_scanned, pair_deviations
from accstudy.errors import InputError
from accstudy.simulate import studies
from accstudy.simulate.arch import frames
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.studies import (
    DEVICES,
    KINDS,
    SAMPLE_SEEDS,
    TECHNIQUES,
    simulate_study,
    write_samples,
)
from accstudy.study.load import load_study
from accstudy.tables import read_csv

SAMPLES = Path(__file__).parents[2] / "sample_study"
XYZ = ["x_mm", "y_mm", "z_mm"]
TODAY = dt.date(2026, 1, 1)


def files_of(folder):
    """Files that were written, packed ones unpacked: the packer may differ, its content not."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        name = path.relative_to(folder).as_posix()
        if name.split("/")[1] in ("results", "reports", ".accstudy"):
            continue
        data = path.read_bytes()
        found[name] = gzip.decompress(data) if name.endswith(".gz") else data
    return found


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    folder = tmp_path_factory.mktemp("samples") / "sample_study"
    written = write_samples(folder)
    assert [p.name for p in written] == ["validation", "comparison", "drift"]
    return folder


def test_committed_samples_are_what_the_command_writes(fresh):
    here, there = files_of(SAMPLES), files_of(fresh)
    assert sorted(here) == sorted(there)
    differing = [name for name in here if here[name] != there[name]]
    assert differing == []


def test_samples_stay_small():
    made = {"results", "reports", ".accstudy"}
    size = sum(p.stat().st_size for p in SAMPLES.rglob("*") if not made & set(p.parts))
    assert size < 12e6


@pytest.mark.parametrize("kind", KINDS)
def test_samples_load_without_a_finding(fresh, kind):
    study = load_study(fresh / kind, today=TODAY)
    assert study.settings.study.kind == kind
    assert study.findings == ()
    failed = study.scans[study.scans["status"] == "failed"]
    assert 1 <= len(failed) <= 2
    assert (failed["reason"] != "").all()


def test_validation_scans_hold_the_bodies_where_the_truth_says(fresh):
    folder = fresh / "validation"
    poses = pd.read_csv(folder / "truth" / "poses.csv")
    scans = pd.read_csv(folder / "scans.csv")
    ok = scans[scans["status"] == "ok"]
    assert ok.groupby(["operator", "session"]).size().tolist() == [3, 3, 3, 3]
    assert sorted(poses["scan"].unique()) == sorted(ok["scan"])
    shape = body_shape("cylinder-flat")
    for name, file in ok[["scan", "file"]].iloc[::5].to_numpy():
        raw = gzip.decompress((folder / file).read_bytes())
        assert len(raw) == 84 + 50 * int.from_bytes(raw[80:84], "little")
        records = np.frombuffer(raw, np.uint8, offset=84).reshape(-1, 50)
        points = records[:, 12:48].copy().view("<f4").reshape(-1, 3).astype(float)
        assert len(records) == pytest.approx(40_000, rel=0.15)
        for place in frames(poses[poses["scan"] == name]):
            own = place.inverse().points(points)
            r = np.hypot(own[:, 0], own[:, 1])
            side = (np.abs(r - 2.5) < 0.3) & (own[:, 2] > 4.5) & (own[:, 2] < 7)
            off = shape.distance(own[side])[0] * 1e3
            assert side.sum() > 300
            # 39 mm2 hold some 50 independent patches of noise: standard error of the mean
            # 1 um, of the rms 7 %; four of them allowed
            assert off.mean() == pytest.approx(24.0, abs=4.0)  # the offset that was put in
            assert off.std() == pytest.approx(np.hypot(7.0, 3.0), rel=0.28)


def deviations(folder, model):
    """Deviations of the distances of every scan of a model, um: scans x pairs."""
    poses = pd.read_csv(folder / "poses.csv")
    truth = pd.read_csv(folder / "truth" / "implants.csv")
    mine = truth[truth["model"] == model]
    i, j = np.triu_indices(len(mine), 1)

    def distances(p):
        return np.linalg.norm(p[..., j, :] - p[..., i, :], axis=-1)

    of_model = poses[poses["model"] == model]
    shown = of_model[XYZ].to_numpy().reshape(-1, len(mine), 3)
    off = (distances(shown) - distances(mine[XYZ].to_numpy())) * 1e3
    return pd.DataFrame(off, index=of_model["scan"].unique())


def test_comparison_holds_the_bias_that_was_put_in(fresh):
    folder = fresh / "comparison"
    scans = pd.read_csv(folder / "scans.csv").set_index("scan")
    ok = scans[scans["status"] == "ok"]
    assert (ok.groupby(["technique", "model"]).size() == 8).all()
    assert (ok.groupby(["technique", "model", "operator"]).size() == 2).all()
    assert ok.groupby("operator")["session"].nunique().tolist() == [2] * 4
    bias = pd.read_csv(folder / "truth" / "distance_bias.csv")
    z = []
    for model in ok["model"].unique():
        off = deviations(folder, model)
        for technique in TECHNIQUES:
            of = scans.loc[off.index]
            mine = off[(of["technique"] == technique).to_numpy()]
            put_in = bias[(bias["model"] == model) & (bias["condition"] == technique)]
            by_operator = mine.groupby(scans.loc[mine.index, "operator"]).mean()
            error = by_operator.std() / np.sqrt(len(by_operator))
            z.append((by_operator.mean().to_numpy() - put_in["distance_um"].to_numpy()) / error)
    worst = np.abs(np.concatenate(z)).max()
    assert worst < 25  # t of 3 degrees of freedom, the largest of some 250
    assert np.median(np.abs(np.concatenate(z))) < 2


def test_comparison_crosses_count_with_angulation_and_models_with_sessions(fresh):
    folder = fresh / "comparison"
    models = models_scanned(truth_pairs(folder))
    assert (
        models.groupby(["n_implants", models["angulation_deg"].round()]).size().tolist() == [2] * 4
    )
    spread = models["span_mm"].max() - models["span_mm"].min()
    assert spread < 0.03 * models["span_mm"].mean()
    scans = pd.read_csv(folder / "scans.csv")
    # every model is in either session of two operators, so no session stands for a model
    per = (
        scans.drop_duplicates(["model", "operator", "session"]).groupby(["model", "session"]).size()
    )
    assert per.tolist() == [2] * 16


def truth_pairs(folder):
    truth = read_csv("implants", folder / "truth" / "implants.csv")
    parts = [pair_deviations(m.assign(scan="t", status="ok"), m) for _, m in truth.groupby("model")]
    return pd.concat(parts, ignore_index=True)


def test_truth_of_the_comparison_says_what_was_put_in(fresh):
    folder = fresh / "comparison"
    expected = pd.read_csv(folder / "truth" / "expected.csv").fillna({"per": ""})
    put = pd.read_csv(folder / "truth" / "effects.csv")
    ppm = put[put["effect"] == "scale_ppm_per_implant"]["value"].unique()
    pairs = expected[expected["response"] == "pair.distance_um"].set_index(["condition", "effect"])
    # an implant more stretches a pair by that share of its span: by hand from the mean span
    by_hand = float(ppm[0]) * truth_pairs(folder)["span_mm"].mean() / 1000
    for technique in TECHNIQUES:
        assert pairs.loc[(technique, "n_implants"), "value_um"] == pytest.approx(by_hand, rel=0.15)
    a, b, c = (pairs.loc[t, "value_um"] for t in TECHNIQUES)
    assert (a == b).all()
    # each end implant is shifted by 1.1 um a degree more with C, nearly along its pairs
    assert 0.75 * 11 < c["angulation_deg"] - a["angulation_deg"] < 1.25 * 11


def test_drift_holds_a_step_a_growth_and_nothing(fresh):
    folder = fresh / "drift"
    scans = pd.read_csv(folder / "scans.csv", parse_dates=["measured_at"]).set_index("scan")
    off = deviations(folder, "M4")
    longest = off.loc[:, off.abs().mean().idxmax()]
    at, device = scans.loc[off.index, "measured_at"], scans.loc[off.index, "device"]
    assert set(device) == set(DEVICES)
    assert (at.max() - at.min()).days / 30.4 == pytest.approx(17.5, abs=0.5)
    events = pd.read_csv(folder / "events.csv", parse_dates=["at"])
    step = events.loc[events["kind"] == "tip changed", "at"].iloc[0]
    rise, slope = {}, {}
    for name in DEVICES:
        mine = longest[(device == name).to_numpy()]
        when = at[mine.index]
        rise[name] = mine[when >= step].mean() - mine[when < step].mean()
        quiet = mine[when < step] if name == "device A" else mine
        days = (at[quiet.index] - at.min()).dt.days
        slope[name] = np.polyfit(days / 30.4375, quiet, 1)[0]
    assert rise["device A"] > 15
    assert abs(rise["device C"]) < 3
    # a session's mean scatters by some 7 um: 0.7 um a month on 9 months, 0.25 on 18
    assert abs(slope["device A"]) < 2.0
    assert slope["device B"] == pytest.approx(45e-6 * 37e3, abs=0.75)  # ppm a month of 37 mm
    assert abs(slope["device C"]) < 0.75
    per_session = scans.groupby(["device", "session"]).size()
    assert (per_session == 3).all()
    assert per_session["device B"].size < per_session["device A"].size  # gaps


def test_other_seeds_give_other_studies(tmp_path):
    one = simulate_study("drift", tmp_path / "one", seed=SAMPLE_SEEDS["drift"])
    two = simulate_study("drift", tmp_path / "two", seed=77)
    assert (one / "poses.csv").read_bytes() == (SAMPLES / "drift" / "poses.csv").read_bytes()
    assert (one / "poses.csv").read_bytes() != (two / "poses.csv").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one", "two"]


def test_results_and_reports_survive_but_foreign_files_stop_the_writing(tmp_path, monkeypatch):
    monkeypatch.setattr(studies, "KINDS", {"drift": KINDS["drift"]})
    write_samples(tmp_path)
    kept = tmp_path / "drift" / "results" / "poses.csv"
    kept.parent.mkdir()
    kept.write_text("mine")
    write_samples(tmp_path)
    assert kept.read_text() == "mine"
    (tmp_path / "drift" / "notes.txt").write_text("mine, too")
    before = (tmp_path / "drift" / "poses.csv").stat().st_mtime_ns
    with pytest.raises(InputError, match="notes"):
        write_samples(tmp_path)
    assert (tmp_path / "drift" / "poses.csv").stat().st_mtime_ns == before
    assert [p.name for p in tmp_path.iterdir()] == ["drift"]


def test_a_folder_in_use_and_an_unknown_kind_are_refused(tmp_path):
    (tmp_path / "mine.txt").write_text("x")
    with pytest.raises(InputError, match="not empty"):
        simulate_study("drift", tmp_path)
    with pytest.raises(InputError, match="drift"):
        simulate_study("drifting", tmp_path / "new")
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_failure_leaves_nothing_behind(tmp_path, monkeypatch):
    def broken(seed):
        raise RuntimeError("on the way")

    monkeypatch.setitem(studies.KINDS, "drift", broken)
    with pytest.raises(RuntimeError):
        simulate_study("drift", tmp_path / "new")
    assert list(tmp_path.iterdir()) == []
