"""Every file that a run writes and every value of its record: whatever changes, audit names it.

What is computed is kept between the cases: other tests show that the same input gives the
same tables, and here only the comparison is tried.
"""

import base64
import contextlib
import html
import io
import itertools
import json
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from PIL import Image

import accstudy.stages.measure
import accstudy.stages.report
import accstudy.stages.steps
import accstudy.stages.work
from accstudy import read_results
from accstudy.audit import audit_study
from accstudy.cli import main
from accstudy.errors import InputError
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.pipeline import run_study
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.simulate.studies import write_folder
from accstudy.stages.report import kept_pictures
from accstudy.stages.work import history_entry
from accstudy.study.files import ChangedFileError, digest
from accstudy.study.record import add_run, chain_faults, json_bytes
from accstudy.tables import csv_bytes

STUDY = """\
[study]
title = "One mesh among positions"
kind = "validation"
[scans]
poses = "poses.csv"
temperature_c = 20.0
[scan_body.default]
mesh = "body.stl"
"""
MEASURE_ONE = accstudy.stages.measure._measure_one
PARTS = (
    "accstudy",
    "computer",
    "findings",
    "inputs",
    "outputs",
    "program",
    "report",
    "scans",
    "sessions",
    "settings",
    "stages",
    "versions",
)


def remembered(function, key):
    """The function, computing once for every key."""

    def called(*given, **named):
        found = called.key(*given, **named)
        if found not in called.known:
            called.known[found] = function(*given, **named)
        kept = called.known[found]
        return kept.copy() if isinstance(kept, pd.DataFrame) else kept

    called.known, called.key = {}, key
    return called


@pytest.fixture(scope="module")
def once():
    """Let every stage compute once for every input."""

    def of_study(study):
        frames = (study.scans, study.implants, study.given_poses, study.events)
        return repr(study.settings) + "".join(f.to_csv() for f in frames)

    def of_step(step, study, tables):
        return step.name + of_study(study) + "".join(f.to_csv() for f in tables.values())

    with pytest.MonkeyPatch.context() as patch:
        views = []

        def viewed(make):
            """A report that is known brings the view that was kept when it was made."""

            def called(*given, kept=None, **named):
                made = make(*given, kept=kept, **named)
                if kept and (kept / "located.json").is_file():
                    views.append((kept / "located.json").read_bytes())
                elif kept and views:
                    with contextlib.suppress(OSError):
                        (kept / "located.json").write_bytes(views[0])
                return made

            called.once = make
            return called

        for module, name, key in (
            (accstudy.stages.steps, "compute", of_step),
            (
                accstudy.stages.report,
                "make_report",
                lambda s, t, r, o, **_: (
                    of_study(s) + "".join(f.to_csv() for f in t.values()) + repr((r, o))
                ),
            ),
            (accstudy.stages.measure, "_measure_one", lambda job: job.files.digests["s0.stl"]),
            (accstudy.stages.work, "read_csv", lambda name, file: (name, file.getvalue())),
        ):
            patch.setattr(module, name, remembered(getattr(module, name), key))
        patch.setattr(
            accstudy.stages.report, "make_report", viewed(accstudy.stages.report.make_report)
        )
        yield


@pytest.fixture(scope="module")
def finished(once, tmp_path_factory):
    """A study with a mesh scan and given positions, run to the end."""
    reference = reference_model(3, angulation_deg=10.0, model="M", seed=5)
    given = []
    rng = np.random.default_rng(1)
    for i in range(1, 6):
        rows = reference[["model", "implant", "axis_x", "axis_y", "axis_z"]].assign(scan=f"s{i}")
        for c in ("x_mm", "y_mm", "z_mm"):
            rows[c] = reference[c] + rng.normal(0, 0.02, len(reference))
        given.append(rows)
    listed = [{"scan": f"s{i}", "model": "M", "file": "s0.stl" if i == 0 else ""} for i in range(6)]
    files = {
        "study.toml": STUDY.encode(),
        "scans.csv": pd.DataFrame(listed).to_csv(index=False).encode(),
        "poses.csv": pd.concat(given).to_csv(index=False).encode(),
        "reference/implants.csv": csv_bytes("implants", reference),
        "body.stl": stl_bytes(body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh, decimals=6),
        "s0.stl": stl_bytes(simulate_scan(reference, n_triangles=12_000, seed=[5, 0]).mesh),
    }
    folder = write_folder(tmp_path_factory.mktemp("every") / "study", files)
    run_study(folder, page=True, who="operator 1")
    return folder


@pytest.fixture
def study(finished, tmp_path):
    return shutil.copytree(finished, tmp_path / "study", symlinks=True)


def said(study):
    """All that an audit says differs, in findings and beside them."""
    found = audit_study(study)
    return "\n".join([*map(str, found.findings), found.made_on])


def rebuilt(study, change):
    """Change results and record, and make record and history fit, as a forger would."""
    results = study / "results"
    record = json.loads((results / "record.json").read_bytes())
    change(record)
    (results / "record.json").write_bytes(json_bytes(record))
    entry = (
        {**history_entry(record), "sessions": record.get("sessions", {})}
        if all(part in record for part in PARTS)
        else {"record": digest(json_bytes(record))}
    )
    (results / "history.jsonl").write_bytes(add_run(b"", entry))


def written(study):
    """Every file that the run wrote or read, but the lock, which holds nothing."""
    return sorted(
        p.relative_to(study).as_posix()
        for p in study.rglob("*")
        if p.is_file() and p.name != "lock"
    )


def test_an_untouched_study_is_as_recorded_and_the_audit_changes_nothing(study):
    before = {p: p.read_bytes() for p in study.rglob("*") if p.is_file()}
    found = audit_study(study, everything=True)
    assert found.findings == []
    assert found.made_on == ""
    assert found.remeasured == ("s0",)
    assert {p: p.read_bytes() for p in study.rglob("*") if p.is_file()} == before


def spoilt(file, how, elsewhere):
    before = file.read_bytes()
    file.unlink()
    if how == "change":
        file.write_bytes(before[:-9] + bytes([before[-9] ^ 1]) + before[-8:])
    elif how == "link":
        elsewhere.mkdir(exist_ok=True)
        (elsewhere / file.name).write_bytes(before)
        os.symlink(elsewhere / file.name, file)
    return before


@pytest.mark.parametrize("how", ["change", "delete", "link"])
def test_any_file_that_is_changed_deleted_or_replaced_by_a_link_is_named(
    study, tmp_path, how, monkeypatch
):
    names = written(study)
    known = accstudy.stages.steps.compute.known  # tables and report stay as they were
    first = {key.split("Settings(")[0]: key for key in reversed(known)}
    monkeypatch.setattr(accstudy.stages.steps.compute, "key", lambda step, *_: first[step.name])
    report = accstudy.stages.report.make_report.once
    finished = next(iter(report.known))
    monkeypatch.setattr(report, "key", lambda *_, **__: finished)
    assert len(names) > 30
    alone = [n for n in names if n.count("/") == 0 or "reference/" in n]  # nothing can be read then
    alone += ["results/record.json", "results/history.jsonl", "results/poses.csv"]
    for name in alone:
        before = spoilt(study / name, how, tmp_path / "elsewhere")
        assert Path(name).name in said(study), name
        (study / name).unlink(missing_ok=True)
        (study / name).write_bytes(before)
    for name in set(names) - set(alone):
        spoilt(study / name, how, tmp_path / "elsewhere")
    found = said(study)
    for name in set(names) - set(alone):
        # what is kept between runs may be deleted, and a link there is not followed
        if not name.startswith(".accstudy") or how == "change":
            assert name in found, name


def test_files_more_are_named_stay_and_become_no_results(study):
    names = [
        "results/model_terms.csv",
        "results/notes.txt",
        "results/inside/drift_points.csv",
        "reports/other.pdf",
        "reports/figures/extra.svg",
        ".accstudy/other",
        ".accstudy/measured/other.json",
    ]
    for name in names:
        (study / name).parent.mkdir(exist_ok=True)
        (study / name).write_text("condition,term\nx,y\n")
    before = said(study)
    (study / "reports/validation.pdf").unlink()
    run_study(study, page=True, who="operator 1")
    after = said(study)
    record = json.loads((study / "results/record.json").read_bytes())
    recorded = "".join([*record["outputs"], *record["report"]["files"]])
    for name in names:
        assert name in before
        assert name in after
        assert (study / name).read_text() == "condition,term\nx,y\n"
        assert Path(name).name not in recorded
    assert b"model_terms" not in (study / "reports/validation.pdf").read_bytes()


def test_forged_tables_with_record_and_history_made_to_fit_are_named(study):
    def forge(record):
        for name in names:
            file = study / "results" / name
            lines = file.read_text().splitlines()
            row = next((k for k in range(1, len(lines)) if re.search(r"\d", lines[k])), None)
            if row is None:  # an empty table
                lines, row = [*lines, "1" + lines[0].count(",") * ","], len(lines)
            lines[row] = re.sub(r"\d", lambda d: str((int(d[0]) + 5) % 10), lines[row], count=1)
            file.write_text("\n".join(lines) + "\n")
            record["outputs"][name] = digest(file.read_bytes())

    names = {p.name for p in (study / "results").glob("*.csv")} - {"poses.csv"}
    assert len(names) > 15
    rebuilt(study, forge)
    found = said(study)
    for name in names:
        assert f'recomputing "{name}" gives a different table' in found


@pytest.mark.parametrize("name", ["pair_deviations.csv", "findings.csv", "datapackage.json"])
def test_a_table_taken_out_of_folder_and_record_is_named(study, name):
    (study / "results" / name).unlink()
    rebuilt(study, lambda r: r["outputs"].pop(name))
    assert name in said(study)


def test_without_pair_deviations_a_forged_table_does_not_pass_and_the_next_run_recomputes(study):
    results = study / "results"
    (results / "pair_deviations.csv").unlink()
    text = (results / "accuracy.csv").read_text()
    (results / "accuracy.csv").write_text(text.replace("0.0", "0.9"))

    def forge(record):
        del record["outputs"]["pair_deviations.csv"]
        record["outputs"]["accuracy.csv"] = digest((results / "accuracy.csv").read_bytes())

    rebuilt(study, forge)
    assert "accuracy.csv" in said(study)
    run_study(study)
    assert (results / "accuracy.csv").read_text() == text


def test_the_page_names_its_record_and_shows_cells_of_its_tables(finished, capsys):
    page = (finished / "reports/validation.html").read_text()
    text = " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page.split('id="data"')[0])).split())
    record = json.loads((finished / "results/record.json").read_bytes())
    how = Path(__file__).parents[1] / "docs/how-to/explore.md"  # says how to check it
    check = re.search(r"```python\n(.*?)```", how.read_text(encoding="utf-8"), re.S)[1]
    exec(check.replace("my_study", finished.as_posix()), {})
    assert f"Record, SHA-256 {capsys.readouterr().out.strip()} " in text
    assert f"Version accstudy {record['accstudy']} " in text
    assert "Run by operator 1 " in text
    assert "Date of issue not stated " in text
    for caution in ("not a medical device", "must be verified on the patient", "In the mouth"):
        assert caution in text
    tables = read_results(finished)
    for row in tables["conformity"].itertuples():
        assert row.verdict.removeprefix("conformity ") in text
    data = json.loads(re.search(r'id="data">(.*?)</script>', page, re.S)[1])
    assert set(data["meshes"]) == {"s0"}  # the others have no surface
    worst = tables["scan_deviations"].set_index("scan")
    for scan in data["scans"]:
        row = worst.loc[scan["name"]]
        pair = f"{row['worst_implant_a']}–{row['worst_implant_b']}"
        told = [f"largest deviation of a distance, {pair}", row["worst_distance_um"], "µm"]
        assert scan["facts"][0] == told


def test_a_forged_report_with_its_digest_made_to_fit_is_named(study):
    for name in ("validation.pdf", "validation.html"):
        file = study / "reports" / name
        file.write_bytes(file.read_bytes().replace(b"3", b"4", 1))
        rebuilt(study, lambda r: r["report"]["files"].update({name: digest(file.read_bytes())}))  # noqa: B023
        assert f"reports/{name}" in said(study)


def leaves(value, *path):
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from leaves(inner, *path, key)
    elif isinstance(value, list) and value:
        for key, inner in enumerate(value):
            yield from leaves(inner, *path, key)
    elif path:
        yield path


def at(record, path):
    for key in path[:-1]:
        record = record[key]
    return record, path[-1]


def other(value):
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1
    return {"error": "note", "warning": "note"}.get(value, f"{value}x") if value else "x"


def changed(record, path):
    where, key = at(record, path)
    where[key] = other(where[key])


def dropped(record, path):
    where, key = at(record, path)
    where.pop(key)


def added(record, path):
    where, _ = at(record, path)
    if isinstance(where, list):
        where.append("more")
    elif len(path) > 1 and isinstance(where, dict):
        where["more"] = "more"
    else:
        record["more"] = "more"


@pytest.mark.parametrize("change", [changed, dropped, added])
def test_values_of_the_record_that_are_changed_with_the_history_made_to_fit_are_named(
    study, finished, change
):
    record = json.loads((finished / "results/record.json").read_bytes())
    assert set(record) == set(PARTS)
    last = {part: list(leaves(record[part], part))[-1] for part in record}
    single = {"accstudy", "computer", "program", "versions"}  # of the machine: said, no fault
    for part in single:
        rebuilt(study, lambda r: change(r, last[part]))  # noqa: B023
        found = audit_study(study)
        assert found.made_on or found.findings, part
        shutil.copytree(finished / "results", study / "results", dirs_exist_ok=True)

    def forge(record):
        for part in set(PARTS) - single:
            change(record, last[part])

    rebuilt(study, forge)
    found = said(study)
    if "record is missing or cannot be read" not in found:
        for part in set(PARTS) - single:
            assert f"record.json: {part}" in found, part


@pytest.mark.slow
def test_every_value_of_the_record_that_is_changed_or_dropped_is_named(study, finished):
    record = json.loads((finished / "results/record.json").read_bytes())
    for path, change in itertools.product(leaves(record), (changed, dropped)):
        rebuilt(study, lambda r: change(r, path))  # noqa: B023
        assert said(study), (path, change)
        shutil.copytree(finished / "results", study / "results", dirs_exist_ok=True)


def stopped(*_, **__):
    """In place of reading the study: nothing is computed again."""
    raise InputError("stopped here")


def test_every_value_of_the_last_line_of_the_history_is_named(study, monkeypatch):
    monkeypatch.setattr("accstudy.audit.load_study", stopped)
    file = study / "results/history.jsonl"
    line = json.loads(file.read_bytes().splitlines()[-1])
    spoilt = [{**line, key: value} for key in line for value in ("x", None, {})]
    spoilt += [{k: v for k, v in line.items() if k != key} for key in line]
    for new in spoilt:
        if new != line:
            assert chain_faults(json.dumps(new).encode() + b"\n"), new
    for data in (json.dumps({**line, "at": "x"}).encode(), b"", b"\xff", b"[]", b"{}"):
        file.write_bytes(data + b"\n")
        assert "results/history.jsonl" in said(study) or not data
    for key in ("settings", "outputs", "record", "sessions", "accstudy"):  # with a chain that fits
        file.write_bytes(add_run(b"", {**{k: v for k, v in line.items() if k != "line"}, key: "x"}))
        assert "the record does not belong to the last run" in said(study)


@pytest.mark.parametrize(
    "step", [997, pytest.param(1, marks=pytest.mark.slow)], ids=["some bytes", "every byte"]
)
def test_a_byte_of_record_history_or_status_that_is_changed_is_named(study, monkeypatch, step):
    """Even blanks and line ends; what is computed again afterwards need not show it."""
    (study / "results/status.json").write_bytes(json_bytes({"devices": [], "day": "2026-01-01"}))
    data = (study / "results/status.json").read_bytes()
    rebuilt(study, lambda r: r["outputs"].update({"status.json": digest(data)}))
    monkeypatch.setattr("accstudy.audit.load_study", stopped)

    def told():
        return [f for f in audit_study(study).findings if f.what != "stopped here"]

    assert told() == []
    monkeypatch.setattr("accstudy.audit.compare_inputs", lambda *_: None)
    for name in ("record.json", "history.jsonl", "status.json"):
        file = study / "results" / name
        before = file.read_bytes()
        for at in range(0, len(before), step):
            for new in (before[at] ^ 1, 32, 10):
                file.write_bytes(before[:at] + bytes([new]) + before[at + 1 :])
                if new != before[at]:
                    assert told(), (name, at, new)
        for other in (before[:-1], before + b"\n", before + b" ", b" " + before):
            file.write_bytes(other)
            assert told(), (name, other[-9:])
        file.write_bytes(before)


def test_positions_that_are_given_are_compared_with_the_poses(study):
    given = pd.read_csv(study / "poses.csv")
    given.loc[0, "x_mm"] += 0.01
    given.to_csv(study / "poses.csv", index=False)
    rebuilt(
        study,
        lambda r: r["inputs"].update({"poses.csv": digest((study / "poses.csv").read_bytes())}),
    )
    assert "results/poses.csv" in said(study)


def test_a_scan_forged_where_it_is_kept_as_measured_is_named(study):
    (entry,) = (study / ".accstudy/measured").glob("*.json")
    stored = json.loads(entry.read_bytes())
    stored["poses"] = stored["poses"].replace("0.", "1.", 1)
    entry.write_text(json.dumps(stored))
    found = said(study)
    assert "differs from the results" in found
    assert entry.name in found


def test_scans_that_would_be_located_otherwise_now_are_not_analyzed(study):
    scans = study / "scans.csv"
    before = [(study / "results" / n).read_bytes() for n in ("poses.csv", "record.json")]
    scans.write_text(scans.read_text() + "s9,M,s9.stl\n")
    (study / "s9.stl").write_bytes((study / "s0.stl").read_bytes())
    (study / "body.stl").write_bytes((study / "body.stl").read_bytes() + b"\n")
    done = CliRunner().invoke(main, ["analyze", str(study)])
    assert done.exit_code == 3
    assert "have not been located: s9" in done.output
    assert "since the scans were located, this has changed: scan body" in done.output
    assert before == [(study / "results" / n).read_bytes() for n in ("poses.csv", "record.json")]


def view_of(study):
    return json.loads((study / ".accstudy/located.json").read_bytes())


def png(size):
    out = io.BytesIO()
    Image.new("L", size).save(out, "PNG")
    return base64.b64encode(out.getvalue()).decode()


def test_a_kept_view_that_was_forged_is_named(study):
    forged = view_of(study) | {"located": png((9, 9))}
    (study / ".accstudy/located.json").write_text(json.dumps(forged))
    found = said(study)
    assert "the kept view of a scan differs" in found
    assert ".accstudy/located.json" in found


def test_a_kept_view_that_is_damaged_is_drawn_again(study):
    assert kept_pictures(study / ".accstudy/located.json")["key"] == view_of(study)["key"]
    kept = study / ".accstudy/located.json"
    old = view_of(study)
    damaged = [
        b"",
        json.dumps(old).encode()[:-9],
        b"\xff" * 99,
        b"[" * 100_000,
        b"[]",
        b"9" * 5_000,
        json.dumps(dict.fromkeys(old, 5)).encode(),
        *(
            json.dumps(old | change).encode()
            for change in (
                {"located": old["located"][:-900]},
                {"located": "no base64"},
                {"located": base64.b64encode(b"GIF89a").decode()},
                {"located": png((20_000, 20))},
                {"located": None},
                {"more": ""},
                {"surface-trueness": old["located"]},
            )
        ),
    ]
    for data in damaged:
        kept.write_bytes(data)
        assert kept_pictures(kept) == {}, data[:40]


def put(place, kind, goal):
    """Something else in the place of a file, which is moved to `goal`."""
    if place.is_file():
        place.rename(goal)
    else:
        goal.write_bytes(b"{}")
    if kind == "link":
        place.symlink_to(goal)
    elif kind == "pipe":
        os.mkfifo(place)
    else:
        place.mkdir()
        (place / "mine").write_text("mine")


@pytest.mark.parametrize("kind", ["link", "pipe", "folder"])
def test_what_lies_in_the_place_of_a_file_of_the_tools_is_neither_followed_nor_waited_for(
    study, tmp_path, kind
):
    (entry,) = (study / ".accstudy/measured").glob("*.json")
    kept = [study / ".accstudy" / name for name in ("located.json", "digests.json")]
    results = [study / "results" / n for n in ("history.jsonl", "poses.csv", "accuracy.csv")]
    places = [*kept, entry, *results]
    for k, place in enumerate(places):
        put(place, kind, tmp_path / str(k))
    before = [(tmp_path / str(k)).read_bytes() for k in range(len(places))]
    found = said(study)
    assert all(place.name in found for place in results)
    done = CliRunner().invoke(main, ["measure", str(study)])
    assert done.exit_code == 3, done.output
    for place in results:  # and once these are away, the run goes on
        shutil.rmtree(place) if kind == "folder" else place.unlink()
    assert CliRunner().invoke(main, ["measure", str(study)]).exit_code == 0
    assert [(tmp_path / str(k)).read_bytes() for k in range(len(places))] == before
    assert kind != "folder" or all((place / "mine").is_file() for place in (*kept, entry))


def test_what_a_killed_run_began_is_no_stranger_and_the_next_run_removes_it(study):
    (entry,) = (study / ".accstudy/measured").glob("*.json")
    begun = [
        path.with_name(f".{path.name}.4711")
        for path in (entry, *(study / ".accstudy" / n for n in ("digests.json", "located.json")))
    ]
    mine = study / ".accstudy" / "notes.4711"
    for path in (*begun, mine):
        path.write_bytes(b"half a fi")
    found = said(study)
    assert mine.name in found
    assert not any(path.name in found for path in begun)
    run_study(study, until="measure")
    assert [path.exists() for path in (*begun, mine)] == [False, False, False, True]


def test_inputs_that_are_edited_during_a_run_are_recorded_as_they_were_read(study, monkeypatch):
    files = ("poses.csv", "scans.csv", "study.toml", "reference/implants.csv")
    before = {file: (study / file).read_bytes() for file in files}
    compute = accstudy.stages.steps.compute

    def meanwhile(*given):
        for file in files:
            (study / file).write_bytes(before[file] + b"\n")
        return compute(*given)

    shutil.rmtree(study / "results")
    monkeypatch.setattr(accstudy.stages.steps, "compute", meanwhile)
    run_study(study, until="analyze")
    monkeypatch.undo()
    record = json.loads((study / "results/record.json").read_bytes())
    found = said(study)
    for file in files:
        assert record["inputs"][file] == digest(before[file])
        assert f'"{file}" has changed' in found


def test_a_scan_that_is_exchanged_during_a_run_stops_it_and_nothing_is_written(study, monkeypatch):
    before = {p: p.read_bytes() for p in (study / "results").iterdir()}
    digests = accstudy.stages.measure.scan_parts

    def meanwhile(given):
        found = digests(given)
        (study / "s0.stl").write_bytes((study / "s0.stl").read_bytes() + b" ")
        return found

    shutil.rmtree(study / ".accstudy")
    monkeypatch.setattr(accstudy.stages.measure, "scan_parts", meanwhile)
    monkeypatch.setattr(accstudy.stages.measure, "_measure_one", MEASURE_ONE)
    with pytest.raises(ChangedFileError, match="no longer the file that was read"):
        run_study(study, until="measure")
    assert {p: p.read_bytes() for p in (study / "results").iterdir()} == before


@pytest.mark.parametrize("command", ["analyze", "report"])
def test_results_that_are_not_the_recorded_ones_are_not_gone_on_from(study, command):
    name = "poses.csv" if command == "analyze" else "accuracy.csv"
    for data in (
        b"\xff\x00\xfe",
        b"",
        b"scan\nx\n",
        (study / "results" / name).read_bytes() + b"\n",
    ):
        (study / "results" / name).write_bytes(data)
        done = CliRunner().invoke(main, [command, str(study)])
        assert done.exit_code == 3, done.output
        assert f"results/{name}" in done.output


@pytest.mark.parametrize(
    "record",
    [
        b"\xff\x00",
        b"[]",
        b'{"outputs": []}',
        b'{"outputs": {"accuracy.csv": 1}}',
        b'{"findings": {"check": [{"severity": "x"}]}}',
        b"[" * 100_000,
        b'{"accstudy": ' + b"9" * 10_000 + b"}",
    ],
)
def test_a_record_that_is_none_is_said_to_be_none(study, record):
    (study / "results/record.json").write_bytes(record)
    done = CliRunner().invoke(main, ["audit", str(study)])
    assert done.exit_code == 3
    assert "record is missing or cannot be read" in done.output


@pytest.mark.parametrize("data", [b"\xff\x00", b"", b"scan,implant\n", b"x\n" * 9])
def test_results_that_are_no_tables_are_named_by_the_audit(study, data):
    for name in ("poses.csv", "accuracy.csv", "findings.csv"):
        (study / "results" / name).write_bytes(data)
        rebuilt(study, lambda r: r["outputs"].update({name: digest(data)}))  # noqa: B023
    assert "poses.csv" in said(study)
